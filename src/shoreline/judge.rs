//! A route judged against the shore: how far out it ever is, how much of it lies on land.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use thiserror::Error;

use super::along::on_land_m;
use super::ecef::{self, Point};
use super::peak::{EDGES, Peak, peak};
use super::route::{Leg, Route};
use super::search::{FASTEST, Sample, first_negative};
use super::tree::{Edge, Hit, View};
use super::{Shoreline, Shorelines, signed_m};
use crate::measure::Position;

/// How far below the true greatest distance the one found may stay, in metres.
const CERTAIN_M: f64 = 0.05;

/// The smallest radius of curvature of WGS 84 is 6 335 km; here it only bounds a bulge.
const SMALLEST_RADIUS_M: f64 = 6.3e6;

/// What the shore says of a route.
#[derive(Clone, Debug, PartialEq)]
pub struct RouteShore {
    /// The route's length in metres.
    pub length_m: f64,
    /// Its legs, in order.
    pub legs: Vec<Leg>,
    /// Where it is farthest from the nearest shore, or why that is unknown.
    pub farthest: Result<Farthest, WhyUnknown>,
    /// Metres of it on land, by the data; `None` if unknown. A launch may lie some metres on
    /// land. A long way on land means that the data lacks the water it is on.
    pub over_land_m: Option<f64>,
    /// How far the data's shore may lie from the true one, in metres; `None` if no data has the
    /// whole route.
    pub accuracy_m: Option<f64>,
}

/// The point of a route that is farthest from shore.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Farthest {
    /// Distance from there to the nearest shore, in metres; nowhere on the route is it more than
    /// 5 cm greater. Land counts as 0.
    pub distance_m: f64,
    /// The same with the data's accuracy added, the coarsest of the shores met along the route:
    /// what cautions go by.
    pub at_most_m: f64,
    /// Where it is.
    pub at: Position,
    /// How far along the route that is, in metres.
    pub along_m: f64,
    /// The shore nearest to it.
    pub shore: Position,
    /// Initial bearing of the geodesic from there to that shore, 0 to 360 degrees from true
    /// north.
    pub bearing_deg: f64,
}

/// Why a route's distance from shore is unknown.
#[derive(Clone, Copy, Debug, Error, PartialEq)]
pub enum WhyUnknown {
    /// The route goes through no place at all.
    #[error("the route has no places")]
    NoRoute,
    /// No data set has this place.
    #[error("there is no shoreline data at {}", at.degrees_minutes())]
    NoData {
        /// The first such place of the route that was found.
        at: Position,
    },
    /// The data was cut closer to this place than any shore in it.
    #[error(
        "the shoreline data ends nearer to {} than any shore in it",
        at.degrees_minutes()
    )]
    CutNearer {
        /// The first such place of the route that was found.
        at: Position,
    },
    /// By the data the whole route is land: it lacks the water that the route is on.
    #[error("the whole route lies on land in the shoreline data: it lacks this water")]
    AllOnLand,
}

/// Judges a route by the most accurate data that knows all shore near the whole of it.
#[must_use]
pub fn judge_route(shores: &Shorelines, places: &[Position]) -> RouteShore {
    let route = Route::through(places);
    let (length_m, legs) = (route.length_m(), route.legs().to_vec());
    let shoreline = match choose(shores, &route) {
        Ok(shoreline) => shoreline,
        Err(why) => {
            let farthest = Err(why);
            return RouteShore { length_m, legs, farthest, over_land_m: None, accuracy_m: None };
        }
    };
    let (found, seen) = search(shoreline, &route);
    let mut accuracy_m = found.map_or(shoreline.accuracy_m(), |it| it.at_most_m - it.distance_m);
    let on_land = on_land_m(shoreline, &route, &seen, &mut accuracy_m);
    let farthest = found.map(|it| Farthest { at_most_m: it.distance_m + accuracy_m, ..it });
    RouteShore {
        length_m,
        legs,
        farthest,
        over_land_m: Some(on_land.iter().map(|[from_m, to_m]| to_m - from_m).sum()),
        accuracy_m: Some(accuracy_m),
    }
}

