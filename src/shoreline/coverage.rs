//! The box of latitude and longitude that a shoreline file was cut to.

use serde::{Deserialize, Serialize};

use super::ShorelineError;
use super::rings::LonLat;
use crate::measure::Position;

/// How close to the box's side a vertex counts as on it, in degrees (a tenth of a millimetre).
const ON_SIDE_DEG: f64 = 1e-9;

/// Where the data was cut: outside there may be shore that the file does not know of.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Vec<f64>", into = "Vec<f64>")]
pub struct Coverage {
    south_deg: f64,
    north_deg: f64,
    west_deg: f64,
    /// Less than `west_deg` where the box lies across 180 degrees.
    east_deg: f64,
}

impl Coverage {
    /// Reads a GeoJSON `bbox`: west, south, (lowest,) east, north(, highest). West is greater
    /// than east where the box lies across 180 degrees (RFC 7946, 5.2).
    ///
    /// # Errors
    /// [`ShorelineError::Box`].
    pub fn from_bbox(bbox: &[f64]) -> Result<Self, ShorelineError> {
        let (west_deg, south_deg, east_deg, north_deg) = match *bbox {
            [west, south, east, north] | [west, south, _, east, north, _] => {
                (west, south, east, north)
            }
            _ => return Err(ShorelineError::Box),
        };
        let on_earth = [west_deg, east_deg].iter().all(|lon| lon.abs() <= 180.0)
            && [south_deg, north_deg].iter().all(|lat| lat.abs() <= 90.0);
        if !on_earth || south_deg >= north_deg || west_deg == east_deg {
            return Err(ShorelineError::Box);
        }
        Ok(Self { south_deg, north_deg, west_deg, east_deg })
    }

    /// West, south, east, north, in degrees; west is greater than east across 180 degrees.
    #[must_use]
    pub fn bbox(&self) -> [f64; 4] {
        [self.west_deg, self.south_deg, self.east_deg, self.north_deg]
    }

    /// Whether a position lies in the box or on its sides.
    #[must_use]
    pub fn contains(&self, at: Position) -> bool {
        self.has(at.lat_deg(), at.lon_deg(), 0.0)
    }

    /// Whether a vertex lies in the box, give or take a decimetre of rounding.
    pub(super) fn has_vertex(&self, at: LonLat) -> bool {
        self.has(at.lat, at.lon, 1e-6)
    }

    fn has(&self, lat_deg: f64, lon_deg: f64, slack_deg: f64) -> bool {
        let east_of_west = (lon_deg - self.west_deg + slack_deg).rem_euclid(360.0);
        let between = self.south_deg - slack_deg..=self.north_deg + slack_deg;
        between.contains(&lat_deg)
            && (east_of_west <= self.width_deg() + 2.0 * slack_deg || self.goes_round())
    }

    /// To the east, up to 360 degrees.
    fn width_deg(&self) -> f64 {
        let width_deg = self.east_deg - self.west_deg;
        if width_deg > 0.0 { width_deg } else { width_deg + 360.0 }
    }

    fn goes_round(&self) -> bool {
        self.width_deg() >= 360.0
    }

    /// Whether an edge runs along a side of the box: there the land was cut, and is no shore.
    pub(super) fn along_a_side(&self, from: LonLat, to: LonLat) -> bool {
        let both = |on: &dyn Fn(LonLat) -> bool| on(from) && on(to);
        let lat_is = |side: f64| move |at: LonLat| (at.lat - side).abs() <= ON_SIDE_DEG;
        let lon_is = |side: f64| {
            move |at: LonLat| {
                let east_of_side = (at.lon - side).rem_euclid(360.0);
                east_of_side.min(360.0 - east_of_side) <= ON_SIDE_DEG
            }
        };
        both(&lat_is(self.south_deg))
            || both(&lat_is(self.north_deg))
            || both(&lon_is(self.west_deg))
            || both(&lon_is(self.east_deg))
    }

    /// The box's sides as closed lines; none along a meridian if it goes round the earth.
    pub(super) fn outline(&self) -> Vec<Vec<LonLat>> {
        let (west, east) = (self.west_deg, self.west_deg + self.width_deg());
        let (south, north) = (self.south_deg, self.north_deg);
        let line = |corners: &[(f64, f64)]| {
            corners.iter().map(|&(lon, lat)| LonLat { lon, lat }).collect::<Vec<_>>()
        };
        if self.goes_round() {
            return vec![
                line(&[(west, south), (east, south)]),
                line(&[(east, north), (west, north)]),
            ];
        }
        vec![line(&[(west, south), (east, south), (east, north), (west, north), (west, south)])]
    }
}

impl TryFrom<Vec<f64>> for Coverage {
    type Error = ShorelineError;

    fn try_from(bbox: Vec<f64>) -> Result<Self, ShorelineError> {
        Self::from_bbox(&bbox)
    }
}

impl From<Coverage> for Vec<f64> {
    fn from(coverage: Coverage) -> Self {
        coverage.bbox().into()
    }
}
