//! A table of rings and their positions, with a null byte between them.
#![no_main]

use libfuzzer_sys::fuzz_target;
use shorelamp::shoreline::{About, Land, Shoreline};

fuzz_target!(|data: &[u8]| {
    let Some(end) = data.iter().position(|byte| *byte == 0) else { return };
    let Ok(table) = std::str::from_utf8(&data[..end]) else { return };
    let Ok(land) = Land::from_gshhg(table, &data[end + 1..]) else { return };
    let _ = land.crossings();
    let _ = Shoreline::from_land(&land, About::default());
});
