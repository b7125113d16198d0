//! Digits and letters as they are said on a bad line: one by one, letters by the alphabet of the
//! ITU's Radio Regulations, appendix 14.

use super::words::clean;
use crate::measure::Position;

const LETTERS: [&str; 26] = [
    "Alfa", "Bravo", "Charlie", "Delta", "Echo", "Foxtrot", "Golf", "Hotel", "India", "Juliett",
    "Kilo", "Lima", "Mike", "November", "Oscar", "Papa", "Quebec", "Romeo", "Sierra", "Tango",
    "Uniform", "Victor", "Whiskey", "X-ray", "Yankee", "Zulu",
];
const DIGITS: [&str; 10] =
    ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"];

/// `nine Charlie seven`; what is neither a digit nor one of A to Z is left out.
pub(super) fn spelled(text: &str) -> String {
    let cleaned = clean(text);
    cleaned.chars().filter_map(word).collect::<Vec<_>>().join(" ")
}

fn word(c: char) -> Option<&'static str> {
    let upper = c.to_ascii_uppercase();
    match upper {
        '0'..='9' => DIGITS.get(upper as usize - '0' as usize).copied(),
        'A'..='Z' => LETTERS.get(upper as usize - 'A' as usize).copied(),
        '.' => Some("decimal"),
        _ => None,
    }
}

/// `latitude four eight degrees, three two decimal five two zero minutes, NORTH; longitude …`.
pub(super) fn position(position: Position) -> String {
    let written = position.degrees_minutes();
    let mut halves = written.split(' ').map(half);
    let (lat, lon) = (halves.next().unwrap_or_default(), halves.next().unwrap_or_default());
    format!("latitude {lat}; longitude {lon}")
}

fn half(written: &str) -> String {
    let (degrees, rest) = written.split_once('°').unwrap_or((written, ""));
    let (minutes, side) = rest.split_once('\'').unwrap_or((rest, ""));
    let side = match side {
        "N" => "NORTH",
        "S" => "SOUTH",
        "E" => "EAST",
        _ => "WEST",
    };
    format!("{} degrees, {} minutes, {side}", spelled(degrees), spelled(minutes))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The words of appendix 14 of the Radio Regulations (from memory).
    #[test]
    fn letters_and_digits_are_said_one_by_one() {
        assert_eq!(spelled("9C7F-4b 0"), "nine Charlie seven Foxtrot four Bravo zero");
        assert_eq!(spelled("漂"), "");
    }

    #[test]
    fn a_position_is_said_digit_by_digit() {
        assert_eq!(
            position("48.5420 -123.1620".parse().unwrap()),
            "latitude four eight degrees, three two decimal five two zero minutes, NORTH; \
             longitude one two three degrees, zero nine decimal seven two zero minutes, WEST"
        );
        assert!(position("-0.5 0.25".parse().unwrap()).contains("SOUTH; longitude"));
    }
}
