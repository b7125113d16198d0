//! Distances from shore against right answers found by other means: see
//! `tests/data/geo/README.md`.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;

use serde_json::Value;
use shorelamp::measure::Position;
use shorelamp::shoreline::{
    Nearest, Shoreline, Shorelines, beyond, beyond_m, fetch, judge_route, over_land,
};

fn data(name: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/geo").join(name);
    fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn shoreline(name: &str) -> Shoreline {
    Shoreline::from_geojson(&data(name), 250.0).unwrap_or_else(|error| panic!("{name} {error}"))
}

fn reference() -> Value {
    serde_json::from_str(&data("reference.json")).unwrap()
}

fn number(of: &Value, key: &str) -> f64 {
    of[key].as_f64().unwrap_or_else(|| panic!("{key} in {of}"))
}

fn lon_lat(pair: &Value) -> Position {
    Position::new(pair[1].as_f64().unwrap(), pair[0].as_f64().unwrap()).unwrap()
}

fn turned_deg(a: f64, b: f64) -> f64 {
    ((a - b + 540.0).rem_euclid(360.0) - 180.0).abs()
}

/// Worst deviations met, in the units of their names.
#[derive(Debug, Default)]
struct Worst {
    distance_m: f64,
    bearing_m: f64,
    cut_m: f64,
    count: usize,
}

impl Worst {
    fn compare(
        &mut self,
        name: &str,
        found: Nearest,
        distance_m: f64,
        azimuth_deg: f64,
        land: bool,
    ) {
        assert_eq!(found.on_land, land, "{name}: on land");
        self.distance_m = self.distance_m.max((found.distance_m - distance_m).abs());
        // A bearing turns by a metre's width at the shore: what matters, and fair to near shores.
        let sideways_m = turned_deg(found.bearing_deg, azimuth_deg).to_radians() * distance_m;
        self.bearing_m = self.bearing_m.max(sideways_m);
        self.count += 1;
    }
}

#[test]
fn every_reference_point() {
    let reference = reference();
    let mut shorelines = BTreeMap::new();
    let mut worst = Worst::default();
    for point in reference["points"].as_array().unwrap() {
        let file = point["shoreline"].as_str().unwrap();
        let shoreline = shorelines.entry(file).or_insert_with(|| shoreline(file));
        let at = Position::new(number(point, "lat"), number(point, "lon")).unwrap();
        let found = shoreline.nearest(at).unwrap();
        let name = point["name"].as_str().unwrap();
        let (distance_m, azimuth) = (number(point, "distance_m"), number(point, "azimuth_deg"));
        worst.compare(name, found, distance_m, azimuth, point["on_land"].as_bool().unwrap());
        let cut_m = number(point, "distance_to_coverage_edge_m");
        worst.cut_m = worst.cut_m.max((found.cut_m.unwrap() - cut_m).abs());
    }
    println!("{worst:?}");
    assert_eq!(worst.count, 32);
    assert!(worst.distance_m <= 0.05, "{worst:?}");
    assert!(worst.bearing_m <= 2.0, "{worst:?}");
    assert!(worst.cut_m <= 2.0, "{worst:?}");
}

#[test]
fn four_hundred_random_points() {
    let mut shorelines = BTreeMap::new();
    let mut worst = Worst::default();
    for line in data("reference_dense.csv").lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let number = |at: usize| fields[at].parse::<f64>().unwrap();
        let shoreline = shorelines
            .entry(fields[0].to_owned())
            .or_insert_with(|| shoreline(&format!("shoreline/{}.geojson", fields[0])));
        let found = shoreline.nearest(Position::new(number(2), number(1)).unwrap()).unwrap();
        worst.compare(line, found, number(3), number(6), fields[7] == "1");
    }
    println!("{worst:?}");
    assert_eq!(worst.count, 400);
    assert!(worst.distance_m <= 0.05, "{worst:?}");
    assert!(worst.bearing_m <= 2.0, "{worst:?}");
}

