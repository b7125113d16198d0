//! A plan as it is stored, for an alert of one that can't be read: without e-mail addresses, and
//! without whoever was taken out of the trip. What is damaged is no JSON any more, so this looks at
//! the signs alone; where it finds nothing to leave out, all of it stays.

use std::ops::Range;

use serde::de::IgnoredAny;
use serde_json::from_str;

use crate::watch::Watched;

/// What an alert may show of the stored text. Total: it cannot fail.
pub(super) fn readable(stored: &str, watched: Option<&Watched>) -> String {
    let mut kept = stored.to_owned();
    if let Some(watched) = watched {
        let crew: Vec<bool> = (0..watched.crew.len()).map(|at| watched.is_on_trip(at)).collect();
        let contacts: Vec<bool> =
            (0..watched.contacts.len()).map(|at| watched.is_asked(at)).collect();
        kept = with_those_named(&kept, "\"crew\"", &crew);
        kept = with_those_named(&kept, "\"contact\"", &contacts);
    }
    without_addresses(&without_keys(&kept))
}

/// The text with those of a list who are still named. A list of another length than the plan's is
/// damaged: who would be whom is not known then, and nobody is left out, least of all one who is
/// overdue.
fn with_those_named(text: &str, key: &str, named: &[bool]) -> String {
    let whole = || text.to_owned();
    if named.iter().all(|named| *named) {
        return whole();
    }
    let Some((list, items)) = list(text, key) else { return whole() };
    // A quotation mark too many or too few has what is said taken for what is between.
    let is_sound = |item: &Range<usize>| from_str::<IgnoredAny>(&text[item.clone()]).is_ok();
    if items.len() != named.len() || !items.iter().all(is_sound) {
        return whole();
    }
    let kept = items.into_iter().zip(named).filter(|(_, named)| **named);
    let kept: Vec<&str> = kept.map(|(item, _)| &text[item]).collect();
    format!("{}{}{}", &text[..list.start], kept.join(","), &text[list.end..])
}

/// Where the list under this key stands, between its brackets, and each of its items; `None` when
/// it is damaged.
fn list(text: &str, key: &str) -> Option<(Range<usize>, Vec<Range<usize>>)> {
    let from = text.find(key)? + key.len();
    let from = from + text[from..].find(|c: char| c != ':' && !c.is_whitespace())?;
    let start = from + text[from..].strip_prefix('[').map(|_| 1)?;
    let (mut items, mut begun, mut depth) = (Vec::new(), None, 0_u32);
    let (mut quoted, mut escaped) = (false, false);
    for (at, c) in text[start..].char_indices().map(|(at, c)| (start + at, c)) {
        match c {
            _ if escaped => escaped = false,
            '\\' if quoted => escaped = true,
            '"' => quoted = !quoted,
            _ if quoted => {}
            '{' | '[' => {
                begun.get_or_insert(at);
                depth += 1;
            }
            ']' if depth == 0 => return Some((start..at, items)),
            '}' | ']' => {
                depth = depth.checked_sub(1)?;
                if depth == 0 {
                    items.push(begun.take()?..at + 1);
                }
            }
            _ => {}
        }
    }
    None
}

/// The text without every `"email"` and what stands there, whatever it is.
fn without_keys(text: &str) -> String {
    const KEY: &str = "\"email\"";
    let (mut kept, mut rest) = (String::new(), text);
    while let Some(at) = rest.find(KEY) {
        kept.push_str(&rest[..at]);
        let behind = &rest[at + KEY.len()..];
        let value = behind.trim_start_matches(|c: char| c == ':' || c.is_whitespace());
        rest = match value.strip_prefix('"') {
            Some(value) => &value[end_of_string(value)..],
            // Not a string any more: an address that is left is cut by its look.
            None => value,
        };
        // With the comma that parted it from what stands beside it.
        if kept.ends_with(',') {
            kept.pop();
        } else if let Some(behind) = rest.strip_prefix(',') {
            rest = behind;
        }
    }
    kept + rest
}

/// Where a string that has begun is over; one without an end is over where a list or a table is.
fn end_of_string(text: &str) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices() {
        match c {
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            '"' => return at + 1,
            _ => {}
        }
    }
    text.find([',', '}', ']']).unwrap_or(text.len())
}

/// The text with words of ours in the place of whatever looks like an address.
fn without_addresses(text: &str) -> String {
    let (mut kept, mut rest) = (String::new(), text);
    while let Some(at) = rest.find('@') {
        let (before, host) = (&rest[..at], &rest[at + 1..]);
        let host_len = host_length(host);
        let name = start_of_name(before);
        if host_len == 0 || name == before.len() {
            kept.push_str(&rest[..=at]);
            rest = host;
            continue;
        }
        kept.push_str(&before[..name]);
        kept.push_str("(address left out)");
        rest = &host[host_len..];
    }
    kept + rest
}

