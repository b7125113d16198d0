//! What fuzzing found worth keeping, once more: none of it may stop the program (`tests/fuzz`).
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::Path;

use shorelamp::{measure, shoreline};

#[path = "fuzz/src/inputs.rs"]
mod inputs;

fn replay(kind: &str, take: fn(&[u8])) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus").join(kind);
    let inputs: Vec<_> = fs::read_dir(folder).unwrap().map(|it| it.unwrap().path()).collect();
    assert!(inputs.len() > 20, "{kind}: only {}", inputs.len());
    for input in inputs {
        take(&fs::read(&input).unwrap());
    }
}

#[test]
fn geojson() {
    replay("geojson", inputs::geojson);
}

#[test]
fn shapefiles() {
    replay("shapefile", inputs::shapefile);
}

#[test]
fn raw_rings() {
    replay("gshhg", inputs::gshhg);
}

#[test]
fn packs() {
    replay("pack", inputs::pack);
}
