//! What is on a chart; how it looks, people look at.

use super::*;
use crate::shoreline::judge_route;

fn pos(lat: f64, lon: f64) -> Position {
    Position::new(lat, lon).unwrap()
}

/// An island from 0 to 1 degrees.
fn shores() -> Shorelines {
    let text = r#"{"type":"FeatureCollection","bbox":[-3,-3,3,3],"features":[{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1],[0,1],[0,0]]]}}]}"#;
    let shoreline = Shoreline::from_geojson(text, 250.0).unwrap().named("an <island> & more");
    Shorelines::new(vec![shoreline])
}

fn chart(places: &[Position]) -> String {
    let shores = shores();
    svg(&shores, places, &judge_route(&shores, places), "A \"trip\"").unwrap()
}

#[test]
fn says_what_matters_most_and_what_it_is_not() {
    let places = [pos(0.5, 1.001), pos(0.5, 1.05), pos(0.52, 1.02), pos(0.5, 1.001)];
    let chart = chart(&places);
    for part in [
        "Not for navigation.</text>",
        "Farthest from shore: 5.6 km, at most 5.8 km.",
        ">1</text>",
        ">2</text>",
        ">N</text>",
        " nm</text>",
        "A &quot;trip&quot;",
        "an &lt;island&gt; &amp; more",
    ] {
        assert!(chart.contains(part), "{part} in {chart}");
    }
    assert!(!chart.contains(">3</text>"), "the way back to the launch is no waypoint");
    assert!(chart.len() < 20_000);
}

#[test]
fn what_is_unknown_is_said_to_be() {
    let outside = [pos(5.0, 5.0), pos(5.0, 5.1)];
    let chart = chart(&outside);
    assert!(chart.contains("No shoreline data here."), "{chart}");
    assert!(chart.contains("Distance from shore unknown"), "{chart}");
    assert!(!chart.contains("NaN"), "{chart}");
    assert!(svg(&shores(), &[], &judge_route(&shores(), &[]), "").is_none());
}

/// Every number is finite, wherever the trip is.
#[test]
fn poles_and_180_degrees() {
    for places in [
        vec![pos(89.99, 0.0), pos(89.99, 180.0)],
        vec![pos(-90.0, 0.0)],
        vec![pos(0.0, 179.99), pos(0.01, -179.99)],
        vec![pos(0.5, 1.001)],
    ] {
        let chart = chart(&places);
        assert!(!chart.contains("NaN") && !chart.contains("inf"), "{chart}");
    }
}
