//! How far from shore: the distance from a position, and from anywhere along a route, to the
//! nearest edge of land.
//!
//! An edge of the data is straight in longitude and latitude (RFC 7946, 3.1.1), a leg of a route
//! is the WGS 84 geodesic. Inside, points are earth-centred and distances are chords turned into
//! arcs; what is reported is one WGS 84 inverse.
//!
//! The shore of such data is about the mean high water line. It tells how far dry land is, not
//! where one can land; and a small lake that the data does not have is land to it.

mod chains;
mod coverage;
mod ecef;
mod judge;
mod rings;
mod route;
mod search;
mod tree;

use crate::measure::Position;
use ecef::Point;
use tree::{EdgeTree, Hit};

pub use coverage::Coverage;
pub use judge::{Farthest, RouteShore, WhyUnknown, beyond_m, judge_route};
pub use rings::ShorelineError;
pub use route::{Leg, Route};

/// One set of shoreline data.
#[derive(Debug)]
pub struct Shoreline {
    name: String,
    accuracy_m: f64,
    coverage: Option<Coverage>,
    shore: EdgeTree,
    /// The sides of the coverage; none if the data is of the whole earth.
    cut: Option<EdgeTree>,
}

/// The nearest shore of a position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nearest {
    /// Geodesic distance in metres, never negative.
    pub distance_m: f64,
    /// The nearest point of the shore.
    pub shore: Position,
    /// Initial bearing of the geodesic to it, 0 to 360 degrees from true north.
    pub bearing_deg: f64,
    /// Whether the position lies on land.
    pub on_land: bool,
    /// Distance in metres to where the data was cut; `None` if it was not. Where it is less than
    /// `distance_m`, there may be nearer shore that the data does not have.
    pub cut_m: Option<f64>,
}

impl Shoreline {
    /// Reads RFC 7946 GeoJSON: a `FeatureCollection` of polygons of land. Lakes are holes,
    /// islands in lakes are polygons of their own. A `bbox` on the collection says where the data
    /// was cut; without one it is taken for the whole earth's. `accuracy_m` is how far the
    /// data's shore may lie from the true one, in metres.
    ///
    /// # Errors
    /// [`ShorelineError`], for the first fault found.
    pub fn from_geojson(text: &str, accuracy_m: f64) -> Result<Self, ShorelineError> {
        if !(accuracy_m.is_finite() && accuracy_m >= 0.0) {
            return Err(ShorelineError::Accuracy);
        }
        let land = rings::read(text)?;
        let chains = chains::shore(&land.rings, land.coverage.as_ref())?;
        let shore = EdgeTree::build(&chains).ok_or(ShorelineError::NoShore)?;
        let cut = land.coverage.and_then(|box_| EdgeTree::build(&chains::plain(&box_.outline())));
        Ok(Self { name: String::new(), accuracy_m, coverage: land.coverage, shore, cut })
    }

    /// The same data under a name that people will read.
    #[must_use]
    pub fn named(self, name: impl Into<String>) -> Self {
        Self { name: name.into(), ..self }
    }

    /// What the data is called; empty if nobody said.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// How far this shore may lie from the true one, in metres.
    #[must_use]
    pub fn accuracy_m(&self) -> f64 {
        self.accuracy_m
    }

    /// The box the data was cut to; `None` if it is the whole earth's.
    #[must_use]
    pub fn coverage(&self) -> Option<Coverage> {
        self.coverage
    }

    /// The nearest shore; `None` outside the data's coverage. Right to a decimetre within 100 km,
    /// to one part in 100 000 beyond.
    #[must_use]
    pub fn nearest(&self, at: Position) -> Option<Nearest> {
        if !self.covers(at) {
            return None;
        }
        let here = ecef::point_of(at);
        let hit = self.shore.nearest(here);
        let shore = ecef::position(self.shore.foot_m(hit))?;
        let (distance_m, bearing_deg) = route::distance_and_bearing(at, shore);
        Some(Nearest {
            distance_m,
            shore,
            bearing_deg,
            on_land: self.shore.on_left(hit, here),
            cut_m: self.cut.as_ref().map(|cut| ecef::arc_m(cut.nearest(here).chord_m)),
        })
    }

    fn covers(&self, at: Position) -> bool {
        self.coverage.is_none_or(|coverage| coverage.contains(at))
    }

    /// The nearest edge of shore, and the distance to it over the ground in metres: positive on
    /// water, negative on land.
    fn signed_m(&self, here: Point) -> (Hit, f64) {
        let hit = self.shore.nearest(here);
        let distance_m = ecef::arc_m(hit.chord_m);
        (hit, if self.shore.on_left(hit, here) { -distance_m } else { distance_m })
    }
}

/// Several sets of shoreline data, the most accurate first; may be none.
#[derive(Debug, Default)]
pub struct Shorelines(Vec<Shoreline>);

impl Shorelines {
    /// Puts the sets in order of accuracy.
    #[must_use]
    pub fn new(mut shorelines: Vec<Shoreline>) -> Self {
        shorelines.sort_by(|a, b| a.accuracy_m.total_cmp(&b.accuracy_m));
        Self(shorelines)
    }

    /// Whether there is no data at all.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The sets, the most accurate first.
    pub fn iter(&self) -> impl Iterator<Item = &Shoreline> {
        self.0.iter()
    }

    /// The nearest shore by the most accurate data that has this place and knows all shore this
    /// near to it; and that data.
    #[must_use]
    pub fn nearest(&self, at: Position) -> Option<(Nearest, &Shoreline)> {
        self.iter().find_map(|shoreline| {
            let nearest = shoreline.nearest(at)?;
            let all_known = nearest.cut_m.is_none_or(|cut_m| cut_m >= nearest.distance_m);
            all_known.then_some((nearest, shoreline))
        })
    }
}

#[cfg(test)]
mod tests;
