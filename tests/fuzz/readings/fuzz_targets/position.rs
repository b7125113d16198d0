//! See `plans::position`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| shorelamp_fuzz_readings::plans::position(data));
