//! `etudes`: the bundled pieces on one idea each.

use serde_json::json;

use crate::cli::Etudes;
use crate::failure::Failure;
use crate::say::{answer, print};

/// The bundled pieces, by name.
pub const BUNDLED: [(&str, &str); 7] = [
    ("answer", include_str!("../../scenes/answer.toml")),
    ("demo", include_str!("../../scenes/demo.toml")),
    ("direct", include_str!("../../scenes/direct.toml")),
    ("double", include_str!("../../scenes/double.toml")),
    ("freeze", include_str!("../../scenes/freeze.toml")),
    ("reverse", include_str!("../../scenes/reverse.toml")),
    ("stretch", include_str!("../../scenes/stretch.toml")),
];

/// What a bundled piece says of itself in its first line.
pub fn idea(text: &str) -> &str {
    text.lines().next().unwrap_or("").trim_start_matches(['#', ' '])
}

/// Lists them, or prints one.
pub fn run(asked: &Etudes) -> Result<(), Failure> {
    if let Some(name) = &asked.name {
        let Some((_, text)) = BUNDLED.iter().find(|(known, _)| known == name) else {
            let names: Vec<_> = BUNDLED.iter().map(|(name, _)| *name).collect();
            return Err(Failure::Asked(format!("there is no étude `{name}`: there are {}", names.join(", "))));
        };
        print(text)
    } else if asked.json {
        let list: Vec<_> = BUNDLED.iter().map(|(name, text)| json!({ "name": name, "idea": idea(text) })).collect();
        answer(json!(list))
    } else {
        let line = |(name, text): &(&str, &str)| format!("{name:8}  {}\n", idea(text));
        let list: String = BUNDLED.iter().map(line).collect();
        print(&format!("{list}\n`tenterhook etudes NAME > piece.toml` gives you a copy to change.\n"))
    }
}