/// How much of the text is the name of a host: parts with a dot between them, of which the last is no
/// number, so that `3 kn@5.2` is none.
fn host_length(text: &str) -> usize {
    let end = text.find(|c: char| !(c.is_alphanumeric() || "-_.".contains(c)));
    let host = text[..end.unwrap_or(text.len())].trim_end_matches('.');
    match host.rsplit_once('.') {
        Some((_, last)) if last.starts_with(char::is_alphabetic) => host.len(),
        _ => 0,
    }
}

/// Where the name before an `@` begins; its end when there is none.
fn start_of_name(before: &str) -> usize {
    // One in quotes, as JSON writes it.
    if let Some(inner) = before.strip_suffix("\\\"") {
        return inner.rfind("\\\"").unwrap_or(inner.len());
    }
    let parts = |c: char| c.is_whitespace() || c.is_control() || "\"(),:;<>[]\\{}".contains(c);
    before.rfind(parts).map_or(0, |at| at + before[at..].chars().next().map_or(1, char::len_utf8))
}

#[cfg(test)]
mod tests {
    use super::*;

    const STORED: &str = r#"{"launch":{"position":"48.5 -123.1"},"crew":[{"name":"Ines","phone":"+1 360 555 0142","email":"ines@example.org","medical":"asks {for} \"Odd\", odd@example.org, at noon"},{"name":"Per","email":"per@example.org"}],"contact":[{"name":"Odd","email":"\"odd one\"@example.org","phone":"+1 360 555 0117"}]}"#;

    #[test]
    fn addresses_are_left_out_and_all_else_stays() {
        let shown = readable(STORED, None);
        assert_eq!(
            shown,
            r#"{"launch":{"position":"48.5 -123.1"},"crew":[{"name":"Ines","phone":"+1 360 555 0142","medical":"asks {for} \"Odd\", (address left out), at noon"},{"name":"Per"}],"contact":[{"name":"Odd","phone":"+1 360 555 0117"}]}"#
        );
        assert!(serde_json::from_str::<serde_json::Value>(&shown).is_ok(), "{shown}");
    }

    /// Whichever sign is damaged, no whole address is shown, and nobody is lost who is still named.
    #[test]
    fn one_damaged_sign_shows_no_address_and_hides_nobody() {
        for at in STORED.char_indices().map(|(at, _)| at) {
            for sign in ["x", "\"", "\\", "@", "}", " ", ","] {
                let damaged = format!("{}{sign}{}", &STORED[..at], &STORED[at + 1..]);
                let shown = without_addresses(&without_keys(&with_those_named(
                    &damaged,
                    "\"crew\"",
                    &[true, false],
                )));
                for address in ["ines@example.org", "per@example.org", "one\\\"@example.org"] {
                    assert!(!shown.contains(address), "{address} of {damaged}: {shown}");
                }
                for word in ["Ines", "555 0142", "asks {for}", "\"name\":\"Odd\"", "555 0117"] {
                    let lost = damaged.contains(word) && !shown.contains(word);
                    assert!(!lost, "{word} of {damaged}: {shown}");
                }
            }
        }
    }

    #[test]
    fn half_of_a_plan_is_shown_without_addresses() {
        for at in (0..STORED.len()).filter(|at| STORED.is_char_boundary(*at)) {
            for half in [&STORED[..at], &STORED[at..]] {
                assert!(!readable(half, None).contains("s@example.org"), "{half}");
            }
        }
    }

    #[test]
    fn what_only_looks_like_an_address_a_little_stays() {
        for text in ["channel 16 @ noon", "call Odd@0900.", "speed 3kn@5.2", "@", "a@", "@b.org"] {
            assert_eq!(readable(text, None), text);
        }
    }

    #[test]
    fn those_who_are_named_no_longer_are_left_out_of_a_list_as_long_as_the_plans() {
        let named = |named: &[bool]| with_those_named(STORED, "\"crew\"", named);
        assert!(!named(&[true, false]).contains("Per") && named(&[true, false]).contains("Ines"));
        assert!(named(&[false, true]).contains("{\"name\":\"Per\""));
        for other in [&[false][..], &[false, true, true]] {
            assert_eq!(named(other), STORED);
        }
        let damaged = STORED.replacen("Per\",", "Per,", 1);
        assert_eq!(with_those_named(&damaged, "\"crew\"", &[true, false]), damaged);
    }
}
