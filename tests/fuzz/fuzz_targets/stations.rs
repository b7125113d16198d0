//! The list of stations, and the nearest of them.
#![no_main]

use libfuzzer_sys::fuzz_target;
use shorelamp::conditions::stations;
use shorelamp::measure::Position;

fuzz_target!(|data: &[u8]| {
    let text = String::from_utf8_lossy(data);
    if let Ok(all) = stations::read(&text) {
        let _ = stations::nearest(&all, &[Position::new(0.0, 180.0).expect("a place")], 1e8, 4);
    }
});
