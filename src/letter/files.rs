//! The route as files for whoever searches: GPX 1.1 and GeoJSON. The trip alone: no names of
//! people and nothing of their health.
//!
//! GPX 1.1 wants its elements in the order of its schema's sequences (metadata, wpt, rte, trk; in
//! each wpt time, name, cmt, desc, …). The crate writes tracks before routes, so there are none.

use geojson::{Feature, FeatureCollection, GeoJson, Geometry, GeometryValue, JsonObject};

use super::facts::Facts;
use super::when::{Clock, utc};
use super::words;
use crate::measure::Position;

/// A file that goes with an alert.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct File {
    /// Under which a reader may keep it.
    pub name: String,
    /// What it is.
    pub content_type: &'static str,
    /// What it holds.
    pub bytes: Vec<u8>,
}

/// So many points of the route are in a file; a letter has room for no more.
const MOST_POINTS: usize = 100;
/// The longest name in a file, in characters.
const LONGEST_NAME: usize = 60;

/// A place with what it is called.
struct Spot {
    name: String,
    about: String,
    at: Position,
}

/// The route as GPX 1.1; `None` where it can't be written.
#[must_use]
pub fn gpx(facts: &Facts<'_>) -> Option<File> {
    let point = |spot: &Spot| {
        let mut point = gpx::Waypoint::new((spot.at.lon_deg(), spot.at.lat_deg()).into());
        point.name = Some(spot.name.clone());
        point.description = Some(spot.about.clone());
        point
    };
    let (spots, is_cut) = route(facts);
    let route = gpx::Route {
        name: Some("Planned route".to_owned()),
        description: Some(about(facts, is_cut)),
        points: spots.iter().map(point).collect(),
        ..gpx::Route::default()
    };
    let gpx = gpx::Gpx {
        version: gpx::GpxVersion::Gpx11,
        creator: Some("Shorelamp".to_owned()),
        metadata: Some(gpx::Metadata {
            name: Some(format!("Float plan {}", words::clean(facts.plan_ref))),
            description: Some(about(facts, is_cut)),
            ..gpx::Metadata::default()
        }),
        waypoints: hours(facts).iter().map(point).collect(),
        routes: vec![route],
        ..gpx::Gpx::default()
    };
    let mut bytes = Vec::new();
    gpx::write(&gpx, &mut bytes).ok()?;
    Some(File { name: name(facts, "gpx"), content_type: "application/gpx+xml", bytes })
}

/// The same as GeoJSON (RFC 7946).
#[must_use]
pub fn geojson(facts: &Facts<'_>) -> File {
    let (spots, is_cut) = route(facts);
    let at = |place: &Position| [place.lon_deg(), place.lat_deg()];
    let places: Vec<Position> = spots.iter().map(|spot| spot.at).collect();
    let parts = parted(&places);
    let lines = parts.iter().map(|part| part.iter().map(at).collect::<Vec<_>>());
    let line = match parts.len() {
        1 => GeometryValue::new_line_string(lines.flatten()),
        _ => GeometryValue::new_multi_line_string(lines),
    };
    let mut features = vec![feature(line, "Planned route", &about(facts, is_cut))];
    features.extend(
        spots
            .iter()
            .chain(&hours(facts))
            .map(|spot| feature(GeometryValue::new_point(at(&spot.at)), &spot.name, &spot.about)),
    );
    let collection = FeatureCollection { bbox: None, features, foreign_members: None };
    let bytes = GeoJson::from(collection).to_string().into_bytes();
    File { name: name(facts, "geojson"), content_type: "application/geo+json", bytes }
}

fn feature(geometry: GeometryValue, name: &str, about: &str) -> Feature {
    let mut properties = JsonObject::new();
    properties.insert("name".to_owned(), name.into());
    properties.insert("description".to_owned(), about.into());
    Feature {
        geometry: Some(Geometry::new(geometry)),
        properties: Some(properties),
        ..Feature::default()
    }
}

/// `float-plan-7QK4-2M9X.gpx`
fn name(facts: &Facts<'_>, extension: &str) -> String {
    let plan = words::clean(facts.plan_ref).replace(|c: char| !c.is_ascii_alphanumeric(), "-");
    format!("float-plan-{plan}.{extension}")
}

fn about(facts: &Facts<'_>, is_cut: bool) -> String {
    let clock = Clock::new(facts.plan.times.zone);
    let due_at = facts.watched.terms.due_at;
    let cut = match is_cut {
        true => format!(" CUT: only the first {MOST_POINTS} points are here."),
        false => String::new(),
    };
    format!(
        "As planned, not as paddled. Launch {}, back by {} ({}).{cut}",
        clock.full(facts.plan.times.launch.at),
        clock.full(due_at),
        utc(due_at)
    )
}

