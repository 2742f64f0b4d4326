//! One piece, what may become of it, and halls for it.

use proptest::prelude::*;

/// A piece that says everything a piece can say.
pub const LETTERS: &str = include_str!("letters.toml");

/// The whole piece with a few of its pieces cut out, doubled or put elsewhere.
pub fn mutated() -> impl Strategy<Value = String> {
    let words = [
        "\"pedal\"",
        "\"none\"",
        "{}",
        "[]",
        "=",
        "\n",
        "1",
        "-1",
        "nan",
        "1e999",
        "after = \"freeze\"",
        "[[scene]]",
        "é",
    ];
    let cut = (0..LETTERS.len(), 0..40usize, prop::sample::select(words.to_vec()), any::<bool>());
    prop::collection::vec(cut, 1..6).prop_map(|cuts| {
        let mut text: Vec<char> = LETTERS.chars().collect();
        for (at, length, word, insert) in cuts {
            let at = at.min(text.len());
            let end = (at + length).min(text.len());
            let taken: Vec<char> = text.splice(at..end, []).collect();
            let put = if insert { word.chars().collect() } else { taken };
            let place = (at * 7) % (text.len() + 1);
            text.splice(place..place, put);
        }
        text.into_iter().collect()
    })
}

/// A hall of some of these words for each of some names, whether they go together or not.
pub fn any_hall() -> impl Strategy<Value = String> {
    let names = ["mics.voice", "mics.viol", "outputs.left", "outputs.right", "controllers.pedal", "controllers.foot"];
    let more = ["controllers.sway", "controllers.loud", "controllers.lever", "controllers.held", "controllers.step"];
    let words = [
        "1",
        "2",
        "\"none\"",
        "{ input = 2 }",
        "{ home = \"ears\" }",
        "{ home = [] }",
        "{ output = 1 }",
        "{ private = true }",
        "{ away = \"14 m\" }",
        "{ output = 1, private = true, shared = true }",
        "{ cc = 64 }",
        "{ cc = 1 }",
        "{ cc = 11, curve = \"fast\" }",
        "{ note = 24 }",
        "{ key = \"PageUp\" }",
        "{ key = \"?\" }",
        "{ osc = \"/sway\" }",
        "{ osc = \"/b\", from = 1 }",
        "{ from = 1.0 }",
        "{ to = \"-50 dB\" }",
        "{ latch = true }",
        "{ loudness = \"viol\" }",
        "{ loudness = \"viol\", from = \"-9 dB\", to = \"-9 dB\" }",
        "{ channel = 1 }",
        "{ port = \"Foot\" }",
        "{ switch = true }",
        "{ switch = false }",
        "{ curve = \"slow\" }",
        "{ rise = \"1 s\" }",
        "{}",
    ];
    let name = prop::sample::subsequence([&names[..], &more[..]].concat(), 1..6);
    let word = prop::collection::vec(prop::sample::select(words.to_vec()), 6);
    (name, word)
        .prop_map(|(names, words)| names.iter().zip(words).map(|(name, word)| format!("{name} = {word}\n")).collect())
}
