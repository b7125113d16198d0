//! The `.shp` part of shapefiles, as anybody may write it.
#![no_main]

use std::io::Cursor;

use libfuzzer_sys::fuzz_target;
use shorelamp::shoreline::{About, Land, LandIs, Shoreline};

fuzz_target!(|data: &[u8]| {
    let Ok(land) = Land::from_shapefile(Cursor::new(data), LandIs::Inside) else { return };
    let _ = land.crossings();
    let _ = Shoreline::from_land(&land, About::default());
});
