//! Small worlds made up for one question each.

use std::f64::consts::PI;

use geographiclib_rs::{DirectGeodesic, Geodesic, InverseGeodesic};

use super::*;

fn pos(lat: f64, lon: f64) -> Position {
    Position::new(lat, lon).unwrap()
}

fn geodesic_m(from: Position, to: Position) -> f64 {
    Geodesic::wgs84().inverse(from.lat_deg(), from.lon_deg(), to.lat_deg(), to.lon_deg())
}

/// A collection of polygons, each given by its rings.
fn collection(bbox: &str, polygons: &[&str]) -> String {
    let features: Vec<String> = polygons
        .iter()
        .map(|rings| {
            format!(
                r#"{{"type":"Feature","properties":{{}},"geometry":{{"type":"Polygon","coordinates":[{rings}]}}}}"#
            )
        })
        .collect();
    format!(r#"{{"type":"FeatureCollection",{bbox}"features":[{}]}}"#, features.join(","))
}

/// A square ring, south-west to north-east.
fn square(west: f64, south: f64, east: f64, north: f64) -> String {
    format!(
        "[[{west},{south}],[{east},{south}],[{east},{north}],[{west},{north}],[{west},{south}]]"
    )
}

fn world(bbox: &str, polygons: &[&str]) -> Shoreline {
    Shoreline::from_geojson(&collection(bbox, polygons), 10.0).unwrap()
}

#[test]
fn an_island_with_a_lake_with_an_island() {
    let rings = [square(0.0, 0.0, 4.0, 4.0), square(1.0, 1.0, 3.0, 3.0)].join(",");
    let islet = square(1.9, 1.9, 2.1, 2.1);
    let shoreline = world("", &[&rings, &islet]);
    for (lat, lon, on_land) in [
        (-1.0, 2.0, false),
        (0.5, 2.0, true),
        (1.5, 2.0, false),
        (2.0, 2.0, true),
        (2.0, 5.0, false),
    ] {
        assert_eq!(shoreline.nearest(pos(lat, lon)).unwrap().on_land, on_land, "{lat} {lon}");
    }
    let south = shoreline.nearest(pos(-1.0, 2.0)).unwrap();
    assert!((south.distance_m - geodesic_m(pos(-1.0, 2.0), pos(0.0, 2.0))).abs() < 0.1);
    assert!(south.bearing_deg.min(360.0 - south.bearing_deg) < 1e-3, "{south:?}");
    assert_eq!(south.cut_m, None);
}

#[test]
fn rings_may_turn_either_way() {
    let island = "[[0,0],[0,1],[1,1],[1,0],[0,0]]";
    let shoreline = world("", &[island]);
    assert!(shoreline.nearest(pos(0.5, 0.5)).unwrap().on_land);
    assert!(!shoreline.nearest(pos(1.5, 0.5)).unwrap().on_land);
}

/// A continent round the pole, drawn as GeoJSON must: with false shore along 180 degrees and at
/// the pole. Its true shore is the parallel of 70 degrees south.
#[test]
fn land_round_the_pole_has_no_seam() {
    let shoreline =
        world("", &["[[-180,-90],[180,-90],[180,-70],[60,-70],[-60,-70],[-180,-70],[-180,-90]]"]);
    for lon in [-180.0, -179.9999, -60.0, 0.0, 33.0, 179.9999, 180.0] {
        for (lat, on_land) in [(-69.0, false), (-71.0, true), (-89.5, true), (-90.0, true)] {
            let found = shoreline.nearest(pos(lat, lon)).unwrap();
            let expected_m = geodesic_m(pos(lat, lon), pos(-70.0, lon));
            assert_eq!(found.on_land, on_land, "{lat} {lon}");
            assert!((found.distance_m / expected_m - 1.0).abs() < 1e-5, "{lat} {lon} {found:?}");
        }
    }
    let far = shoreline.nearest(pos(90.0, 0.0)).unwrap();
    assert!(!far.on_land && far.distance_m > 0.8 * PI * 6.37e6);
}

/// One island, cut at 180 degrees as RFC 7946 (3.1.9) wants it: a bay opens on the cut, whose
/// head is a vertex of both halves.
#[test]
fn the_side_at_a_vertex_on_180_comes_from_both_halves() {
    let west = "[[179,-1],[180,-1],[180,0.5],[179,1],[179,-1]]";
    let east = "[[-180,-1],[-179,-1],[-179,1],[-180,0.5],[-180,-1]]";
    let shoreline = world("", &[west, east]);
    for lon in [179.999, 180.0, -180.0, -179.999] {
        assert!(!shoreline.nearest(pos(0.6, lon)).unwrap().on_land, "{lon}");
        assert!(shoreline.nearest(pos(0.45, lon)).unwrap().on_land, "{lon}");
        assert!(shoreline.nearest(pos(-0.1, lon)).unwrap().distance_m > 60_000.0, "{lon}");
    }
}

/// RFC 7946, 3.1.1: an edge is straight in longitude and latitude. The great circle between the
/// ends would pass 13 km farther north.
#[test]
fn long_edges_follow_the_parallel() {
    let shoreline = world("", &["[[0,60],[10,60],[5,50],[0,60]]"]);
    let found = shoreline.nearest(pos(60.5, 5.0)).unwrap();
    let expected_m = geodesic_m(pos(60.5, 5.0), pos(60.0, 5.0));
    assert!((found.distance_m - expected_m).abs() < 0.05, "{found:?}");
}

/// A small island far away in each of many directions: the nearest by chord is not always the
/// nearest over the ground. Against geographiclib on every vertex.
#[test]
fn far_shores_are_ranked_by_the_geodesic() {
    let here = pos(20.0, 0.0);
    let vertex = |bearing: f64, far_m: f64| {
        let (lat, lon): (f64, f64) =
            Geodesic::wgs84().direct(here.lat_deg(), here.lon_deg(), bearing, far_m);
        pos(lat, lon)
    };
    for far_m in [300_000.0, 1_000_000.0, 3_000_000.0] {
        let islands: Vec<String> = (0..36)
            .map(|tenth| {
                let bearing = f64::from(tenth) * 10.0;
                // Each a little nearer than the one before, by less than chords can tell apart.
                let far_m = far_m - f64::from((tenth * 7) % 36) * far_m * 1e-8;
                let [a, b] = [0.0, 40.0].map(|more| vertex(bearing, far_m + more));
                let c = vertex(bearing + 0.001, far_m + 40.0);
                let at = |p: Position| format!("[{:.12},{:.12}]", p.lon_deg(), p.lat_deg());
                format!("[{},{},{},{}]", at(a), at(b), at(c), at(a))
            })
            .collect();
        let rings: Vec<&str> = islands.iter().map(String::as_str).collect();
        let found = world("", &rings).nearest(here).unwrap();
        let expected_m = far_m * (1.0 - 35e-8);
        assert!((found.distance_m - expected_m).abs() < 0.02, "{found:?} {expected_m}");
    }
}

#[test]
fn hourly_positions() {
    let shores = Shorelines::new(vec![world("", &[&square(0.0, 0.0, 1.0, 1.0)])]);
    let places = [pos(-0.1, 0.0), pos(-0.1, 0.1), pos(-0.1, 0.2)];
    let leg_m = geodesic_m(places[0], places[1]);
    let hours = planned(&shores, &places, 3.0, &[0.0, 3600.0]);
    let speed_m_per_s = 3.0 * 1852.0 / 3600.0;
    let end_s = 2.0 * leg_m / speed_m_per_s + 3600.0;
    let last = hours.last().unwrap();
    assert_eq!(hours.len(), end_s.div_euclid(3600.0) as usize + 2);
    assert!((last.after_s - end_s).abs() < 1.0 && last.at == places[2]);
    assert!((hours[1].along_m - 3.0 * 1852.0).abs() < 0.01);
    // It takes two hours and ten seconds to the stay of an hour.
    let at_stay = hours.iter().filter(|hour| hour.at == places[1]).count();
    assert_eq!(at_stay, 1, "{hours:?}");
    assert!(hours[0].shore.unwrap().distance_m > 11_000.0);
    assert!(planned(&shores, &places, 0.0, &[]).is_empty());
    assert!(planned(&shores, &places, f64::NAN, &[]).is_empty());
    assert!(planned(&shores, &[], 3.0, &[]).is_empty());
}

mod cut {
    use super::*;

    const BOX: &str = r#""bbox":[0,0,2,2],"#;

    /// Land fills the west of the box; the shore runs along longitude 1.
    fn half() -> Shoreline {
        world(BOX, &["[[0,0],[1,0],[1,2],[0,2],[0,0]]"])
    }

    #[test]
    fn the_cut_is_no_shore() {
        let shoreline = half();
        let near_corner = shoreline.nearest(pos(1.0, 0.1)).unwrap();
        assert!(near_corner.on_land && near_corner.distance_m > 100_000.0);
        assert!(
            (near_corner.cut_m.unwrap() - geodesic_m(pos(1.0, 0.1), pos(1.0, 0.0))).abs() < 1.0
        );
        assert_eq!(shoreline.nearest(pos(1.0, 2.1)), None);
        assert_eq!(shoreline.nearest(pos(-0.1, 1.0)), None);
        assert!(shoreline.nearest(pos(0.0, 0.0)).is_some());
    }

    #[test]
    fn a_route_that_comes_nearer_to_the_cut_is_unknown() {
        let shores = Shorelines::new(vec![half()]);
        let near = |lon| judge_route(&shores, &[pos(1.0, 1.01), pos(1.0, lon), pos(1.0, 1.01)]);
        assert!(near(1.49).farthest.is_ok());
        let unknown = near(1.6);
        let Err(WhyUnknown::CutNearer { at }) = unknown.farthest else { panic!("{unknown:?}") };
        assert!(at.lon_deg() > 1.5 && at.lon_deg() < 1.6, "{at}");
        assert_eq!((unknown.over_land_m, unknown.accuracy_m), (None, None));
        assert!(unknown.length_m > 100_000.0 && unknown.legs.len() == 2);
        assert_eq!(beyond_m(&shores, &[pos(1.0, 1.6)], 5.0), None);
        let outside = judge_route(&shores, &[pos(5.0, 5.0)]).farthest;
        assert_eq!(outside, Err(WhyUnknown::NoData { at: pos(5.0, 5.0) }));
    }

    #[test]
    fn the_most_accurate_data_that_knows_the_whole_route_judges_it() {
        let coarse =
            Shoreline::from_geojson(&collection("", &[&square(-9.0, -1.0, 1.0, 3.0)]), 500.0);
        let shores = Shorelines::new(vec![coarse.unwrap().named("coarse"), half().named("fine")]);
        assert_eq!(judge_route(&shores, &[pos(1.0, 1.2)]).accuracy_m, Some(10.0));
        let far = judge_route(&shores, &[pos(1.0, 1.2), pos(1.0, 1.7)]);
        assert_eq!(far.accuracy_m, Some(500.0));
        let farthest = far.farthest.unwrap();
        assert_eq!(farthest.at_most_m, farthest.distance_m + 500.0);
        assert_eq!(shores.nearest(pos(1.0, 1.2)).unwrap().1.name(), "fine");
        assert_eq!(shores.nearest(pos(1.0, 1.7)).unwrap().1.name(), "coarse");
    }

    #[test]
    fn no_data_no_number() {
        let none = Shorelines::default();
        let here = pos(48.0, -123.0);
        assert!(none.is_empty() && none.nearest(here).is_none());
        assert_eq!(judge_route(&none, &[here]).farthest, Err(WhyUnknown::NoData { at: here }));
        assert_eq!(judge_route(&none, &[]).farthest, Err(WhyUnknown::NoRoute));
    }

    /// A lake that the data lacks: "0 m from shore" would be a clearance.
    #[test]
    fn a_route_all_on_land_is_unknown() {
        let shores = Shorelines::new(vec![half()]);
        let judged = judge_route(&shores, &[pos(1.0, 0.9), pos(1.0, 0.95)]);
        assert_eq!(judged.farthest, Err(WhyUnknown::AllOnLand));
        assert!((judged.over_land_m.unwrap() - judged.length_m).abs() < 1e-6);
    }
}

#[test]
fn faults_are_named() {
    let one = |ring: &str| collection("", &[ring]);
    let feature = |geometry: &str| {
        format!(
            r#"{{"type":"FeatureCollection","features":[{{"type":"Feature","properties":null,"geometry":{geometry}}}]}}"#
        )
    };
    let off = |lon, lat| ShorelineError::OffTheEarth { feature: 1, lon, lat };
    for (text, expected) in [
        (one("[[0,0],[1,0],[1,1],[0,1]]"), ShorelineError::OpenRing { feature: 1 }),
        (one("[[0,0],[1,0],[0,0]]"), ShorelineError::ShortRing { feature: 1 }),
        (one("[]"), ShorelineError::ShortRing { feature: 1 }),
        (one("[[0],[1,0],[1,1],[0]]"), ShorelineError::ShortPosition { feature: 1 }),
        (one("[[0,0],[181,0],[1,1],[0,0]]"), off(181.0, 0.0)),
        (one("[[0,0],[48,-123],[1,1],[0,0]]"), off(48.0, -123.0)),
        (
            one("[[179,0],[-179,0],[-179,1],[179,0]]"),
            ShorelineError::NotCutAt180 { from: 179.0, to: -179.0, lat: 0.0 },
        ),
        (collection("", &[]), ShorelineError::NoPolygons),
        (feature("null"), ShorelineError::NoPolygons),
        (
            feature(r#"{"type":"LineString","coordinates":[[0,0],[1,1]]}"#),
            ShorelineError::NotLand { feature: 1, kind: "LineString" },
        ),
        (
            collection(r#""bbox":[0,0,1,1],"#, &[&square(0.0, 0.0, 1.0, 1.0)]),
            ShorelineError::NoShore,
        ),
        (one("[[1,1],[1,1],[1,1],[1,1]]"), ShorelineError::NoShore),
        (collection(r#""bbox":[0,0,1],"#, &[&square(0.0, 0.0, 1.0, 1.0)]), ShorelineError::Box),
        (collection(r#""bbox":[0,2,1,1],"#, &[&square(0.0, 0.0, 1.0, 1.0)]), ShorelineError::Box),
        (collection(r#""bbox":[0,0,999,1],"#, &[&square(0.0, 0.0, 1.0, 1.0)]), ShorelineError::Box),
    ] {
        assert_eq!(Shoreline::from_geojson(&text, 1.0).err(), Some(expected), "{text}");
    }
    for text in [
        "",
        "land",
        "[]",
        r#"{"type":"Feature","geometry":null,"properties":null}"#,
        r#"{"type":"FeatureCollection"}"#,
        &one("[[0,NaN],[1,0],[1,1],[0,NaN]]"),
        &one("[[0,1e999],[1,0],[1,1],[0,1e999]]"),
        &one(r#"[["0","0"],[1,0],[1,1],[0,0]]"#),
        &"[".repeat(100_000),
    ] {
        let fault = Shoreline::from_geojson(text, 1.0).unwrap_err();
        assert!(matches!(fault, ShorelineError::NotGeoJson(_)), "{text}: {fault}");
    }
    let island = one(&square(0.0, 0.0, 1.0, 1.0));
    for accuracy_m in [-1.0, f64::NAN, f64::INFINITY] {
        let fault = Shoreline::from_geojson(&island, accuracy_m).err();
        assert_eq!(fault, Some(ShorelineError::Accuracy));
    }
}

/// A route drawn along the very shore, where distance and side are undecided all the way: the
/// work stays bounded, and the answer small.
#[test]
fn a_route_along_the_shore_ends() {
    let shores = Shorelines::new(vec![world("", &[&square(0.0, 0.0, 1.0, 1.0)])]);
    let places: Vec<Position> = (0..=40).map(|step| pos(f64::from(step) / 40.0, 1.0)).collect();
    let judged = judge_route(&shores, &places);
    match judged.farthest {
        Ok(farthest) => assert!(farthest.distance_m < 0.1, "{farthest:?}"),
        Err(why) => assert_eq!(why, WhyUnknown::AllOnLand),
    }
    let over_land_m = judged.over_land_m.unwrap();
    assert!((0.0..=judged.length_m).contains(&over_land_m));
}
