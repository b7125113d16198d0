//! Fetch: how much open water lies in a direction, for the wind to raise waves on.

use geographiclib_rs::DirectGeodesic;

use super::ecef;
use super::route::WGS84;
use super::{Shoreline, Shorelines, signed_m};
use crate::measure::Position;

/// The shortest step, in metres: land that a ray cuts by less may be missed.
const SHORTEST_STEP_M: f64 = 1.0;

/// The part of a metre that the place where a ray meets the shore is found to.
const CLOSE_M: f64 = 0.1;

/// The open water in a direction, along the geodesic.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fetch {
    /// Metres to the first land; 0 from land. `None`: there is none as far as was looked.
    pub distance_m: Option<f64>,
    /// Metres to the first place that is land even if the data's shore lies as far from the true
    /// one as it may: the fetch is not longer than that. `None`: there is none as far as was
    /// looked.
    pub at_most_m: Option<f64>,
    /// How far was looked, in metres: as far as was asked, or as the data reaches.
    pub looked_m: f64,
}

/// Looks from a place towards a bearing (degrees from true north), so many metres far, in the
/// most accurate data that has the place; `None` if there is none.
#[must_use]
pub fn fetch(shores: &Shorelines, from: Position, bearing_deg: f64, limit_m: f64) -> Option<Fetch> {
    let (_, shoreline) = shores.nearest(from)?;
    let ray = Ray { shoreline, from, bearing_deg, limit_m: limit_m.max(0.0) };
    let accuracy_m = shoreline.greatest_accuracy_m();
    let (distance_m, looked_m) = ray.reach(0.0);
    let (at_most_m, _) = ray.reach(accuracy_m);
    Some(Fetch { distance_m, at_most_m, looked_m: distance_m.unwrap_or(looked_m) })
}

struct Ray<'a> {
    shoreline: &'a Shoreline,
    from: Position,
    bearing_deg: f64,
    limit_m: f64,
}

impl Ray<'_> {
    /// Walks the ray in steps no longer than the distance to any shore, until it is `depth_m`
    /// inside land; and how far it came.
    fn reach(&self, depth_m: f64) -> (Option<f64>, f64) {
        let (mut before_m, mut along_m) = (0.0, 0.0);
        loop {
            let Some(clear_m) = self.clear_m(along_m, depth_m) else { return (None, along_m) };
            if clear_m <= 0.0 {
                return (Some(self.first_closed(before_m, along_m, depth_m)), along_m);
            }
            if along_m >= self.limit_m {
                return (None, self.limit_m);
            }
            before_m = along_m;
            along_m = (along_m + clear_m.max(SHORTEST_STEP_M)).min(self.limit_m);
        }
    }

    /// Between a place that is open and one that is not.
    fn first_closed(&self, mut open_m: f64, mut closed_m: f64, depth_m: f64) -> f64 {
        while closed_m - open_m > CLOSE_M {
            let middle_m = (open_m + closed_m) / 2.0;
            let clear_m = self.clear_m(middle_m, depth_m);
            if clear_m.is_some_and(|clear_m| clear_m > 0.0) {
                open_m = middle_m;
            } else {
                closed_m = middle_m;
            }
        }
        closed_m
    }

    /// How far the way is surely open from here, negative where it is closed; `None` where the
    /// data ends.
    fn clear_m(&self, along_m: f64, depth_m: f64) -> Option<f64> {
        let (lat, lon): (f64, f64) =
            WGS84.direct(self.from.lat_deg(), self.from.lon_deg(), self.bearing_deg, along_m);
        let at = Position::new(lat, lon).ok()?;
        if !self.shoreline.covers(at) {
            return None;
        }
        let here = ecef::point_of(at);
        let (_, height_m) = signed_m(&self.shoreline.shore.view(), here);
        let clear_m = height_m + depth_m;
        let cut_m = self.shoreline.cut_m(here).unwrap_or(f64::INFINITY);
        Some(if clear_m > 0.0 { clear_m.min(cut_m).max(f64::MIN_POSITIVE) } else { clear_m })
    }
}
