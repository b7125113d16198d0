//! What a route meets on its way: land, water far from shore, and the hours.

use std::cell::Cell;

use super::crossed::{STRAIGHT_M, crossings};
use super::ecef::{self, Point};
use super::judge::choose;
use super::route::Route;
use super::search::{Sample, stretches_above, stretches_above_from};
use super::{Nearest, Shoreline, Shorelines, signed_m};
use crate::measure::{Position, kn_to_m_per_s};

/// A stretch of a route.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// How far along the route it begins, in metres.
    pub from_m: f64,
    /// How far along the route it ends, in metres.
    pub to_m: f64,
    /// Where it begins.
    pub from: Position,
    /// Where it ends.
    pub to: Position,
}

impl Stretch {
    /// Its length in metres.
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.to_m - self.from_m
    }
}

/// Where a route lies farther from shore than a threshold.
#[derive(Clone, Debug, PartialEq)]
pub struct Beyond {
    /// By the data.
    pub stretches: Vec<Stretch>,
    /// With the data's accuracy added to the distance: what cautions go by. The first of them
    /// begins where the threshold is first crossed, the last ends where it is last crossed.
    pub at_most: Vec<Stretch>,
}

impl Beyond {
    /// Metres of the route that lie so far out, by the data.
    #[must_use]
    pub fn length_m(&self) -> f64 {
        total_m(&self.stretches)
    }

    /// Metres of the route that may lie so far out.
    #[must_use]
    pub fn at_most_m(&self) -> f64 {
        total_m(&self.at_most)
    }
}

/// Where the crew will be at an hour if all goes to plan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Planned {
    /// Seconds after the launch.
    pub after_s: f64,
    /// How far along the route, in metres.
    pub along_m: f64,
    /// Where that is.
    pub at: Position,
    /// The nearest shore; `None` if it is unknown.
    pub shore: Option<Nearest>,
}

/// The stretches of a route that lie on land by the data, in order; `None` if that is unknown.
#[must_use]
pub fn over_land(shores: &Shorelines, places: &[Position]) -> Option<Vec<Stretch>> {
    let route = Route::through(places);
    let shoreline = choose(shores, &route).ok()?;
    let view = shoreline.shore.view();
    let sample = |along_m: f64, at: Position| Sample {
        along_m,
        value_m: signed_m(&view, ecef::point_of(at)).1,
    };
    let start = route.start().map(|at| sample(0.0, at));
    let turns = route.legs().iter().map(|leg| sample(leg.along_m + leg.length_m, leg.to));
    let known: Vec<Sample> = start.into_iter().chain(turns).collect();
    let found = on_land_m(shoreline, &route, &known, &mut 0.0);
    Some(located(&route, found).collect())
}

/// Where a route lies on water farther than `distance_m` from shore; `None` if that is unknown.
#[must_use]
pub fn beyond(shores: &Shorelines, places: &[Position], distance_m: f64) -> Option<Beyond> {
    let route = Route::through(places);
    let shoreline = choose(shores, &route).ok()?;
    Some(beyond_in(shoreline, &route, distance_m))
}

/// The same in one set of data, which must know the whole route.
pub(super) fn beyond_in(shoreline: &Shoreline, route: &Route, distance_m: f64) -> Beyond {
    let view = shoreline.shore.view();
    let farther_than =
        |limit_m: f64| stretches(route, |here| signed_m(&view, here).1 - limit_m.max(0.0));
    let careful_m = distance_m - shoreline.greatest_accuracy_m();
    Beyond { stretches: farther_than(distance_m), at_most: farther_than(careful_m) }
}

/// Metres of a route that lie on water farther than `distance_m` from the nearest shore of the
/// data; `None` if that is unknown. Take the accuracy off `distance_m` to be careful.
#[must_use]
pub fn beyond_m(shores: &Shorelines, places: &[Position], distance_m: f64) -> Option<f64> {
    let route = Route::through(places);
    let view = choose(shores, &route).ok()?.shore.view();
    Some(total_m(&stretches(&route, |here| signed_m(&view, here).1 - distance_m.max(0.0))))
}

