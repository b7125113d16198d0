//! Whom an alert tells a contact to call.

use chrono::NaiveDate;
use serde::Deserialize;
use toml::Spanned;
use toml::value::Datetime;

use super::fault::Found;
use super::service::line;
use crate::letter::{Area, Rescue};
use crate::measure::METRES_PER_NAUTICAL_MILE;

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
pub(super) struct WrittenArea {
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

pub(super) fn area(written: &WrittenArea, found: &mut Found<'_>) -> Option<Area> {
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
}
