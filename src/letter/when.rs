//! Times as a letter writes them: weekday, 24 hours and am/pm, the zone's short name.

use chrono::{DateTime, TimeDelta, Timelike, Utc};
use chrono_tz::Tz;

use crate::measure::spoken;

/// From this on, a time also says how far away it is.
const FAR: TimeDelta = TimeDelta::hours(24);

/// The clock that letters are written by: the crew's.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    zone: Tz,
}

impl Clock {
    /// A clock in this zone.
    #[must_use]
    pub fn new(zone: Tz) -> Self {
        Clock { zone }
    }

    /// `Sun 14 Jun, 12:30 (12:30 pm PDT)`.
    #[must_use]
    pub fn full(self, at: DateTime<Utc>) -> String {
        let day = at.with_timezone(&self.zone).format("%a %-d %b");
        format!("{day}, {}", self.time(at))
    }

    /// The same, and how far away it is if that is more than a day.
    #[must_use]
    pub fn full_from(self, at: DateTime<Utc>, now: DateTime<Utc>) -> String {
        let full = self.full(at);
        match at - now {
            ahead if ahead > FAR => format!("{full}, in {}", spoken(ahead)),
            ahead if ahead < -FAR => format!("{full}, {} ago", spoken(-ahead)),
            _ => full,
        }
    }

    /// `12:30 (12:30 pm PDT)`.
    #[must_use]
    pub fn time(self, at: DateTime<Utc>) -> String {
        let local = at.with_timezone(&self.zone);
        let spoken = match (local.hour(), local.minute()) {
            // "12 pm" is midnight to some.
            (0, 0) => "midnight".to_owned(),
            (12, 0) => "noon".to_owned(),
            _ => local.format("%-I:%M %P").to_string(),
        };
        format!("{} ({spoken} {})", local.format("%H:%M"), self.zone_at(at))
    }

    /// For a subject: `12:30 PDT`, on another day than today's `Sun 14 Jun 12:30 PDT`.
    #[must_use]
    pub fn short(self, at: DateTime<Utc>, now: DateTime<Utc>) -> String {
        let (local, today) = (at.with_timezone(&self.zone), now.with_timezone(&self.zone));
        let form =
            if local.date_naive() == today.date_naive() { "%H:%M" } else { "%a %-d %b %H:%M" };
        format!("{} {}", local.format(form), self.zone_at(at))
    }

    /// For reading aloud: `12:30 on Sunday 14 June`.
    #[must_use]
    pub fn aloud(self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.zone).format("%H:%M on %A %-d %B").to_string()
    }

    /// The zone's short name at that time: `PDT`, or `UTC+03` where it has none.
    #[must_use]
    pub fn zone_at(self, at: DateTime<Utc>) -> String {
        let name = at.with_timezone(&self.zone).format("%Z").to_string();
        if name.starts_with(['+', '-']) { format!("UTC{name}") } else { name }
    }
}

/// `19:45 UTC`.
pub(super) fn utc(at: DateTime<Utc>) -> String {
    at.format("%H:%M UTC").to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    /// Offsets and short names of the IANA time zone database: Los Angeles is PDT (UTC-7) in
    /// June; Chicago changes from CDT to CST on 1 November 2026 at 07:00 UTC; Sao Paulo has no
    /// short name since 2016f.
    #[test]
    fn times_have_weekday_both_clocks_and_the_zones_name() {
        let clock = Clock::new(Tz::America__Los_Angeles);
        assert_eq!(clock.full(at("2026-06-14T19:30:00Z")), "Sun 14 Jun, 12:30 (12:30 pm PDT)");
        assert_eq!(clock.time(at("2026-06-15T07:05:00Z")), "00:05 (12:05 am PDT)");
        assert_eq!(clock.time(at("2026-12-15T02:05:00Z")), "18:05 (6:05 pm PST)");
        assert_eq!(clock.time(at("2026-06-14T19:00:00Z")), "12:00 (noon PDT)");
        assert_eq!(clock.time(at("2026-06-14T07:00:00Z")), "00:00 (midnight PDT)");
        let clock = Clock::new(Tz::America__Chicago);
        assert_eq!(clock.time(at("2026-11-01T06:30:00Z")), "01:30 (1:30 am CDT)");
        assert_eq!(clock.time(at("2026-11-01T07:30:00Z")), "01:30 (1:30 am CST)");
        let clock = Clock::new(Tz::America__Sao_Paulo);
        assert_eq!(clock.zone_at(at("2026-06-14T19:30:00Z")), "UTC-03");
    }

    #[test]
    fn a_time_more_than_a_day_away_says_how_far() {
        let clock = Clock::new(Tz::Europe__London);
        let now = at("2026-06-14T12:00:00Z");
        let shown = |time: &str| clock.full_from(at(time), now);
        assert!(shown("2026-06-16T15:30:00Z").ends_with("BST), in 2 days 3 h"));
        assert!(shown("2026-06-13T11:00:00Z").ends_with("BST), 1 day 1 h ago"));
        assert!(shown("2026-06-15T11:59:00Z").ends_with("BST)"));
    }

    #[test]
    fn a_subject_names_the_day_only_when_it_is_another() {
        let clock = Clock::new(Tz::Europe__Oslo);
        let now = at("2026-01-10T23:30:00Z");
        assert_eq!(clock.short(at("2026-01-10T23:10:00Z"), now), "00:10 CET");
        assert_eq!(clock.short(at("2026-01-10T22:10:00Z"), now), "Sat 10 Jan 23:10 CET");
    }
}
