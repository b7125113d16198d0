//! See `web::doors::head`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| shorelamp_fuzz_readings::web::doors::head(data));
