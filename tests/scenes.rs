//! The bundled pieces: each is right, is printed by the program, sounds by its own controllers and falls silent again.

use std::fs;
use std::path::Path;
use std::process::Command;

use tenterhook_config::{Files, Text};
use tenterhook_dsp::effects::EFFECTS;
use tenterhook_io::{Rendering, render};
use tenterhook_plan::declare::Setting;
use tenterhook_plan::{By, ControllerId, Event, Gesture, Plan, Recording, SceneId, Timed};

const RATE: u32 = 48_000;

fn folder() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/scenes"))
}

/// All pieces of the folder, by name.
fn pieces() -> Vec<(String, String)> {
    let mut pieces: Vec<_> = fs::read_dir(folder())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        .map(|path| (path.file_stem().unwrap().to_str().unwrap().to_owned(), fs::read_to_string(&path).unwrap()))
        .collect();
    pieces.sort();
    pieces
}

/// The files beside the pieces.
struct Beside;

impl Files for Beside {
    fn sound(&self, path: &str) -> Result<Recording, String> {
        let sound = tenterhook_io::read_wav(&folder().join(path)).map_err(|why| why.to_string())?;
        assert_eq!(sound.channels.len(), 1, "{path}");
        Ok(Recording {
            path: path.to_owned(),
            rate: sound.rate,
            tuned: 1.0,
            samples: sound.channels[0].as_slice().into(),
        })
    }

    fn text(&self, path: &str) -> Result<String, String> {
        fs::read_to_string(folder().join(path)).map_err(|why| why.to_string())
    }
}

fn plan(name: &str, text: &str) -> Plan {
    let checked = match tenterhook_config::check_with(&Text::new(name, text), None, &Beside) {
        Ok(checked) => checked,
        Err(report) => panic!("{}", report.render(false)),
    };
    assert!(checked.cautions.is_empty(), "{}", checked.cautions.render(false));
    checked.plan
}

/// The outputs of a piece with the made-up ensemble before its mics, from `from` seconds of its music on.
fn sound(plan: &Plan, from: f64, seconds: f64, events: &[Timed<Event>]) -> Vec<Vec<f32>> {
    let players = tenterhook_ensemble::sound(RATE).unwrap();
    let samples = |seconds: f64| (seconds * f64::from(RATE)) as usize;
    // A piece for one player has the voice.
    let inputs: Vec<Vec<f32>> =
        players.iter().map(|player| player[samples(from)..samples(from + seconds)].to_vec()).collect();
    let (mut engine, mut control) = tenterhook_rt::engine(plan, RATE, SceneId(0));
    let outputs = plan.outputs.len();
    let mut out = vec![Vec::new(); outputs];
    let rendering = Rendering { inputs: &inputs, outputs, blocks: &[256], events, tail: 0 };
    render(&mut engine, &rendering, |block| {
        while control.applied().is_some() || control.reading().is_some() {}
        for (out, block) in out.iter_mut().zip(block) {
            out.extend_from_slice(block);
        }
        Ok(())
    })
    .unwrap();
    out
}

fn loudest(out: &[Vec<f32>], from: f64, to: f64) -> f32 {
    let range = (from * f64::from(RATE)) as usize..(to * f64::from(RATE)) as usize;
    out.iter().flat_map(|channel| &channel[range.clone()]).fold(0.0, |most, sample| most.max(sample.abs()))
}

#[test]
fn there_is_an_etude_for_each_effect_and_the_program_prints_each_piece_as_it_is() {
    let names: Vec<_> = pieces().into_iter().map(|(name, _)| name).collect();
    for effect in &EFFECTS {
        let name = effect.declaration.name;
        assert!(names.iter().any(|one| one == name), "{name} has no étude: write one into scenes/{name}.toml");
    }
    let list = Command::new(env!("CARGO_BIN_EXE_tenterhook")).arg("etudes").output().unwrap();
    let list = String::from_utf8(list.stdout).unwrap();
    for (name, text) in pieces() {
        assert!(
            list.lines().any(|line| line.starts_with(&format!("{name} "))),
            "scenes/{name}.toml is not bundled: give it a line in engine/app/commands/etudes.rs\n{list}"
        );
        let printed = Command::new(env!("CARGO_BIN_EXE_tenterhook")).args(["etudes", &name]).output().unwrap();
        assert_eq!(String::from_utf8(printed.stdout).unwrap(), text);
    }
}

