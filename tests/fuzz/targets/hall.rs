//! Halls.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| tenterhook_fuzz::hall::law(data));
