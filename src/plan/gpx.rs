//! The places in a GPX file: its route, or else its track, or else its waypoints.

use geo::{Coord, LineString, SimplifyIdx};
use thiserror::Error;

use super::fault::turns_text;
use super::trip::Waypoint;
use crate::measure::Position;

/// The largest file read, in bytes.
const MOST_BYTES: usize = 4_000_000;
/// A recorded track is thinned to this nearness, in metres.
const TRACK_TOLERANCE_M: f64 = 5.0;
const METRES_PER_DEGREE: f64 = 111_320.0;
const LONGEST_NAME: usize = 200;
/// The deepest nesting read: a point in a track needs five, extensions a few more. The time to
/// read grows with the square of the depth.
const DEEPEST: usize = 40;

/// Why a GPX file gives no route.
#[derive(Debug, Error)]
pub enum GpxError {
    /// More than four million bytes.
    #[error("is larger than 4 MB; thin the route out")]
    TooLarge,
    /// A document type definition, which no GPX file needs and which can hold a trap.
    #[error("holds a document type definition; export it again as plain GPX 1.1")]
    DocumentType,
    /// Elements within elements without end.
    #[error("is nested more than {DEEPEST} deep; export it again as plain GPX 1.1")]
    TooDeep,
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
    if depth(text) > DEEPEST {
        return Err(GpxError::TooDeep);
    }
    let gpx = gpx::read(text.as_bytes()).map_err(unreadable)?;
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

fn unreadable(error: gpx::errors::GpxError) -> GpxError {
    match error {
        gpx::errors::GpxError::LonLatOutOfBoundsError(..) => GpxError::OffTheEarth,
        other => GpxError::Form(other.to_string()),
    }
}

/// How deep the elements of an XML text are nested at most; comments and character data count
/// for nothing. What is no XML gives some number, and is refused when it is read.
fn depth(text: &str) -> usize {
    let (mut open, mut deepest) = (0usize, 0);
    let mut rest = text;
    while let Some(at) = rest.find('<') {
        rest = &rest[at..];
        let aside = [("<!--", "-->"), ("<![CDATA[", "]]>"), ("<?", "?>")];
        if let Some((_, end)) = aside.iter().find(|(start, _)| rest.starts_with(start)) {
            rest = rest.find(end).map_or("", |at| &rest[at + end.len()..]);
            continue;
        }
        let tag = &rest[..tag_len(rest)];
        rest = &rest[tag.len()..];
        if tag.starts_with("</") {
            open = open.saturating_sub(1);
        } else {
            deepest = deepest.max(open + 1);
            open += usize::from(!tag.ends_with("/>"));
        }
    }
    deepest
}

/// The bytes up to the `>` that ends this tag, and not one inside an attribute's quotes.
fn tag_len(text: &str) -> usize {
    let mut quote = None;
    for (at, c) in text.char_indices() {
        match quote {
            None if c == '>' => return at + 1,
            None if c == '"' || c == '\'' => quote = Some(c),
            Some(open) if c == open => quote = None,
            _ => {}
        }
    }
    text.len()
}

fn waypoint(point: gpx::Waypoint) -> Result<Waypoint, GpxError> {
    let (lon_deg, lat_deg) = point.point().x_y();
    let position = Position::new(lat_deg, lon_deg).map_err(|_| GpxError::OffTheEarth)?;
    let name = point.name.map(|name| one_line(&name)).filter(|name| !name.is_empty());
    Ok(Waypoint { name, position, stay: None })
}

/// A name as one short line, whatever the file held.
fn one_line(name: &str) -> String {
    let clean =
        |c: char| if c.is_control() || c.is_whitespace() || turns_text(c) { ' ' } else { c };
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
