//! Halls: whatever the text, it is refused with a place and a remedy, or the piece is a whole plan in it.

use tenterhook_config::{Text, check_with};

use crate::piece::{Beside, judged};

const PIECE: &str = r#"mics = { voice = 1, viol = { input = 2, trim = "3 dB" } }
outputs = { left = 1, right = { output = 2, ceiling = "-3 dB" } }
controllers = { foot = { cc = 11 }, pedal = { cc = 64 }, key = { key = "PageDown" } }
next = "key"
[[scene]]
mark = "A"
mic.voice.freeze = { by = "foot" }
mic.viol.direct = { by = "scene", to = ["right"] }
[[scene]]
mark = "B"
mic.voice.reverse = { by = "pedal", span = "300 ms" }
"#;

/// Panics if a hall is neither refused well nor one in which the piece sounds.
pub fn law(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let (piece, hall) = (Text::new("piece.toml", PIECE), Text::new("hall.toml", text.as_ref()));
    judged(check_with(&piece, Some(&hall), &Beside), &[("piece.toml", PIECE), ("hall.toml", &text)]);
}

/// Some halls.
pub fn seeds() -> Vec<Vec<u8>> {
    let texts = [
        "",
        "[device]\nhost = \"jack\"\nrate = 48000\nblock = 128\n",
        "[device]\nhost = \"alsa\"\ninput = \"reed\"\noutput = \"reed\"\n",
        "[mics]\nvoice = { input = 3, trim = \"-2 dB\", highpass = \"80 Hz\", polarity = \"inverted\" }\nviol = \"none\"\n",
        "[mics]\nvoice = 2\nviol = 1\n[outputs]\nleft = { output = 3, ceiling = \"-6 dB\" }\nright = \"none\"\n",
        "[controllers]\nfoot = { cc = 4, channel = 2, port = \"Foot\", curve = \"slow\" }\npedal = { note = 60 }\n\
         key = { osc = \"/key\", from = 0.0, to = 10.0 }\n",
        "[controllers]\npedal = { loudness = \"voice\", from = \"-50 dB\", to = \"-12 dB\" }\nfoot = { latch = true }\n",
    ];
    texts.map(|text| text.as_bytes().to_vec()).to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_seeds_are_halls_of_the_piece() {
        for seed in seeds() {
            let hall = Text::new("hall.toml", String::from_utf8(seed).unwrap());
            let checked = check_with(&Text::new("piece.toml", PIECE), Some(&hall), &Beside);
            assert!(checked.is_ok(), "{}: {}", hall.text, checked.unwrap_err().render(false));
        }
    }
}
