#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| ebbmark_fuzz::csv::run(data));