/// Where a route is farthest from shore.
pub(super) fn farthest(shoreline: &Shoreline, route: &Route) -> Result<Farthest, WhyUnknown> {
    search(shoreline, route).0
}

/// The most accurate data that knows the whole route; if there is none, what stopped the one
/// that came farthest.
pub(super) fn choose<'a>(
    shores: &'a Shorelines,
    route: &Route,
) -> Result<&'a Shoreline, WhyUnknown> {
    let start = route.start().ok_or(WhyUnknown::NoRoute)?;
    let mut reached = (0.0, WhyUnknown::NoData { at: start });
    for shoreline in shores.iter() {
        match first_unknown(shoreline, route) {
            None => return Ok(shoreline),
            Some((along_m, why)) if along_m > reached.0 => reached = (along_m, why),
            Some((_, why @ WhyUnknown::CutNearer { .. })) if reached.0 == 0.0 => reached.1 = why,
            Some(_) => {}
        }
    }
    Err(reached.1)
}

/// The first place along the route of which the data does not know all nearer shore.
fn first_unknown(shoreline: &Shoreline, route: &Route) -> Option<(f64, WhyUnknown)> {
    let (cut, view) = (shoreline.cut.as_ref()?.view(), shoreline.shore.view());
    let margin_m = |along_m: f64| {
        let Some(at) = route.position_at(along_m) else { return 0.0 };
        let here = ecef::point_of(at);
        let to_cut_m = ecef::arc_m(cut.nearest(here).chord_m);
        let to_shore_m = ecef::arc_m(view.nearest(here).chord_m);
        if shoreline.covers(at) { to_cut_m - to_shore_m } else { -to_cut_m - to_shore_m }
    };
    let along_m = first_negative(&margin_m, route.length_m())?;
    let at = route.position_at(along_m)?;
    let why =
        if shoreline.covers(at) { WhyUnknown::CutNearer { at } } else { WhyUnknown::NoData { at } };
    Some((along_m, why))
}

/// Branch and bound: the stretch that could hold the greatest distance is parted where that would
/// be, until no stretch can beat the best place seen by more than 5 cm. Also gives the places
/// seen, in order, with their distances from shore, negative on land.
fn search(shoreline: &Shoreline, route: &Route) -> (Result<Farthest, WhyUnknown>, Vec<Sample>) {
    let Some(start) = route.start() else { return (Err(WhyUnknown::NoRoute), Vec::new()) };
    let view = &shoreline.shore.view();
    let mut best = Probe::at(view, start, 0.0);
    let mut stretches = BinaryHeap::new();
    let mut accuracy_m = shoreline.accuracy_at(view, best.hit);
    let mut seen = vec![best.sample()];
    let mut from = best;
    for leg in route.legs() {
        let to = Probe::at(view, leg.to, leg.along_m + leg.length_m);
        accuracy_m = shoreline.accuracy_at(view, to.hit).max(accuracy_m);
        seen.push(to.sample());
        best = best.farther(to);
        let edges = [from.hit.edge, to.hit.edge, from.hit.edge, to.hit.edge];
        stretches.push(Stretch::between(view, from, to, edges, best.enough_m()));
        from = to;
    }
    while let Some(stretch) = stretches.pop() {
        if stretch.at_most_m <= best.enough_m() {
            break;
        }
        let along_m = stretch.parted_at_m();
        let Some(at) = route.position_at(along_m) else { break };
        let middle = Probe::at(view, at, along_m);
        accuracy_m = shoreline.accuracy_at(view, middle.hit).max(accuracy_m);
        seen.push(middle.sample());
        best = best.farther(middle);
        for (from, to) in [(stretch.from, middle), (middle, stretch.to)] {
            let edges = nearest_edges(view, stretch.edges, middle.hit.edge, from.half_way(&to));
            stretches.push(Stretch::between(view, from, to, edges, best.enough_m()));
        }
    }
    seen.sort_by(|a, b| a.along_m.total_cmp(&b.along_m));
    (told(shoreline, best, accuracy_m), seen)
}

