//! Whom an alert tells a contact to call.

use chrono::NaiveDate;
use geographiclib_rs::{Geodesic, InverseGeodesic};
use serde::Deserialize;
use toml::Spanned;
use toml::value::Datetime;

use super::fault::Found;
use super::service::line;
use crate::measure::{METRES_PER_NAUTICAL_MILE, Position};

/// A rescue service, as a letter names it.
#[derive(Clone, Debug, PartialEq)]
pub struct Rescue {
    /// What it is called in a sentence: "the coast guard's centre for these waters".
    pub name: String,
    /// Its number in the international form, reachable from anywhere.
    pub phone: Option<String>,
    /// A short code; it reaches the caller's own local centre.
    pub short_code: Option<String>,
    /// Where it is the one to call; `None` for the last resort.
    pub within: Option<Area>,
    /// The day on which somebody last made sure of the numbers.
    pub checked: Option<NaiveDate>,
}

/// A circle on the earth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Area {
    /// Its middle.
    pub position: Position,
    /// Its radius, in metres along the ground.
    pub radius_m: f64,
}

impl Area {
    /// Whether a position lies in it (WGS 84 geodesic).
    #[must_use]
    pub fn holds(&self, position: Position) -> bool {
        let (from, to) = (self.position, position);
        let distance_m: f64 =
            Geodesic::wgs84().inverse(from.lat_deg(), from.lon_deg(), to.lat_deg(), to.lon_deg());
        distance_m <= self.radius_m
    }
}

impl Rescue {
    /// What an alert says when the settings name nobody: every phone has an emergency number.
    #[must_use]
    pub fn last_resort() -> Self {
        Rescue {
            name: "your emergency number, and ask for the coast guard".to_owned(),
            phone: None,
            short_code: None,
            within: None,
            checked: None,
        }
    }

    /// Whether it is the one to call for a launch there.
    #[must_use]
    pub fn serves(&self, launch: Position) -> bool {
        self.within.is_none_or(|area| area.holds(launch))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Written {
    name: Spanned<String>,
    phone: Option<Spanned<String>>,
    short_code: Option<Spanned<String>>,
    within: Option<WrittenArea>,
    checked: Option<Spanned<Datetime>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenArea {
    position: Spanned<String>,
    radius: Spanned<String>,
}

/// The services in the order of the file, with a last resort behind them if the file has none:
/// an alert is never left without somebody to call.
pub(super) fn check(written: Vec<Spanned<Written>>, found: &mut Found<'_>) -> Option<Vec<Rescue>> {
    let read: Vec<_> = written.into_iter().map(|written| service(written, found)).collect();
    let mut rescues: Vec<_> = read.into_iter().collect::<Option<_>>()?;
    if !rescues.iter().any(|rescue: &Rescue| rescue.within.is_none()) {
        rescues.push(Rescue::last_resort());
    }
    Some(rescues)
}

fn service(written: Spanned<Written>, found: &mut Found<'_>) -> Option<Rescue> {
    let span = written.span();
    let written = written.into_inner();
    if written.phone.is_none() && written.short_code.is_none() {
        let mend = "this service has no number: give `phone`, `short_code`, or better both";
        found.at(span, mend);
    }
    let name = found.read(&written.name, line);
    let phone = written.phone.map(|text| found.read(&text, phone));
    let short_code = written.short_code.map(|text| found.read(&text, short_code));
    let within = written.within.map(|area| self::area(&area, found));
    let checked = written.checked.map(|day| date(&day, found));
    Some(Rescue {
        name: name?,
        phone: if_given(phone)?,
        short_code: if_given(short_code)?,
        within: if_given(within)?,
        checked: if_given(checked)?,
    })
}

/// `None` only for what was given and is faulty.
pub(super) fn if_given<T>(read: Option<Option<T>>) -> Option<Option<T>> {
    match read {
        Some(read) => read.map(Some),
        None => Some(None),
    }
}

fn area(written: &WrittenArea, found: &mut Found<'_>) -> Option<Area> {
    let position = found.parse(&written.position);
    let radius_m = found.read(&written.radius, distance_m);
    Some(Area { position: position?, radius_m: radius_m? })
}

fn date(written: &Spanned<Datetime>, found: &mut Found<'_>) -> Option<NaiveDate> {
    let day = written.get_ref().date.and_then(|date| {
        NaiveDate::from_ymd_opt(date.year.into(), date.month.into(), date.day.into())
    });
    if day.is_none() {
        found.at(written.span(), "is not a day; write it like 2026-11-01");
    }
    day
}

/// A telephone number with the code of its country: up to 15 digits (ITU-T E.164, 6.2.1).
fn phone(text: &str) -> Result<String, &'static str> {
    let digits = text.chars().filter(char::is_ascii_digit).count();
    let written = |c: char| c.is_ascii_digit() || " -()./".contains(c);
    match text.strip_prefix('+') {
        Some(rest) if rest.chars().all(written) && (7..=15).contains(&digits) => {
            Ok(text.to_owned())
        }
        _ => Err("is not a number in the international form, which is reachable from anywhere; \
                  write it like +1 360 555 0100, and a short code as `short_code`"),
    }
}

fn short_code(text: &str) -> Result<String, &'static str> {
    let written = |c: char| c.is_ascii_alphanumeric() || "*#".contains(c);
    if (2..=6).contains(&text.len()) && text.chars().all(written) {
        return Ok(text.to_owned());
    }
    Err("is not a short code; write the two to six digits that a phone takes, like 112")
}

/// `80km`, `500m`, `20nm` (nautical miles): metres.
fn distance_m(text: &str) -> Result<f64, &'static str> {
    const FORM: &str = "is not a distance; write it like 80km, 500m or 20nm";
    let text = text.trim();
    let unit_at = text.find(|c: char| c.is_ascii_alphabetic()).ok_or(FORM)?;
    let (number, unit) = text.split_at(unit_at);
    let metres_per_unit = match unit.to_ascii_lowercase().as_str() {
        "m" => 1.0,
        "km" => 1000.0,
        "nm" | "nmi" => METRES_PER_NAUTICAL_MILE,
        _ => return Err(FORM),
    };
    let distance_m = number.trim().parse::<f64>().map_err(|_| FORM)? * metres_per_unit;
    if distance_m > 0.0 && distance_m <= 21_000_000.0 {
        return Ok(distance_m);
    }
    Err("is not a distance on the earth; it must be more than 0 and at most 21000km")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn distances_in_three_units() {
        assert_eq!(distance_m("80km"), Ok(80_000.0));
        assert_eq!(distance_m("500 m"), Ok(500.0));
        // By definition: 1852 m.
        assert_eq!(distance_m("1nm"), Ok(1852.0));
        for text in ["", "80", "km", "-5km", "0m", "5 miles", "NaNkm", "infkm", "1e9km"] {
            assert!(distance_m(text).is_err(), "{text}");
        }
    }

    /// One minute of latitude at 45° is 1852.2 m on WGS 84 (111 131.75 m a degree there, from the
    /// meridian arc of the ellipsoid).
    #[test]
    fn an_area_ends_at_its_radius() {
        let middle = Position::new(45.0, 7.0).unwrap();
        let minute_north = Position::new(45.0 + 1.0 / 60.0, 7.0).unwrap();
        assert!(Area { position: middle, radius_m: 1853.0 }.holds(minute_north));
        assert!(!Area { position: middle, radius_m: 1851.0 }.holds(minute_north));
    }
}
