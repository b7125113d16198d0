//! Spans of time as people write them: `90m`, `1h30m`, `45s`.

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// A span of time of whole seconds, never negative, at most [`Span::LONGEST`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Span {
    seconds: u32,
}

/// Why a text is not a [`Span`].
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum SpanError {
    /// The text has no form that we read.
    #[error("is not a span of time; write it like 90m, 1h30m or 45s")]
    Form,
    /// It is longer than [`Span::LONGEST`].
    #[error("is longer than 400 days")]
    TooLong,
}

impl Span {
    /// No time at all.
    pub const ZERO: Span = Span { seconds: 0 };
    /// The longest span: 400 days.
    pub const LONGEST: Span = Span { seconds: 400 * 86_400 };

    /// A span of so many seconds, cut at [`Span::LONGEST`].
    #[must_use]
    pub fn from_seconds(seconds: u32) -> Self {
        Span { seconds: seconds.min(Self::LONGEST.seconds) }
    }

    /// A span of so many minutes, cut at [`Span::LONGEST`].
    #[must_use]
    pub fn from_minutes(minutes: u32) -> Self {
        Self::from_seconds(minutes.saturating_mul(60))
    }

    /// A span of so many hours, cut at [`Span::LONGEST`].
    #[must_use]
    pub const fn from_hours(hours: u16) -> Self {
        let seconds = hours as u32 * 3600;
        Span {
            seconds: if seconds > Self::LONGEST.seconds { Self::LONGEST.seconds } else { seconds },
        }
    }

    /// Its length in seconds.
    #[must_use]
    pub fn seconds(self) -> u32 {
        self.seconds
    }

    /// The same span for arithmetic with instants.
    #[must_use]
    pub fn delta(self) -> TimeDelta {
        TimeDelta::seconds(i64::from(self.seconds))
    }

    /// Spelled for a reader: `1 h 30 min`, `45 s`, `2 days 3 h`.
    #[must_use]
    pub fn spoken(self) -> String {
        spoken_seconds(i64::from(self.seconds))
    }
}

/// A length of time for a reader, in whole minutes from a minute on: `1 h 30 min`. One below zero is
/// none; it is cut at [`Span::LONGEST`].
#[must_use]
pub fn spoken(length: TimeDelta) -> String {
    let seconds = u32::try_from(length.num_seconds().max(0)).unwrap_or(u32::MAX);
    let whole = if seconds >= 60 { seconds / 60 * 60 } else { seconds };
    Span::from_seconds(whole).spoken()
}

/// The two largest units of a number of seconds, for a reader; minutes from a minute on.
fn spoken_seconds(seconds: i64) -> String {
    let (days, hours) = (seconds / 86_400, seconds % 86_400 / 3600);
    let (minutes, rest) = (seconds % 3600 / 60, seconds % 60);
    let days_text = if days == 1 { "1 day".to_owned() } else { format!("{days} days") };
    match (days, hours, minutes, rest) {
        (0, 0, 0, s) => format!("{s} s"),
        (0, 0, m, 0) => format!("{m} min"),
        (0, 0, m, s) => format!("{m} min {s} s"),
        (0, h, 0, _) => format!("{h} h"),
        (0, h, m, _) => format!("{h} h {m} min"),
        (_, 0, _, _) => days_text,
        (_, h, _, _) => format!("{days_text} {h} h"),
    }
}

impl FromStr for Span {
    type Err = SpanError;

    fn from_str(text: &str) -> Result<Self, SpanError> {
        let duration = humantime::parse_duration(text.trim()).map_err(|_| SpanError::Form)?;
        if duration.subsec_nanos() != 0 {
            return Err(SpanError::Form);
        }
        match u32::try_from(duration.as_secs()) {
            Ok(seconds) if seconds <= Self::LONGEST.seconds => Ok(Span { seconds }),
            _ => Err(SpanError::TooLong),
        }
    }
}

impl fmt::Display for Span {
    /// The short form that [`Span::from_str`] reads back.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (hours, minutes, seconds) =
            (self.seconds / 3600, self.seconds % 3600 / 60, self.seconds % 60);
        if hours > 0 {
            write!(out, "{hours}h")?;
        }
        if minutes > 0 {
            write!(out, "{minutes}m")?;
        }
        if seconds > 0 || self.seconds == 0 {
            write!(out, "{seconds}s")?;
        }
        Ok(())
    }
}

impl TryFrom<String> for Span {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        text.parse().map_err(|error: SpanError| format!("`{text}` {error}"))
    }
}

impl From<Span> for String {
    fn from(span: Span) -> String {
        span.to_string()
    }
}

impl From<Span> for Duration {
    fn from(span: Span) -> Duration {
        Duration::from_secs(u64::from(span.seconds))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn reads_minutes_hours_and_seconds() {
        for (text, seconds) in [("90m", 5400), ("1h30m", 5400), ("45s", 45), ("2h", 7200)] {
            assert_eq!(text.parse::<Span>().unwrap().seconds(), seconds, "{text}");
        }
    }

    #[test]
    fn refuses_what_is_no_span() {
        for text in ["", "90", "-5m", "soon", "5 minutes ago", "300ms"] {
            assert_eq!(text.parse::<Span>(), Err(SpanError::Form), "{text}");
        }
        assert_eq!("401days".parse::<Span>(), Err(SpanError::TooLong));
        assert!("99999999999999h".parse::<Span>().is_err());
    }

    #[test]
    fn speaks_in_two_units() {
        for (text, spoken) in [("90m", "1 h 30 min"), ("45s", "45 s"), ("51h", "2 days 3 h")] {
            assert_eq!(text.parse::<Span>().unwrap().spoken(), spoken);
        }
    }

    #[test]
    fn a_length_of_time_is_told_in_whole_minutes() {
        for (seconds, told) in [(5459, "1 h 30 min"), (59, "59 s"), (-5, "0 s"), (61, "1 min")] {
            assert_eq!(spoken(TimeDelta::seconds(seconds)), told);
        }
        assert_eq!(spoken(TimeDelta::MAX), "400 days");
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(seconds in 0u32..=400 * 86_400) {
            let span = Span::from_seconds(seconds);
            prop_assert_eq!(span.to_string().parse::<Span>().unwrap(), span);
        }
    }
}
