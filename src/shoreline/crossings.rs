//! Rings that cross themselves or each other: beside a crossing, water and land are anybody's
//! guess.

use geo::Coord;
use geo::algorithm::kernels::{Kernel, Orientation, RobustKernel};

use super::rings::{Land, LonLat};
use crate::measure::Position;

/// As many as a person would look at.
const SHOWN: usize = 5;

/// So many edges that follow each other are first looked at as one box: most boxes meet none but
/// their neighbours.
const RUN: usize = 16;

/// Strips of longitude, so that a box is held only against those that lie about as far east.
const STRIPS: usize = 128;

/// Where edges cross.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Crossings {
    /// How many pairs of edges do.
    pub count: usize,
    /// Where the southernmost few of them are.
    pub places: Vec<Position>,
}

impl Land {
    /// Looks for edges that cross: a line sweeps over runs of them from south to north, and each
    /// is held against those that the line still touches.
    #[must_use]
    pub fn crossings(&self) -> Crossings {
        let mut runs: Vec<Run<'_>> =
            self.rings.iter().flat_map(|ring| Run::cut(&ring.points)).collect();
        runs.sort_unstable_by(|a, b| a.bounds.low.lat.total_cmp(&b.bounds.low.lat));
        let mut crossings = Crossings::default();
        let mut own = Vec::with_capacity(RUN);
        let mut touched: Vec<Vec<Run<'_>>> = vec![Vec::new(); STRIPS];
        for run in runs {
            own.clear();
            own.extend(run.edges());
            cross_themselves(&own, &mut crossings);
            for strip in run.bounds.strips() {
                let touched = &mut touched[strip];
                touched.retain(|other| other.bounds.high.lat >= run.bounds.low.lat);
                for other in
                    touched.iter().filter(|other| run.bounds.meet_first_in(strip, other.bounds))
                {
                    run.cross(&own, other, &mut crossings);
                }
                touched.push(run);
            }
        }
        crossings
    }
}

impl Crossings {
    /// Keeps the southernmost places.
    fn add(&mut self, [one, two]: [&Edge; 2]) {
        self.count += 1;
        let low = if one.low.lat >= two.low.lat { one.low } else { two.low };
        let Ok(at) = Position::new(low.lat, low.lon) else { return };
        let rank = self.places.partition_point(|place| place.lat_deg() <= at.lat_deg());
        if rank < SHOWN {
            self.places.truncate(SHOWN - 1);
            self.places.insert(rank, at);
        }
    }
}

/// Edges that follow each other, by their vertices.
#[derive(Clone, Copy)]
struct Run<'a> {
    points: &'a [LonLat],
    bounds: Bounds,
}

impl<'a> Run<'a> {
    fn cut(ring: &'a [LonLat]) -> impl Iterator<Item = Run<'a>> {
        let edges = ring.len().saturating_sub(1);
        (0..edges).step_by(RUN).map(move |first| {
            let points = &ring[first..=(first + RUN).min(edges)];
            Run { points, bounds: Bounds::around(points) }
        })
    }

    fn edges(&self) -> impl Iterator<Item = Edge> + use<'a> {
        self.points.windows(2).map(|ends| Edge::between(ends[0], ends[1]))
    }

    /// Only edges that reach into the other's box can cross one of its.
    fn cross(&self, own: &[Edge], other: &Run<'_>, crossings: &mut Crossings) {
        for two in other.edges().filter(|two| two.bounds.meet(self.bounds)) {
            for one in own.iter().filter(|one| one.crosses(&two)) {
                crossings.add([one, &two]);
            }
        }
    }
}

fn cross_themselves(edges: &[Edge], crossings: &mut Crossings) {
    for (index, one) in edges.iter().enumerate() {
        for two in edges[index + 1..].iter().filter(|two| one.crosses(two)) {
            crossings.add([one, two]);
        }
    }
}

/// A box of longitude and latitude.
#[derive(Clone, Copy)]
struct Bounds {
    low: LonLat,
    high: LonLat,
}

impl Bounds {
    fn around(points: &[LonLat]) -> Self {
        let nothing = LonLat { lon: f64::INFINITY, lat: f64::INFINITY };
        let none = Bounds { low: nothing, high: LonLat { lon: -nothing.lon, lat: -nothing.lat } };
        points.iter().fold(none, |Bounds { low, high }, at| Bounds {
            low: LonLat { lon: low.lon.min(at.lon), lat: low.lat.min(at.lat) },
            high: LonLat { lon: high.lon.max(at.lon), lat: high.lat.max(at.lat) },
        })
    }

