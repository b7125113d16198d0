//! A point on the WGS 84 ellipsoid.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::notation::{self, PositionError};

/// A position on WGS 84: always finite, latitude −90…90, longitude −180…180 degrees.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Position {
    lat_deg: f64,
    lon_deg: f64,
}

impl Position {
    /// A position from degrees, north and east positive.
    ///
    /// # Errors
    /// [`PositionError::OffTheEarth`] for a number that is not finite or out of range.
    pub fn new(lat_deg: f64, lon_deg: f64) -> Result<Self, PositionError> {
        if lat_deg.abs() <= 90.0 && lon_deg.abs() <= 180.0 {
            Ok(Self { lat_deg, lon_deg })
        } else {
            Err(PositionError::OffTheEarth)
        }
    }

    /// Latitude in degrees, north positive.
    #[must_use]
    pub fn lat_deg(self) -> f64 {
        self.lat_deg
    }

    /// Longitude in degrees, east positive.
    #[must_use]
    pub fn lon_deg(self) -> f64 {
        self.lon_deg
    }

    /// Decimal degrees, five decimals (about a metre): `48.51600 -123.15240`.
    #[must_use]
    pub fn decimal(self) -> String {
        format!("{:.5} {:.5}", self.lat_deg + 0.0, self.lon_deg + 0.0)
    }

    /// Degrees and decimal minutes, as rescue services take them: `48°30.960'N 123°09.144'W`.
    #[must_use]
    pub fn degrees_minutes(self) -> String {
        notation::degrees_minutes(self)
    }

    /// Degrees, minutes and seconds: `48°30'57.6"N 123°09'08.6"W`.
    #[must_use]
    pub fn degrees_minutes_seconds(self) -> String {
        notation::degrees_minutes_seconds(self)
    }

    /// ISO 6709 in degrees: `+48.51600-123.15240/`.
    #[must_use]
    pub fn iso_6709(self) -> String {
        notation::iso_6709(self)
    }
}

impl fmt::Display for Position {
    /// Decimal degrees with every digit that is needed to read the same position back.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} {}", self.lat_deg, self.lon_deg)
    }
}

impl std::str::FromStr for Position {
    type Err = PositionError;

    fn from_str(text: &str) -> Result<Self, PositionError> {
        notation::read(text)
    }
}

impl TryFrom<String> for Position {
    type Error = PositionError;

    fn try_from(text: String) -> Result<Self, PositionError> {
        text.parse()
    }
}

impl From<Position> for String {
    fn from(position: Position) -> String {
        position.to_string()
    }
}
