//! Times as people write them, and the instants they mean.

use std::ops::RangeInclusive;

use chrono::{DateTime, Datelike, LocalResult, NaiveDateTime, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;
use serde::{Serialize, Serializer};

use crate::measure::Span;

/// People file while they carry the craft down: up to this after the launch is no lateness.
const PUNCTUAL: TimeDelta = TimeDelta::minutes(10);
/// What is not in one of these years is a slip of the pen, and RFC 3339 has four digits for it.
const YEARS: RangeInclusive<i32> = 1970..=2200;

/// When a trip starts and ends.
#[derive(Clone, Debug, PartialEq)]
pub struct Times {
    /// The launch.
    pub launch: Moment,
    /// The time by which the crew is back ashore; later than the launch.
    pub return_by: Moment,
    /// The plan's own grace between the return time and the first alert.
    pub grace: Option<Span>,
    /// The zone in which the crew reads its clocks.
    pub zone: Tz,
}

/// An instant that a plan names; the plan's zone has the clocks on which the crew reads it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// The instant.
    pub at: DateTime<Utc>,
}

impl Times {
    /// The instant on the crew's clocks, as RFC 3339 with its offset.
    #[must_use]
    pub fn local(&self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.zone).to_rfc3339()
    }

    /// How long after the launch a plan of these times came in; `None` for one in time.
    #[must_use]
    pub fn late_by(&self, filed_at: DateTime<Utc>) -> Option<TimeDelta> {
        Some(filed_at - self.launch.at).filter(|late| *late >= PUNCTUAL)
    }
}

impl Serialize for Times {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Written<'a> {
            launch: String,
            return_by: String,
            #[serde(skip_serializing_if = "Option::is_none")]
            grace: Option<Span>,
            zone: &'a str,
        }
        Written {
            launch: self.local(self.launch.at),
            return_by: self.local(self.return_by.at),
            grace: self.grace,
            zone: self.zone.name(),
        }
        .serialize(serializer)
    }
}

/// A return time that its zone's clocks show otherwise now than when the plan was written down.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reruled {
    /// On the clocks of then, as RFC 3339: what the crew meant.
    pub meant: String,
    /// The same instant on the clocks of now: when it counts as passed.
    pub counts: String,
}

/// Whether the clocks of a stored plan's zone were ruled to go otherwise since it was written down:
/// its offset stands beside each time. Governments do so at a few weeks' notice. What is no plan
/// tells nothing.
#[must_use]
pub fn reruled(stored: &str) -> Option<Reruled> {
    let plan: serde_json::Value = serde_json::from_str(stored).ok()?;
    let meant = plan["times"]["return_by"].as_str()?;
    let zone: Tz = plan["times"]["zone"].as_str()?.parse().ok()?;
    let written = DateTime::parse_from_rfc3339(meant).ok()?;
    let counts = written.with_timezone(&zone);
    let moved = written.naive_local() != counts.naive_local();
    moved.then(|| Reruled { meant: meant.to_owned(), counts: counts.to_rfc3339() })
}

/// The zone's name for a zone that a plan may name itself.
pub(super) fn read_zone(text: &str) -> Result<Tz, String> {
    text.parse().map_err(|_| {
        "is not a time zone of the IANA database; write one like America/Vancouver or leave it \
         out, and the launch position decides"
            .to_owned()
    })
}

/// An instant from RFC 3339 text; without an offset it is read on the clocks of `zone`.
///
/// # Errors
/// A sentence with the mend: the form, or the two readings of a time that a change of the clocks
/// skips or repeats.
pub(super) fn read_moment(text: &str, zone: Tz) -> Result<Moment, String> {
    let text = text.trim();
    match DateTime::parse_from_rfc3339(text) {
        Ok(at) => in_our_days(at.year()).map(|()| Moment { at: at.with_timezone(&Utc) }),
        Err(_) => read_local(text, zone),
    }
}

fn in_our_days(year: i32) -> Result<(), String> {
    match YEARS.contains(&year) {
        true => Ok(()),
        false => Err(format!("is in the year {year}; write it like 2026-06-14T12:30")),
    }
}

