//! See `post::mail::bounce`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| shorelamp_fuzz_readings::post::mail::bounce(data));
