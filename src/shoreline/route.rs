//! A route: WGS 84 geodesics from place to place.

use std::sync::LazyLock;

use geographiclib_rs::{Geodesic, GeodesicLine, InverseGeodesic, capability};

use crate::measure::Position;

pub(super) static WGS84: LazyLock<Geodesic> = LazyLock::new(Geodesic::wgs84);

/// The way from one place of a route to the next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Leg {
    /// Where it begins.
    pub from: Position,
    /// Where it ends.
    pub to: Position,
    /// How far from the launch it begins, in metres along the route.
    pub along_m: f64,
    /// Its length in metres.
    pub length_m: f64,
    /// Its initial bearing, 0 to 360 degrees from true north; without meaning if it has no
    /// length.
    pub bearing_deg: f64,
}

/// Legs that follow each other. A route through one place has no leg and no length.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Route {
    start: Option<Position>,
    legs: Vec<Leg>,
    /// The legs' geodesics, to find places on.
    lines: Vec<GeodesicLine>,
}

impl Route {
    /// The route through these places, in order.
    #[must_use]
    pub fn through(places: &[Position]) -> Self {
        let mut along_m = 0.0;
        let legs: Vec<Leg> = places
            .windows(2)
            .map(|ends| {
                let (length_m, bearing_deg) = distance_and_bearing(ends[0], ends[1]);
                let leg = Leg { from: ends[0], to: ends[1], along_m, length_m, bearing_deg };
                along_m += length_m;
                leg
            })
            .collect();
        let lines = legs.iter().map(Leg::line).collect();
        Self { start: places.first().copied(), legs, lines }
    }

    /// Its legs, in order.
    #[must_use]
    pub fn legs(&self) -> &[Leg] {
        &self.legs
    }

    /// Where it begins; `None` for a route through nowhere.
    #[must_use]
    pub fn start(&self) -> Option<Position> {
        self.start
    }

    /// Its whole length in metres.
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.legs.last().map_or(0.0, |leg| leg.along_m + leg.length_m)
    }

    /// The place so many metres along the route: its beginning or end if that is before or
    /// beyond it, `None` for a route through nowhere.
    #[must_use]
    pub fn position_at(&self, along_m: f64) -> Option<Position> {
        let begun = self.legs.partition_point(|leg| leg.along_m <= along_m);
        let Some(index) = begun.checked_sub(1) else { return self.start };
        let (leg, line) = (self.legs.get(index)?, self.lines.get(index)?);
        Some(leg.position_at(line, along_m - leg.along_m))
    }
}

impl Leg {
    fn line(&self) -> GeodesicLine {
        let (lat, lon) = (self.from.lat_deg(), self.from.lon_deg());
        let places = capability::LATITUDE | capability::LONGITUDE | capability::DISTANCE_IN;
        GeodesicLine::new(&WGS84, lat, lon, self.bearing_deg, Some(places), None, None)
    }

    fn position_at(&self, line: &GeodesicLine, into_m: f64) -> Position {
        if into_m <= 0.0 {
            return self.from;
        }
        if into_m >= self.length_m {
            return self.to;
        }
        let place = capability::LATITUDE | capability::LONGITUDE;
        let (_, lat, lon, ..) = line._gen_position(false, into_m, place);
        Position::new(lat, lon).unwrap_or(self.to)
    }
}

/// Geodesic distance in metres, and initial bearing in degrees, 0 to 360.
pub(super) fn distance_and_bearing(from: Position, to: Position) -> (f64, f64) {
    let (length_m, azimuth_deg, _, _): (f64, f64, f64, f64) =
        WGS84.inverse(from.lat_deg(), from.lon_deg(), to.lat_deg(), to.lon_deg());
    (length_m, azimuth_deg.rem_euclid(360.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pos(lat: f64, lon: f64) -> Position {
        Position::new(lat, lon).unwrap()
    }

    /// A quarter of the meridian, 10 001 965.729 m on WGS 84 (Karney 2013, "Algorithms for
    /// geodesics", section 3), and back to where it began.
    #[test]
    fn to_the_pole_and_back() {
        let route = Route::through(&[pos(0.0, 10.0), pos(90.0, 0.0), pos(0.0, 10.0)]);
        assert!((route.length_m() - 2.0 * 10_001_965.729).abs() < 2e-3);
        let half_way = route.position_at(5_000_000.0).unwrap();
        assert!((half_way.lon_deg() - 10.0).abs() < 1e-9 && half_way.lat_deg() > 44.0);
        assert_eq!(route.position_at(-1.0), Some(pos(0.0, 10.0)));
        assert_eq!(route.position_at(f64::NAN), Some(pos(0.0, 10.0)));
        assert_eq!(route.position_at(3e7), Some(pos(0.0, 10.0)));
    }

    #[test]
    fn nowhere_and_one_place() {
        assert_eq!(Route::through(&[]).position_at(5.0), None);
        let here = pos(48.0, -123.0);
        let rest = Route::through(&[here]);
        assert_eq!((rest.length_m(), rest.position_at(5.0)), (0.0, Some(here)));
        assert_eq!(Route::through(&[here, here]).position_at(0.0), Some(here));
    }
}
