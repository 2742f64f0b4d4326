//! A scene that is like another: what it takes over from there.

use super::effect::{WrittenEffect, WrittenPart};
use super::{NamedTable, WrittenScene};
use crate::kind::Kind;
use crate::near;
use crate::report::Findings;

/// A scene with all that it takes over.
pub(crate) struct WholeScene {
    /// The effects, by the name of their mic or group.
    pub parts: Vec<NamedTable<Vec<WrittenEffect>>>,
    /// The scene that it is like, as a place among them; a scene that is like none, or wrongly so, has none.
    pub like: Option<usize>,
}

/// A scene with all that it takes over from the one that it is like: each line of an effect that it does not write itself.
pub(crate) fn whole(scenes: &[WrittenScene], at: usize, findings: &mut Findings) -> WholeScene {
    let scene = &scenes[at];
    let like = like(scenes, at, findings);
    let mut parts: Vec<NamedTable<Vec<WrittenEffect>>> = like
        .map(|like| scenes[like].parts.iter().map(|part| named(part, part.what.effects.clone())).collect())
        .unwrap_or_default();
    for part in &scene.parts {
        let WrittenPart { effects, taken_away } = &part.what;
        let known = parts.iter().position(|other| other.name == part.name).unwrap_or_else(|| {
            parts.push(named(part, Vec::new()));
            parts.len() - 1
        });
        let lines = &mut parts[known].what;
        for (key, place) in taken_away {
            let before = lines.len();
            lines.retain(|line| line.key != *key);
            if lines.len() < before || scene.like.is_said() && like.is_none() {
                continue;
            }
            let (message, remedy) = match like.and_then(|like| scenes[like].mark.value()) {
                Some(mark) => (
                    format!("nothing is taken away here: \"{mark}\" has no effect \"{key}\" at \"{}\"", part.name),
                    format!("leave the line out, or name a line of \"{mark}\""),
                ),
                None => (
                    format!("nothing is taken away here: this scene is like no other, so \"{key}\" does nothing in it"),
                    "leave the line out, or write like = \"…\" below [[scene]]".to_owned(),
                ),
            };
            findings.add(Kind::UselessKey, *place, message, remedy);
        }
        for effect in effects {
            // What is written in the place of a line stays in its place: the order of sums is that of the lines.
            match lines.iter_mut().find(|line| line.key == effect.key) {
                Some(line) => *line = effect.clone(),
                None => lines.push(effect.clone()),
            }
        }
    }
    WholeScene { parts, like }
}

fn named<T, U>(part: &NamedTable<T>, what: U) -> NamedTable<U> {
    NamedTable { name: part.name.clone(), place: part.place, what }
}

/// The scene that this one says it is like.
fn like(scenes: &[WrittenScene], at: usize, findings: &mut Findings) -> Option<usize> {
    let said = scenes[at].like.at()?;
    let marks = || scenes.iter().enumerate().filter(|(other, _)| *other != at).map(|(_, scene)| scene);
    let names = || marks().filter_map(|scene| scene.mark.value()).map(String::as_str);
    let found = scenes.iter().position(|scene| scene.mark.value() == Some(&said.value));
    let own = scenes[at].mark.value() == Some(&said.value);
    match found.map(|found| (found, scenes[found].like.value())) {
        Some((_, _)) if own => {
            let message = format!("\"{}\" is this scene itself", said.value);
            findings.add(
                Kind::UnknownMark,
                said.place,
                message,
                "name the scene that it takes over from, or leave it out",
            );
            None
        }
        // It may be the one whose mark could not be read, which has been told.
        None if marks().any(|scene| scene.mark.value().is_none()) && near::nearest(&said.value, names()).is_none() => {
            None
        }
        None => {
            let message = format!("there is no scene \"{}\" that this one could be like", said.value);
            findings.add(Kind::UnknownMark, said.place, message, near::remedy(&said.value, "marks", names()));
            None
        }
        Some((_, Some(further))) => {
            let message =
                format!("\"{}\" is itself like \"{further}\", and what is taken over must be written", said.value);
            let remedy = match scenes[at].mark.value() == Some(further) {
                true => "write the lines of one of the two".to_owned(),
                false => format!("write like = \"{further}\", and below it what differs from that"),
            };
            findings.add(Kind::LikeOfLike, said.place, message, remedy);
            None
        }
        Some((found, None)) => Some(found),
    }
}
