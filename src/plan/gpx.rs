//! The places in a GPX file: its route, or else its track, or else its waypoints.

use geo::{Coord, LineString, SimplifyIdx};
use thiserror::Error;

use super::trip::Waypoint;
use crate::measure::Position;

/// The largest file read, in bytes.
const MOST_BYTES: usize = 4_000_000;
/// A recorded track is thinned to this nearness, in metres.
const TRACK_TOLERANCE_M: f64 = 5.0;
const METRES_PER_DEGREE: f64 = 111_320.0;
const LONGEST_NAME: usize = 200;

/// Why a GPX file gives no route.
#[derive(Debug, Error)]
pub enum GpxError {
    /// More than four million bytes.
    #[error("is larger than 4 MB; thin the route out")]
    TooLarge,
    /// A document type definition, which no GPX file needs and which can hold a trap.
    #[error("holds a document type definition; export it again as plain GPX 1.1")]
    DocumentType,
    /// Not GPX.
    #[error("is not GPX 1.1 ({0}); export it again from the chart program")]
    Form(String),
    /// No route, track or waypoint.
    #[error("holds no route, no track and no waypoints")]
    Empty,
    /// A point off the earth.
    #[error("has a point that lies off the earth")]
    OffTheEarth,
}

/// Reads the first route of a GPX text; without one its first track, thinned out to within 5 m;
/// without one its waypoints.
///
/// # Errors
/// [`GpxError`]
pub fn read_gpx(text: &str) -> Result<Vec<Waypoint>, GpxError> {
    if text.len() > MOST_BYTES {
        return Err(GpxError::TooLarge);
    }
    if text.contains("<!DOCTYPE") || text.contains("<!ENTITY") {
        return Err(GpxError::DocumentType);
    }
    let gpx = gpx::read(text.as_bytes()).map_err(|error| GpxError::Form(error.to_string()))?;
    let route = gpx.routes.into_iter().map(|route| route.points).find(|points| !points.is_empty());
    let track = gpx.tracks.into_iter().map(|track| {
        track.segments.into_iter().flat_map(|segment| segment.points).collect::<Vec<_>>()
    });
    let points = match (route, track.into_iter().find(|points| !points.is_empty())) {
        (Some(points), _) => points,
        (None, Some(points)) => thinned(points)?,
        (None, None) if gpx.waypoints.is_empty() => return Err(GpxError::Empty),
        (None, None) => gpx.waypoints,
    };
    points.into_iter().map(waypoint).collect()
}

fn waypoint(point: gpx::Waypoint) -> Result<Waypoint, GpxError> {
    let (lon_deg, lat_deg) = point.point().x_y();
    let position = Position::new(lat_deg, lon_deg).map_err(|_| GpxError::OffTheEarth)?;
    let name = point.name.map(|name| one_line(&name)).filter(|name| !name.is_empty());
    Ok(Waypoint { name, position, stay: None })
}

/// A name as one short line, whatever the file held.
fn one_line(name: &str) -> String {
    let clean = |c: char| if c.is_control() || c.is_whitespace() { ' ' } else { c };
    name.trim().chars().map(clean).take(LONGEST_NAME).collect::<String>().trim().to_owned()
}

/// A track with the points left out that lie within 5 m of the line through the rest. Degrees
/// are scaled to metres at the track's own latitude: near enough for a tolerance.
fn thinned(points: Vec<gpx::Waypoint>) -> Result<Vec<gpx::Waypoint>, GpxError> {
    let lat_deg = points.first().map_or(0.0, |point| point.point().y());
    let east = METRES_PER_DEGREE * lat_deg.to_radians().cos();
    let line: LineString<f64> = points
        .iter()
        .map(|point| {
            let (lon, lat) = point.point().x_y();
            Coord { x: lon * east, y: lat * METRES_PER_DEGREE }
        })
        .collect();
    if line.coords().any(|at| !at.x.is_finite() || !at.y.is_finite()) {
        return Err(GpxError::OffTheEarth);
    }
    let kept = line.simplify_idx(TRACK_TOLERANCE_M);
    let mut points: Vec<Option<gpx::Waypoint>> = points.into_iter().map(Some).collect();
    Ok(kept.into_iter().filter_map(|at| points.get_mut(at).and_then(Option::take)).collect())
}
