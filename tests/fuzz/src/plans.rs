//! What every plan keeps that a checker lets through.

use std::collections::HashSet;

use tenterhook_config::Report;
use tenterhook_dsp::effects;
use tenterhook_plan::declare::{Kind, Setting};
use tenterhook_plan::{Address, By, ControllerId, Gesture, Instance, Owner, Plan, Source};

/// Panics unless a report says at least one thing, each with a place in its text, a sentence and a remedy.
pub fn refused(report: &Report, texts: &[(&str, &str)]) {
    assert!(!report.is_empty(), "refused without a word");
    for said in report.diagnostics() {
        assert!(!said.message.is_empty() && !said.remedy.is_empty(), "{said:?}");
        let (_, text) = texts.iter().find(|(name, _)| *name == said.file).expect("it is about one of the texts");
        if let Some(position) = &said.position {
            assert!(text.get(position.span.clone()).is_some(), "{said:?} lies outside its text");
            assert_eq!(text[..position.span.start].matches('\n').count() + 1, position.line, "{said:?}");
        }
    }
    assert!(report.render(false).contains(&report.diagnostics()[0].file));
    assert_eq!(report.to_json().as_array().map(Vec::len), Some(report.diagnostics().len()));
}

/// Panics unless all ids are in range, all names are told apart and all numbers are usable.
pub fn whole(plan: &Plan) {
    assert!(!plan.scenes.is_empty(), "a scene at least");
    assert!(plan.tuning_hz.is_finite() && plan.tuning_hz > 0.0);
    differ(plan.mics.iter().map(|mic| mic.name.as_str()));
    differ(plan.outputs.iter().map(|output| output.name.as_str()));
    differ(plan.controllers.iter().map(|controller| controller.name.as_str()));
    differ(plan.scenes.iter().map(|scene| scene.mark.as_str()));
    for mic in &plan.mics {
        assert!(mic.trim.0.is_finite() && mic.highpass_hz.is_none_or(|hz| hz.is_finite() && hz > 0.0), "{mic:?}");
    }
    assert!(plan.outputs.iter().all(|output| output.ceiling.0 <= 0.0 && output.ceiling.0.is_finite()));
    let mics = plan.mics.len();
    assert!(plan.groups.iter().flat_map(|group| &group.mics).all(|mic| mic.index() < mics));
    let is_controller = |id: ControllerId| id.index() < plan.controllers.len();
    assert!([plan.next, plan.back, plan.hush].into_iter().flatten().all(is_controller));
    for controller in &plan.controllers {
        let seconds = |seconds: f64| seconds.is_finite() && seconds >= 0.0;
        assert!(seconds(controller.rise) && controller.fall.is_none_or(seconds), "{controller:?}");
        match controller.address {
            Address::Osc { from, to, .. } => assert!(from.is_finite() && to.is_finite() && from != to),
            Address::Loudness { mic, from_db, to_db } => {
                assert!(mic.index() < mics && from_db.is_finite() && to_db.is_finite() && from_db != to_db);
            }
            _ => {}
        }
    }
    for (n, instance) in plan.instances.iter().enumerate() {
        match instance.owner {
            Owner::Mic(id) => assert!(id.index() < mics),
            Owner::Group(id) => assert!(id.index() < plan.groups.len()),
        }
        match instance.source {
            Source::Mic(id) => assert!(id.index() < mics),
            Source::Group(id) => assert!(id.index() < plan.groups.len()),
            Source::Instance(id) => assert!(id.index() < n, "it comes after the one it follows"),
        }
        if let By::Controller(id) = instance.by {
            assert!(is_controller(id));
        }
        settings(instance);
    }
    for scene in &plan.scenes {
        assert!(scene.fade.is_finite() && scene.fade >= 0.0);
        let mut seen = HashSet::new();
        for one in &scene.uses {
            assert!(one.instance.index() < plan.instances.len() && seen.insert(one.instance), "{one:?}");
            for send in &one.sends {
                assert!(send.output.index() < plan.outputs.len() && send.gain.is_finite() && send.gain >= 0.0);
            }
        }
    }
}

