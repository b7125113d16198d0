//! GeoJSON, as anybody may write it.
#![no_main]

use libfuzzer_sys::fuzz_target;
use shorelamp::shoreline::{About, Land, LandIs, Shoreline};

fuzz_target!(|data: &[u8]| {
    for land_is in [LandIs::Inside, LandIs::Outside] {
        let Ok(land) = Land::from_geojson(data, land_is) else { continue };
        let _ = land.crossings();
        let _ = Shoreline::from_land(&land, About::default());
    }
});