#[test]
fn every_reference_route() {
    let routes = reference();
    let routes = routes["routes"].as_array().unwrap();
    assert_eq!(routes.len(), 13);
    for route in routes {
        let name = route["name"].as_str().unwrap();
        let shores = Shorelines::new(vec![shoreline(route["shoreline"].as_str().unwrap())]);
        let places: Vec<Position> =
            route["coordinates"].as_array().unwrap().iter().map(lon_lat).collect();
        let judged = judge_route(&shores, &places);
        let farthest = judged.farthest.unwrap_or_else(|why| panic!("{name}: {why}"));
        let off = |found: f64, key: &str| (found - number(route, key)).abs();
        let length_off = off(judged.length_m, "length_m");
        let max_off = off(farthest.distance_m, "max_distance_to_shore_m");
        let along_off = off(farthest.along_m, "max_at_m_along");
        let land_off = off(judged.over_land_m.unwrap(), "metres_on_land");
        println!("{length_off:.4} {max_off:.3} {along_off:.1} {land_off:.3} {name}");
        assert!(length_off <= 0.01, "{name}: {length_off}");
        assert!(max_off <= 0.1, "{name}: {max_off}");
        assert!(along_off <= 1.0, "{name}: {along_off}");
        assert!(land_off <= 0.25, "{name}: {land_off}");
        assert_eq!(farthest.at_most_m, farthest.distance_m + 250.0);
        for (place, key) in
            [(places[0], "start_on_land"), (places[places.len() - 1], "end_on_land")]
        {
            let (nearest, _) = shores.nearest(place).unwrap();
            assert_eq!(nearest.on_land, route[key].as_bool().unwrap(), "{name}: {key}");
        }
        let nowhere = beyond_m(&shores, &places, farthest.distance_m + 0.1).unwrap();
        let all_water = beyond_m(&shores, &places, 0.0).unwrap();
        assert_eq!(nowhere, 0.0, "{name}");
        let land = over_land(&shores, &places).unwrap();
        let land_m: f64 = land.iter().map(|stretch| stretch.length_m()).sum();
        // Each end of a stretch is found to a decimetre, from either set of places looked at.
        let ends = 2.0 * land.len() as f64;
        assert!((land_m - judged.over_land_m.unwrap()).abs() <= 0.1 * ends, "{name}");
        let far = beyond(&shores, &places, farthest.distance_m - 1.0).unwrap();
        let first_and_last = far.stretches[0].from_m..=far.stretches.last().unwrap().to_m;
        assert!(first_and_last.contains(&farthest.along_m), "{name}");
        assert!(far.at_most_m() >= far.length_m(), "{name}");
        assert!(beyond(&shores, &places, farthest.at_most_m + 0.1).unwrap().at_most.is_empty());
        let water_m = judged.length_m - judged.over_land_m.unwrap();
        assert!((all_water - water_m).abs() < 1.0, "{name}: {all_water} {water_m}");
    }
}

#[test]
fn every_reference_rose() {
    let reference = reference();
    let (mut rays, mut open, mut worst_m) = (0, 0, 0.0f64);
    for rose in reference["fetch"].as_array().unwrap() {
        let shores = Shorelines::new(vec![shoreline(rose["shoreline"].as_str().unwrap())]);
        let from = Position::new(number(rose, "lat"), number(rose, "lon")).unwrap();
        let list = |key: &str| rose[key].as_array().unwrap().clone();
        for (bearing, expected) in list("bearings_deg").iter().zip(list("fetch_m")) {
            let bearing_deg = bearing.as_f64().unwrap();
            let found = fetch(&shores, from, bearing_deg, 100_000.0).unwrap();
            let name = format!("{} {bearing_deg} {found:?}", rose["name"]);
            rays += 1;
            match expected.as_f64() {
                Some(expected_m) => {
                    worst_m = worst_m.max((found.distance_m.expect(&name) - expected_m).abs());
                }
                None => {
                    open += 1;
                    assert_eq!(found.distance_m, None, "{name}");
                }
            }
            let at_most_m = found.at_most_m.unwrap_or(f64::INFINITY);
            assert!(at_most_m >= found.distance_m.unwrap_or(found.looked_m), "{name}");
        }
    }
    println!("{worst_m}");
    assert_eq!((rays, open), (96, 6));
    assert!(worst_m <= 2.0, "{worst_m}");
}

/// What no reference needs to be asked for.
mod properties {
    use std::sync::LazyLock;

    use geographiclib_rs::{Geodesic, InverseGeodesic};
    use proptest::prelude::*;
    use shorelamp::shoreline::Route;

    use super::*;

    static SHORES: LazyLock<Vec<Shorelines>> = LazyLock::new(|| {
        ["superior", "sognefjord", "taveuni"]
            .map(|name| Shorelines::new(vec![shoreline(&format!("shoreline/{name}.geojson"))]))
            .into()
    });

