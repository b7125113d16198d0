//! Earth-centred coordinates of WGS 84, in which "near" is a straight line and neither the poles
//! nor 180 degrees are anything special.

use std::f64::consts::PI;

use crate::measure::Position;

/// x, y, z of a point in metres, or in [grid](GRID_PER_M) units where that is said.
pub(super) type Point = [f64; 3];

/// A point rounded to 1/128 m: four millimetres at most from the truth on each axis, and small
/// enough that the difference of two of them still fits an `i32`.
pub(super) type GridPoint = [i32; 3];

pub(super) const GRID_PER_M: f64 = 128.0;

/// Mean radius of the earth in metres (IUGG: (2a + b) / 3).
const MEAN_RADIUS_M: f64 = 6_371_008.8;

/// Half axis and flattening of WGS 84 (NGA.STND.0036, table 3.1).
const A_M: f64 = 6_378_137.0;
const FLATTENING: f64 = 1.0 / 298.257_223_563;
const E2: f64 = FLATTENING * (2.0 - FLATTENING);

/// The point of the ellipsoid at this latitude and longitude, in metres. Longitudes beyond
/// 180 degrees go on round the earth.
pub(super) fn point(lat_deg: f64, lon_deg: f64) -> Point {
    let (lat_sin, lat_cos) = lat_deg.to_radians().sin_cos();
    let (lon_sin, lon_cos) = lon_deg.to_radians().sin_cos();
    let normal_m = A_M / (1.0 - E2 * lat_sin * lat_sin).sqrt();
    [normal_m * lat_cos * lon_cos, normal_m * lat_cos * lon_sin, normal_m * (1.0 - E2) * lat_sin]
}

pub(super) fn point_of(at: Position) -> Point {
    point(at.lat_deg(), at.lon_deg())
}

/// The position on the ellipsoid below or above a point (metres) that lies within metres of it:
/// Bowring's formula, exact there to far below a millimetre.
pub(super) fn position([x, y, z]: Point) -> Option<Position> {
    let b_m = A_M * (1.0 - FLATTENING);
    let axis_m = x.hypot(y);
    let (sin, cos) = (z * A_M).atan2(axis_m * b_m).sin_cos();
    let second_e2 = E2 / (1.0 - E2);
    let lat = (z + second_e2 * b_m * sin.powi(3)).atan2(axis_m - E2 * A_M * cos.powi(3));
    Position::new(lat.to_degrees().clamp(-90.0, 90.0), y.atan2(x).to_degrees()).ok()
}

pub(super) fn to_grid(point_m: Point) -> GridPoint {
    point_m.map(|axis_m| (axis_m * GRID_PER_M).round() as i32)
}

/// The length over the ground of a chord, both in metres. Against the geodesic it errs by less
/// than 2 mm at 50 km, 2 cm at 100 km and 1.5 m at 500 km.
pub(super) fn arc_m(chord_m: f64) -> f64 {
    if chord_m >= 2.0 * MEAN_RADIUS_M {
        return PI * MEAN_RADIUS_M;
    }
    2.0 * MEAN_RADIUS_M * (chord_m / (2.0 * MEAN_RADIUS_M)).asin()
}

/// How long a chord may be and its geodesic yet be shorter than that of the chord given, both in
/// metres. A geodesic of chord c on a sphere of radius R is c + c^3 / 24 R^2 and a little more
/// long; on the ellipsoid R lies between 6335 and 6400 km, so that two of one chord differ by at
/// most 2.1 % of the second term. Twice that is taken, and a metre.
pub(super) fn rival_chord_m(chord_m: f64) -> f64 {
    chord_m + 0.042 * (arc_m(chord_m) - chord_m) + 1.0
}

pub(super) fn minus(a: Point, b: Point) -> Point {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

pub(super) fn dot(a: Point, b: Point) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

pub(super) fn cross(a: Point, b: Point) -> Point {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

pub(super) fn length(a: Point) -> f64 {
    dot(a, a).sqrt()
}

/// `from` moved by the `share` (0 to 1) of its way to `to`.
pub(super) fn between(from: Point, to: Point, share: f64) -> Point {
    std::array::from_fn(|axis| from[axis] + share * (to[axis] - from[axis]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use geographiclib_rs::{Geodesic, InverseGeodesic};
    use proptest::prelude::*;

    /// The poles and the equator, from the half axes that the standard prints (b = 6356752.3142).
    #[test]
    fn axes() {
        let close = |a: Point, b: Point| length(minus(a, b)) < 1e-4;
        assert!(close(point(90.0, 77.0), [0.0, 0.0, 6_356_752.314_2]));
        assert!(close(point(0.0, 180.0), [-6_378_137.0, 0.0, 0.0]));
        assert!(close(point(0.0, 90.0), [0.0, 6_378_137.0, 0.0]));
    }

    proptest! {
        #[test]
        fn positions_read_back(lat in -90.0f64..=90.0, lon in -180.0f64..=180.0, sunk in 0.0f64..0.5) {
            let there = point(lat, lon);
            let sunken = there.map(|axis| axis * (1.0 - sunk / 6.4e6));
            let back = point_of(position(sunken).unwrap());
            prop_assert!(length(minus(back, there)) < 2e-3);
        }

        /// Against Karney's geodesics (geographiclib), up to 50 km.
        #[test]
        fn arcs_are_geodesics(
            lat in -89.0f64..89.0, north in -0.3f64..0.3, east in -0.3f64..0.3,
        ) {
            let metres: f64 = Geodesic::wgs84().inverse(lat, 0.0, lat + north, east);
            let chord = length(minus(point(lat, 0.0), point(lat + north, east)));
            prop_assert!((arc_m(chord) - metres).abs() < 2e-3, "{metres}");
        }
    }
}
