//! The notations in which people write a position, read and printed.
//!
//! Read: decimal degrees, degrees and decimal minutes, degrees minutes and seconds, each with a
//! sign or with N, S, E, W before or behind, and ISO 6709 (`+48.516-123.1524/`, also its packed
//! minutes and seconds). Latitude always comes first; letters may turn the order round.

use thiserror::Error;

use super::Position;

/// Why a text or a pair of numbers is not a position.
#[derive(Clone, Copy, Debug, Error, PartialEq, Eq)]
pub enum PositionError {
    /// Not finite, or beyond the poles or the date line.
    #[error("lies off the earth: latitude goes from -90 to 90, longitude from -180 to 180")]
    OffTheEarth,
    /// The text has no form that we read.
    #[error(
        "is not a position; write it like 48.5160 -123.1524, 48°30.96'N 123°09.14'W or \
         +48.5160-123.1524/"
    )]
    Form,
    /// Minutes or seconds of sixty or more, or a fraction above a smaller unit.
    #[error("has minutes or seconds that do not stay below 60, or a fraction before its last part")]
    Sixty,
}

/// The longest text looked at, in bytes.
const LONGEST_TEXT: usize = 80;

pub(super) fn read(text: &str) -> Result<Position, PositionError> {
    let text = text.trim();
    if text.len() > LONGEST_TEXT {
        return Err(PositionError::Form);
    }
    if let Some(packed) = text.strip_suffix('/') {
        return read_iso_6709(packed);
    }
    let tokens = tokens(text)?;
    let (first, second) = halves(&tokens)?;
    let (first, second) = (Angle::read(first)?, Angle::read(second)?);
    match (first.axis, second.axis) {
        (Some(Axis::Lon), Some(Axis::Lat)) => Position::new(second.degrees, first.degrees),
        (Some(Axis::Lat), Some(Axis::Lon)) | (None, None) => {
            Position::new(first.degrees, second.degrees)
        }
        _ => Err(PositionError::Form),
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Axis {
    Lat,
    Lon,
}

/// A piece of a written position.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Token {
    /// A number, whether it carried a sign, whether it has a fraction.
    Number {
        value: f64,
        negative: bool,
        signed: bool,
        fraction: bool,
    },
    /// `°`, `'` or `"`: which part the number before it is (0, 1, 2).
    Unit(usize),
    /// A letter of the compass, and whether it is the negative side.
    Side(Axis, bool),
    Comma,
}

fn tokens(text: &str) -> Result<Vec<Token>, PositionError> {
    let mut found = Vec::new();
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        let number_len = rest
            .char_indices()
            .find(|&(at, c)| !(c.is_ascii_digit() || c == '.' || (at == 0 && is_sign(c))))
            .map_or(rest.len(), |(at, _)| at);
        if c.is_ascii_digit() || is_sign(c) {
            let (digits, signed) = (rest[..number_len].trim_start_matches(is_sign), is_sign(c));
            if !digits.starts_with(|c: char| c.is_ascii_digit()) {
                return Err(PositionError::Form);
            }
            let value = digits.parse().map_err(|_| PositionError::Form)?;
            let negative = signed && c != '+';
            found.push(Token::Number { value, negative, signed, fraction: digits.contains('.') });
            rest = &rest[number_len..];
            continue;
        }
        found.push(match c {
            '°' | 'º' | '˚' => Token::Unit(0),
            '\'' | '′' | '’' => Token::Unit(1),
            '"' | '″' | '”' => Token::Unit(2),
            'N' | 'n' => Token::Side(Axis::Lat, false),
            'S' | 's' => Token::Side(Axis::Lat, true),
            'E' | 'e' => Token::Side(Axis::Lon, false),
            'W' | 'w' => Token::Side(Axis::Lon, true),
            ',' | ';' => Token::Comma,
            c if c.is_whitespace() => {
                rest = rest.trim_start();
                continue;
            }
            _ => return Err(PositionError::Form),
        });
        rest = &rest[c.len_utf8()..];
    }
    Ok(found)
}

