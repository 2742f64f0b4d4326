//! OSC packets.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| tenterhook_fuzz::osc::law(data));