/// The places of the route with their names, and whether there were too many.
fn route(facts: &Facts<'_>) -> (Vec<Spot>, bool) {
    let plan = facts.plan;
    let spot = |label: String, name: Option<&String>, at: Position, about: String| {
        let name = name.map(|name| format!(", {}", clean(name))).unwrap_or_default();
        Spot { name: format!("{label}{name}"), about, at }
    };
    let position = |at: Position| format!("{} {}", at.decimal(), at.degrees_minutes());
    let launch = &plan.launch;
    let mut spots = vec![spot(
        "Launch".to_owned(),
        launch.name.as_ref(),
        launch.position,
        position(launch.position),
    )];
    for (at, point) in plan.waypoints.iter().enumerate().take(MOST_POINTS) {
        let stay = point.stay.map(|stay| format!("; stays {}", stay.spoken())).unwrap_or_default();
        let about = format!("{}{stay}", position(point.position));
        spots.push(spot(format!("Point {}", at + 1), point.name.as_ref(), point.position, about));
    }
    let is_cut = plan.waypoints.len() > MOST_POINTS;
    let (end, at) = match &plan.landing {
        Some(landing) => (landing.name.as_ref(), landing.position),
        None => (launch.name.as_ref(), launch.position),
    };
    spots.push(spot("Landing".to_owned(), end, at, position(at)));
    (spots, is_cut)
}

/// Where the plan has them hour by hour.
fn hours(facts: &Facts<'_>) -> Vec<Spot> {
    let clock = Clock::new(facts.plan.times.zone);
    let planned = facts.review.map_or(&[][..], |review| &review.planned);
    planned
        .iter()
        .filter_map(|hour| {
            let (at, when) = (Position::new(hour.lat, hour.lon).ok()?, hour.at.to_utc());
            let name = format!("Planned {}", hour.at.format("%a %H:%M"));
            let about = format!("Planned for {}, {}; not seen there", clock.full(when), utc(when));
            Some(Spot { name, about, at })
        })
        .collect()
}

/// Without what XML 1.0 takes in no form.
fn clean(name: &str) -> String {
    let name = words::clean(name).replace(['\u{FFFE}', '\u{FFFF}'], "");
    words::cut(&name, LONGEST_NAME)
}

/// A line that crosses the 180th meridian is cut there in two (RFC 7946, 3.1.9).
fn parted(places: &[Position]) -> Vec<Vec<Position>> {
    let mut parts: Vec<Vec<Position>> = vec![Vec::new()];
    for (at, place) in places.iter().enumerate() {
        if let Some(before) = at.checked_sub(1).and_then(|at| places.get(at))
            && let Some((end, begin)) = crossing(*before, *place)
        {
            if let Some(part) = parts.last_mut() {
                part.push(end);
            }
            parts.push(vec![begin]);
        }
        if let Some(part) = parts.last_mut() {
            part.push(*place);
        }
    }
    parts
}

/// Where a leg leaves one side of the 180th meridian and comes in on the other.
fn crossing(from: Position, to: Position) -> Option<(Position, Position)> {
    if (from.lon_deg() - to.lon_deg()).abs() <= 180.0 {
        return None;
    }
    let edge_deg = 180.0_f64.copysign(from.lon_deg());
    let to_lon_deg = to.lon_deg() + 360.0_f64.copysign(from.lon_deg());
    let length_deg = to_lon_deg - from.lon_deg();
    let share = if length_deg == 0.0 { 0.0 } else { (edge_deg - from.lon_deg()) / length_deg };
    let lat_deg = from.lat_deg() + share * (to.lat_deg() - from.lat_deg());
    Some((Position::new(lat_deg, edge_deg).ok()?, Position::new(lat_deg, -edge_deg).ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 7946, 3.1.9: no line crosses the antimeridian.
    #[test]
    fn a_route_over_the_date_line_is_cut_there() {
        let at = |lat, lon| Position::new(lat, lon).unwrap();
        let parts = parted(&[at(52.0, 179.0), at(53.0, -179.0), at(53.0, -178.0)]);
        assert_eq!(
            parts,
            [
                vec![at(52.0, 179.0), at(52.5, 180.0)],
                vec![at(52.5, -180.0), at(53.0, -179.0), at(53.0, -178.0)],
            ]
        );
        assert_eq!(parted(&[at(1.0, 1.0), at(1.0, -1.0)]).len(), 1);
    }
}