fn is_sign(c: char) -> bool {
    matches!(c, '+' | '-' | '−')
}

/// Cuts the tokens where the second angle begins: at a comma, at a letter, at a second sign or
/// degree mark, or, where nothing marks it, in the middle of an even number of numbers.
fn halves(tokens: &[Token]) -> Result<(&[Token], &[Token]), PositionError> {
    let cut_at = |at: usize, skip: usize| (&tokens[..at], &tokens[at + skip..]);
    let commas: Vec<usize> = places(tokens, |token| matches!(token, Token::Comma));
    match commas[..] {
        [] => {}
        [at] => return Ok(cut_at(at, 1)),
        _ => return Err(PositionError::Form),
    }
    let sides = places(tokens, |token| matches!(token, Token::Side(..)));
    match sides[..] {
        // The letter leads (N 48 W 123) or follows (48 N 123 W).
        [0, second] => return Ok(cut_at(second, 0)),
        [first, last] if last + 1 == tokens.len() => return Ok(cut_at(first + 1, 0)),
        [] => {}
        _ => return Err(PositionError::Form),
    }
    let numbers = places(tokens, |token| matches!(token, Token::Number { .. }));
    let signed = |&at: &usize| matches!(tokens[at], Token::Number { signed: true, .. });
    let degree_marks = places(tokens, |token| *token == Token::Unit(0));
    let second = if let Some(at) = numbers.iter().skip(1).find(|at| signed(at)) {
        *at
    } else if let [_, mark] = degree_marks[..] {
        mark.checked_sub(1).ok_or(PositionError::Form)?
    } else if numbers.len() % 2 == 0 && !numbers.is_empty() {
        numbers[numbers.len() / 2]
    } else {
        return Err(PositionError::Form);
    };
    Ok(cut_at(second, 0))
}

fn places(tokens: &[Token], wanted: impl Fn(&Token) -> bool) -> Vec<usize> {
    (0..tokens.len()).filter(|&at| wanted(&tokens[at])).collect()
}

struct Angle {
    degrees: f64,
    axis: Option<Axis>,
}

impl Angle {
    fn read(tokens: &[Token]) -> Result<Self, PositionError> {
        let (mut parts, mut axis, mut negative) = (Vec::new(), None, false);
        let mut open_part = false;
        for (at, token) in tokens.iter().enumerate() {
            match *token {
                Token::Number { value, negative: minus, signed, fraction } => {
                    if signed && !parts.is_empty() {
                        return Err(PositionError::Form);
                    }
                    negative |= minus;
                    parts.push((value, fraction));
                    open_part = true;
                }
                Token::Unit(unit) => {
                    if !open_part || unit + 1 != parts.len() {
                        return Err(PositionError::Form);
                    }
                    open_part = false;
                }
                Token::Side(side, minus) => {
                    let outermost = at == 0 || at + 1 == tokens.len();
                    if axis.is_some() || negative || !outermost {
                        return Err(PositionError::Form);
                    }
                    axis = Some(side);
                    negative = minus;
                }
                Token::Comma => return Err(PositionError::Form),
            }
        }
        Ok(Angle { degrees: degrees(&parts, negative)?, axis })
    }
}

/// Degrees, minutes and seconds added up.
fn degrees(parts: &[(f64, bool)], negative: bool) -> Result<f64, PositionError> {
    if parts.is_empty() || parts.len() > 3 {
        return Err(PositionError::Form);
    }
    let fraction_early = parts[..parts.len() - 1].iter().any(|&(_, fraction)| fraction);
    let sixty = parts[1..].iter().any(|&(value, _)| value >= 60.0);
    if fraction_early || sixty {
        return Err(PositionError::Sixty);
    }
    let size = parts.iter().rev().fold(0.0, |sum, &(value, _)| sum / 60.0 + value);
    Ok(if negative { -size } else { size })
}

