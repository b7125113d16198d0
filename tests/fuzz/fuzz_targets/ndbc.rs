//! A station's text, as NDBC or whoever answers in its place writes it.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let _ = shorelamp::conditions::ndbc::read(&String::from_utf8_lossy(data));
});
