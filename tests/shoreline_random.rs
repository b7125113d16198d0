//! Random places of an archipelago that no other test knows, and what turning the earth changes.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::{Path, PathBuf};

use proptest::prelude::*;
use shorelamp::measure::Position;
use shorelamp::packs;
use shorelamp::shoreline::{Shoreline, Shorelines, judge_legs, judge_route};

fn geo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/geo").join(name)
}

fn kornati() -> Shoreline {
    packs::open(&geo("shoreline/kornati.geojson"), 250.0).unwrap()
}

/// `tests/data/geo/kornati.csv`: pyproj and shapely, by `random_points.py` beside it.
#[test]
fn three_hundred_random_places() {
    let shoreline = kornati();
    let rows = fs::read_to_string(geo("kornati.csv")).unwrap();
    let mut worst_m = 0.0f64;
    let mut on_land = 0;
    for row in rows.lines().skip(1) {
        let fields: Vec<f64> = row.split(',').map(|field| field.parse().unwrap()).collect();
        let found = shoreline.nearest(Position::new(fields[1], fields[0]).unwrap()).unwrap();
        worst_m = worst_m.max((found.distance_m - fields[2]).abs());
        assert_eq!(found.on_land, fields[3] == 1.0, "{row}");
        on_land += usize::from(found.on_land);
    }
    assert_eq!(rows.lines().count(), 301);
    assert!((20..280).contains(&on_land), "{on_land}");
    assert!(worst_m <= 0.1, "{worst_m}");
}

/// A crooked island, turned round the earth's axis, and the longitude turned with it.
fn island(turned_deg: f64) -> Shoreline {
    let ring = [(0.0, 0.0), (0.3, 0.1), (0.5, 0.0), (0.4, 0.3), (0.1, 0.2), (0.0, 0.0)];
    let ring: Vec<String> =
        ring.iter().map(|(lon, lat)| format!("[{},{}]", lon + turned_deg, lat + 48.0)).collect();
    let text = format!(
        r#"{{"type":"FeatureCollection","features":[{{"type":"Feature","properties":{{}},"geometry":{{"type":"Polygon","coordinates":[[{}]]}}}}]}}"#,
        ring.join(",")
    );
    Shoreline::from_geojson(&text, 0.0).unwrap()
}

fn turned(lat: f64, lon: f64) -> Position {
    Position::new(lat, (lon + 180.0).rem_euclid(360.0) - 180.0).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 200,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// Longitudes that differ by 360 degrees are one, also where the way leads over 180.
    #[test]
    fn the_earth_may_be_turned(
        turned_deg in -180.0f64..179.5, lat in 47.0f64..49.5, lon in -1.5f64..2.0,
    ) {
        let (here, there) = (island(0.0), island(turned_deg));
        let a = here.nearest(turned(lat, lon)).unwrap();
        let b = there.nearest(turned(lat, lon + turned_deg)).unwrap();
        // The grid of packed points is 4 mm.
        prop_assert!((a.distance_m - b.distance_m).abs() < 0.02, "{a:?} {b:?}");
        prop_assert!(a.on_land == b.on_land || a.distance_m < 0.02);
    }

    /// The farthest point of the route is that of its farthest leg; and no leg lies beyond where
    /// the route does not.
    #[test]
    fn legs_add_up_to_the_route(
        shares in prop::collection::vec((0.25f64..0.75, 0.25f64..0.75), 2..6),
    ) {
        let shores = Shorelines::new(vec![kornati()]);
        let places: Vec<Position> = shares
            .iter()
            .map(|share| Position::new(43.6 + 0.45 * share.0, 15.0 + 0.7 * share.1).unwrap())
            .collect();
        let route = judge_route(&shores, &places);
        prop_assume!(route.accuracy_m.is_some());
        let legs = judge_legs(&shores, &places, 600.0);
        prop_assert_eq!(legs.len(), route.legs.len());
        let outs = legs.iter().filter_map(|leg| leg.farthest).map(|it| it.distance_m);
        let farthest_m = outs.fold(0.0, f64::max);
        let route_m = route.farthest.map_or(0.0, |farthest| farthest.distance_m);
        prop_assert!((farthest_m - route_m).abs() <= 0.051, "{farthest_m} {route_m}");
        for (leg, way) in legs.iter().zip(&route.legs) {
            let beyond_m = leg.beyond_m.unwrap();
            prop_assert!(beyond_m <= way.length_m + 1e-6);
            let far = leg.farthest.is_some_and(|farthest| farthest.at_most_m > 600.1);
            prop_assert!(far || beyond_m < 1.0, "{leg:?}");
        }
    }
}
