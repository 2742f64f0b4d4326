//! Scenes as they are once all is taken over: for programs whole, for people who is like whom.

use serde_json::{Map, Value, json};
use tenterhook_dsp::effects::named;
use tenterhook_plan::declare::{Kind, Setting, SettingDeclaration};
use tenterhook_plan::{By, Instance, Plan, SceneId, Source, Use};

/// Which scenes are like which, in a sentence; `None`: each is written by itself.
pub fn who_is_like_whom(plan: &Plan) -> Option<String> {
    let mut told = Vec::new();
    for (at, scene) in plan.scenes.iter().enumerate() {
        let like = |other: &&tenterhook_plan::Scene| other.like == Some(SceneId::new(at));
        let marks: Vec<_> = plan.scenes.iter().filter(like).map(|other| other.mark.as_str()).collect();
        match marks.as_slice() {
            [] => {}
            [one] => told.push(format!("{one} is like {}", scene.mark)),
            [most @ .., last] => told.push(format!("{} and {last} are like {}", most.join(", "), scene.mark)),
        }
    }
    (!told.is_empty()).then(|| format!("Of the scenes {}.", told.join("; ")))
}

/// All scenes, each with all that sounds in it, whatever of that is taken over from another.
pub fn to_json(plan: &Plan) -> Value {
    let mark = |scene: SceneId| plan.scenes[scene.index()].mark.as_str();
    let scenes = plan.scenes.iter().map(|scene| {
        json!({
            "mark": scene.mark, "name": scene.name, "bar": scene.bar, "cue": scene.cue, "fade": scene.fade,
            "like": scene.like.map(mark),
            "effects": scene.uses.iter().map(|one| effect(plan, one)).collect::<Vec<_>>(),
        })
    });
    scenes.collect()
}

fn effect(plan: &Plan, one: &Use) -> Value {
    let instance = &plan.instances[one.instance.index()];
    let sends = one.sends.iter().map(|send| {
        let db = 20.0 * f64::from(send.gain).log10();
        json!({ "output": plan.outputs[send.output.index()].name, "db": (db * 100.0).round() / 100.0 })
    });
    json!({
        "of": plan.owner_name(instance.owner),
        "mic": match source(plan, instance) {
            Source::Mic(mic) => Some(&plan.mics[mic.index()].name),
            Source::Group(_) | Source::Instance(_) => None,
        },
        "key": instance.key,
        "effect": instance.effect,
        "by": match instance.by {
            By::Scene => "scene",
            By::Controller(id) => &plan.controllers[id.index()].name,
        },
        "after": match instance.source {
            Source::Instance(followed) => Some(&plan.instances[followed.index()].key),
            Source::Mic(_) | Source::Group(_) => None,
        },
        "settings": settings(instance),
        "to": sends.collect::<Vec<_>>(),
    })
}

/// What it hears in the end, however many effects lie between.
fn source(plan: &Plan, instance: &Instance) -> Source {
    match instance.source {
        Source::Instance(followed) => source(plan, &plan.instances[followed.index()]),
        heard => heard,
    }
}

/// Its own settings by name: numbers in s, dB, Hz or cents, words and texts as they are written.
fn settings(instance: &Instance) -> Map<String, Value> {
    let declared = named(instance.effect).map_or(&[][..], |effect| effect.declaration.settings);
    let value = |setting: &Setting, declared: &SettingDeclaration| match (setting, declared.kind) {
        (Setting::Choice(word), Kind::Choice { words, .. }) => words.get(*word).map(|(word, _)| *word).into(),
        (Setting::Sound(sound), _) => sound.path.as_str().into(),
        (Setting::Tuning(tuning), _) => tuning.said.as_str().into(),
        (number, _) => number.number().into(),
    };
    instance.settings.iter().zip(declared).map(|(one, of)| (of.name.to_owned(), value(one, of))).collect()
}
