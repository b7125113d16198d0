#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| shorelamp_fuzz::inputs::gshhg(data));
