//! How far from shore: the distance from a position, and from anywhere along a route, to the
//! nearest edge of land.
//!
//! An edge of the data is straight in longitude and latitude (RFC 7946, 3.1.1), a leg of a route
//! is the WGS 84 geodesic. Inside, points are earth-centred and distances are chords turned into
//! arcs; what is reported is one WGS 84 inverse.
//!
//! The shore of such data is about the mean high water line. It tells how far dry land is, not
//! where one can land; and a small lake that the data does not have is land to it.

mod along;
mod build;
mod chains;
mod coverage;
mod crossed;
mod crossings;
mod ecef;
mod esri;
mod fetch;
mod geojson;
mod gshhg;
mod judge;
mod legs;
mod lines;
mod pack;
mod peak;
mod rings;
mod route;
mod search;
mod tree;

use std::sync::Arc;

use crate::measure::Position;
use ecef::Point;
use pack::Arrays;
use tree::{EdgeTree, Hit, View};

pub use along::{Beyond, Planned, Stretch, beyond, beyond_m, over_land, planned};
pub use build::Packed;
pub use coverage::Coverage;
pub use crossings::Crossings;
pub use fetch::{Fetch, fetch};
pub use judge::{Farthest, RouteShore, WhyUnknown, judge_route};
pub use legs::{LegShore, judge_legs};
pub use pack::{About, MAGIC, PackError};
pub use rings::{Land, LandIs, Level, ShorelineError};
pub use route::{Leg, Route};
pub use tree::Bytes;

/// Up to here the shortest chord is the shortest way, to a decimetre.
const CHORDS_RANK_M: f64 = 200_000.0;

/// One set of shoreline data.
pub struct Shoreline {
    about: About,
    bytes: Bytes,
    arrays: Arrays,
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
    /// What that shore is the shore of.
    pub level: Level,
    /// How far it may lie from the true one, in metres.
    pub accuracy_m: f64,
    /// Distance in metres to where the data was cut; `None` if it was not. Where it is less than
    /// `distance_m`, there may be nearer shore that the data does not have.
    pub cut_m: Option<f64>,
}

impl Nearest {
    /// The distance in metres with the data's accuracy added: what cautions go by.
    #[must_use]
    pub fn at_most_m(&self) -> f64 {
        self.distance_m + self.accuracy_m
    }
}

