//! Cleaning what people typed, and putting it into sentences.

use crate::caution;
use crate::measure::Position;

/// The longest subject, in characters.
pub(super) const LONGEST_SUBJECT: usize = 120;
/// The space at which no line is broken.
pub(super) const NO_BREAK: char = '\u{A0}';
/// The longest name inside a sentence.
const LONGEST_NAME: usize = 60;
/// The longest typed text inside a sentence.
const LONGEST_QUOTE: usize = 300;

/// One line of what somebody typed: no control characters, and none of the invisible ones that
/// turn the reading direction or hide text. (Joiners inside emoji and scripts stay.)
pub(super) fn clean(text: &str) -> String {
    words(text).collect::<Vec<_>>().join(" ")
}

/// The same, but line breaks stay.
pub(super) fn clean_lines(text: &str) -> String {
    let lines = text.lines().map(clean).filter(|line| !line.is_empty());
    lines.collect::<Vec<_>>().join("\n")
}

fn words(text: &str) -> impl Iterator<Item = String> + '_ {
    text.split(|c: char| c.is_whitespace() || c.is_control())
        .map(|word| word.chars().filter(|&c| !is_invisible(c)).collect::<String>())
        .filter(|word| !word.is_empty())
}

/// Unicode's format characters but for the joiners U+200C and U+200D: bidirectional controls,
/// zero-width spaces, interlinear marks, tags.
fn is_invisible(c: char) -> bool {
    matches!(c,
        '\u{AD}' | '\u{61C}' | '\u{180E}' | '\u{200B}' | '\u{200E}' | '\u{200F}'
        | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}'
        | '\u{FFF9}'..='\u{FFFB}' | '\u{E0000}'..='\u{E007F}')
}

/// At most so many characters; what was cut leaves `…`.
pub(super) fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(most.saturating_sub(1)).collect();
    short.truncate(short.trim_end().len());
    short.push('…');
    short
}

/// A name inside a sentence.
pub(super) fn name(text: &str) -> String {
    cut(&clean(text), LONGEST_NAME)
}

/// Something typed, inside a sentence and in quotation marks.
pub(super) fn quote(text: &str) -> String {
    format!("\"{}\"", cut(&clean(text).replace('"', "'"), LONGEST_QUOTE))
}

/// The first word of a name.
pub(super) fn first_name(text: &str) -> String {
    let clean = clean(text);
    cut(clean.split(' ').next().unwrap_or_default(), LONGEST_NAME)
}

/// A telephone number that no line break may cut in two: its spaces become no-break spaces, which
/// no cleaned text holds otherwise.
pub(super) fn phone(text: &str) -> String {
    clean(text).replace(' ', &NO_BREAK.to_string())
}

/// `1 person`, `3 people`.
pub(super) fn people(count: usize) -> String {
    if count == 1 { "1 person".to_owned() } else { format!("{count} people") }
}

/// `a`, `a and b`, `a, b and c`.
pub(super) fn list(items: &[String]) -> String {
    caution::words::list(items, usize::MAX)
}

/// The names of a few, then how many more: `Ines Halloran, Tomas Bright and 3 more`.
pub(super) fn names(all: &[String], most: usize) -> String {
    let all: Vec<String> = all.iter().map(|one| name(one)).collect();
    caution::words::list(&all, most)
}

/// A subject whose middle is who it is about, cut so that the end is never lost.
pub(super) fn subject(before: &str, who: &[String], after: &str) -> String {
    let others = if who.len() > 1 { format!(" + {}", who.len() - 1) } else { String::new() };
    let fixed = [before, &others, after].iter().map(|part| part.chars().count()).sum();
    let room = LONGEST_SUBJECT.saturating_sub(fixed).min(40);
    let first = cut(&clean(who.first().map_or("", String::as_str)), room);
    cut(&clean(&format!("{before}{first}{others}{after}")), LONGEST_SUBJECT)
}

/// `48.54200 -123.16200, which is 48°32.520'N 123°09.720'W`.
pub(super) fn position(position: Position) -> String {
    format!("{}, which is {}", position.decimal(), position.degrees_minutes())
}

/// The same for reading aloud: `48 degrees 32.520 minutes north, …`.
pub(super) fn position_aloud(position: Position) -> String {
    let decimal = position.decimal().replace(' ', ", ").replace('-', "minus ");
    format!("{} (in decimal degrees {decimal})", degrees_aloud(position))
}

/// `48 degrees 32.520 minutes north, 123 degrees 9.720 minutes west`.
pub(super) fn degrees_aloud(position: Position) -> String {
    let spelled = position.degrees_minutes().replace('°', " degrees ").replace("' ", "'");
    [
        ("'N", " minutes north,"),
        ("'S", " minutes south,"),
        ("'E", " minutes east"),
        ("'W", " minutes west"),
    ]
    .iter()
    .fold(spelled, |text, (mark, words)| text.replace(mark, words))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cleaning_leaves_one_visible_line() {
        assert_eq!(clean(" a\r\nBcc: b\t\u{202E}c\u{0}d "), "a Bcc: b c d");
        assert_eq!(clean_lines("one\r\n\r\n two\u{85}three"), "one\ntwo three");
        assert_eq!(clean("👩\u{200D}🚀 שלום"), "👩\u{200D}🚀 שלום");
    }

    #[test]
    fn a_subject_keeps_its_end() {
        let who = vec!["x".repeat(300), "y".to_owned()];
        let subject = subject("OVERDUE since 12:45 PDT: 2 people, ", &who, " - act now");
        assert!(subject.ends_with("… + 1 - act now"), "{subject}");
        assert!(subject.chars().count() <= LONGEST_SUBJECT);
    }

    /// The position of `measure`'s own examples, read out (ISO 6709 Annex D gives the signs).
    #[test]
    fn a_position_is_read_aloud_in_degrees_and_minutes() {
        let position: Position = "48.5160 -123.1524".parse().unwrap();
        assert_eq!(
            position_aloud(position),
            "48 degrees 30.960 minutes north, 123 degrees 09.144 minutes west (in decimal \
             degrees 48.51600, minus 123.15240)"
        );
    }
}
