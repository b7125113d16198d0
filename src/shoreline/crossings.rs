//! Rings that cross themselves or each other: beside a crossing, water and land are anybody's
//! guess.

use geo::Coord;
use geo::algorithm::kernels::{Kernel, Orientation, RobustKernel};

use super::rings::{Land, LonLat};
use crate::measure::Position;

/// As many as a person would look at.
const SHOWN: usize = 5;

/// Where edges cross.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Crossings {
    /// How many pairs of edges do.
    pub count: usize,
    /// Where the southernmost few of them are.
    pub places: Vec<Position>,
}

impl Land {
    /// Looks for edges that cross: a line sweeps over them from south to north, and each is held
    /// against those that the line still touches.
    #[must_use]
    pub fn crossings(&self) -> Crossings {
        let mut edges: Vec<Edge> = self
            .rings
            .iter()
            .flat_map(|ring| ring.points.windows(2))
            .map(|edge| Edge::between(edge[0], edge[1]))
            .collect();
        edges.sort_unstable_by(|a, b| a.low.lat.total_cmp(&b.low.lat));
        let mut crossings = Crossings::default();
        let mut touched: Vec<Edge> = Vec::new();
        for edge in edges {
            let mut index = 0;
            while let Some(&other) = touched.get(index) {
                if other.high.lat < edge.low.lat {
                    touched.swap_remove(index);
                    continue;
                }
                if edge.crosses(other) {
                    crossings.add(edge);
                }
                index += 1;
            }
            touched.push(edge);
        }
        crossings
    }
}

impl Crossings {
    fn add(&mut self, edge: Edge) {
        self.count += 1;
        let at = Position::new(edge.low.lat, edge.low.lon);
        if let (true, Ok(at)) = (self.places.len() < SHOWN, at) {
            self.places.push(at);
        }
    }
}

/// An edge, its southern end first.
#[derive(Clone, Copy)]
struct Edge {
    low: LonLat,
    high: LonLat,
}

impl Edge {
    fn between(from: LonLat, to: LonLat) -> Self {
        if from.lat <= to.lat { Edge { low: from, high: to } } else { Edge { low: to, high: from } }
    }

    /// Whether each has one end on either side of the other; to touch is not to cross.
    fn crosses(self, other: Edge) -> bool {
        let west = |edge: Edge| edge.low.lon.min(edge.high.lon);
        let east = |edge: Edge| edge.low.lon.max(edge.high.lon);
        west(self) < east(other)
            && west(other) < east(self)
            && self.has_between(other)
            && other.has_between(self)
    }

    fn has_between(self, other: Edge) -> bool {
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
#[allow(clippy::unwrap_used)]
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
            points in prop::collection::vec((-9.0f64..9.0, -9.0f64..9.0), 3..40),
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
                .filter(|&(a, b)| edges[a].crosses(edges[b]))
                .count();
            prop_assert_eq!(land.crossings().count, pairs);
        }
    }
}