/// A time on the clocks of `zone`.
fn read_local(text: &str, zone: Tz) -> Result<Moment, String> {
    let local = ["%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M"]
        .iter()
        .find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())
        .ok_or_else(|| {
            "is not a date and time; write it like 2026-06-14T12:30:00-07:00, or \
             2026-06-14T12:30 on the clocks of the launch"
                .to_owned()
        })?;
    // The last day that the calendar knows has no morrow to reckon with.
    in_our_days(local.year())?;
    match zone.from_local_datetime(&local) {
        LocalResult::Single(at) => Ok(Moment { at: at.with_timezone(&Utc) }),
        LocalResult::Ambiguous(first, second) => Err(format!(
            "happens twice in {zone}, where the clocks go back: write {} or {}",
            first.to_rfc3339(),
            second.to_rfc3339()
        )),
        LocalResult::None => Err(skipped(local, zone)),
    }
}

/// The choices for a time that the clocks leap over: just before the leap, and just after it.
fn skipped(local: NaiveDateTime, zone: Tz) -> String {
    let near = |minutes: i64| {
        (1..=180)
            .filter_map(|step| {
                let moved = local + chrono::TimeDelta::minutes(minutes * step);
                zone.from_local_datetime(&moved).earliest()
            })
            .next()
            .map_or_else(String::new, |at| at.to_rfc3339())
    };
    format!(
        "does not exist in {zone}, where the clocks go forward: write a time up to {} or from {} on",
        near(-1),
        near(1)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::America::{Chicago, Los_Angeles};

    fn utc(text: &str) -> DateTime<Utc> {
        DateTime::parse_from_rfc3339(text).unwrap().with_timezone(&Utc)
    }

    #[test]
    fn an_offset_rules_and_without_one_the_zone() {
        let expected = utc("2026-06-14T12:30:00Z");
        for text in ["2026-06-14T05:30:00-07:00", "2026-06-14T05:30", "2026-06-14 05:30:00"] {
            assert_eq!(read_moment(text, Los_Angeles).unwrap().at, expected, "{text}");
        }
    }

    /// The dates of the United States' clock changes in 2026: 8 March 02:00 to 03:00 and
    /// 1 November 02:00 to 01:00 (IANA time zone database, America/Chicago).
    #[test]
    fn the_hours_that_the_clocks_skip_or_repeat_are_spelled_out() {
        let skipped = read_moment("2026-03-08T02:30", Chicago).unwrap_err();
        assert!(skipped.contains("2026-03-08T01:59:00-06:00"), "{skipped}");
        assert!(skipped.contains("2026-03-08T03:00:00-05:00"), "{skipped}");
        let twice = read_moment("2026-11-01T01:30", Chicago).unwrap_err();
        assert!(twice.contains("2026-11-01T01:30:00-05:00"), "{twice}");
        assert!(twice.contains("2026-11-01T01:30:00-06:00"), "{twice}");
        assert!(read_moment("2026-03-08T02:30:00-06:00", Chicago).is_ok());
    }

    /// Greenland's west kept -03:00 in winter until 2022 and has kept -02:00 since 2023, with summer
    /// time -01:00 from 2024 (IANA time zone database, NEWS of 2022f and 2023a).
    #[test]
    fn a_return_written_by_another_law_is_told() {
        let stored = |return_by: &str| {
            format!(r#"{{"times": {{"zone": "America/Nuuk", "return_by": "{return_by}"}}}}"#)
        };
        let told = reruled(&stored("2026-01-10T18:00:00-03:00")).unwrap();
        assert_eq!(told.meant, "2026-01-10T18:00:00-03:00");
        assert_eq!(told.counts, "2026-01-10T19:00:00-02:00");
        assert_eq!(reruled(&stored("2026-01-10T18:00:00-02:00")), None);
        assert_eq!(reruled(&stored("2026-07-10T18:00:00-01:00")), None);
        for stored in ["", "{}", "[7]", &stored("+262142-12-31T23:59:59+00:00"), &stored("noon")] {
            assert_eq!(reruled(stored), None, "{stored}");
        }
    }

    #[test]
    fn what_is_no_time_is_refused() {
        for text in [
            "",
            "noon",
            "14/06/2026 12:30",
            "2026-13-01T10:00",
            "2026-06-14",
            "25:00",
            "-0026-06-14T05:00:00Z",
            "9999-06-14T05:00",
            "+262142-12-31T23:59:59",
            "-262143-01-01T00:00",
        ] {
            assert!(read_moment(text, Chicago).is_err(), "{text}");
        }
    }
}
