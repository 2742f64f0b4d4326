//! Files of gestures: CSV and Standard MIDI Files.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| tenterhook_fuzz::gestures::law(data));
