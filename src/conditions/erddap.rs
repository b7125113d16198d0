//! A patch of an ERDDAP grid of the water's surface temperature, as `.json`.
//!
//! Sources: ERDDAP's griddap documentation; bodies recorded in 2026.
//! - Columns go by name: some grids have a depth among them.
//! - The unit stands in the body, as `degree_C`, `degrees C`, `Celsius` or `kelvin`; a grid without
//!   a unit that is known here can't be used.
//! - Pixels of the coast are masked as land and `null`: the nearest that is water counts, with its
//!   own place. Some grids count longitude from 0 to 360.
//! - "No matching results" is a text, with status 404, on older servers 500: that is no outage.
//!
//! Satellites see the skin of the water, through gaps between clouds, and a composite keeps the
//! last good pixel: what wells up along a shore on one day is not in it.

use chrono::{DateTime, Utc};
use serde::Deserialize;
use serde_json::Value;
use thiserror::Error;

use super::stations::distance_m;
use super::{Observations, Observed, Received, WATER_C, in_celsius, plausible};
use crate::measure::Position;

/// Metres: deeper is no water.
const DEEPEST_M: f64 = 11_000.0;

/// Why a body tells nothing.
#[derive(Clone, Copy, Debug, Error, PartialEq, Eq)]
pub enum ErddapError {
    /// The grid has nothing for that place and time.
    #[error("the grid has nothing for this place and time")]
    NoData,
    /// The question was not understood: a wrong name of a grid or variable.
    #[error("the server does not know this grid or variable")]
    BadQuestion,
    /// It is not of this service's form.
    #[error("the answer is not in the service's form")]
    NotJson,
    /// A unit that is not known here, or none.
    #[error("the grid's unit of temperature is not known here")]
    Unit,
    /// Every pixel is land, ice or cloud.
    #[error("the grid has no water temperature that can be believed at this place")]
    NoWater,
}

#[derive(Deserialize)]
struct Body {
    table: Table,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Table {
    column_names: Vec<String>,
    #[serde(default)]
    column_units: Vec<Option<String>>,
    rows: Vec<Vec<Value>>,
}

/// Reads the pixel of water nearest to `near` of the newest time in the body.
///
/// # Errors
/// See [`ErddapError`].
pub fn read(text: &str, variable: &str, near: Position) -> Result<Observations, ErddapError> {
    let Ok(Body { table }) = serde_json::from_str(text) else { return Err(refused(text)) };
    let at = |name: &str| table.column_names.iter().position(|column| column == name);
    let columns = (at("time"), at("latitude"), at("longitude"), at(variable));
    let (Some(time), Some(lat), Some(lon), Some(value)) = columns else {
        return Err(ErddapError::NotJson);
    };
    let unit = table.column_units.get(value).and_then(Option::as_deref).unwrap_or_default().trim();
    let in_celsius = in_celsius(unit).ok_or(ErddapError::Unit)?;
    let depth = ["depth", "zlev", "altitude"].into_iter().find_map(at);
    let pixels = table.rows.iter().filter_map(|row| {
        let number = |column: usize| row.get(column)?.as_f64();
        let taken_at = DateTime::parse_from_rfc3339(row.get(time)?.as_str()?).ok()?.to_utc();
        let east = number(lon)?;
        let east = if east > 180.0 { east - 360.0 } else { east };
        let position = Position::new(number(lat)?, east).ok()?;
        let raw = number(value)?;
        let water_c = plausible(in_celsius(raw), &WATER_C)?;
        Some(Pixel {
            taken_at,
            position,
            raw,
            water_c,
            depth_m: depth.and_then(number).map(f64::abs).filter(|m| *m <= DEEPEST_M),
            distance_m: distance_m(near, &[position])?,
        })
    });
    let nearest = pixels.min_by(|a, b| {
        b.taken_at.cmp(&a.taken_at).then_with(|| a.distance_m.total_cmp(&b.distance_m))
    });
    let pixel = nearest.ok_or(ErddapError::NoWater)?;
    Ok(Observations {
        position: Some(pixel.position),
        water_c: Some(Observed { value: pixel.water_c, taken_at: pixel.taken_at }),
        water_as: Some(Received {
            value: pixel.raw,
            unit: unit.to_owned(),
            depth_m: pixel.depth_m,
            by: "the surface as satellites see it".to_owned(),
        }),
        ..Observations::default()
    })
}

struct Pixel {
    taken_at: DateTime<Utc>,
    position: Position,
    raw: f64,
    water_c: f64,
    depth_m: Option<f64>,
    distance_m: f64,
}

fn refused(text: &str) -> ErddapError {
    if text.contains("Your query produced no matching results") || text.contains("(nRows = 0)") {
        ErddapError::NoData
    } else if text.contains("Query error") || text.contains("Unknown datasetID") {
        ErddapError::BadQuestion
    } else {
        ErddapError::NotJson
    }
}
