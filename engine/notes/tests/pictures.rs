//! Pictures of a made-up word. `TENTERHOOK_PICTURES=FOLDER` keeps them: look at them.

mod word;

use std::fs;
use std::path::Path;

use tenterhook_notes::picture::{Picture, png};

fn keep(name: &str, bytes: &[u8]) {
    if let Some(folder) = std::env::var_os("TENTERHOOK_PICTURES") {
        fs::write(Path::new(&folder).join(name), bytes).unwrap();
    }
}

#[test]
fn a_word_of_ten_seconds_is_small_enough_to_send() {
    let study = word::study(3);
    let picture =
        Picture { study: &study, title: "Salt, three times", tuning_hz: 415.0, chosen: None, confidence: 0.5 };
    let svg = picture.svg().unwrap();
    keep("long.svg", svg.as_bytes());
    keep("long.png", &png(&svg, 1600).unwrap());
    assert!(svg.len() < 400_000, "{} bytes", svg.len());
}

#[test]
fn a_word() {
    let (study, moment) = (word::study(1), word::moment());
    let picture = Picture { study: &study, title: "Salt", tuning_hz: 415.0, chosen: Some(&moment), confidence: 0.5 };
    let svg = picture.svg().unwrap();
    keep("word.svg", svg.as_bytes());
    keep("word.png", &png(&svg, 2000).unwrap());
}