/// Where the crew will be at the launch, each hour after it and at the end, at a steady speed
/// over the ground. `stays_s` are the seconds spent at each place of the route, the launch's
/// first; where it is shorter than the route, there are no stays. Empty without a speed.
#[must_use]
pub fn planned(
    shores: &Shorelines,
    places: &[Position],
    speed_kn: f64,
    stays_s: &[f64],
) -> Vec<Planned> {
    let route = Route::through(places);
    let speed_m_per_s = kn_to_m_per_s(speed_kn);
    if !(speed_m_per_s > 0.0 && speed_m_per_s.is_finite()) {
        return Vec::new();
    }
    let stay_s = |place: usize| stays_s.get(place).copied().unwrap_or(0.0).max(0.0);
    let stays: f64 = (0..places.len()).map(stay_s).sum();
    let end_s = route.length_m() / speed_m_per_s + stays;
    let hours = (0..MOST_HOURS).map(|hour| f64::from(hour) * 3600.0);
    hours
        .take_while(|after_s| *after_s < end_s)
        .chain([end_s])
        .filter_map(|after_s| {
            let along_m = along_after_m(&route, after_s, speed_m_per_s, stay_s);
            let at = route.position_at(along_m)?;
            let shore = shores.nearest(at).map(|(nearest, _)| nearest);
            Some(Planned { after_s, along_m, at, shore })
        })
        .collect()
}

/// A month: a plan that takes longer has no hourly positions that matter.
const MOST_HOURS: u32 = 31 * 24;

fn along_after_m(
    route: &Route,
    after_s: f64,
    speed_m_per_s: f64,
    stay_s: impl Fn(usize) -> f64,
) -> f64 {
    let mut left_s = after_s - stay_s(0);
    for (index, leg) in route.legs().iter().enumerate() {
        let leg_s = leg.length_m / speed_m_per_s;
        if left_s < leg_s {
            return leg.along_m + left_s.max(0.0) * speed_m_per_s;
        }
        left_s = (left_s - leg_s - stay_s(index + 1)).max(0.0);
    }
    route.length_m()
}

fn stretches(route: &Route, height_m: impl Fn(Point) -> f64) -> Vec<Stretch> {
    let height_along_m = |along_m: f64| match route.position_at(along_m) {
        Some(at) => height_m(ecef::point_of(at)),
        None => 0.0,
    };
    located(route, stretches_above(&height_along_m, route.length_m())).collect()
}

fn located(route: &Route, stretches: Vec<[f64; 2]>) -> impl Iterator<Item = Stretch> {
    stretches.into_iter().filter_map(|[from_m, to_m]| {
        let (from, to) = (route.position_at(from_m)?, route.position_at(to_m)?);
        Some(Stretch { from_m, to_m, from, to })
    })
}

/// The stretches of the route on land, in metres along it. `known` are distances from shore at
/// least at every place of the route, negative on land; `accuracy_m` becomes that of the coarsest
/// shore met.
pub(super) fn on_land_m(
    shoreline: &Shoreline,
    route: &Route,
    known: &[Sample],
    accuracy_m: &mut f64,
) -> Vec<[f64; 2]> {
    let view = shoreline.shore.view();
    let coarsest_m = Cell::new(*accuracy_m);
    let depth_m = |along_m: f64| {
        let Some(at) = route.position_at(along_m) else { return 0.0 };
        let (hit, metres) = signed_m(&view, ecef::point_of(at));
        coarsest_m.set(shoreline.accuracy_at(&view, hit).max(coarsest_m.get()));
        -metres
    };
    let known: Vec<Sample> =
        known.iter().map(|sample| Sample { value_m: -sample.value_m, ..*sample }).collect();
    let shores = |ends_m| crossings(&view, route, ends_m);
    let stretches = stretches_above_from(&depth_m, &known, &shores, STRAIGHT_M);
    *accuracy_m = coarsest_m.get();
    stretches
}

fn total_m(stretches: &[Stretch]) -> f64 {
    stretches.iter().map(Stretch::length_m).sum()
}
