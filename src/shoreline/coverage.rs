//! The box of latitude and longitude that a shoreline file was cut to.

use super::ShorelineError;
use super::rings::LonLat;
use crate::measure::Position;

/// How close to the box's side a vertex counts as on it, in degrees (a tenth of a millimetre).
const ON_SIDE_DEG: f64 = 1e-9;

/// Where the data was cut: outside there may be shore that the file does not know of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coverage {
    south_deg: f64,
    north_deg: f64,
    west_deg: f64,
    /// Width to the east, up to 360 degrees, so that a box may lie across 180 degrees.
    width_deg: f64,
}

impl Coverage {
    /// Reads a GeoJSON `bbox`: west, south, (lowest,) east, north(, highest). West is greater
    /// than east where the box lies across 180 degrees (RFC 7946, 5.2).
    ///
    /// # Errors
    /// [`ShorelineError::Box`].
    pub(super) fn from_bbox(bbox: &[f64]) -> Result<Self, ShorelineError> {
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
        let width_deg =
            if east_deg > west_deg { east_deg - west_deg } else { east_deg - west_deg + 360.0 };
        Ok(Self { south_deg, north_deg, west_deg, width_deg })
    }

    /// West, south, east, north, in degrees; west is greater than east across 180 degrees.
    #[must_use]
    pub fn bbox(&self) -> [f64; 4] {
        let east_deg = self.west_deg + self.width_deg;
        let east_deg = if east_deg > 180.0 { east_deg - 360.0 } else { east_deg };
        [self.west_deg, self.south_deg, east_deg, self.north_deg]
    }

    /// Whether a position lies in the box or on its sides.
    #[must_use]
    pub fn contains(&self, at: Position) -> bool {
        let east_of_west = (at.lon_deg() - self.west_deg).rem_euclid(360.0);
        (self.south_deg..=self.north_deg).contains(&at.lat_deg())
            && (east_of_west <= self.width_deg || self.goes_round())
    }

    fn goes_round(&self) -> bool {
        self.width_deg >= 360.0
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
            || both(&lon_is(self.west_deg + self.width_deg))
    }

    /// The box's sides as closed lines; none along a meridian if it goes round the earth.
    pub(super) fn outline(&self) -> Vec<Vec<LonLat>> {
        let (west, east) = (self.west_deg, self.west_deg + self.width_deg);
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
