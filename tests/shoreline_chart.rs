//! Charts of real shores. They are left in `target/charts` for people to look at.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::Path;

use shorelamp::chart;
use shorelamp::measure::Position;
use shorelamp::packs;
use shorelamp::shoreline::{Shorelines, judge_route};

fn chart(name: &str, shoreline: &str, places: &[(f64, f64)]) -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let file = root.join(format!("tests/data/geo/shoreline/{shoreline}.geojson"));
    let shores = Shorelines::new(vec![packs::open(&file, 250.0).unwrap()]);
    let places: Vec<Position> =
        places.iter().map(|&(lat, lon)| Position::new(lat, lon).unwrap()).collect();
    let judged = judge_route(&shores, &places);
    let chart = chart::svg(&shores, &places, &judged, name).unwrap();
    let folder = root.join("target/charts");
    fs::create_dir_all(&folder).unwrap();
    fs::write(folder.join(format!("{name}.svg")), &chart).unwrap();
    let png = chart::png(&chart).unwrap();
    fs::write(folder.join(format!("{name}.png")), &png).unwrap();
    assert!(png.len() <= chart::MOST_BYTES, "{name}: {} bytes", png.len());
    // Width, depth and colour type, of a telephone twice over (W3C PNG, 11.2.1).
    assert_eq!(png[16..20], 720u32.to_be_bytes(), "{name} had to be made smaller");
    assert_eq!(png[24..26], [8, 3], "{name}");
    chart
}

/// The land's outline, as many rings as there are.
fn land_rings(chart: &str) -> usize {
    let land = chart.lines().find(|line| line.contains("evenodd")).unwrap();
    land.matches('Z').count()
}

#[test]
fn a_strait() {
    let chart = chart(
        "strait",
        "salish",
        &[(48.5160, -123.1524), (48.5500, -123.2000), (48.6000, -123.1900), (48.5160, -123.1524)],
    );
    assert!(land_rings(&chart) >= 2);
    assert!(chart.len() < 100_000, "{}", chart.len());
}

#[test]
fn a_lake_with_islands() {
    let chart = chart(
        "lake",
        "superior",
        &[(46.8120, -90.8170), (46.8800, -90.7500), (46.9800, -90.7000), (46.9500, -90.8500)],
    );
    assert!(land_rings(&chart) >= 5, "{}", land_rings(&chart));
}

#[test]
fn across_180() {
    let places = [(-16.78, 179.85), (-16.75, -179.98), (-16.70, -179.90)];
    let chart = chart("across-180", "taveuni", &places);
    let numbers = chart.split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-'));
    let far = numbers.filter_map(|number| number.parse::<f64>().ok()).any(|x| x.abs() > 20_000.0);
    assert!(!far, "nothing is drawn round the other side of the earth");
}

#[test]
fn all_of_a_long_lake() {
    let places = [(57.14, -4.67), (57.25, -4.49), (57.33, -4.43), (57.40, -4.34)];
    let chart = chart("long-lake", "loch_ness", &places);
    assert!(land_rings(&chart) >= 1);
}

#[test]
fn a_fjord_and_a_short_trip() {
    let fjord = [(61.21, 6.53), (61.147, 5.97), (61.10, 5.30)];
    assert!(land_rings(&chart("fjord", "sognefjord", &fjord)) >= 3);
    let short = [(48.6140, -123.1560), (48.6200, -123.1600)];
    assert!(land_rings(&chart("short", "salish", &short)) >= 1);
}

/// At the edge of the data: beyond it the chart is hatched, and the distance is unknown.
#[test]
fn at_the_edge_of_the_data() {
    let places = [(56.92, -5.37), (56.91, -5.395)];
    let chart = chart("edge", "loch_ness", &places);
    assert!(chart.contains("Distance from shore unknown"), "{chart}");
    let known = chart.lines().find(|line| line.contains("#f3f8fb")).unwrap();
    assert!(!known.contains(r#"width="720.0""#), "the data ends inside the chart: {known}");
}

/// Islets too small to draw and shores that touch once cost this chart all of its land.
#[test]
fn among_many_islands() {
    let places = [
        (48.6208, -123.1130),
        (48.6740, -123.2010),
        (48.7260, -123.0500),
        (48.7478, -122.9025),
        (48.6200, -123.0400),
    ];
    assert!(land_rings(&chart("many-islands", "../../../../demo-data/shoreline", &places)) >= 5);
}
