//! What the water is expected to be, where nobody has measured it: the sea's mean of the month,
//! or a keeper's own table for a lake or a bay.
//!
//! The sea's table is the monthly climatology of COADS on a grid of two degrees (see
//! `data/sst_coads_2deg_monthly.LICENCE.md`). A cell is some 220 km wide; bays, fjords and
//! upwelling differ from it by 3 to 6 °C, hence the ± 4 °C, of which the cold end is judged. It
//! cannot tell a lake from the sea beside it.

use chrono::{Datelike, NaiveDate};

use super::stations::distance_m;
use crate::measure::Position;

static SEA: &[u8] = include_bytes!("data/sst_coads_2deg_monthly.i16le");

/// How far a month's mean of the sea may be from the water of a day, in degrees Celsius.
pub const PLUS_MINUS_C: f64 = 4.0;

const LATITUDES: usize = 90;
const LONGITUDES: usize = 180;
const CELL_DEG: f64 = 2.0;
/// The western side of the first cell, in degrees east.
const FIRST_LON_DEG: f64 = 20.0;

/// A temperature from a table.
#[derive(Clone, Debug, PartialEq)]
pub struct Expected {
    /// Degrees Celsius.
    pub temperature_c: f64,
    /// How far from it the water may be, in degrees Celsius.
    pub plus_minus_c: f64,
    /// Whose table it is, in words.
    pub source: String,
}

/// A keeper's own table of a lake or a bay.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// What it is of, in words.
    pub name: String,
    /// The middle of where it holds.
    pub position: Position,
    /// How far around it holds, in metres.
    pub radius_m: f64,
    /// Degrees Celsius, January first.
    pub monthly_c: [f64; 12],
    /// How far from these the water may be, in degrees Celsius.
    pub plus_minus_c: f64,
}

/// What is expected at a place on a day: by the first table that holds there, else by the sea's.
#[must_use]
pub fn expected(tables: &[Table], at: Position, date: NaiveDate) -> Option<Expected> {
    let month = date.month0() as usize;
    let holds = |table: &&Table| {
        distance_m(table.position, &[at]).is_some_and(|away_m| away_m <= table.radius_m)
    };
    match tables.iter().find(holds) {
        Some(table) => Some(Expected {
            temperature_c: *table.monthly_c.get(month)?,
            plus_minus_c: table.plus_minus_c,
            source: format!("the keeper's table of {}", table.name),
        }),
        None => Some(Expected {
            temperature_c: of_sea_c(at, month)?,
            plus_minus_c: PLUS_MINUS_C,
            source: "the month's mean of the sea (COADS, cells of 2°)".to_owned(),
        }),
    }
}

/// The sea's mean of a month (0 is January) in degrees Celsius; `None` where the table has none.
fn of_sea_c(at: Position, month: usize) -> Option<f64> {
    let east_deg = (at.lon_deg() - FIRST_LON_DEG).rem_euclid(360.0);
    let row = cell(at.lat_deg() + 90.0).min(LATITUDES - 1);
    let column = cell(east_deg).min(LONGITUDES - 1);
    let start = 2 * ((month * LATITUDES + row) * LONGITUDES + column);
    let bytes: [u8; 2] = SEA.get(start..start + 2)?.try_into().ok()?;
    let hundredths = i16::from_le_bytes(bytes);
    (hundredths != i16::MIN).then(|| f64::from(hundredths) / 100.0)
}

/// Which cell so many degrees from the first side lie in. Never negative, at most 360.
fn cell(deg: f64) -> usize {
    (deg / CELL_DEG) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sea(lat: f64, lon: f64, date: &str) -> Option<f64> {
        let found = expected(&[], Position::new(lat, lon).unwrap(), date.parse().unwrap());
        found.map(|found| found.temperature_c)
    }

    /// Read out of the Debian package's netCDF by other means: 49 N 237 E is 7.12 °C in January
    /// and 13.64 in July.
    #[test]
    fn the_cell_and_the_month() {
        assert_eq!(sea(49.0, -123.0, "2026-01-31"), Some(7.12));
        assert_eq!(sea(49.0, -123.0, "2026-07-01"), Some(13.64));
        assert_eq!(sea(48.01, -122.01, "2026-07-01"), Some(13.64), "the same cell");
    }

    /// The seams: 180° is one meridian; 20° E is where the table begins.
    #[test]
    fn the_seams_and_the_land() {
        assert_eq!(sea(-17.0, 180.0, "2026-02-01"), sea(-17.0, -180.0, "2026-02-01"));
        assert!(sea(-17.0, 180.0, "2026-02-01").is_some_and(|c| c > 25.0));
        assert_ne!(sea(-37.0, 19.9, "2026-02-01"), None);
        assert_ne!(sea(-37.0, 20.1, "2026-02-01"), None);
        assert_eq!(sea(40.0, 90.0, "2026-02-01"), None, "far inland");
        for (lat, lon) in [(90.0, 180.0), (-90.0, -180.0), (90.0, 0.0)] {
            let _ = sea(lat, lon, "2026-12-31");
        }
    }

    #[test]
    fn every_value_is_one_that_the_sea_has() {
        let values = SEA.chunks_exact(2).map(|two| i16::from_le_bytes([two[0], two[1]]));
        let filled: Vec<_> = values.filter(|value| *value != i16::MIN).collect();
        assert_eq!(SEA.len(), 388_800);
        assert!(filled.iter().all(|value| (-300..=3400).contains(value)) && filled.len() > 90_000);
    }

    #[test]
    fn a_keepers_table_goes_before_the_sea() {
        let table = Table {
            name: "an invented lake".to_owned(),
            position: Position::new(48.5, -123.0).unwrap(),
            radius_m: 5_000.0,
            monthly_c: [2.0; 12],
            plus_minus_c: 2.0,
        };
        let on = |lat: f64| {
            let at = Position::new(lat, -123.0).unwrap();
            expected(std::slice::from_ref(&table), at, "2026-06-01".parse().unwrap()).unwrap()
        };
        assert_eq!((on(48.51).temperature_c, on(48.51).plus_minus_c), (2.0, 2.0));
        assert!(on(48.6).source.contains("COADS"));
    }
}
