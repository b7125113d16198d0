//! The words that pages and answers share.

use chrono::{DateTime, TimeDelta, Utc};

pub(super) use crate::caution::words::first_name;
use crate::measure::{Span, spoken};
use crate::plan::turns_text;

/// What an unknown link and an expired one say, in the same words.
pub(super) const GONE: &str = "there is nothing here. The link may be mistyped or cut off, or the \
                               trip ended more than 24 hours ago";

/// The longest extension at a time.
const LONGEST_EXTENSION: Span = Span::from_hours(7 * 24);
const LONGEST_NAME: usize = 80;
const LONGEST_LINE: usize = 200;
/// No word of a name, a reference or a link to a place is longer; what mail filters are tried out with
/// is (SpamAssassin's GTUBE and the EICAR file have 68 signs), and a letter with it reaches nobody.
const LONGEST_WORD: usize = 60;

/// `a`, `a and b`, `a, b and c`.
pub(super) fn list<T: AsRef<str>>(items: &[T]) -> String {
    crate::caution::words::list(items, usize::MAX)
}

/// The same words with a capital letter at their beginning.
pub(super) fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    match chars.next() {
        Some(first) => first.to_uppercase().chain(chars).collect(),
        None => String::new(),
    }
}

/// Only what a telephone takes.
pub(super) fn dialled(number: &str) -> String {
    number.chars().filter(|c| c.is_ascii_digit() || *c == '+').collect()
}

/// How far away an instant is: `in 3 h 40 min`, `20 min ago`, `now`.
pub(super) fn from_now(at: DateTime<Utc>, now: DateTime<Utc>) -> String {
    let ahead = at - now;
    if ahead.abs() < TimeDelta::minutes(1) {
        return "now".to_owned();
    }
    let length = spoken(ahead.abs());
    if ahead > TimeDelta::zero() { format!("in {length}") } else { format!("{length} ago") }
}

/// The span by which a return time is put off.
pub(super) fn extension(text: &str) -> Result<Span, String> {
    let later: Span = text.parse().map_err(|error| format!("{error}"))?;
    if later == Span::ZERO {
        return Err("is no time at all; write by how much later, like 1h or 90m".to_owned());
    }
    if later > LONGEST_EXTENSION {
        return Err("is more than 7 days; for a longer trip file a new plan".to_owned());
    }
    Ok(later)
}

/// A name that somebody typed.
pub(super) fn typed_name(text: &str) -> Result<String, &'static str> {
    let name = typed_line(text)?.ok_or("Type your name.")?;
    if !name.chars().any(char::is_alphabetic) {
        return Err("Type your name, in letters.");
    }
    if name.chars().count() > LONGEST_NAME {
        return Err("That name is very long: type 80 characters at most.");
    }
    Ok(name)
}

/// A line that somebody typed; nothing if it is blank.
pub(super) fn typed_line(text: &str) -> Result<Option<String>, &'static str> {
    let text: String = text.chars().filter(|c| !turns_text(*c)).collect();
    let line = text.split_whitespace().collect::<Vec<_>>().join(" ");
    if line.chars().any(char::is_control) {
        return Err("There is a character in it that can't be shown: type it again.");
    }
    if line.chars().count() > LONGEST_LINE {
        return Err("That is very long: type 200 characters at most.");
    }
    if line.split(' ').any(|word| word.chars().count() > LONGEST_WORD) {
        return Err("There is a very long word in it: type 60 characters at most without a space.");
    }
    Ok((!line.is_empty()).then_some(line))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_extension_has_an_end() {
        assert_eq!(extension("1h30m").unwrap(), Span::from_minutes(90));
        assert_eq!(extension("7days").unwrap(), Span::from_hours(168));
        for wrong in ["", "0s", "8days", "soon", "-1h"] {
            assert!(extension(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_name_has_letters() {
        assert_eq!(typed_name("  Ines \t Halloran ").unwrap(), "Ines Halloran");
        for wrong in ["", "   ", "123", "a\u{0}b", &"x y".repeat(27), &"x".repeat(61)] {
            assert!(typed_name(wrong).is_err(), "{wrong:?}");
        }
    }

    #[test]
    fn times_tell_how_far_away_they_are() {
        let now: DateTime<Utc> = "2026-06-14T12:00:00Z".parse().unwrap();
        assert_eq!(from_now(now + TimeDelta::minutes(220), now), "in 3 h 40 min");
        assert_eq!(from_now(now - TimeDelta::minutes(20), now), "20 min ago");
        assert_eq!(from_now(now + TimeDelta::seconds(59), now), "now");
    }
}