/// `+DD.DD±DDD.DD`, `±DDMM.MM±DDDMM.MM` or `±DDMMSS.SS±DDDMMSS.SS`, an altitude left out.
fn read_iso_6709(packed: &str) -> Result<Position, PositionError> {
    let second = packed.get(1..).and_then(|rest| rest.find(is_sign)).ok_or(PositionError::Form)?;
    let (lat, lon) = packed.split_at(second + 1);
    Position::new(packed_angle(lat, 2)?, packed_angle(lon, 3)?)
}

fn packed_angle(text: &str, degree_digits: usize) -> Result<f64, PositionError> {
    let digits = text.strip_prefix(is_sign).ok_or(PositionError::Form)?;
    let whole = digits.split('.').next().unwrap_or_default().len();
    let well_formed = digits.chars().all(|c| c.is_ascii_digit() || c == '.');
    let count = whole.checked_sub(degree_digits).filter(|rest| rest % 2 == 0 && *rest <= 4);
    let (true, Some(rest)) = (well_formed, count) else { return Err(PositionError::Form) };
    let mut parts = Vec::new();
    let mut at = 0;
    for part in 0..=rest / 2 {
        let end = if part == rest / 2 { digits.len() } else { degree_digits + 2 * part };
        let piece = digits.get(at..end).ok_or(PositionError::Form)?;
        parts.push((piece.parse().map_err(|_| PositionError::Form)?, piece.contains('.')));
        at = end;
    }
    degrees(&parts, !text.starts_with('+'))
}

/// Rounds the whole angle first, to `1 / per_degree` of a degree, and only then splits it: so
/// 59.9996 minutes becomes the next degree and never prints as 60.000.
fn rounded(angle_deg: f64, per_degree: f64) -> (i64, &'static str) {
    let units = (angle_deg.abs() * per_degree).round() as i64;
    (units, if angle_deg < 0.0 && units > 0 { "-" } else { "+" })
}

fn letter(sign: &str, positive: char, negative: char) -> char {
    if sign == "-" { negative } else { positive }
}

pub(super) fn degrees_minutes(position: Position) -> String {
    let half = |angle_deg: f64, width: usize, letters: (char, char)| {
        let (thousandths, sign) = rounded(angle_deg, 60_000.0);
        let (degrees, minutes) = (thousandths / 60_000, thousandths % 60_000);
        let side = letter(sign, letters.0, letters.1);
        format!("{degrees:0width$}°{:02}.{:03}'{side}", minutes / 1000, minutes % 1000)
    };
    format!(
        "{} {}",
        half(position.lat_deg(), 2, ('N', 'S')),
        half(position.lon_deg(), 3, ('E', 'W'))
    )
}

pub(super) fn degrees_minutes_seconds(position: Position) -> String {
    let half = |angle_deg: f64, width: usize, letters: (char, char)| {
        let (tenths, sign) = rounded(angle_deg, 36_000.0);
        let (degrees, minutes, seconds) = (tenths / 36_000, tenths % 36_000 / 600, tenths % 600);
        let side = letter(sign, letters.0, letters.1);
        format!("{degrees:0width$}°{minutes:02}'{:02}.{}\"{side}", seconds / 10, seconds % 10)
    };
    format!(
        "{} {}",
        half(position.lat_deg(), 2, ('N', 'S')),
        half(position.lon_deg(), 3, ('E', 'W'))
    )
}

