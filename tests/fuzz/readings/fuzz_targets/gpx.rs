//! See `plans::gpx`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| shorelamp_fuzz_readings::plans::gpx(data));
