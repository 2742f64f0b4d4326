use super::*;
use tenterhook_config::{Text, check};
use tenterhook_plan::{ControllerId, InstanceId, MicId, OutputId};

fn plan(marks: &[&str]) -> Plan {
    let scenes: String = marks.iter().map(|mark| format!("[[scene]]\nmark = \"{mark}\"\n")).collect();
    let piece = format!(
        "mics = {{ voice = 1 }}\noutputs = {{ left = 1 }}\n[controllers]\nlever = {{}}\n{scenes}\
         mic.voice.direct = {{ by = \"lever\" }}\n"
    );
    check(&Text::new("reed.toml", &piece), None).expect("nothing is wrong with it").plan
}

#[test]
fn a_snapshot_holds_the_latest_of_each() {
    let mut snapshot = Snapshot::of(Arc::new(plan(&["A"])));
    assert_eq!((snapshot.mics.len(), snapshot.outputs.len()), (1, 1));
    let meter = |channel, peak| Reading::Meter { channel, peak, rms: peak / 2.0, clips: 3 };
    snapshot.take_in(meter(Channel::Mic(MicId(2)), 0.5));
    snapshot.take_in(meter(Channel::Mic(MicId(2)), 0.25));
    snapshot.take_in(meter(Channel::Output(OutputId(0)), 1.0));
    snapshot.take_in(Reading::Scene { sample: 7, scene: SceneId(1) });
    snapshot.take_in(Reading::Held { effect: InstanceId(0), span: Some((1, 9)) });
    assert_eq!(snapshot.held, [Some((1, 9))]);
    snapshot.take_in(Reading::Held { effect: InstanceId(0), span: None });
    assert_eq!(snapshot.held, [None]);
    let quiet = Meter::default();
    assert_eq!(snapshot.mics, [quiet, quiet, Meter { peak: 0.25, rms: 0.125, clips: 3 }]);
    assert_eq!(snapshot.outputs, [Meter { peak: 1.0, rms: 0.5, clips: 3 }]);
    assert_eq!(snapshot.scene, Some((SceneId(1), 7)));
}

#[test]
fn a_way_in_that_nobody_empties_counts_what_it_loses() {
    let (events, receiver) = Events::channel();
    for n in 0..ROOM + 5 {
        assert_eq!(events.gesture(Gesture::Next), n < ROOM);
    }
    assert_eq!(events.lost(), 5);
    assert_eq!(receiver.try_iter().count(), ROOM);
}

/// More events than the engine's own ring holds, while no block comes; then blocks.
#[test]
fn no_event_overtakes_another_though_the_engine_is_full() {
    let (mut engine, control) = tenterhook_rt::engine(&plan(&["A"]), 48_000, SceneId(0));
    let (sender, applied) = Hub::subscription();
    let hub = Hub::start(control, vec![sender]).unwrap();
    let events = hub.events();
    const COUNT: usize = 6000;
    for n in 0..COUNT {
        let value = n as f32 / COUNT as f32;
        while !events.gesture(Gesture::Controller { id: ControllerId(0), value }) {
            // Both are full: blocks make room.
            let mut out = [0.0; 32];
            engine.process(&[&[0.0; 32]], &mut [&mut out], &[]);
        }
    }
    let mut values = Vec::new();
    while values.len() < COUNT {
        let mut out = [0.0; 32];
        engine.process(&[&[0.0; 32]], &mut [&mut out], &[]);
        values.extend(applied.try_iter().filter_map(|done| match done.applied.what {
            Gesture::Controller { value, .. } => Some(value),
            _ => None,
        }));
    }
    assert!(values.iter().enumerate().all(|(n, value)| *value == n as f32 / COUNT as f32));
    hub.stop();
}

#[test]
fn a_gesture_comes_with_the_piece_it_belongs_to() {
    let (old, new) = (plan(&["A", "B"]), plan(&["A", "B", "C"]));
    let (mut engine, control) = tenterhook_rt::engine(&old, 48_000, SceneId(0));
    let (sender, applied) = Hub::subscription();
    let hub = Hub::start(control, vec![sender]).unwrap();
    hub.events().gesture(Gesture::Hush(true));
    assert!(hub.replace(Arc::new(new.clone())));
    // The old piece has no third scene, so it does not fire before the new one is there.
    'fired: loop {
        hub.events().gesture(Gesture::Fire(SceneId(2)));
        let mut out = [0.0; 32];
        engine.process(&[&[0.0; 32]], &mut [&mut out], &[]);
        for Done { applied, plan } in applied.try_iter() {
            let third = applied.what == Gesture::Fire(SceneId(2));
            assert_eq!(*plan, if third { new.clone() } else { old.clone() });
            if third {
                break 'fired;
            }
        }
    }
    let snapshot = hub.snapshot();
    assert_eq!((snapshot.plan.as_deref(), snapshot.hushed), (Some(&new), true));
    hub.stop();
}
