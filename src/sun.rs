//! When the sun rises and sets at a place on a day of its own calendar.
//!
//! Sunrise and sunset are the sun's centre 50 minutes of arc (0.833 degrees) below a sea horizon:
//! 34' of refraction and 16' of half the sun's width. Law counts night from there. Civil twilight
//! ends at 6 degrees, about the limit of seeing a person on the water. Hills, haze and weather
//! shorten the light; nothing here knows of them.

use std::cell::RefCell;
use std::collections::VecDeque;

use chrono::{DateTime, NaiveDate, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;
use solar_positioning::{Horizon, Location, SolarEvents, SolarPositions, delta_t};

use crate::measure::Position;

/// The light of one day. The evening is the one that follows the day's noon, even where it
/// falls after midnight, by UTC or by local time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Daylight {
    /// Whether the sun rises and sets at all.
    pub sun: Sun,
    /// The sun's centre rises past -6 degrees.
    pub civil_dawn: Option<DateTime<Utc>>,
    /// The sun's upper rim rises above the horizon.
    pub sunrise: Option<DateTime<Utc>>,
    /// The sun's upper rim sinks below the horizon.
    pub sunset: Option<DateTime<Utc>>,
    /// The sun's centre sinks past -6 degrees.
    pub civil_dusk: Option<DateTime<Utc>>,
}

/// What the sun does between the midnight before and the midnight after a day's noon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sun {
    /// It rises, or sets, or both.
    RisesAndSets,
    /// It never sets.
    UpAllDay,
    /// It never rises.
    DownAllDay,
}

impl std::fmt::Display for Sun {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.write_str(match self {
            Sun::RisesAndSets => "rises and sets",
            Sun::UpAllDay => "up all day",
            Sun::DownAllDay => "down all day",
        })
    }
}

/// The light at a place on a date of the calendar kept in `zone`. `None` for a year before -500
/// or after 3000, of which nobody knows how the earth turns.
#[must_use]
pub fn daylight(at: Position, date: NaiveDate, zone: Tz) -> Option<Daylight> {
    let asked = (at, date, zone);
    FOUND.with_borrow_mut(|found| {
        if let Some((_, light)) = found.iter().find(|(known, _)| *known == asked) {
            return *light;
        }
        let light = search(at, date, zone);
        found.truncate(MOST_FOUND - 1);
        found.push_front((asked, light));
        light
    })
}

/// What a day's light is found by.
type Asked = (Position, NaiveDate, Tz);

/// The search asks hundreds of times where the sun stands: it took more than a third of an alert's
/// writing. The letters of one evening ask for the same few ramps and days.
const MOST_FOUND: usize = 16;

thread_local! {
    static FOUND: RefCell<VecDeque<(Asked, Option<Daylight>)>> = const { RefCell::new(VecDeque::new()) };
}

fn search(at: Position, date: NaiveDate, zone: Tz) -> Option<Daylight> {
    let delta_t_s = delta_t::estimate_from_date_like(&date).ok()?;
    let location = Location { latitude: at.lat_deg(), longitude: at.lon_deg() };
    let events = SolarEvents::new();
    let clock_noon = clock_noon(at, date, zone)?;
    let noon = events
        .next_transit(
            &(clock_noon - HALF_A_DAY),
            // A day and an hour: the next noon is never farther off.
            &(clock_noon + HALF_A_DAY + TimeDelta::hours(1)),
            location.longitude,
            delta_t_s,
        )
        .ok()??;
    let rise = |horizon| {
        events.next_rise(&(noon - HALF_A_DAY), &noon, location, delta_t_s, horizon).ok().flatten()
    };
    let set = |horizon| {
        events.next_set(&noon, &(noon + HALF_A_DAY), location, delta_t_s, horizon).ok().flatten()
    };
    let (sunrise, sunset) = (rise(Horizon::SunriseSunset), set(Horizon::SunriseSunset));
    let sun = if sunrise.is_some() || sunset.is_some() {
        Sun::RisesAndSets
    } else {
        let height = SolarPositions::new().at(&noon, location, 0.0, delta_t_s, None).ok()?;
        let is_up = height.elevation_angle() > Horizon::SunriseSunset.elevation_angle();
        if is_up { Sun::UpAllDay } else { Sun::DownAllDay }
    };
    Some(Daylight {
        sun,
        civil_dawn: rise(Horizon::CivilTwilight),
        sunrise,
        sunset,
        civil_dusk: set(Horizon::CivilTwilight),
    })
}

const HALF_A_DAY: TimeDelta = TimeDelta::hours(12);

