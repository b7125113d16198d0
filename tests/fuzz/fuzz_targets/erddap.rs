//! A patch of a grid.
#![no_main]

use libfuzzer_sys::fuzz_target;
use shorelamp::conditions::erddap;
use shorelamp::measure::Position;

fuzz_target!(|data: &[u8]| {
    let near = Position::new(48.5, -180.0).expect("a place");
    let _ = erddap::read(&String::from_utf8_lossy(data), "sst", near);
});