fn told(shoreline: &Shoreline, best: Probe, accuracy_m: f64) -> Result<Farthest, WhyUnknown> {
    if best.signed_m <= 0.0 {
        return Err(WhyUnknown::AllOnLand);
    }
    let nearest = shoreline.nearest(best.at).ok_or(WhyUnknown::NoData { at: best.at })?;
    Ok(Farthest {
        distance_m: nearest.distance_m,
        at_most_m: nearest.distance_m + accuracy_m,
        at: best.at,
        along_m: best.along_m,
        shore: nearest.shore,
        bearing_deg: nearest.bearing_deg,
    })
}

/// A place that was looked at.
#[derive(Clone, Copy)]
struct Probe {
    along_m: f64,
    at: Position,
    here: Point,
    /// To the nearest shore, negative on land.
    signed_m: f64,
    hit: Hit,
}

impl Probe {
    fn at(view: &View<'_>, at: Position, along_m: f64) -> Self {
        let here = ecef::point_of(at);
        let (hit, signed_m) = signed_m(view, here);
        Probe { along_m, at, here, signed_m, hit }
    }

    /// The first of two places equally far.
    fn farther(self, other: Self) -> Self {
        if other.signed_m > self.signed_m { other } else { self }
    }

    fn sample(&self) -> Sample {
        Sample { along_m: self.along_m, value_m: self.signed_m }
    }

    /// The distance up to which nothing can be much farther than this place.
    fn enough_m(&self) -> f64 {
        self.signed_m.max(0.0) + CERTAIN_M
    }

    fn half_way(&self, other: &Self) -> Point {
        ecef::between(self.here, other.here, 0.5)
    }
}

/// The edges that lie nearest to the middle of a stretch, of those known and a new one.
fn nearest_edges(
    view: &View<'_>,
    mut edges: [Edge; EDGES],
    new: Edge,
    middle: Point,
) -> [Edge; EDGES] {
    if edges.contains(&new) {
        return edges;
    }
    let far_m = |edge: &&mut Edge| view.chord_m(**edge, middle);
    if let Some(farthest) = edges.iter_mut().max_by(|a, b| far_m(a).total_cmp(&far_m(b))) {
        *farthest = new;
    }
    edges
}

/// A piece of one leg, and what the distance from shore on it cannot exceed.
struct Stretch {
    from: Probe,
    to: Probe,
    edges: [Edge; EDGES],
    at_most_m: f64,
    /// Where on it that could be, as a share of its length.
    share: f64,
}

impl Stretch {
    /// Two bounds. The distance from shore, negative on land, grows no faster than one moves. And
    /// it is never more than the distance from any one edge, of which the nearest ones tell: a
    /// leg is straight but for the earth's curvature.
    fn between(
        view: &View<'_>,
        from: Probe,
        to: Probe,
        edges: [Edge; EDGES],
        enough_m: f64,
    ) -> Self {
        let length_m = to.along_m - from.along_m;
        let by_moving_m = (from.signed_m + to.signed_m + length_m * FASTEST) / 2.0;
        let bulge_m = length_m * length_m / (8.0 * SMALLEST_RADIUS_M);
        let chords_m = |share: f64| {
            let here = ecef::between(from.here, to.here, share);
            edges.map(|edge| view.chord_m(edge, here))
        };
        let Peak { at_most_m, share } = peak(&chords_m, enough_m - bulge_m);
        let by_edges_m = ecef::arc_m(at_most_m + bulge_m);
        Stretch { from, to, edges, at_most_m: by_moving_m.min(by_edges_m), share }
    }

    /// Where to part it, in metres along the route: at its peak, but not close to an end.
    fn parted_at_m(&self) -> f64 {
        let share = if (0.05..=0.95).contains(&self.share) { self.share } else { 0.5 };
        self.from.along_m + (self.to.along_m - self.from.along_m) * share
    }
}

impl PartialEq for Stretch {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Stretch {}

impl PartialOrd for Stretch {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Stretch {
    fn cmp(&self, other: &Self) -> Ordering {
        self.at_most_m.total_cmp(&other.at_most_m)
    }
}
