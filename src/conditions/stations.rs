//! NDBC's list of stations, `activestations.xml`, and the nearest of them.
//!
//! Sources: NDBC, "Active Stations" (faq/activestations.shtml): `met` says that weather, and
//! `waterquality` that water temperature, was reported in the past eight hours; files recorded in
//! 2018 and 2026. A station can be listed and still have no file. Its ids are in lower case here
//! and in upper case there. Deep-sea pressure gauges (`dart`), drifting and sailing ones (`usv`)
//! and the tropical array (`tao`) say nothing of the water that a crew is on.

use geographiclib_rs::{Geodesic, InverseGeodesic};
use thiserror::Error;

use super::{Service, Station, vouched};
use crate::measure::Position;

/// A degree of latitude has no less, in metres (WGS 84: 110 574 at the equator).
const LEAST_M_PER_DEG: f64 = 110_500.0;
/// So many stations on a route's latitudes are measured to: the service lists some 1300 of all the world.
const MOST_MEASURED: usize = 1000;
/// In bytes, with what stands between it and the next; the service's have some 200.
const LONGEST_TAG: usize = 4096;

const ELSEWHERE: [&str; 3] = ["dart", "usv", "tao"];

/// Why a body is not a list of stations.
#[derive(Clone, Copy, Debug, Error, PartialEq, Eq)]
pub enum StationsError {
    /// It is no XML, or XML that brings definitions of its own, which is refused.
    #[error("the list of stations can't be read")]
    NotXml,
    /// It is XML and has no station that can be read.
    #[error("the list of stations names none that can be read")]
    NoStations,
}

/// The stations that reported weather or water of late, in the order of the list. One with a
/// position that can't be read is left out.
///
/// # Errors
/// A body that is no such list.
pub fn read(text: &str) -> Result<Vec<Station>, StationsError> {
    if !is_plain(text) {
        return Err(StationsError::NotXml);
    }
    // Document type definitions are refused by the reader's own default.
    let document = roxmltree::Document::parse(text).map_err(|_| StationsError::NotXml)?;
    let listed = document.descendants().filter(|node| node.has_tag_name("station"));
    let mut any = false;
    let mut stations = Vec::new();
    for node in listed {
        any = true;
        stations.extend(station(node));
    }
    if any { Ok(stations) } else { Err(StationsError::NoStations) }
}

/// Whether the XML reader is done with it in one look. It holds each attribute of a tag against all others
/// of it, and each name space against all round it; the service's tags have a dozen attributes and no name
/// space. `<` stands nowhere but where a tag begins.
fn is_plain(text: &str) -> bool {
    text.split('<').all(|tag| tag.len() <= LONGEST_TAG) && !text.contains("xmlns")
}

/// The `most` nearest to any corner of the route, nearest first, within `within_m` metres.
#[must_use]
pub fn nearest(
    stations: &[Station],
    route: &[Position],
    within_m: f64,
    most: usize,
) -> Vec<Station> {
    // Each geodesic takes a microsecond or two, and a route may have 500 corners.
    let lats = || route.iter().map(|at| at.lat_deg());
    let (south, north) = (lats().reduce(f64::min), lats().reduce(f64::max));
    let within_deg = within_m / LEAST_M_PER_DEG;
    let is_beside = |station: &&Station| {
        let lat_deg = station.position.lat_deg();
        south.is_some_and(|south| lat_deg >= south - within_deg)
            && north.is_some_and(|north| lat_deg <= north + within_deg)
    };
    let mut near: Vec<_> = stations
        .iter()
        .filter(is_beside)
        .take(MOST_MEASURED)
        .filter_map(|station| Some((distance_m(station.position, route)?, station)))
        .filter(|(distance_m, _)| *distance_m <= within_m)
        .collect();
    near.sort_by(|(a_m, a), (b_m, b)| a_m.total_cmp(b_m).then_with(|| a.id.cmp(&b.id)));
    near.into_iter().take(most).map(|(_, station)| station.clone()).collect()
}

/// From a place to the nearest corner of a route: the geodesic on WGS 84.
pub(super) fn distance_m(from: Position, route: &[Position]) -> Option<f64> {
    let to = |at: &Position| {
        Geodesic::wgs84().inverse(from.lat_deg(), from.lon_deg(), at.lat_deg(), at.lon_deg())
    };
    route.iter().map(to).reduce(f64::min)
}

fn station(node: roxmltree::Node<'_, '_>) -> Option<Station> {
    let reports = |what: &str| node.attribute(what) == Some("y");
    if !(reports("met") || reports("waterquality")) {
        return None;
    }
    if node.attribute("type").is_some_and(|kind| ELSEWHERE.contains(&kind)) {
        return None;
    }
    let degrees = |name: &str| node.attribute(name)?.trim().parse::<f64>().ok();
    let position = Position::new(degrees("lat")?, degrees("lon")?).ok()?;
    let is_name = |id: &&str| super::ndbc::is_id(id) && vouched::is_sign(id);
    let id = node.attribute("id").filter(is_name)?.to_ascii_uppercase();
    Some(Station { service: Service::Ndbc, id, position, url: None })
}
