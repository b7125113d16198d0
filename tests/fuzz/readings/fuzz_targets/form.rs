//! See `web::ramp::forms::form`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| shorelamp_fuzz_readings::web::ramp::forms::form(data));
