//! Land polygons out of GeoJSON text (RFC 7946).

use geojson::{FeatureCollection, GeometryValue};
use thiserror::Error;

use super::coverage::Coverage;

/// Why a text is no shoreline.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum ShorelineError {
    /// No GeoJSON, or not a `FeatureCollection` at its top.
    #[error("is not a GeoJSON FeatureCollection of land polygons: {0}")]
    NotGeoJson(String),
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

/// Closed (the last position repeats the first), with land on its left.
pub(super) type Ring = Vec<LonLat>;

/// What a file says.
pub(super) struct Land {
    pub(super) rings: Vec<Ring>,
    pub(super) coverage: Option<Coverage>,
}

/// Reads the rings of all polygons and turns each so that land lies on its left.
pub(super) fn read(text: &str) -> Result<Land, ShorelineError> {
    let collection: FeatureCollection = text
        .parse()
        .map_err(|fault: geojson::Error| ShorelineError::NotGeoJson(fault.to_string()))?;
    let coverage = collection.bbox.as_deref().map(Coverage::from_bbox).transpose()?;
    let mut rings = Vec::new();
    for (index, feature) in collection.features.into_iter().enumerate() {
        let feature_number = index + 1;
        match feature.geometry.map(|geometry| geometry.value) {
            None => {}
            Some(GeometryValue::Polygon { coordinates }) => {
                read_polygon(feature_number, &coordinates, &mut rings)?;
            }
            Some(GeometryValue::MultiPolygon { coordinates }) => {
                for polygon in &coordinates {
                    read_polygon(feature_number, polygon, &mut rings)?;
                }
            }
            Some(other) => {
                let kind = other.type_name();
                return Err(ShorelineError::NotLand { feature: feature_number, kind });
            }
        }
    }
    if rings.is_empty() {
        return Err(ShorelineError::NoPolygons);
    }
    Ok(Land { rings, coverage })
}

/// The first ring bounds the land, the others are holes in it: lakes.
fn read_polygon(
    feature: usize,
    polygon: &[Vec<geojson::Position>],
    rings: &mut Vec<Ring>,
) -> Result<(), ShorelineError> {
    for (index, positions) in polygon.iter().enumerate() {
        let mut ring = positions
            .iter()
            .map(|position| read_position(feature, position))
            .collect::<Result<Ring, _>>()?;
        if ring.len() < 4 {
            return Err(ShorelineError::ShortRing { feature });
        }
        if ring.first() != ring.last() {
            return Err(ShorelineError::OpenRing { feature });
        }
        let is_hole = index > 0;
        if goes_clockwise(&ring) != is_hole {
            ring.reverse();
        }
        rings.push(ring);
    }
    Ok(())
}

fn read_position(feature: usize, position: &geojson::Position) -> Result<LonLat, ShorelineError> {
    let [lon, lat, ..] = *position.as_slice() else {
        return Err(ShorelineError::ShortPosition { feature });
    };
    if lon.abs() <= 180.0 && lat.abs() <= 90.0 {
        Ok(LonLat { lon, lat })
    } else {
        Err(ShorelineError::OffTheEarth { feature, lon, lat })
    }
}

/// By the sign of the area, taken from the first vertex so that small far islands keep their
/// digits. Files in the wild turn their rings either way.
fn goes_clockwise(ring: &Ring) -> bool {
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
