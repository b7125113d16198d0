//! What part of the earth is on the chart, and where on it: Mercator, so that angles are right
//! and a box of latitude and longitude is a rectangle.

use std::fmt::Write;

use geographiclib_rs::{Geodesic, InverseGeodesic};

use crate::measure::Position;
use crate::shoreline::Coverage;

/// A point of the chart, from its lower left corner, up and to the right.
pub(super) type Xy = [f64; 2];

const WIDTH: f64 = 720.0;
const LOWEST: f64 = 480.0;
const HIGHEST: f64 = 1080.0;

/// How much of the frame is kept clear around the route, on each side.
const MARGIN: f64 = 0.16;

/// No chart shows less than this, in metres from side to side.
const NARROWEST_M: f64 = 1_500.0;

/// Mercator ends before the pole.
const HIGHEST_LAT_DEG: f64 = 88.0;

/// Points closer than this are drawn as one.
const SMALLEST: f64 = 0.6;

/// Mean metres of a degree, only to size the frame.
const M_PER_DEG: f64 = 111_200.0;

/// A rectangle of the chart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rect {
    pub(super) west: f64,
    pub(super) south: f64,
    pub(super) east: f64,
    pub(super) north: f64,
}

impl Rect {
    pub(super) fn width(&self) -> f64 {
        self.east - self.west
    }

    pub(super) fn height(&self) -> f64 {
        self.north - self.south
    }

    fn and(self, other: Rect) -> Option<Rect> {
        let both = Rect {
            west: self.west.max(other.west),
            south: self.south.max(other.south),
            east: self.east.min(other.east),
            north: self.north.min(other.north),
        };
        (both.width() > 0.0 && both.height() > 0.0).then_some(both)
    }
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Frame {
    middle_lon_deg: f64,
    /// The lower left corner, in degrees of longitude from the middle and of the same stretched
    /// with latitude.
    west: f64,
    south: f64,
    /// Units of the chart to a degree of longitude.
    scale: f64,
    height: f64,
}

impl Frame {
    /// A frame with all these places well inside; `None` without any.
    pub(super) fn around(places: &[Position]) -> Option<Self> {
        let first = places.first()?.lon_deg();
        let lons = places.iter().map(|at| first + from_middle_deg(first, at.lon_deg()));
        let (west, east) = ends(lons);
        let (south, north) = ends(places.iter().map(|at| stretched(at.lat_deg())));
        let (middle_lon_deg, middle_north) = ((west + east) / 2.0, (south + north) / 2.0);
        let lat_cos = unstretched(middle_north).to_radians().cos();
        let narrowest = NARROWEST_M / M_PER_DEG / lat_cos;
        let clear = 1.0 / (1.0 - 2.0 * MARGIN);
        let (wide, high) = ((east - west) * clear, (north - south) * clear);
        let wide = wide.max(narrowest).max(high * WIDTH / HIGHEST);
        let scale = WIDTH / wide;
        let height = (high * scale).clamp(LOWEST, HIGHEST);
        Some(Self {
            middle_lon_deg,
            west: -wide / 2.0,
            south: middle_north - height / scale / 2.0,
            scale,
            height,
        })
    }

    pub(super) fn width(&self) -> f64 {
        WIDTH
    }

    pub(super) fn height(&self) -> f64 {
        self.height
    }

    /// Where a position lies on the chart, or beyond it.
    pub(super) fn xy(&self, at: Position) -> Xy {
        let east = from_middle_deg(self.middle_lon_deg, at.lon_deg());
        self.xy_of(east, at.lat_deg())
    }

    fn xy_of(&self, east_deg: f64, lat_deg: f64) -> Xy {
        [(east_deg - self.west) * self.scale, (stretched(lat_deg) - self.south) * self.scale]
    }

    pub(super) fn position(&self, [x, y]: Xy) -> Option<Position> {
        let lon = self.middle_lon_deg + self.west + x / self.scale;
        let lon = (lon + 180.0).rem_euclid(360.0) - 180.0;
        Position::new(unstretched(self.south + y / self.scale), lon).ok()
    }

    /// The middle, and how far the corners are from it at most, in metres.
    pub(super) fn around_it(&self) -> Option<(Position, f64)> {
        let middle = self.position([WIDTH / 2.0, self.height / 2.0])?;
        let corners = [[0.0, 0.0], [WIDTH, 0.0], [0.0, self.height], [WIDTH, self.height]];
        let corners = corners.iter().filter_map(|at| self.position(*at));
        let far_m = corners.map(|at| metres(middle, at)).fold(0.0, f64::max);
        Some((middle, far_m * 1.01))
    }

    /// The part of the frame that the data covers.
    pub(super) fn known(&self, coverage: Option<Coverage>) -> Option<Rect> {
        let whole = Rect { west: 0.0, south: 0.0, east: WIDTH, north: self.height };
        let Some(coverage) = coverage else { return Some(whole) };
        let [west, south, east, north] = coverage.bbox();
        let width_deg = if east > west { east - west } else { east - west + 360.0 };
        let middle_deg = from_middle_deg(self.middle_lon_deg, west + width_deg / 2.0);
        let [west, south] = self.xy_of(middle_deg - width_deg / 2.0, south);
        let [east, north] = self.xy_of(middle_deg + width_deg / 2.0, north);
        whole.and(Rect { west, south, east, north })
    }

    /// A line of positions, without points too close to be told apart.
    pub(super) fn line(&self, line: &[Position]) -> Vec<Xy> {
        let mut points: Vec<Xy> = Vec::new();
        let last = line.len().saturating_sub(1);
        for (index, at) in line.iter().enumerate() {
            let here = self.xy(*at);
            let apart = |there: &Xy| (here[0] - there[0]).hypot(here[1] - there[1]);
            if index == last || points.last().is_none_or(|there| apart(there) >= SMALLEST) {
                points.push(here);
            }
        }
        points
    }

    /// A line as the data of an SVG path; there `y` points down.
    pub(super) fn path(&self, line: &[Xy], closed: bool) -> String {
        let mut path = String::new();
        for (index, [x, y]) in line.iter().enumerate() {
            let letter = if index == 0 { 'M' } else { 'L' };
            let _ = write!(path, "{letter}{x:.1} {:.1}", self.height - y);
        }
        if closed {
            path.push('Z');
        }
        path
    }

    /// The length on the chart of a kilometre in the middle of it.
    pub(super) fn per_km(&self) -> Option<f64> {
        let at = |x: f64| self.position([x, self.height / 2.0]);
        Some(50.0 / metres(at(WIDTH / 2.0)?, at(WIDTH / 2.0 + 50.0)?) * 1000.0)
    }
}

fn metres(from: Position, to: Position) -> f64 {
    Geodesic::wgs84().inverse(from.lat_deg(), from.lon_deg(), to.lat_deg(), to.lon_deg())
}

fn from_middle_deg(middle: f64, lon: f64) -> f64 {
    (lon - middle + 540.0).rem_euclid(360.0) - 180.0
}

fn ends(of: impl Iterator<Item = f64>) -> (f64, f64) {
    of.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), it| (low.min(it), high.max(it)))
}

/// Mercator's stretched latitude, in degrees.
fn stretched(lat_deg: f64) -> f64 {
    let lat = lat_deg.clamp(-HIGHEST_LAT_DEG, HIGHEST_LAT_DEG).to_radians();
    lat.tan().asinh().to_degrees()
}

fn unstretched(north_deg: f64) -> f64 {
    north_deg.to_radians().sinh().atan().to_degrees()
}
