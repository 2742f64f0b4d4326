//! `etudes`: the bundled pieces on one idea each.

use std::path::Path;

use serde_json::json;
use tenterhook_io::place::Over;
use tenterhook_plan::declare::Setting;

use crate::bundled::{self, BUNDLED_FILES};
use crate::cli::Etudes;
use crate::failure::Failure;
use crate::say::{answer, print};
use crate::whole;

/// The bundled pieces, by name.
pub const BUNDLED: [(&str, &str); 9] = [
    ("answer", include_str!("../../../scenes/answer.toml")),
    ("demo", include_str!("../../../scenes/demo.toml")),
    ("direct", include_str!("../../../scenes/direct.toml")),
    ("double", include_str!("../../../scenes/double.toml")),
    ("freeze", include_str!("../../../scenes/freeze.toml")),
    ("reverse", include_str!("../../../scenes/reverse.toml")),
    ("stretch", include_str!("../../../scenes/stretch.toml")),
    ("sympathetic", include_str!("../../../scenes/sympathetic.toml")),
    ("tape", include_str!("../../../scenes/tape.toml")),
];

/// What a bundled piece says of itself in its first line.
pub fn idea(text: &str) -> &str {
    text.lines().next().unwrap_or("").trim_start_matches(['#', ' '])
}

/// Lists them, prints one, or writes one and what it names.
pub fn run(asked: &Etudes) -> Result<(), Failure> {
    if let Some(name) = &asked.name {
        let Some((name, text)) = BUNDLED.iter().find(|(known, _)| known == name) else {
            let names: Vec<_> = BUNDLED.iter().map(|(name, _)| *name).collect();
            return Err(Failure::Asked(format!("there is no étude `{name}`: there are {}", names.join(", "))));
        };
        match &asked.to {
            Some(folder) => write(name, text, folder, Over::said(asked.replace)),
            None => print(text),
        }
    } else if asked.json {
        let list: Vec<_> = BUNDLED.iter().map(|(name, text)| json!({ "name": name, "idea": idea(text) })).collect();
        answer(json!(list))
    } else {
        let line = |(name, text): &(&str, &str)| format!("{name:11}  {}\n", idea(text));
        let list: String = BUNDLED.iter().map(line).collect();
        print(&format!("{list}\n`tenterhook etudes NAME --to FOLDER` gives you a copy to change.\n"))
    }
}

/// Writes a piece and the files that it names into a folder.
fn write(name: &str, text: &'static str, folder: &Path, over: Over) -> Result<(), Failure> {
    let piece = format!("{name}.toml");
    let mut files: Vec<(&Path, &[u8])> = vec![(Path::new(&piece), text.as_bytes())];
    let named = named(name, text)?;
    let beside = BUNDLED_FILES.iter().filter(|(path, _)| named.iter().any(|named| named == path));
    files.extend(beside.map(|(path, bytes)| (Path::new(*path), *bytes)));
    let written = whole::write(folder, &files, over)?;
    let list: String = written.iter().map(|path| format!("{}\n", path.display())).collect();
    print(&list)
}

/// The paths of the files that a bundled piece names.
fn named(name: &str, text: &str) -> Result<Vec<String>, Failure> {
    let plan = bundled::check(name, text).map_err(Failure::Files)?.plan;
    let path = |setting: &Setting| match setting {
        Setting::Sound(recording) => Some(recording.path.clone()),
        Setting::Tuning(tuning) => tuning.is_spectrum().then(|| tuning.said.trim().to_owned()),
        Setting::Quantity(_) | Setting::Choice(_) | Setting::Interval(_) => None,
    };
    Ok(plan.instances.iter().flat_map(|instance| &instance.settings).filter_map(path).collect())
}
