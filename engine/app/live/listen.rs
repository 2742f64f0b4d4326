//! An etude made heard: the made-up voice plays it, scene after scene, each controller once up and down again.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use tempfile::TempDir;
use tenterhook_io::{Rendering, WavWriter, render};
use tenterhook_page::Etude;
use tenterhook_plan::{By, ControllerId, Event, Gesture, Plan, SceneId, Timed};

use crate::bundled;
use crate::commands::etudes::{BUNDLED, idea};

const RATE: u32 = 48_000;
/// Seconds that each controller of each scene has, and from where to where in them it is up.
const TURN: u64 = 12;
const UP: std::ops::Range<u64> = 3..7;
/// Steps of its way up and down, and how many of them a second has.
const STEPS: u32 = 20;
const STEPS_A_SECOND: u32 = 20;
/// The made-up players begin with their fourth second, where they all play.
const FROM: usize = 3 * RATE as usize;
/// How loud the player is beside the effect, as in a room, and both together: their sum stays under full scale.
const PLAYER: f32 = 0.4;
const ALL: f32 = 0.7;

/// Every etude, as the page shows it.
pub fn etudes() -> Vec<Etude> {
    let etude = |&(name, text): &(&str, &str)| Etude {
        name: name.to_owned(),
        title: title(text).to_owned(),
        idea: idea(text).to_owned(),
        text: text.to_owned(),
    };
    BUNDLED.iter().map(etude).collect()
}

/// The title that a bundled piece gives itself.
fn title(text: &str) -> &str {
    let line = text.lines().find_map(|line| line.strip_prefix("title"));
    line.and_then(|line| line.split('"').nth(1)).unwrap_or("")
}

/// Etudes as WAV files in a folder of their own, each made when it is first asked for, and so is the folder: one that the
/// system does not give keeps no show from beginning.
#[derive(Default)]
pub struct EtudeListening(Mutex<Made>);

#[derive(Default)]
struct Made {
    files: HashMap<String, PathBuf>,
    /// Goes when this does.
    folder: Option<TempDir>,
}

impl EtudeListening {
    /// The file in which an etude is heard, or why there is none, in words.
    pub fn file(&self, name: &str) -> Result<PathBuf, String> {
        let mut made = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if let Some(path) = made.files.get(name) {
            return Ok(path.clone());
        }
        let (_, text) = BUNDLED.iter().find(|(known, _)| *known == name).ok_or("there is no such étude")?;
        let folder = match made.folder.take() {
            Some(folder) => folder,
            None => tempfile::tempdir().map_err(|why| {
                format!("the étude could not be played ({why}): see that the folder for temporary files, TMPDIR, may be written to")
            })?,
        };
        let path = made.folder.insert(folder).path().join(format!("{name}.wav"));
        write(text, &path).map_err(|why| format!("the étude could not be played ({why})"))?;
        made.files.insert(name.to_owned(), path.clone());
        Ok(path)
    }
}

fn write(text: &str, path: &Path) -> Result<(), String> {
    // It is bundled, and tested to be right.
    let checked = bundled::check("etude", text).map_err(|why| why.render(false))?;
    let plan = &checked.plan;
    let (events, seconds) = turns(plan);
    let length = seconds as usize * RATE as usize;
    let players = tenterhook_ensemble::sound(RATE).map_err(|why| why.to_string())?;
    let played = |player: &Vec<f32>| (0..length).map(|i| player[(FROM + i) % player.len()]).collect::<Vec<_>>();
    let inputs: Vec<_> = players.iter().map(played).collect();
    let heard: Vec<usize> = plan.mics.iter().filter_map(|mic| mic.input.map(usize::from)).collect();
    let (mut engine, mut control) = tenterhook_rt::engine(plan, RATE, SceneId(0));
    let outputs = plan.outputs.len();
    let mut writer = WavWriter::create(path, outputs, RATE).map_err(|why| why.to_string())?;
    let mut at = 0;
    let rendering = Rendering { inputs: &inputs, outputs, blocks: &[256], events: &events, tail: 0 };
    let done = render(&mut engine, &rendering, |block| {
        while control.applied().is_some() || control.reading().is_some() {}
        let mixed = block.iter().map(|channel| {
            let player = |i: usize| heard.iter().filter_map(|input| inputs.get(*input)?.get(at + i)).sum::<f32>();
            channel.iter().enumerate().map(|(i, sound)| ALL * (sound + PLAYER * player(i))).collect::<Vec<_>>()
        });
        let mixed: Vec<_> = mixed.collect();
        at += mixed.first().map_or(0, Vec::len);
        writer.write(&mixed.iter().map(Vec::as_slice).collect::<Vec<_>>()).map_err(std::io::Error::other)
    });
    done.map_err(|why| why.to_string())?;
    writer.finish().map_err(|why| why.to_string())
}

/// Each scene with each of its controllers in turn, and how many seconds all that takes.
fn turns(plan: &Plan) -> (Vec<Timed<Event>>, u64) {
    let (mut events, mut seconds) = (Vec::new(), 0);
    let at = |second: f64, what| Timed { sample: (second * f64::from(RATE)) as u64, what: Event::written(what) };
    for (index, scene) in plan.scenes.iter().enumerate() {
        let mut hands: Vec<Option<ControllerId>> = Vec::new();
        for used in &scene.uses {
            let hand = match plan.instances[used.instance.index()].by {
                By::Controller(id) => Some(id),
                By::Scene => None,
            };
            if !hands.contains(&hand) {
                hands.push(hand);
            }
        }
        events.push(at(seconds as f64, Gesture::Fire(SceneId::new(index))));
        for hand in hands {
            if let Some(id) = hand {
                for step in 1..=STEPS {
                    let value = step as f32 / STEPS as f32;
                    let after = f64::from(step - 1) / f64::from(STEPS_A_SECOND);
                    events.push(at((seconds + UP.start) as f64 + after, Gesture::Controller { id, value }));
                    let value = 1.0 - value;
                    events.push(at((seconds + UP.end) as f64 + after, Gesture::Controller { id, value }));
                }
            }
            seconds += TURN;
        }
    }
    events.sort_by_key(|event| event.sample);
    (events, seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_etude_has_a_title_and_is_heard_and_stays_under_full_scale() {
        let listening = EtudeListening::default();
        for etude in etudes().into_iter().filter(|etude| etude.name != "demo") {
            assert!(!etude.title.is_empty() && !etude.idea.is_empty(), "{}", etude.name);
            let recording = tenterhook_io::read_wav(&listening.file(&etude.name).unwrap()).unwrap();
            let peak = recording.channels.iter().flatten().fold(0f32, |peak, x| peak.max(x.abs()));
            assert!(peak > 0.05 && peak < 1.0, "{}: {peak}", etude.name);
        }
    }
}