fn differ<'a>(names: impl Iterator<Item = &'a str>) {
    let mut seen = HashSet::new();
    names.for_each(|name| assert!(!name.is_empty() && seen.insert(name), "`{name}` twice, or nothing"));
}

/// Panics unless an effect's settings are those that it declares, within their ranges.
fn settings(instance: &Instance) {
    let effect = effects::named(instance.effect).expect("an effect of the table");
    let declared = effect.declaration.settings;
    assert_eq!(instance.settings.len(), declared.len(), "{}", instance.effect);
    for (setting, declared) in instance.settings.iter().zip(declared) {
        let fits = match (setting, declared.kind) {
            (Setting::Quantity(number), Kind::Quantity { least, most, .. }) => (least..=most).contains(number),
            (Setting::Choice(place), Kind::Choice { words, .. }) => *place < words.len(),
            (Setting::Interval(cents), Kind::Interval { least_cents, most_cents, .. }) => {
                (least_cents..=most_cents).contains(cents)
            }
            (Setting::Sound(_), Kind::Sound) | (Setting::Tuning(_), Kind::Tuning) => true,
            _ => false,
        };
        assert!(fits, "{}: {} is {setting:?}", instance.effect, declared.name);
    }
}

/// Panics unless a gesture that somebody may send names things of the plan, in their ranges.
pub fn meant(gesture: Gesture, plan: &Plan) {
    let in_range = match gesture {
        Gesture::Controller { id, value } => id.index() < plan.controllers.len() && (0.0..=1.0).contains(&value),
        Gesture::Press { id, .. } => plan.controllers.get(id.index()).is_some_and(|controller| controller.latch),
        Gesture::Fire(scene) => scene.index() < plan.scenes.len(),
        Gesture::Level { output, db } => {
            output.is_none_or(|output| output.index() < plan.outputs.len()) && db.is_finite() && db <= 24.0
        }
        Gesture::Trim { trim, db } => trim.index() < plan.trims.len() && (-24.0..=6.0).contains(&db),
        Gesture::Mute { mic, .. } => mic.index() < plan.mics.len(),
        Gesture::Next | Gesture::Back | Gesture::Hush(_) => true,
    };
    assert!(in_range, "{gesture:?}");
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::panic::catch_unwind;
    use tenterhook_config::{Text, check};
    use tenterhook_plan::{InstanceId, MicId, SceneId};

    #[test]
    fn a_plan_and_a_gesture_that_break_the_law_are_seen() {
        let text = "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { foot = { cc = 11 } }\n\
                    [[scene]]\nmark = \"A\"\nmic.voice.freeze = { by = \"foot\" }\n";
        let plan = check(&Text::new("piece.toml", text), None).unwrap().plan;
        whole(&plan);
        let breaks: [fn(&mut Plan); 6] = [
            |plan| plan.scenes.clear(),
            |plan| plan.scenes[0].fade = f64::NAN,
            |plan| plan.instances[0].source = Source::Instance(InstanceId(0)),
            |plan| plan.instances[0].by = By::Controller(ControllerId(1)),
            |plan| drop(plan.instances[0].settings.pop()),
            |plan| plan.next = Some(ControllerId(1)),
        ];
        for change in breaks {
            let mut broken = plan.clone();
            change(&mut broken);
            assert!(catch_unwind(|| whole(&broken)).is_err(), "{broken:?}");
        }
        for gesture in [
            Gesture::Fire(SceneId(1)),
            Gesture::Controller { id: ControllerId(0), value: f32::NAN },
            Gesture::Mute { mic: MicId(1), muted: true },
            Gesture::Level { output: None, db: 25.0 },
        ] {
            assert!(catch_unwind(|| meant(gesture, &plan)).is_err(), "{gesture:?}");
        }
    }
}