/// Twelve o'clock: clocks are never changed then, as they are at midnight. A date that a place
/// left out when it moved across the date line has none; mean noon by the sun stands in.
fn clock_noon(at: Position, date: NaiveDate, zone: Tz) -> Option<DateTime<Utc>> {
    let twelve = date.and_hms_opt(12, 0, 0)?;
    let local = zone.from_local_datetime(&twelve).earliest();
    Some(local.map_or_else(
        || twelve.and_utc() - TimeDelta::seconds((at.lon_deg() * 240.0) as i64),
        |local| local.with_timezone(&Utc),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pos(lat: f64, lon: f64) -> Position {
        Position::new(lat, lon).unwrap()
    }

    /// Holds found times against expected ones: within 90 s to 60 degrees of latitude, 180 s
    /// beyond, where the sun crosses the horizon at a flat angle.
    fn compare(case: &str, at: Position, found: Daylight, expected: [Option<DateTime<Utc>>; 4]) {
        let tolerance_s = if at.lat_deg().abs() <= 60.0 { 90 } else { 180 };
        let found = [found.civil_dawn, found.sunrise, found.sunset, found.civil_dusk];
        for (found, expected) in found.into_iter().zip(expected) {
            match (found, expected) {
                (Some(found), Some(expected)) => {
                    let off_s = (found - expected).num_seconds().abs();
                    assert!(off_s <= tolerance_s, "{case}: {found} is {off_s} s from {expected}");
                }
                (None, None) => {}
                (found, expected) => panic!("{case}: {found:?}, not {expected:?}"),
            }
        }
    }

    /// Sixteen days that were computed with the Python package ephem 4.2.1 (refraction 34', upper
    /// rim, sea level) and held against another package, astral 3.2.
    #[test]
    fn days_worked_out_elsewhere() {
        let (chicago, oslo) = (Tz::America__Chicago, Tz::Europe__Oslo);
        let (duluth, bayfield) = ((46.7867, -92.1005), (46.8108, -90.8182));
        let tromso = (69.6492, 18.9553);
        #[rustfmt::skip]
        let days = [
            (duluth, chicago, "2025-06-21", "09:34:41 10:14:20 +02:06:15 +02:45:54"),
            (duluth, chicago, "2025-12-21", "13:15:16 13:50:35 22:22:50 22:58:09"),
            (duluth, chicago, "2025-10-15", "11:56:07 12:26:43 23:20:40 23:51:13"),
            (bayfield, chicago, "2025-10-15", "11:51:00 12:21:37 23:15:31 23:46:05"),
            (bayfield, chicago, "2026-03-08", "11:59:16 12:29:29 23:59:11 +00:29:27"),
            (bayfield, chicago, "2026-11-01", "12:14:01 12:45:44 22:47:19 23:19:01"),
            ((46.5436, -87.3954), Tz::America__Detroit, "2025-03-20", "11:21:50 11:51:54 +00:02:40 +00:32:49"),
            ((44.3876, -68.2039), Tz::America__New_York, "2025-12-21", "11:32:27 12:05:50 20:56:20 21:29:43"),
            ((47.6062, -122.3321), Tz::America__Los_Angeles, "2025-06-21", "11:30:53 12:11:39 +04:10:50 +04:51:36"),
            ((58.3019, -134.4197), Tz::America__Juneau, "2025-12-21", "16:52:04 17:44:47 +00:07:18 +01:00:01"),
            ((56.4152, -5.4710), Tz::Europe__London, "2025-06-21", "02:26:56 03:31:52 21:15:35 22:20:31"),
            (tromso, oslo, "2025-12-21", "08:31:24 - - 12:53:15"),
            (tromso, oslo, "2025-06-21", "- - - -"),
            (tromso, oslo, "2025-03-20", "03:42:41 04:42:49 17:02:28 18:03:04"),
            ((-42.8821, 147.3272), Tz::Australia__Hobart, "2025-06-21", "-21:09:39 -21:42:02 06:42:52 07:15:15"),
            ((0.0, 0.0), Tz::UTC, "2025-03-20", "05:43:26 06:04:06 18:10:36 18:31:16"),
        ];
        for ((lat, lon), zone, date, times) in days {
            let date: NaiveDate = date.parse().unwrap();
            let expected: Vec<_> = times
                .split(' ')
                .map(|time| {
                    let days = i64::from(time.starts_with('+')) - i64::from(time.starts_with('-'));
                    let clock = time.trim_start_matches(['+', '-']);
                    let time = (!clock.is_empty()).then(|| clock.parse().unwrap())?;
                    Some((date + TimeDelta::days(days)).and_time(time).and_utc())
                })
                .collect();
            let at = pos(lat, lon);
            let found = daylight(at, date, zone).unwrap();
            compare(&format!("{at} {date}"), at, found, expected.try_into().unwrap());
        }
        let on = |date: &str| {
            daylight(pos(tromso.0, tromso.1), date.parse().unwrap(), oslo).unwrap().sun.to_string()
        };
        assert_eq!(on("2025-12-21"), "down all day");
        assert_eq!(on("2025-06-21"), "up all day");
        assert_eq!(on("2025-03-20"), "rises and sets");
    }

    /// How these were made is said in the file's head.
    #[test]
    fn a_thousand_random_days() {
        let table = include_str!("../tests/data/sun.csv");
        let lines = table.lines().filter(|line| !line.starts_with('#')).skip(1);
        let mut count = 0;
        for line in lines {
            let fields: Vec<&str> = line.split(',').collect();
            let at = pos(fields[0].parse().unwrap(), fields[1].parse().unwrap());
            let found =
                daylight(at, fields[3].parse().unwrap(), fields[2].parse().unwrap()).unwrap();
            assert_eq!(found.sun.to_string(), fields[4], "{line}");
            let again = daylight(at, fields[3].parse().unwrap(), fields[2].parse().unwrap());
            assert_eq!(again, Some(found), "remembered");
            let time = |at: usize| (!fields[at].is_empty()).then(|| fields[at].parse().unwrap());
            compare(line, at, found, [time(5), time(6), time(7), time(8)]);
            count += 1;
        }
        assert_eq!(count, 1000);
    }

    /// Samoa left out 30 December 2011 (IANA time zone database); the sun did not.
    #[test]
    fn a_date_left_out_and_years_without_end() {
        let apia = pos(-13.8333, -171.75);
        let date: NaiveDate = "2011-12-30".parse().unwrap();
        let found = daylight(apia, date, Tz::Pacific__Apia).unwrap();
        assert_eq!(found.sun, Sun::RisesAndSets);
        for year_end in [NaiveDate::MAX, NaiveDate::MIN] {
            assert_eq!(daylight(apia, year_end, Tz::Pacific__Apia), None);
        }
    }
}