#[test]
fn an_etude_is_written_with_the_files_that_it_names_and_over_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, to: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tenterhook"));
        command.args(["etudes", name, "--to", to]).current_dir(dir.path()).output().unwrap()
    };
    for (name, text) in pieces() {
        let output = write(&name, &name);
        assert!(output.status.success(), "{name}: {}", String::from_utf8_lossy(&output.stderr));
        let settings = plan(&name, &text).instances.into_iter().flat_map(|instance| instance.settings);
        let mut due: Vec<_> = settings
            .filter_map(|setting| match setting {
                Setting::Sound(recording) => Some(recording.path),
                Setting::Tuning(tuning) if tuning.is_spectrum() => Some(tuning.said),
                _ => None,
            })
            .chain([format!("{name}.toml")])
            .collect();
        due.sort();
        due.dedup();
        let told = String::from_utf8(output.stdout).unwrap();
        let mut written: Vec<_> = told.lines().map(|path| path[name.len() + 1..].to_owned()).collect();
        written.sort();
        assert_eq!(written, due, "{name}");
        for path in due {
            let bytes = |base: &Path| fs::read(base.join(&path)).unwrap();
            assert!(bytes(&dir.path().join(&name)) == bytes(folder()), "{path}");
        }
        let unfinished = |entry: fs::DirEntry| entry.file_name().to_string_lossy().starts_with('.');
        assert!(!fs::read_dir(dir.path().join(&name)).unwrap().any(|entry| unfinished(entry.unwrap())));
    }
    // A file that it would write is there: nothing is written, and that file stays.
    fs::create_dir(dir.path().join("mine")).unwrap();
    fs::write(dir.path().join("mine/letter.wav"), "mine").unwrap();
    let output = write("tape", "mine");
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(
        said.contains("letter.wav is there already") && said.contains("another name") && said.contains("--replace"),
        "{said}"
    );
    assert_eq!(fs::read_dir(dir.path().join("mine")).unwrap().count(), 1);
    assert_eq!(fs::read_to_string(dir.path().join("mine/letter.wav")).unwrap(), "mine");
    // Where no folder can be, none is made, and that is said.
    let output = write("tape", "mine/letter.wav");
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("cannot write into mine/letter.wav"), "{said}");
}

#[test]
fn each_etude_shows_every_setting_of_its_effect() {
    for effect in &EFFECTS {
        let name = effect.declaration.name;
        let (_, text) = pieces().into_iter().find(|(piece, _)| piece == name).unwrap();
        for setting in effect.declaration.settings {
            assert!(text.contains(setting.name), "scenes/{name}.toml does not show `{}`", setting.name);
        }
    }
}

#[test]
fn each_effect_of_each_etude_sounds_by_its_controller_and_is_silent_at_rest() {
    for (name, text) in pieces().into_iter().filter(|(name, _)| name != "demo") {
        let plan = plan(&name, &text);
        for (index, scene) in plan.scenes.iter().enumerate() {
            for used in &scene.uses {
                let instance = &plan.instances[used.instance.index()];
                let By::Controller(id) = instance.by else { continue };
                let at = |seconds: f64, what: Gesture| Timed {
                    sample: (seconds * f64::from(RATE)) as u64,
                    what: Event::written(what),
                };
                let events = [
                    at(0.0, Gesture::Fire(SceneId::new(index))),
                    at(3.0, Gesture::Controller { id, value: 0.8 }),
                    at(9.0, Gesture::Controller { id, value: 0.0 }),
                ];
                // The voice sings from the fourth second of its music on, ends its phrase, and begins another.
                let out = sound(&plan, 3.0, 15.0, &events);
                let key = &instance.key;
                assert_eq!(loudest(&out, 0.0, 3.0), 0.0, "{name}, scene {}, {key} before", scene.mark);
                assert!(loudest(&out, 3.0, 9.0) > 0.01, "{name}, scene {}, {key} is not heard", scene.mark);
                assert_eq!(loudest(&out, 14.5, 15.0), 0.0, "{name}, scene {}, {key} after", scene.mark);
            }
        }
    }
}

#[test]
fn the_demo_goes_through_all_its_scenes_and_every_effect_is_heard() {
    let (_, text) = pieces().into_iter().find(|(name, _)| name == "demo").unwrap();
    let plan = plan("demo", &text);
    let written = fs::read(folder().join("demo.csv")).unwrap();
    let gestures = tenterhook_config::gestures("demo.csv", &written, &plan).unwrap().at_rate(RATE);
    let fired = gestures.iter().filter(|event| matches!(event.what, Event::Gesture(Gesture::Fire(_), _))).count();
    assert_eq!(fired + 1, plan.scenes.len());
    let moved = |id: ControllerId| {
        gestures
            .iter()
            .any(|event| matches!(event.what, Event::Gesture(Gesture::Controller { id: other, .. }, _) if other == id))
    };
    for instance in &plan.instances {
        let By::Controller(id) = instance.by else { continue };
        assert!(moved(id), "nothing moves {}", plan.controllers[id.index()].name);
    }
    let seconds = tenterhook_ensemble::SCORE.seconds;
    let out = sound(&plan, 0.0, seconds, &gestures);
    let mut ends: Vec<f64> = gestures
        .iter()
        .filter(|event| matches!(event.what, Event::Gesture(Gesture::Fire(_), _)))
        .map(|event| event.sample as f64 / f64::from(RATE))
        .collect();
    ends.push(seconds);
    let mut begin = 0.0;
    for end in ends {
        assert!(loudest(&out, begin, end) > 0.02, "nothing is heard between {begin} s and {end} s");
        begin = end;
    }
    // The limiters hardly work: the highest ceiling is −1 dBFS.
    assert!(loudest(&out, 0.0, seconds) < 0.85);
    assert_eq!(loudest(&out, seconds - 0.5, seconds), 0.0, "it ends in silence");
}