    /// The box that routes are drawn in: south, north, west, width.
    const BOXES: [[f64; 4]; 3] =
        [[46.8, 48.6, -91.5, 6.5], [60.9, 61.5, 4.8, 2.7], [-17.6, -16.2, 178.9, 2.5]];

    fn place(within: usize, share: (f64, f64)) -> Position {
        let [south, north, west, width] = BOXES[within];
        let lon = west + share.1 * width;
        let lon = if lon > 180.0 { lon - 360.0 } else { lon };
        Position::new(south + share.0 * (north - south), lon).unwrap()
    }

    fn nearest(shores: &Shorelines, at: Position) -> Nearest {
        shores.iter().next().unwrap().nearest(at).unwrap()
    }

    fn signed_m(shores: &Shorelines, at: Position) -> f64 {
        let nearest = nearest(shores, at);
        if nearest.on_land { -nearest.distance_m } else { nearest.distance_m }
    }

    fn share() -> impl Strategy<Value = (f64, f64)> {
        (0.0f64..1.0, 0.0f64..1.0)
    }

    proptest! {
        #![proptest_config(ProptestConfig {
            cases: 128,
            failure_persistence: None,
            ..ProptestConfig::default()
        })]

        /// From one place to another the distance changes by no more than the way between them;
        /// so neither does a side flip away from the shore.
        #[test]
        fn distance_grows_no_faster_than_one_moves(
            within in 0..3usize, from in share(), to in share(), log in -6.0f64..0.0,
        ) {
            let shores = &SHORES[within];
            let near = |a: f64, b: f64| a + (b - a) * 10f64.powf(log);
            let to = place(within, (near(from.0, to.0), near(from.1, to.1)));
            let from = place(within, from);
            let moved: f64 = Geodesic::wgs84()
                .inverse(from.lat_deg(), from.lon_deg(), to.lat_deg(), to.lon_deg());
            let change = (signed_m(shores, from) - signed_m(shores, to)).abs();
            prop_assert!(change <= moved + 0.03, "{change} {moved}");
        }

        #[test]
        fn east_and_west_of_180_are_one_place(lat in -18.0f64..-16.0) {
            let shores = &SHORES[2];
            let [east, west] = [180.0, -180.0]
                .map(|lon| nearest(shores, Position::new(lat, lon).unwrap()));
            prop_assert!((east.distance_m - west.distance_m).abs() < 1e-6);
            prop_assert_eq!(east.on_land, west.on_land);
            prop_assert!(turned_deg(east.bearing_deg, west.bearing_deg) < 1e-6);
        }

        /// No sample of a route is farther out than the greatest distance; and the metres on land
        /// are those that the samples count, as closely as they can.
        #[test]
        fn no_sample_beats_the_farthest(
            within in 0..3usize, shares in prop::collection::vec(share(), 2..5), scale in 0.01f64..1.0,
        ) {
            let shores = &SHORES[within];
            let first = shares[0];
            let near = |a: f64, b: f64| a + (b - a) * scale;
            let places: Vec<Position> = shares
                .iter()
                .map(|share| place(within, (near(first.0, share.0), near(first.1, share.1))))
                .collect();
            let judged = judge_route(shores, &places);
            prop_assume!(judged.accuracy_m.is_some());
            let route = Route::through(&places);
            let steps = 400;
            let heights: Vec<f64> = (0..=steps)
                .map(|step| route.length_m() * f64::from(step) / f64::from(steps))
                .map(|along_m| signed_m(shores, route.position_at(along_m).unwrap()))
                .collect();
            let highest = heights.iter().copied().fold(0.0, f64::max);
            match judged.farthest {
                Ok(farthest) => {
                    prop_assert!(highest <= farthest.distance_m + 0.06, "{highest} {farthest:?}");
                    let there = route.position_at(farthest.along_m).unwrap();
                    prop_assert!((signed_m(shores, there) - farthest.distance_m).abs() < 1e-3);
                }
                Err(why) => prop_assert!(highest <= 0.06, "{highest} {why}"),
            }
            let step_m = route.length_m() / f64::from(steps);
            let surely_land = heights.windows(2).filter(|h| h[0] < -step_m && h[1] < -step_m).count();
            let surely_water = heights.windows(2).filter(|h| h[0] > step_m && h[1] > step_m).count();
            let over_land_m = judged.over_land_m.unwrap();
            prop_assert!(over_land_m >= surely_land as f64 * step_m - 1.0);
            prop_assert!(over_land_m <= route.length_m() - surely_water as f64 * step_m + 1.0);
        }
    }
}
