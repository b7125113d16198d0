//! The data of NOAA's tide stations (CO-OPS), asked for in metric units and Greenwich time.
//!
//! Sources: CO-OPS, "Data Retrieval API" and its response help; bodies recorded in 2013 and 2026.
//! - Every number is a text, those of the position too; a missing one is the empty text.
//! - `t` has no zone: it is in the one that was asked for.
//! - A flag `f` other than zeros: not to be trusted silently, so the row is left out.
//! - An error comes as an `error` object, with status 200 or 400. "No data was found" does not say
//!   why: a sensor that is silent and an outage of the whole service have looked alike (July 2026).

use chrono::{DateTime, NaiveDateTime, Utc};
use serde::Deserialize;
use thiserror::Error;

use super::{Observations, Observed, Received, WATER_C, WIND_KN, WindRow, plausible, vouched};
use crate::measure::m_per_s_to_kn;

/// Why a body tells nothing.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum CoopsError {
    /// It refuses, for this reason.
    #[error("the service refuses: {0}")]
    Refused(&'static str),
    /// No data, for whatever reason.
    #[error("the service found no data, for an unknown reason")]
    NoData,
    /// It is not of this service's form.
    #[error("the answer is not in the service's form")]
    NotJson,
    /// Every row is missing, flagged, or beyond what the water can show.
    #[error("no row of the answer can be trusted")]
    NoRows,
}

#[derive(Deserialize)]
struct Body {
    #[serde(default)]
    data: Vec<Row>,
    error: Option<Refusal>,
}

#[derive(Deserialize)]
struct Refusal {
    #[serde(default)]
    message: String,
}

#[derive(Deserialize)]
struct Row {
    t: String,
    #[serde(default)]
    v: String,
    #[serde(default)]
    s: String,
    #[serde(default)]
    d: String,
    #[serde(default)]
    g: String,
    #[serde(default)]
    f: String,
}

/// Reads the product `water_temperature`, in degrees Celsius.
///
/// # Errors
/// See [`CoopsError`].
pub fn read_water(text: &str) -> Result<Observations, CoopsError> {
    let rows = rows(text)?;
    let read = |row: &Row| {
        Some(Observed { value: number(&row.v, &WATER_C)?, taken_at: row.trusted_at()? })
    };
    let newest = rows.iter().filter_map(read).max_by_key(|water| water.taken_at);
    let water = newest.ok_or(CoopsError::NoRows)?;
    let water_as = Received {
        value: water.value,
        unit: "°C (asked for)".to_owned(),
        depth_m: None,
        by: "at a tide station's sensor, of a depth that it does not tell".to_owned(),
    };
    Ok(Observations { water_c: Some(water), water_as: Some(water_as), ..Observations::default() })
}

/// Reads the product `wind`: metres a second, turned into knots.
///
/// # Errors
/// See [`CoopsError`].
pub fn read_wind(text: &str) -> Result<Observations, CoopsError> {
    let rows = rows(text)?;
    let mut winds: Vec<_> = rows.iter().filter_map(|row| Some((row.wind()?, row))).collect();
    winds.sort_by_key(|(wind, _)| std::cmp::Reverse(wind.taken_at));
    let (newest, row) = winds.first().ok_or(CoopsError::NoRows)?;
    let observed = |value| Observed { value, taken_at: newest.taken_at };
    Ok(Observations {
        wind_kn: Some(observed(newest.speed_kn)),
        wind_from_deg: Some(observed(newest.from_deg)),
        gust_kn: knots(&row.g).map(observed),
        winds: winds.iter().map(|(wind, _)| *wind).collect(),
        ..Observations::default()
    })
}

fn rows(text: &str) -> Result<Vec<Row>, CoopsError> {
    let body: Body = serde_json::from_str(text).map_err(|_| CoopsError::NotJson)?;
    match body.error {
        Some(refusal) => Err(refused(&refusal.message)),
        None if body.data.is_empty() => Err(CoopsError::NoData),
        None => Ok(body.data),
    }
}

/// What is known of the service's words.
fn refused(message: &str) -> CoopsError {
    if message.trim_start().starts_with("No data was found") {
        return CoopsError::NoData;
    }
    // The reason stands before the rest of the sentence: `Wrong Station ID: ...`.
    let reason = message.split([':', '.']).next().unwrap_or_default();
    CoopsError::Refused(vouched::refusal(&[message, reason]))
}

impl Row {
    /// When it was taken, if no flag speaks against it.
    fn trusted_at(&self) -> Option<DateTime<Utc>> {
        let clear = self.f.split(',').all(|flag| matches!(flag.trim(), "" | "0"));
        let at = NaiveDateTime::parse_from_str(self.t.trim(), "%Y-%m-%d %H:%M").ok()?;
        clear.then(|| at.and_utc())
    }

    fn wind(&self) -> Option<WindRow> {
        Some(WindRow {
            taken_at: self.trusted_at()?,
            speed_kn: knots(&self.s)?,
            from_deg: number(&self.d, &(0.0..=360.0))?,
        })
    }
}

fn number(text: &str, range: &std::ops::RangeInclusive<f64>) -> Option<f64> {
    plausible(text.trim().parse().ok()?, range)
}

fn knots(m_per_s: &str) -> Option<f64> {
    plausible(m_per_s_to_kn(m_per_s.trim().parse().ok()?), &WIND_KN)
}
