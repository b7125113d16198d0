//! Rings of shore, however they were written: checked, and turned so that land is on the left.

use std::io::{Read, Seek};

use thiserror::Error;

use super::coverage::Coverage;
use super::{esri, geojson, gshhg};
use crate::measure::Position;

/// Why a file is no shoreline.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum ShorelineError {
    /// No GeoJSON, or not a `FeatureCollection` at its top.
    #[error("is not a GeoJSON FeatureCollection of land polygons: {0}")]
    NotGeoJson(String),
    /// No ESRI shapefile.
    #[error("is not an ESRI shapefile: {0}")]
    NotShapefile(String),
    /// A feature that is not of land.
    #[error(
        "holds a {kind} (feature {feature}); a shoreline is made of Polygons and MultiPolygons \
         of land"
    )]
    NotLand {
        /// Counted from 1.
        feature: usize,
        /// What it is instead.
        kind: &'static str,
    },
    /// Not a single polygon.
    #[error("holds no polygon; it needs the land as Polygons or MultiPolygons")]
    NoPolygons,
    /// Polygons, but every edge is a cut.
    #[error("holds no shore: every edge of its land lies along the box it was cut to")]
    NoShore,
    /// A ring whose last position is not its first.
    #[error("has an open ring (feature {feature}): its last position must repeat its first")]
    OpenRing {
        /// Counted from 1.
        feature: usize,
    },
    /// A ring of fewer than four positions.
    #[error("has a ring of fewer than four positions (feature {feature})")]
    ShortRing {
        /// Counted from 1.
        feature: usize,
    },
    /// A position of fewer than two numbers.
    #[error("has a position without longitude and latitude (feature {feature})")]
    ShortPosition {
        /// Counted from 1.
        feature: usize,
    },
    /// A position that is none.
    #[error(
        "has a position off the earth (feature {feature}: longitude {lon}, latitude {lat}); \
         longitude comes first and goes from -180 to 180, latitude from -90 to 90"
    )]
    OffTheEarth {
        /// Counted from 1.
        feature: usize,
        /// Degrees, as written.
        lon: f64,
        /// Degrees, as written.
        lat: f64,
    },
    /// An edge over more than half the earth: a polygon that was not cut at 180 degrees.
    #[error(
        "has an edge from longitude {from} to {to} at latitude {lat}; cut polygons at 180 degrees \
         (RFC 7946, 3.1.9)"
    )]
    NotCutAt180 {
        /// Degrees.
        from: f64,
        /// Degrees.
        to: f64,
        /// Degrees, of its beginning.
        lat: f64,
    },
    /// A position outside the box that the file says it was cut to.
    #[error(
        "has a position outside its own bbox (longitude {lon}, latitude {lat}); are longitude and \
         latitude swapped?"
    )]
    OutsideBox {
        /// Degrees.
        lon: f64,
        /// Degrees.
        lat: f64,
    },
    /// A table of rings and a file of positions that do not belong together.
    #[error("line {line} of the table of rings {fault}")]
    RingTable {
        /// Counted from 1.
        line: usize,
        /// What is wrong with it.
        fault: &'static str,
    },
    /// A `bbox` that is no box.
    #[error("has a bbox that is no box: it is [west, south, east, north] in degrees")]
    Box,
    /// An accuracy that is no distance.
    #[error("needs an accuracy in metres, zero or more")]
    Accuracy,
}

/// A vertex as the file gives it, in degrees. The longitude may leave -180…180 where a box lies
/// across 180 degrees.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LonLat {
    pub(super) lon: f64,
    pub(super) lat: f64,
}

/// What a ring is the shore of: land and water alternate inwards.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// Land in the sea.
    Land,
    /// A lake in it.
    Lake,
    /// An island in that.
    Island,
    /// A pond on the island.
    Pond,
}

impl Level {
    /// By the number that the trade gives it, 1 to 4.
    #[must_use]
    pub fn from_number(number: u64) -> Option<Self> {
        [Level::Land, Level::Lake, Level::Island, Level::Pond]
            .into_iter()
            .find(|level| u64::from(level.number()) == number)
    }

    pub(super) fn number(self) -> u8 {
        match self {
            Level::Land => 1,
            Level::Lake => 2,
            Level::Island => 3,
            Level::Pond => 4,
        }
    }

    fn is_land(self) -> bool {
        matches!(self, Level::Land | Level::Island)
    }
}

/// Which side of a polygon's outer ring is land. Its other rings are the other way round.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum LandIs {
    /// The polygons are land.
    #[default]
    Inside,
    /// The polygons are water.
    Outside,
}

/// Where a ring stands in a polygon, and whether that is an island in a lake.
#[derive(Clone, Copy, Debug)]
pub(super) enum Part {
    Outer { island: bool },
    Hole { island: bool },
}