pub(super) fn iso_6709(position: Position) -> String {
    let half = |angle_deg: f64, width: usize| {
        let (units, sign) = rounded(angle_deg, 100_000.0);
        format!("{sign}{:0width$}.{:05}", units / 100_000, units % 100_000)
    };
    format!("{}{}/", half(position.lat_deg(), 2), half(position.lon_deg(), 3))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn pos(lat: f64, lon: f64) -> Position {
        Position::new(lat, lon).unwrap()
    }

    fn near(text: &str, lat: f64, lon: f64) {
        let read = text.parse::<Position>().unwrap_or_else(|error| panic!("{text}: {error}"));
        let close = (read.lat_deg() - lat).abs() < 1e-7 && (read.lon_deg() - lon).abs() < 1e-7;
        assert!(close, "{text} read as {read}");
    }

    #[test]
    fn reads_every_notation() {
        for text in [
            "48.516 -123.1524",
            "48.516, -123.1524",
            "48.516N 123.1524W",
            "N48.516 W123.1524",
            "123.1524W 48.516N",
            "48°30.96'N 123°09.144'W",
            "48° 30.96′ N, 123° 09.144′ W",
            "48 30.96 N 123 9.144 W",
            "48°30'57.6\"N 123°09'08.64\"W",
            "48 30 57.6 -123 9 8.64",
            "+48.516-123.1524/",
            "+4830.96-12309.144/",
            "+483057.6-1230908.64/",
        ] {
            near(text, 48.516, -123.1524);
        }
        near("0.5S 0.25W", -0.5, -0.25);
        near("-0°30' 0°15'", -0.5, 0.25);
    }

    /// The ISO 6709 and minutes forms of one point, computed in the project's domain notes from
    /// the standard's own rules (ISO 6709:2022, annex D for the human form).
    #[test]
    fn prints_the_worked_example() {
        let bayfield = pos(46.8108, -90.8182);
        assert_eq!(bayfield.iso_6709(), "+46.81080-090.81820/");
        assert_eq!(bayfield.degrees_minutes(), "46°48.648'N 090°49.092'W");
        assert_eq!(pos(46.99999, 0.0).degrees_minutes(), "46°59.999'N 000°00.000'E");
    }

    #[test]
    fn sixty_minutes_are_never_printed() {
        let edge = pos(46.0 + 59.9996 / 60.0, -(122.0 + 59.999_97 / 60.0));
        assert_eq!(edge.degrees_minutes(), "47°00.000'N 123°00.000'W");
        assert_eq!(edge.degrees_minutes_seconds(), "47°00'00.0\"N 123°00'00.0\"W");
    }

    #[test]
    fn refuses_what_is_no_position() {
        for text in [
            "",
            "here",
            "48.5",
            "48.5 -123.1 7",
            "48.5 -123.1, 7",
            "48.5N 123.1N",
            "NaN NaN",
            "inf 0",
            "48.5W -123.1",
            "4 8 . 5",
            "--48 12",
            "48°°30 12",
            "48N",
            "1e9 1e9",
            "/",
            "+/",
            "+é-é/",
            "48.5.1 12",
            "N N",
            "°1 °2",
            "48'30 123'10",
        ] {
            assert!(text.parse::<Position>().is_err(), "{text}");
        }
        assert_eq!("90.1 0".parse::<Position>(), Err(PositionError::OffTheEarth));
        assert_eq!("0 180.5".parse::<Position>(), Err(PositionError::OffTheEarth));
        assert_eq!("48°61'N 123°W".parse::<Position>(), Err(PositionError::Sixty));
        assert_eq!("48.5°30'N 123°W".parse::<Position>(), Err(PositionError::Sixty));
        assert!(Position::new(f64::NAN, 0.0).is_err());
    }

    proptest! {
        #[test]
        fn every_notation_reads_back(lat in -90.0f64..=90.0, lon in -180.0f64..=180.0) {
            let here = pos(lat, lon);
            prop_assert_eq!(here.to_string().parse::<Position>().unwrap(), here);
            for (text, unit_deg) in [
                (here.decimal(), 1e-5),
                (here.degrees_minutes(), 1.0 / 60_000.0),
                (here.degrees_minutes_seconds(), 1.0 / 36_000.0),
                (here.iso_6709(), 1e-5),
            ] {
                let back = text.parse::<Position>().unwrap();
                prop_assert!((back.lat_deg() - lat).abs() <= 0.51 * unit_deg, "{}", text);
                prop_assert!((back.lon_deg() - lon).abs() <= 0.51 * unit_deg, "{}", text);
                let sixty = text.contains("°60") || text.contains("'60");
                prop_assert!(!sixty, "{}", text);
            }
        }

        #[test]
        fn no_text_makes_it_panic(text in "[-+0-9NSEWnsew°'\"., /−é]{0,40}") {
            let _ = text.parse::<Position>();
        }
    }
}
