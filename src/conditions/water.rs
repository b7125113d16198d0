//! The water as a trip is judged by it.

use std::fmt;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// Who says so.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// A station measured it.
    Observed,
    /// The crew stated it.
    Stated,
    /// Nobody that can be trusted: taken as cold.
    Unknown,
}

/// A water temperature with where it is from and how old it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Who says so.
    pub kind: Kind,
    /// Degrees Celsius, near the surface.
    pub temperature_c: f64,
    /// Where it is from, in words.
    pub source: String,
    /// From the station to the nearest corner of the route, in metres.
    pub distance_m: Option<f64>,
    /// When it was taken.
    pub taken_at: Option<DateTime<Utc>>,
    /// Its age in seconds at the moment of judging.
    pub age_s: Option<i64>,
}

/// Why a reading does not govern.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Why {
    /// A colder one does.
    Warmer,
    /// It is too old.
    Stale,
    /// Its time lies ahead of ours.
    Ahead,
    /// It has no time.
    Untimed,
    /// Its station is too far away.
    Far,
}

/// A reading that is shown and does not govern.
#[derive(Clone, Debug, PartialEq)]
pub struct SetAside {
    /// The reading.
    pub reading: Reading,
    /// Why it does not govern.
    pub why: Why,
}

/// A station that gave no reading.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Silence {
    /// Its name.
    pub station: String,
    /// Why, as the end of a sentence.
    pub why: String,
}

/// What is known of the water. [`Water::default`] is water of which nothing is known.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Water {
    /// The coldest reading that is fresh, near and timed.
    pub governs: Option<Reading>,
    /// The others: the warmer fresh ones first, coldest first, then history.
    pub set_aside: Vec<SetAside>,
    /// The stations that gave none.
    pub silent: Vec<Silence>,
}

impl Water {
    /// Degrees Celsius, or `None` when unknown: to be taken as cold.
    #[must_use]
    pub fn temperature_c(&self) -> Option<f64> {
        self.governs.as_ref().map(|reading| reading.temperature_c)
    }

    /// Who says so.
    #[must_use]
    pub fn kind(&self) -> Kind {
        self.governs.as_ref().map_or(Kind::Unknown, |reading| reading.kind)
    }

    /// How much warmer than the governing reading the warmest fresh one is, in degrees Celsius.
    #[must_use]
    pub fn spread_c(&self) -> f64 {
        let warmest = self.set_aside.iter().rfind(|aside| aside.why == Why::Warmer);
        match (warmest, self.temperature_c()) {
            (Some(warmest), Some(coldest_c)) => warmest.reading.temperature_c - coldest_c,
            _ => 0.0,
        }
    }
}

impl fmt::Display for Why {
    /// The end of a sentence that begins with the reading.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Why::Warmer => "fresh too, but warmer",
            Why::Stale => "too old to count",
            Why::Ahead => "timed ahead of our clock, so not counted",
            Why::Untimed => "without a time, so not counted",
            Why::Far => "too far away to count",
        })
    }
}