/// Closed (the last position repeats the first), with land on its left.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ring {
    pub(super) points: Vec<LonLat>,
    pub(super) level: Level,
}

impl Ring {
    /// Checks a ring and turns it; `feature` names it in a fault.
    pub(super) fn new(
        feature: usize,
        mut points: Vec<LonLat>,
        level: Level,
    ) -> Result<Self, ShorelineError> {
        if points.len() < 4 {
            return Err(ShorelineError::ShortRing { feature });
        }
        if points.first() != points.last() {
            return Err(ShorelineError::OpenRing { feature });
        }
        let off = points.iter().find(|at| !(at.lon.abs() <= 180.0 && at.lat.abs() <= 90.0));
        if let Some(&LonLat { lon, lat }) = off {
            return Err(ShorelineError::OffTheEarth { feature, lon, lat });
        }
        if goes_clockwise(&points) == level.is_land() {
            points.reverse();
        }
        Ok(Self { points, level })
    }
}

/// What files say, put together.
#[derive(Clone, Debug, Default)]
pub struct Land {
    pub(super) rings: Vec<Ring>,
    pub(super) coverage: Option<Coverage>,
}

impl Land {
    /// Reads a GeoJSON `FeatureCollection` of polygons (RFC 7946) as it comes.
    ///
    /// # Errors
    /// [`ShorelineError`], for the first fault found.
    pub fn from_geojson(text: impl Read, land_is: LandIs) -> Result<Self, ShorelineError> {
        geojson::read(text, land_is)
    }

    /// Reads the raw rings of the Global Self-consistent Hierarchical High-resolution Geography:
    /// its table of rings, and their positions as little-endian `f32` pairs. The whole earth.
    ///
    /// # Errors
    /// [`ShorelineError`], for the first fault found.
    pub fn from_gshhg(table: &str, positions: &[u8]) -> Result<Self, ShorelineError> {
        gshhg::read(table, positions)
    }

    /// Reads the polygons of an ESRI shapefile, the part of it that is called `.shp`. In degrees:
    /// the `.prj` beside it tells, and whoever opens the file looks there.
    ///
    /// # Errors
    /// [`ShorelineError`], for the first fault found.
    pub fn from_shapefile(
        shapes: impl Read + Seek,
        land_is: LandIs,
    ) -> Result<Self, ShorelineError> {
        esri::read(shapes, land_is)
    }

    /// The box the land was cut to; `None` for the whole earth.
    #[must_use]
    pub fn coverage(&self) -> Option<Coverage> {
        self.coverage
    }

    /// The same land, said to have been cut to this box, or to none.
    #[must_use]
    pub fn covering(self, coverage: Option<Coverage>) -> Self {
        Self { coverage, ..self }
    }

    /// The ends of its edges, false shore and all, as the files give them.
    pub fn edge_positions(&self) -> impl Iterator<Item = [Position; 2]> {
        let position = |at: LonLat| Position::new(at.lat, at.lon).ok();
        let edges = self.rings.iter().flat_map(|ring| ring.points.windows(2));
        edges.filter_map(move |edge| Some([position(edge[0])?, position(edge[1])?]))
    }

    /// This and other land of the same coverage.
    #[must_use]
    pub fn with(mut self, other: Self) -> Self {
        self.rings.extend(other.rings);
        self
    }

    /// How many edges its rings have.
    #[must_use]
    pub fn edges(&self) -> usize {
        self.rings.iter().map(|ring| ring.points.len() - 1).sum()
    }

    /// Adds a checked ring; `feature` names it in a fault.
    pub(super) fn add(
        &mut self,
        feature: usize,
        points: Vec<LonLat>,
        part: Part,
        land_is: LandIs,
    ) -> Result<(), ShorelineError> {
        let level = match (land_is, part) {
            (LandIs::Inside, Part::Outer { island: false }) => Level::Land,
            (LandIs::Inside, Part::Outer { island: true }) => Level::Island,
            (LandIs::Inside, Part::Hole { island: false }) => Level::Lake,
            (LandIs::Inside, Part::Hole { island: true }) => Level::Pond,
            (LandIs::Outside, Part::Outer { .. }) => Level::Lake,
            (LandIs::Outside, Part::Hole { .. }) => Level::Island,
        };
        self.rings.push(Ring::new(feature, points, level)?);
        Ok(())
    }
}

/// By the sign of the area, taken from the first vertex so that small far islands keep their
/// digits. Files in the wild turn their rings either way.
fn goes_clockwise(ring: &[LonLat]) -> bool {
    let origin = ring[0];
    let area: f64 = ring
        .windows(2)
        .map(|edge| {
            let (from, to) = (edge[0], edge[1]);
            (from.lon - origin.lon) * (to.lat - origin.lat)
                - (to.lon - origin.lon) * (from.lat - origin.lat)
        })
        .sum();
    area < 0.0
}
