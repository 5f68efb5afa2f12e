#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| runsitter_fuzz::config(bytes));
