//! Which condition holds since a part of the engine broke.

use tenterhook_plan::condition::{Condition, Topic};
use tenterhook_plan::{Broken, EffectState, EngineState, Insight, InstanceId, Part, Plan, Source};

/// An effect by its key and whose it is.
fn effect(plan: &Plan, id: InstanceId) -> String {
    plan.instances.get(id.index()).map_or_else(String::new, |instance| {
        let key = if instance.key == instance.effect {
            instance.key.clone()
        } else {
            format!("{} ({})", instance.key, instance.effect)
        };
        format!("{key} of {}", plan.owner_name(instance.owner))
    })
}

fn source(plan: &Plan, source: Source) -> String {
    match source {
        Source::Mic(id) => plan.mics.get(id.index()).map(|mic| mic.name.clone()),
        Source::Group(id) => plan.groups.get(id.index()).map(|group| group.name.clone()),
        Source::Instance(id) => Some(effect(plan, id)),
    }
    .unwrap_or_default()
}

/// That of one part of a piece; `stands`: how its effects stand.
pub fn one(plan: &Plan, stands: &[EffectState], Broken { part, sample, place }: &Broken) -> Condition {
    let (place, since) = (place.clone(), *sample);
    let (topic, subject) = match *part {
        Part::Effect(id) => (Topic::EffectBroke { place }, effect(plan, id)),
        Part::Insight(insight, of) => {
            let reads = |index: &usize| {
                plan.instances[*index].source == of && stands.get(*index).is_some_and(|one| *one == EffectState::Broken)
            };
            let silent =
                (0..plan.instances.len()).filter(reads).map(|index| effect(plan, InstanceId::new(index))).collect();
            let topic = match insight {
                Insight::Analysis => Topic::AnalysisBroke { place, silent },
                Insight::Model => Topic::ModelBroke { place, silent },
            };
            (topic, source(plan, of))
        }
    };
    Condition { topic, subject: Some(subject), grave: true, since }
}

/// Those of all parts that broke in a live run.
pub fn all(state: &EngineState) -> impl Iterator<Item = Condition> + '_ {
    state.broken.iter().map(|broken| one(&state.plan, &state.effects, broken))
}

#[cfg(test)]
mod tests {
    use std::ops::Range;
    use std::time::{Duration, Instant};

    use tenterhook_config::{Host, Text, check};
    use tenterhook_dsp::effects::{EFFECTS, Effect, Prepared, Processor};
    use tenterhook_dsp::memory::Heard;
    use tenterhook_io::{ClockSource, Facts, Hub, Player, PlayerSlot, Source as _, Standing};
    use tenterhook_plan::{ControllerId, Gesture, Lack, Meters, SceneId, Who};
    use tenterhook_rt::{Making, engine_with, quiet_hook};

    use super::*;
    use crate::live::conditions::{Finder, Look};
    use crate::live::words;

    const PIECE: &str = "mics = { voice = 1, viol = 2 }\noutputs = { left = 1 }\ncontrollers = { foot = {}, lever = {} }\n\
         [[scene]]\nmark = \"A\"\nmic.voice.near = { effect = \"direct\", by = \"foot\" }\n\
         mic.viol.stretch = { by = \"lever\" }\n";

    /// What breaks as soon as it is asked for a sound.
    struct Saboteur;

    impl Processor for Saboteur {
        fn begin(&mut self, _: u64, _: &Heard<'_>, _: &Prepared, _: u64) {}

        fn render(&mut self, _: u64, now: &[f32], _: &[f32], _: &Heard<'_>, _: &Prepared, out: &mut [f32]) {
            out.copy_from_slice(&now[std::hint::black_box(1000)..]);
        }

        fn holds(&self) -> Option<Range<u64>> {
            None
        }

        fn lacks(&self) -> Option<Lack> {
            None
        }
    }

    /// A run on the clock, where direct breaks when it begins and the viol's model after a while, until both are said.
    #[test]
    fn what_broke_is_said_with_its_effect_and_place_while_the_run_goes_on() {
        quiet_hook();
        let plan = check(&Text::new("reed.toml", PIECE), None).expect("nothing is wrong with it").plan;
        let one = |effect: &Effect| match effect.declaration.name {
            "direct" => Effect { make: |_, _| Box::new(Saboteur), ..*effect },
            _ => *effect,
        };
        let effects: &[Effect] = Box::leak(EFFECTS.iter().map(one).collect());
        let step = |insight, place, at| assert!((insight, place) != (Insight::Model, 1) || at < 4_800, "a step");
        let (engine, control) = engine_with(Making { effects, step, hears: false }, &plan, 48_000, SceneId(0));
        let hub = Hub::start(control, Vec::new()).unwrap();
        let seat = PlayerSlot::of(Player::new(engine, 48_000));
        let facts = Facts {
            host: Host::Clock,
            rate: 48_000,
            device_rate: 48_000,
            block: 64,
            inputs: 2,
            outputs: 1,
            words: String::new(),
        };
        let mut clock = ClockSource::new(facts.clone());
        clock.start(&seat).unwrap();
        hub.events().gesture(Gesture::Controller { id: ControllerId(0), value: 1.0 }, Who::Written);
        let began = Instant::now();
        let (engine, load) = loop {
            let (engine, load) = (hub.state(), seat.stats().load());
            if engine.broken.len() == 2 && engine.effects == [EffectState::Broken; 2] {
                break (engine, load);
            }
            assert!(began.elapsed() < Duration::from_secs(60), "{engine:?}");
            std::thread::sleep(Duration::from_millis(5));
        };
        // What terminal, JSON and page show is made of conditions.
        let standing = Standing { device: facts.clone(), away: None, losses: 0, ended: None, origin: None };
        let meters = Meters::new(&engine.plan);
        let conditions = Finder::default().find(&Look::at(&standing, &engine, &meters, &load, true));
        let of = |name: &str| conditions.iter().find(|one| one.topic.name() == name).unwrap();
        let near = of("effect-broke");
        assert_eq!(near.subject.as_deref(), Some("near (direct) of voice"));
        let line = words::line(near).unwrap();
        assert!(line.starts_with("error: near (direct) of voice broke at engine/app/live/broke.rs:"), "{line}");
        let model = words::line(of("model-broke")).unwrap();
        assert!(model.contains("the model of viol broke at engine/app/live/broke.rs:"), "{model}");
        assert!(model.contains("stretch of viol, which reads it, is silent"), "{model}");
        // It goes on.
        while seat.stats().load().frames <= load.frames {
            assert!(began.elapsed() < Duration::from_secs(60));
            std::thread::sleep(Duration::from_millis(5));
        }
        clock.stop();
    }
}
