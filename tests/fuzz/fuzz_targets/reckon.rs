#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| ebbmark_fuzz::reckon::run(data));
