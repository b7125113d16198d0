//! What is done with an input of each kind: it is refused, or it answers. `tests/fuzz_corpus.rs`
//! does the same with what is kept in the corpus.

use std::io::Cursor;
use std::sync::Arc;

use xxhash_rust::xxh3::xxh3_64;

use super::measure::Position;
use super::shoreline::{About, Land, LandIs, Shoreline, Shorelines, judge_legs, judge_route};

/// GeoJSON, as anybody may write it.
pub fn geojson(data: &[u8]) {
    for land_is in [LandIs::Inside, LandIs::Outside] {
        if let Ok(land) = Land::from_geojson(data, land_is) {
            ask(&land);
        }
    }
}

/// The `.shp` part of a shapefile.
pub fn shapefile(data: &[u8]) {
    if let Ok(land) = Land::from_shapefile(Cursor::new(data), LandIs::Inside) {
        ask(&land);
    }
}

/// A table of rings and their positions, with a null byte between them.
pub fn gshhg(data: &[u8]) {
    let Some(end) = data.iter().position(|byte| *byte == 0) else { return };
    let Ok(table) = std::str::from_utf8(&data[..end]) else { return };
    if let Ok(land) = Land::from_gshhg(table, &data[end + 1..]) {
        ask(&land);
    }
}

/// A pack, whatever it holds, with checksums that fit.
pub fn pack(data: &[u8]) {
    let mut bytes = data.to_vec();
    sum_up(&mut bytes);
    let Ok(shoreline) = Shoreline::from_pack(Arc::new(bytes)) else { return };
    let places: Vec<Position> =
        [(44.5, -73.33), (44.4, -73.3)].iter().flat_map(|at| Position::new(at.0, at.1)).collect();
    let _ = shoreline.verify();
    let _ = shoreline.nearest(places[0]);
    let _ = shoreline.lines_within(places[0], 20_000.0);
    let shores = Shorelines::new(vec![shoreline]);
    let _ = judge_route(&shores, &places);
    let _ = judge_legs(&shores, &places, 600.0);
}

fn ask(land: &Land) {
    let _ = land.crossings();
    let Ok(shoreline) = Shoreline::from_land(land, About::default()) else { return };
    let places: Vec<Position> =
        [(0.1, 0.1), (44.4, -73.3)].iter().flat_map(|at| Position::new(at.0, at.1)).collect();
    for place in &places {
        let _ = shoreline.nearest(*place);
    }
    let _ = shoreline.lines_within(places[0], 20_000.0);
}

fn sum_up(bytes: &mut [u8]) {
    if bytes.len() < 64 {
        return;
    }
    let length = bytes.len() as u64;
    bytes[32..40].copy_from_slice(&length.to_le_bytes());
    let json = u32::from_le_bytes([bytes[12], bytes[13], bytes[14], bytes[15]]) as usize;
    let Some(arrays) = json.checked_add(64).filter(|arrays| *arrays <= bytes.len()) else { return };
    let sum = xxh3_64(&bytes[arrays..]);
    bytes[40..48].copy_from_slice(&sum.to_le_bytes());
    let head = xxh3_64(&[&bytes[..48], &bytes[64..arrays]].concat());
    bytes[48..56].copy_from_slice(&head.to_le_bytes());
}
