//! Each leg of a route judged as the route is.

use super::along::beyond_in;
use super::judge::{Farthest, choose, farthest};
use super::route::Route;
use super::{Shoreline, Shorelines};
use crate::measure::Position;

/// What the shore says of a leg.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LegShore {
    /// Where on the leg it is farthest from the nearest shore, `along_m` in metres from the leg's
    /// beginning; certified like the route's. `None` if that is unknown, or all of it is land.
    pub farthest: Option<Farthest>,
    /// Metres of it that may lie farther from shore than was asked; `None` if unknown.
    pub beyond_m: Option<f64>,
}

/// Judges each leg of a route by the data that the route is judged by; `distance_m` is the
/// distance from shore beyond which its metres are counted.
#[must_use]
pub fn judge_legs(shores: &Shorelines, places: &[Position], distance_m: f64) -> Vec<LegShore> {
    let route = Route::through(places);
    let Ok(shoreline) = choose(shores, &route) else {
        return vec![LegShore::default(); route.legs().len()];
    };
    let legs = route.legs().iter();
    legs.map(|leg| judge_leg(shoreline, [leg.from, leg.to], distance_m)).collect()
}

fn judge_leg(shoreline: &Shoreline, ends: [Position; 2], distance_m: f64) -> LegShore {
    let leg = Route::through(&ends);
    LegShore {
        farthest: farthest(shoreline, &leg).ok(),
        beyond_m: Some(beyond_in(shoreline, &leg, distance_m).at_most_m()),
    }
}
