//! A sheet to tap a route on: the shore around a place, with what a screen needs to know which
//! position lies where.

use super::frame::Frame;
use super::{head, marks, shore, water};
use crate::measure::Position;
use crate::shoreline::Shorelines;

/// A sheet. Its lines of longitude are evenly spaced and its latitudes stretched, as Mercator has
/// them.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// The drawing.
    pub svg: String,
    /// Its size, in the drawing's own units.
    pub size: [f64; 2],
    /// The position of its lower left corner.
    pub south_west: Position,
    /// The position of its upper right corner.
    pub north_east: Position,
}

/// Draws the shore within so many metres of a place; `None` at a pole.
#[must_use]
pub fn sheet(shores: &Shorelines, middle: Position, radius_m: f64) -> Option<Sheet> {
    let lat_deg = radius_m / METRES_TO_A_DEGREE;
    let lon_deg = lat_deg / middle.lat_deg().to_radians().cos().max(0.01);
    let near = [(lat_deg, 0.0), (-lat_deg, 0.0), (0.0, lon_deg), (0.0, -lon_deg)];
    let near: Vec<Position> = near
        .into_iter()
        .filter_map(|(north, east)| {
            let lon = (middle.lon_deg() + east + 180.0).rem_euclid(360.0) - 180.0;
            Position::new(middle.lat_deg() + north, lon).ok()
        })
        .collect();
    let frame = Frame::around(&near)?;
    let size = [frame.width(), frame.height()];
    let mut svg = String::new();
    head(&mut svg, size, "Chart to tap a route on", "The shore around the launch.");
    water(&mut svg, &frame);
    if let Some(shoreline) = shores.for_route(&near) {
        shore(&mut svg, &frame, shoreline);
    }
    marks::scale(&mut svg, &frame);
    marks::north(&mut svg, &frame);
    svg.push_str("</svg>\n");
    let (south_west, north_east) = (frame.position([0.0, 0.0])?, frame.position(size)?);
    Some(Sheet { svg, size, south_west, north_east })
}

/// Mean metres of a degree of latitude, only to size the sheet.
const METRES_TO_A_DEGREE: f64 = 111_200.0;

#[cfg(test)]
mod tests {
    use super::*;
    use geographiclib_rs::{Geodesic, InverseGeodesic};

    /// Against GeographicLib's geodesic: the sheet holds its radius, and its middle is the middle
    /// between its corners on Mercator's grid, as a page reckons it.
    #[test]
    fn a_sheet_holds_its_radius() {
        for (lat, lon) in [(48.542, -123.162), (-16.8, 179.99), (69.6, 18.9)] {
            let middle = Position::new(lat, lon).unwrap();
            let sheet = sheet(&Shorelines::default(), middle, 3000.0).unwrap();
            let (low, high) = (sheet.south_west, sheet.north_east);
            let far: f64 = Geodesic::wgs84().inverse(low.lat_deg(), lon, high.lat_deg(), lon);
            assert!(far >= 5990.0, "{far} m from south to north");
            let stretched = |deg: f64| deg.to_radians().tan().asinh();
            let south = stretched(low.lat_deg());
            let north = stretched(high.lat_deg());
            let half = ((south + north) / 2.0).sinh().atan().to_degrees();
            assert!((half - lat).abs() < 1e-3, "{half}");
            assert!(sheet.svg.ends_with("</svg>\n"));
        }
    }
}