    fn meet(self, other: Bounds) -> bool {
        self.low.lon <= other.high.lon
            && other.low.lon <= self.high.lon
            && self.low.lat <= other.high.lat
            && other.low.lat <= self.high.lat
    }

    /// The strips it lies in.
    fn strips(self) -> std::ops::RangeInclusive<usize> {
        strip(self.low.lon)..=strip(self.high.lon)
    }

    /// Whether they meet, and this is the first strip in which both lie.
    fn meet_first_in(self, at: usize, other: Bounds) -> bool {
        self.meet(other) && strip(self.low.lon.max(other.low.lon)) == at
    }
}

/// Rings may go on beyond 180 degrees, but not twice round the earth.
fn strip(lon: f64) -> usize {
    (((lon + 360.0) / 720.0 * STRIPS as f64) as usize).min(STRIPS - 1)
}

/// An edge, its southern end first.
#[derive(Clone, Copy)]
struct Edge {
    low: LonLat,
    high: LonLat,
    bounds: Bounds,
}

impl Edge {
    fn between(from: LonLat, to: LonLat) -> Self {
        let (low, high) = if from.lat <= to.lat { (from, to) } else { (to, from) };
        let bounds = Bounds {
            low: LonLat { lon: low.lon.min(high.lon), lat: low.lat },
            high: LonLat { lon: low.lon.max(high.lon), lat: high.lat },
        };
        Edge { low, high, bounds }
    }

    /// Whether each has one end on either side of the other; to touch is not to cross.
    fn crosses(&self, other: &Edge) -> bool {
        self.bounds.meet(other.bounds) && self.has_between(other) && other.has_between(self)
    }

    fn has_between(&self, other: &Edge) -> bool {
        let coord = |at: LonLat| Coord { x: at.lon, y: at.lat };
        let side = |at| RobustKernel::orient2d(coord(self.low), coord(self.high), coord(at));
        matches!(
            (side(other.low), side(other.high)),
            (Orientation::Clockwise, Orientation::CounterClockwise)
                | (Orientation::CounterClockwise, Orientation::Clockwise)
        )
    }
}

#[cfg(test)]
mod tests {
    use super::super::rings::{LandIs, Part};
    use super::*;
    use proptest::prelude::*;

    fn land(rings: &[&[(f64, f64)]]) -> Land {
        let mut land = Land::default();
        for ring in rings {
            let points = ring.iter().map(|&(lon, lat)| LonLat { lon, lat }).collect();
            land.add(1, points, Part::Outer { island: false }, LandIs::Inside).unwrap();
        }
        land
    }

    #[test]
    fn a_bow_tie_crosses_itself() {
        let bow = land(&[&[(0.0, 0.0), (1.0, 1.0), (1.0, 0.0), (0.0, 1.0), (0.0, 0.0)]]);
        assert_eq!(bow.crossings().count, 1);
        assert_eq!(bow.crossings().places.len(), 1);
    }

    #[test]
    fn to_touch_is_not_to_cross() {
        let square = |west: f64| {
            [(west, 0.0), (west + 1.0, 0.0), (west + 1.0, 1.0), (west, 1.0), (west, 0.0)]
        };
        let beside = land(&[&square(0.0), &square(1.0)]);
        assert_eq!(beside.crossings(), Crossings::default());
        let overlapping = land(&[&square(0.0), &square(0.5), &square(3.0)]);
        assert_eq!(overlapping.crossings().count, 0, "sides that lie on each other do not cross");
        let askew = land(&[&square(0.0), &[(0.5, 0.5), (1.5, 0.4), (1.5, 0.6), (0.5, 0.5)]]);
        assert_eq!(askew.crossings().count, 2);
    }

    proptest! {
        /// Against every pair of edges in turn.
        #[test]
        fn finds_what_all_pairs_find(
            points in prop::collection::vec((-9.0f64..9.0, -9.0f64..9.0), 3..90),
        ) {
            let mut ring = points.clone();
            ring.push(points[0]);
            let land = land(&[&ring]);
            let edges: Vec<Edge> = land.rings[0]
                .points
                .windows(2)
                .map(|edge| Edge::between(edge[0], edge[1]))
                .collect();
            let pairs = (0..edges.len())
                .flat_map(|a| (0..a).map(move |b| (a, b)))
                .filter(|&(a, b)| edges[a].crosses(&edges[b]))
                .count();
            let found = land.crossings();
            prop_assert_eq!(found.count, pairs);
            prop_assert_eq!(found.places.len(), pairs.min(SHOWN));
        }
    }
}
