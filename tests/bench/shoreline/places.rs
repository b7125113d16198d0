//! Where is asked.

use std::fmt::Write;
use std::fs;
use std::path::Path;

use serde_json::Value;
use shorelamp::measure::Position;
use shorelamp::shoreline::{Land, Shoreline};

fn reference_file() -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/geo/reference.json");
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

/// The 32 reference places.
pub fn reference() -> Vec<Position> {
    let reference = reference_file();
    let points = reference["points"].as_array().unwrap().iter();
    let number = |point: &Value, key: &str| point[key].as_f64().unwrap();
    points.map(|it| Position::new(number(it, "lat"), number(it, "lon")).unwrap()).collect()
}

/// The 13 reference routes.
pub fn routes() -> Vec<(String, Vec<Position>)> {
    let reference = reference_file();
    let place =
        |at: &Value| Position::new(at[1].as_f64().unwrap(), at[0].as_f64().unwrap()).unwrap();
    reference["routes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|route| {
            let places = route["coordinates"].as_array().unwrap().iter().map(place).collect();
            (route["name"].as_str().unwrap().to_owned(), places)
        })
        .collect()
}

/// Places up to some 20 km from random vertices of the shore, all over the planet, in no order.
pub fn near_shore(land: &Land, count: usize) -> Vec<Position> {
    let mut random = Random(20_260_601);
    let vertices: Vec<Position> = land.edge_positions().map(|[from, _]| from).collect();
    std::iter::repeat_with(|| {
        let vertex = vertices[(random.share() * vertices.len() as f64) as usize];
        let (north, east) = (random.share() - 0.5, random.share() - 0.5);
        let lat = vertex.lat_deg() + 0.36 * north;
        let lon = vertex.lon_deg() + 0.36 * east / lat.to_radians().cos().max(0.05);
        Position::new(lat, lon).ok()
    })
    .flatten()
    .take(count)
    .collect()
}

/// About so many places over a box (south, north, west, east).
pub fn grid([south, north, west, east]: [f64; 4], count: usize) -> Vec<Position> {
    let side = (count as f64).sqrt() as usize;
    let share = |step: usize| (step as f64 + 0.5) / side as f64;
    let place = |step: usize| {
        let lat = south + (north - south) * share(step / side);
        let lon = west + (east - west) * share(step % side);
        Position::new(lat, lon).unwrap()
    };
    (0..side * side).map(place).collect()
}

/// Places and answers, for other tools to compare.
pub fn write(path: &Path, shoreline: &Shoreline, hot: &[Position], near: &[Position]) {
    let mut text = String::from("set,lat,lon,distance_m,on_land\n");
    let near: Vec<Position> = near.iter().copied().take(2_000).collect();
    for (set, places) in [("hot", hot), ("near", &near)] {
        for at in places {
            let found = shoreline.nearest(*at).unwrap();
            let (lat, lon, on_land) = (at.lat_deg(), at.lon_deg(), i32::from(found.on_land));
            writeln!(text, "{set},{lat},{lon},{},{on_land}", found.distance_m).unwrap();
        }
    }
    fs::write(path, text).unwrap();
}

/// SplitMix64, so that every run asks the same.
struct Random(u64);

impl Random {
    fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (mixed ^ (mixed >> 31)) as f64 / 2f64.powi(64)
    }
}
