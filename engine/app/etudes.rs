//! `etudes`: the bundled pieces on one idea each.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use serde_json::json;
use tenterhook_plan::declare::Setting;

use crate::bundled::{self, BUNDLED_FILES};
use crate::cli::Etudes;
use crate::failure::Failure;
use crate::say::{answer, print};

/// The bundled pieces, by name.
pub const BUNDLED: [(&str, &str); 9] = [
    ("answer", include_str!("../../scenes/answer.toml")),
    ("demo", include_str!("../../scenes/demo.toml")),
    ("direct", include_str!("../../scenes/direct.toml")),
    ("double", include_str!("../../scenes/double.toml")),
    ("freeze", include_str!("../../scenes/freeze.toml")),
    ("reverse", include_str!("../../scenes/reverse.toml")),
    ("stretch", include_str!("../../scenes/stretch.toml")),
    ("sympathetic", include_str!("../../scenes/sympathetic.toml")),
    ("tape", include_str!("../../scenes/tape.toml")),
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
            Some(folder) => write(name, text, folder),
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

/// Writes a piece and the files that it names into a folder: all of them or none, and over nothing that is there.
fn write(name: &str, text: &'static str, folder: &Path) -> Result<(), Failure> {
    let mut files: Vec<(PathBuf, &[u8])> = vec![(format!("{name}.toml").into(), text.as_bytes())];
    let named = named(name, text)?;
    let beside = BUNDLED_FILES.iter().filter(|(path, _)| named.iter().any(|named| named == path));
    files.extend(beside.map(|(path, bytes)| (PathBuf::from(path), *bytes)));
    if let Some((there, _)) = files.iter().find(|(path, _)| folder.join(path).symlink_metadata().is_ok()) {
        let there = folder.join(there);
        return Err(Failure::Asked(format!("{} is there already: name another folder", there.display())));
    }
    let mut written = Vec::new();
    let done = fs::create_dir_all(folder).and_then(|()| write_all(&files, folder, &mut written));
    if let Err(why) = done {
        // What cannot be taken away again cannot be helped.
        written.iter().for_each(|path| drop(fs::remove_file(path)));
        return Err(Failure::Asked(format!(
            "cannot write into {} ({why}): see that it is a folder, may be written to, and has room",
            folder.display()
        )));
    }
    let list: String = written.iter().map(|path| format!("{}\n", path.display())).collect();
    print(&list)
}

/// Each file is whole before any has its name.
fn write_all(files: &[(PathBuf, &[u8])], folder: &Path, written: &mut Vec<PathBuf>) -> io::Result<()> {
    let unfinished = tempfile::Builder::new().prefix(".unfinished-").tempdir_in(folder)?;
    for (place, (_, bytes)) in files.iter().enumerate() {
        fs::write(unfinished.path().join(place.to_string()), bytes)?;
    }
    for (place, (path, _)) in files.iter().enumerate() {
        let path = folder.join(path);
        path.parent().map_or(Ok(()), fs::create_dir_all)?;
        fs::rename(unfinished.path().join(place.to_string()), &path)?;
        written.push(path);
    }
    unfinished.close()
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
