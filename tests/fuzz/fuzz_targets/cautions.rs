//! A keeper's file of limits.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let _ = shorelamp::caution::Limits::read(&String::from_utf8_lossy(data)).map_err(|error| error.to_string());
});
