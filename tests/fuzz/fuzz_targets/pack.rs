//! Packs that sum up, and whatever they hold: they are refused, or they answer.
#![no_main]

use std::sync::Arc;

use libfuzzer_sys::fuzz_target;
use shorelamp::measure::Position;
use shorelamp::shoreline::{Shoreline, Shorelines, judge_route};
use xxhash_rust::xxh3::xxh3_64;

fuzz_target!(|data: &[u8]| {
    let mut bytes = data.to_vec();
    sum_up(&mut bytes);
    let Ok(shoreline) = Shoreline::from_pack(Arc::new(bytes)) else { return };
    let places: Vec<Position> =
        [(44.5, -73.33), (44.4, -73.3)].iter().flat_map(|at| Position::new(at.0, at.1)).collect();
    let _ = shoreline.verify();
    let _ = shoreline.nearest(places[0]);
    let _ = shoreline.lines_within(places[0], 20_000.0);
    let _ = judge_route(&Shorelines::new(vec![shoreline]), &places);
});

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
