//! Both products of a tide station.
#![no_main]

use libfuzzer_sys::fuzz_target;
use shorelamp::conditions::coops;

fuzz_target!(|data: &[u8]| {
    let text = String::from_utf8_lossy(data);
    let _ = coops::read_water(&text);
    let _ = coops::read_wind(&text);
});