impl std::fmt::Debug for Shoreline {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Shoreline").field("about", &self.about).finish_non_exhaustive()
    }
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
        let land = Land::from_geojson(text.as_bytes(), LandIs::Inside)?;
        Self::from_land(&land, About { accuracy_m, ..About::default() })
    }

    /// Packs land in memory; it covers what the land covers.
    ///
    /// # Errors
    /// [`ShorelineError`], for the first fault found.
    pub fn from_land(land: &Land, about: About) -> Result<Self, ShorelineError> {
        if !about.has_accuracy() {
            return Err(ShorelineError::Accuracy);
        }
        let packed = Packed::of_land(land)?;
        let about = About { coverage: land.coverage, ..about };
        let bytes = pack::to_bytes(&packed, &about).ok_or(ShorelineError::NoShore)?;
        Self::from_pack(bytes).map_err(|_| ShorelineError::NoShore)
    }

    /// Opens a pack where it lies. Only its head is looked at: it costs the same for a bay and
    /// for the planet. Whoever has not just written it calls [`verify`](Self::verify) too.
    ///
    /// # Errors
    /// [`PackError`], if these bytes are no whole pack.
    pub fn from_pack(bytes: Bytes) -> Result<Self, PackError> {
        let pack::Opened { about, tree, arrays } = pack::open(Arc::clone(&bytes))?;
        let sides = about.coverage.map(|coverage| chains::plain(&coverage.outline()));
        let cut = sides.and_then(|sides| pack::in_memory(&Packed::of(&sides)?));
        Ok(Self { about, bytes, arrays, shore: tree, cut })
    }

    /// Whether the pack still holds what was written: a look at every byte of it.
    ///
    /// # Errors
    /// [`PackError::Damaged`].
    pub fn verify(&self) -> Result<(), PackError> {
        pack::verify((*self.bytes).as_ref(), self.arrays)
    }

    /// The same data under a name that people will read.
    #[must_use]
    pub fn named(mut self, name: impl Into<String>) -> Self {
        self.about.name = name.into();
        self
    }

    /// What there is to say about the data.
    #[must_use]
    pub fn about(&self) -> &About {
        &self.about
    }

    /// What the data is called; empty if nobody said.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.about.name
    }

    /// How far this shore may lie from the true one, in metres; that of lakes may lie farther.
    #[must_use]
    pub fn accuracy_m(&self) -> f64 {
        self.about.accuracy_m
    }

    /// The box the data was cut to; `None` if it is the whole earth's.
    #[must_use]
    pub fn coverage(&self) -> Option<Coverage> {
        self.about.coverage
    }

    /// How many edges of shore there are.
    #[must_use]
    pub fn edges(&self) -> usize {
        self.shore.edges()
    }

    /// How many bytes it takes, in a file as in memory.
    #[must_use]
    pub fn size_bytes(&self) -> usize {
        (*self.bytes).as_ref().len()
    }

    /// The nearest shore; `None` outside the data's coverage.
    #[must_use]
    pub fn nearest(&self, at: Position) -> Option<Nearest> {
        if !self.covers(at) {
            return None;
        }
        let here = ecef::point_of(at);
        let view = self.shore.view();
        let hit = view.nearest(here);
        let geodesic = |hit: Hit| {
            let shore = ecef::position(view.foot_m(hit))?;
            let (distance_m, bearing_deg) = route::distance_and_bearing(at, shore);
            Some((hit, shore, distance_m, bearing_deg))
        };
        let (hit, shore, distance_m, bearing_deg) = if hit.chord_m < CHORDS_RANK_M {
            geodesic(hit)?
        } else {
            let rivals = view.within(ecef::rival_chord_m(hit.chord_m), here);
            rivals.into_iter().filter_map(geodesic).min_by(|a, b| a.2.total_cmp(&b.2))?
        };
        Some(Nearest {
            distance_m,
            shore,
            bearing_deg,
            on_land: view.on_left(hit, here),
            level: view.level(hit),
            accuracy_m: self.accuracy_at(&view, hit),
            cut_m: self.cut_m(here),
        })
    }

    /// Metres over the ground to the nearest shore, negative on land; `None` outside the data's
    /// coverage. For bulk work: less than half of the time that [`nearest`](Self::nearest) takes,
    /// and right to 2 cm within 100 km.
    #[must_use]
    pub fn signed_m(&self, at: Position) -> Option<f64> {
        self.covers(at).then(|| signed_m(&self.shore.view(), ecef::point_of(at)).1)
    }

    fn covers(&self, at: Position) -> bool {
        self.about.coverage.is_none_or(|coverage| coverage.contains(at))
    }

    /// Metres to where the data was cut; `None` if it was not.
    fn cut_m(&self, here: Point) -> Option<f64> {
        self.cut.as_ref().map(|cut| ecef::arc_m(cut.view().nearest(here).chord_m))
    }

    /// How far any of its shore may lie from the true one, in metres.
    #[must_use]
    pub fn greatest_accuracy_m(&self) -> f64 {
        self.about.accuracy_m.max(self.about.lake_accuracy_m.unwrap_or(0.0))
    }

    /// How far the shore that was hit may lie from the true one, in metres.
    fn accuracy_at(&self, view: &View<'_>, hit: Hit) -> f64 {
        match self.about.lake_accuracy_m {
            Some(lake_accuracy_m) if view.level(hit) != Level::Land => lake_accuracy_m,
            _ => self.about.accuracy_m,
        }
    }
}

/// The nearest edge of shore, and the distance to it over the ground in metres: positive on
/// water, negative on land.
fn signed_m(view: &View<'_>, here: Point) -> (Hit, f64) {
    let hit = view.nearest(here);
    let distance_m = ecef::arc_m(hit.chord_m);
    (hit, if view.on_left(hit, here) { -distance_m } else { distance_m })
}

/// Several sets of shoreline data, the most accurate first; may be none.
#[derive(Debug, Default)]
pub struct Shorelines(Vec<Shoreline>);

impl Shorelines {
    /// Puts the sets in order of accuracy.
    #[must_use]
    pub fn new(mut shorelines: Vec<Shoreline>) -> Self {
        shorelines.sort_by(|a, b| a.accuracy_m().total_cmp(&b.accuracy_m()));
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
