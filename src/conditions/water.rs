//! The water as a trip is judged by it.

use std::fmt;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use super::nws::Warnings;
use super::{Expected, Forecast, Received, Source, Waves, Wind, WindRow};

/// Who says so.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// A station measured it.
    Observed,
    /// A table says what is to be expected; nobody measured it.
    Expected,
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
    /// How far from it the water may be, in degrees Celsius: nothing for what was measured.
    pub plus_minus_c: f64,
    /// Where it is from.
    pub source: Source,
    /// How a station's was received, and at what depth it is.
    pub received: Option<Received>,
    /// From the station to the nearest corner of the route, in metres.
    pub distance_m: Option<f64>,
    /// When it was taken.
    pub taken_at: Option<DateTime<Utc>>,
    /// Its age in seconds at the moment of judging.
    pub age_s: Option<i64>,
}

impl Reading {
    fn expected(expected: &Expected) -> Self {
        Reading {
            kind: Kind::Expected,
            temperature_c: expected.temperature_c,
            plus_minus_c: expected.plus_minus_c,
            source: Source::Other(format!(
                "expected, not measured, by {}, give or take {} °C",
                expected.source, expected.plus_minus_c
            )),
            received: None,
            distance_m: None,
            taken_at: None,
            age_s: None,
        }
    }

    fn cold_end_c(&self) -> f64 {
        self.temperature_c - self.plus_minus_c
    }
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
    /// What a table or a satellite lets expect.
    pub expected: Option<Expected>,
    /// Whether a reading that should count is lacking or too old: then what is merely expected
    /// must not stand in for it.
    pub wanting: bool,
    /// Why the governing reading can't be trusted, as a clause; then the water counts as unknown.
    pub doubt: Option<String>,
    /// The strongest wind known near the route.
    pub wind: Option<Wind>,
    /// The winds of the last hours near the route, newest first.
    pub winds: Vec<WindRow>,
    /// The highest waves known near the route.
    pub waves: Option<Waves>,
    /// Warnings in force.
    pub warnings: Warnings,
    /// The coming wind.
    pub forecast: Forecast,
}

impl Water {
    /// The same, with what a table lets expect. It governs where nothing was measured or stated;
    /// where a reading is wanting, the water stays unknown.
    #[must_use]
    pub fn expecting(mut self, expected: Option<Expected>) -> Self {
        let cold_end_c = |one: &Expected| one.temperature_c - one.plus_minus_c;
        let both = self.expected.take().into_iter().chain(expected);
        self.expected = both.min_by(|a, b| cold_end_c(a).total_cmp(&cold_end_c(b)));
        if self.governs.is_none() && !self.wanting {
            self.governs = self.expected.as_ref().map(Reading::expected);
        }
        self
    }

    /// The same, with whoever else was silent and what is warned of.
    #[must_use]
    pub fn hearing(mut self, silent: Vec<Silence>, warnings: Warnings) -> Self {
        self.silent.extend(silent);
        Water { warnings, ..self }
    }

    /// The same, with the wind that is forecast.
    #[must_use]
    pub fn foreseeing(self, forecast: Forecast) -> Self {
        Water { forecast, ..self }
    }

    /// The winds of a span: those forecast for its hours, and last the one that blows now.
    pub fn winds_during(
        &self,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
    ) -> impl Iterator<Item = &Wind> {
        self.forecast.during(from, to).chain(&self.wind)
    }

    /// Degrees Celsius, or `None` when unknown: to be taken as cold.
    #[must_use]
    pub fn temperature_c(&self) -> Option<f64> {
        self.governs.as_ref().map(|reading| reading.temperature_c)
    }

    /// The cold end of what governs, in degrees Celsius; `None` when that is unknown or doubted.
    #[must_use]
    pub fn cold_end_c(&self) -> Option<f64> {
        let trusted = self.governs.as_ref().filter(|_| self.doubt.is_none());
        trusted.map(Reading::cold_end_c)
    }

    /// The coldest of everything near that is known or expected, of whatever age, in degrees
    /// Celsius: unknown water counts as no warmer than this.
    #[must_use]
    pub fn coldest_c(&self) -> Option<f64> {
        self.coldest().map(|(cold_end_c, _)| cold_end_c)
    }

    /// The same with what it is from, in words.
    #[must_use]
    pub fn coldest(&self) -> Option<(f64, String)> {
        let near = self.set_aside.iter().filter(|aside| aside.why != Why::Far);
        let readings = near.map(|aside| &aside.reading).chain(&self.governs);
        let readings = readings.map(|one| (one.cold_end_c(), one.source.to_string()));
        let expected = self.expected.iter().map(|one| {
            let words = format!("{}, less {} °C", one.source, one.plus_minus_c);
            (one.temperature_c - one.plus_minus_c, words)
        });
        readings.chain(expected).min_by(|(a, _), (b, _)| a.total_cmp(b))
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
