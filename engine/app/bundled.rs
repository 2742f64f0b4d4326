//! The files that the bundled pieces name.

use tenterhook_config::{Checked, Files, Report, Text, check_with};
use tenterhook_io::decode_sound;
use tenterhook_plan::Recording;

/// The files, by their paths beside the pieces.
///
/// `letter.wav` is "te lo ma", sung by the made-up voice: its mic in `cargo run -p tenterhook-ensemble --example render
/// 24000` from 64.92 s to 66.74 s, raised by 8.5 dB, its ends faded over 10 and 40 ms. `spectra/letter.toml` is what 80 ms
/// of it from 1.48 s on are made of.
pub const BUNDLED_FILES: [(&str, &[u8]); 2] = [
    ("letter.wav", include_bytes!("../../scenes/letter.wav")),
    ("spectra/letter.toml", include_bytes!("../../scenes/spectra/letter.toml")),
];

/// Reads the bundled files.
#[derive(Clone, Copy, Debug)]
pub struct Bundled;

impl Files for Bundled {
    fn sound(&self, path: &str) -> Result<Recording, String> {
        let sound = decode_sound(path, bytes(path)?.to_vec(), 60.0).map_err(|why| why.to_string())?;
        Ok(Recording { path: path.to_owned(), rate: sound.rate, tuned: 1.0, samples: sound.mono() })
    }

    fn text(&self, path: &str) -> Result<String, String> {
        String::from_utf8(bytes(path)?.to_vec()).map_err(|why| why.to_string())
    }
}

/// A bundled piece, checked with what it names.
pub fn check(name: &str, text: &str) -> Result<Checked, Report> {
    check_with(&Text::new(format!("{name}.toml"), text), None, &Bundled)
}

fn bytes(path: &str) -> Result<&'static [u8], String> {
    let found = BUNDLED_FILES.iter().find(|(known, _)| *known == path);
    found.map(|(_, bytes)| *bytes).ok_or_else(|| "it is not bundled".to_owned())
}
