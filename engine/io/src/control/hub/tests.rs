use super::*;
use std::time::Instant;
use tenterhook_config::{Text, check};
use tenterhook_plan::{
    Applied, Channel, ControllerId, EffectState, Gesture, InstanceId, Lack, MicId, OutputId, SceneId, TrimId, Who,
};
use tenterhook_rt::Engine;

fn checked(piece: &str) -> Plan {
    check(&Text::new("reed.toml", piece), None).expect("nothing is wrong with it").plan
}

fn plan(marks: &[&str]) -> Plan {
    let scenes: String = marks.iter().map(|mark| format!("[[scene]]\nmark = \"{mark}\"\n")).collect();
    checked(&format!(
        "mics = {{ voice = 1 }}\noutputs = {{ left = 1 }}\n[controllers]\nlever = {{}}\n{scenes}\
         mic.voice.direct = {{ by = \"lever\" }}\n"
    ))
}

/// Two of everything.
fn duo() -> Plan {
    checked(
        "mics = { voice = 1, reed = 2 }\noutputs = { left = 1, right = { output = 2, ceiling = \"-12 dB\" } }\n\
         [controllers]\nlever = {}\ncrank = {}\nloud = { loudness = \"reed\", from = \"-50 dB\", to = \"-12 dB\" }\n\
         [[scene]]\nmark = \"A\"\nmic.voice.freeze = { by = \"crank\" }\nmic.reed.direct = { by = \"loud\", to = [\"right\"] }\n\
         [[scene]]\nmark = \"B\"\nmic.voice.freeze = { by = \"crank\" }\n",
    )
}

/// The same with other things before them, and without the lever, the voice and the scene A.
fn changed() -> Plan {
    checked(
        "mics = { viol = 3, reed = 2 }\noutputs = { back = 3, right = { output = 2, ceiling = \"-12 dB\" }, left = 1 }\n\
         [controllers]\nwheel = {}\nloud = { loudness = \"reed\", from = \"-50 dB\", to = \"-12 dB\" }\ncrank = {}\n\
         [[scene]]\nmark = \"C\"\nmic.viol.freeze = { by = \"crank\" }\n\
         [[scene]]\nmark = \"B\"\nmic.viol.freeze = { by = \"crank\" }\n\
         mic.reed.direct = { by = \"loud\", to = [\"right\"] }\n",
    )
}

/// A block of 64 samples, with this value on every input.
fn block(engine: &mut Engine, value: f32) {
    let mut out = [[0.0; 64]; 3];
    let mut outputs: Vec<&mut [f32]> = out.iter_mut().map(|channel| &mut channel[..]).collect();
    engine.process(&[&[value; 64][..]; 3], &mut outputs, &[]);
}

/// Plays such blocks until all is as wished.
fn until(
    engine: &mut Engine,
    hub: &Hub,
    value: f32,
    wished: impl Fn(&EngineState, &Meters) -> bool,
) -> (Arc<EngineState>, Meters) {
    let began = Instant::now();
    loop {
        block(engine, value);
        let (state, meters) = hub.window().metered();
        if wished(&state, &meters) {
            return (state, meters);
        }
        assert!(began.elapsed() < Duration::from_secs(60), "it never became so: {state:?} {meters:?}");
    }
}

#[test]
fn the_state_holds_the_latest_of_each() {
    let mut state = EngineState::new(Arc::new(duo()));
    for reading in [
        Reading::Effect { effect: InstanceId(1), stands: EffectState::Waits },
        Reading::Loudness { id: ControllerId(2), value: 0.75 },
        Reading::Wired { id: ControllerId(0), turned: true },
    ] {
        take_in(&mut state, reading);
    }
    assert_eq!(state.controllers[2], 0.75);
    assert_eq!(state.turned, [true, false, false]);
    assert_eq!(state.effects, [EffectState::Out, EffectState::Waits]);
}

#[test]
fn of_two_words_about_the_scene_the_later_sample_holds() {
    let mut state = EngineState::new(Arc::new(plan(&["A", "B"])));
    let fire = |scene, sample| Applied { sample, what: Gesture::Fire(SceneId(scene)), who: Who::Pedal };
    state.apply(fire(0, 0));
    state.apply(fire(1, 700));
    take_in(&mut state, Reading::Scene { sample: 0, scene: SceneId(0) });
    assert_eq!(state.scene, Some((SceneId(1), 700)), "a reading that comes late");
    take_in(&mut state, Reading::Scene { sample: 900, scene: SceneId(0) });
    assert_eq!(state.scene, Some((SceneId(0), 900)), "a gesture that was lost");
}

#[test]
fn whoever_looks_again_gets_the_same_until_something_changes() {
    let (mut engine, control) = tenterhook_rt::engine(&duo(), 48_000, SceneId(0));
    let hub = Hub::start(control, Vec::new()).unwrap();
    let quiet = until(&mut engine, &hub, 0.0, |now, _| now.effects == [EffectState::Ready; 2]);
    let readings = hub.readings();
    let mut metered = 0;
    while metered < 40 {
        block(&mut engine, 0.0);
        metered += readings.try_iter().filter(|told| matches!(told.reading, Reading::Meter { .. })).count();
    }
    assert!(Arc::ptr_eq(&quiet.0, &hub.state()), "meters make no other state of it");
    hub.events().gesture(Gesture::Hush(true), Who::PageDesk);
    let hushed = until(&mut engine, &hub, 0.0, |now, _| now.hushed);
    assert!(!quiet.0.hushed && !Arc::ptr_eq(&quiet.0, &hushed.0), "who holds what it was keeps that");
    hub.stop();
}

#[test]
fn what_was_applied_shows_in_the_state_before_anyone_is_told_of_it() {
    let (mut engine, control) = tenterhook_rt::engine(&duo(), 48_000, SceneId(0));
    let (sender, applied) = Hub::subscription();
    let hub = Hub::start(control, vec![sender]).unwrap();
    type Shows = fn(&EngineState) -> bool;
    let gestures: [(Gesture, Shows); 10] = [
        (Gesture::Fire(SceneId(1)), |now| now.scene.is_some_and(|(scene, since)| scene == SceneId(1) && since > 0)),
        (Gesture::Back, |now| now.scene.is_some_and(|(scene, _)| scene == SceneId(0))),
        (Gesture::Controller { id: ControllerId(1), value: 0.25 }, |now| now.controllers[..2] == [0.0, 0.25]),
        (Gesture::Press { id: ControllerId(0), down: true }, |now| now.controllers[..2] == [1.0, 0.25]),
        (Gesture::Level { output: None, db: -6.0 }, |now| now.level_db == -6.0 && now.levels_db == [0.0, 0.0]),
        (Gesture::Level { output: Some(OutputId(1)), db: -300.0 }, |now| now.levels_db == [0.0, -120.0]),
        (Gesture::Trim { trim: TrimId(1), db: -300.0 }, |now| now.trims_db == [0.0, -24.0]),
        (Gesture::Mute { mic: MicId(1), muted: true }, |now| now.muted == [false, true]),
        (Gesture::Hush(true), |now| now.hushed),
        (Gesture::Hush(false), |now| !now.hushed),
    ];
    block(&mut engine, 0.0);
    assert_eq!(applied.recv().unwrap().applied.what, Gesture::Fire(SceneId(0)));
    for (gesture, shows) in gestures {
        hub.events().gesture(gesture, Who::PageDesk);
        // The hub hands it on within a few blocks.
        let began = Instant::now();
        let done = loop {
            block(&mut engine, 0.0);
            match applied.try_recv() {
                Ok(done) => break done,
                Err(_) => assert!(began.elapsed() < Duration::from_secs(60)),
            }
        };
        let state = hub.state();
        assert!(shows(&state), "{:?}: {state:?}", done.applied);
    }
    hub.stop();
}

#[test]
fn limiting_numbers_that_are_none_and_loudness_show_in_the_state() {
    let (mut engine, control) = tenterhook_rt::engine(&duo(), 48_000, SceneId(0));
    let hub = Hub::start(control, Vec::new()).unwrap();
    let (quiet, meters) = until(&mut engine, &hub, 0.0, |now, _| now.effects == [EffectState::Ready; 2]);
    assert_eq!((quiet.controllers[2], meters.mics[1].bad, meters.outputs[1].reduction), (0.0, 0, 1.0));
    // The highpass makes nothing of a constant, so this swings.
    let mut sign = 1.0;
    let (loud, meters) = loop {
        sign = -sign;
        block(&mut engine, sign);
        let (now, meters) = hub.window().metered();
        if meters.outputs[1].reduction < 0.5 {
            break (now, meters);
        }
        assert!(engine.sample() < 48_000 * 3600, "{now:?} {meters:?}");
    };
    assert_eq!((loud.controllers[2], loud.effects[1], meters.outputs[0].reduction), (1.0, EffectState::On, 1.0));
    let clips = meters.mics[1].clips;
    block(&mut engine, f32::NAN);
    until(&mut engine, &hub, 0.0, |_, meters| meters.mics[0].bad == 64 && meters.mics[1].bad == 64);
    let (_, meters) =
        until(&mut engine, &hub, 0.0, |now, _| now.controllers[2] == 0.0 && now.effects[1] == EffectState::Ready);
    assert_eq!(meters.mics[1].clips, clips);
    hub.stop();
}

#[test]
fn an_effect_waits_after_a_hush_until_its_controller_was_at_rest() {
    let (mut engine, control) = tenterhook_rt::engine(&duo(), 48_000, SceneId(0));
    let hub = Hub::start(control, Vec::new()).unwrap();
    let crank = |value| Gesture::Controller { id: ControllerId(1), value };
    let mut becomes = |gesture, stands| {
        hub.events().gesture(gesture, Who::PageDesk);
        until(&mut engine, &hub, 0.0, |now, _| now.effects[0] == stands);
    };
    let nothing = EffectState::Lacks(Lack::NothingSounded);
    becomes(crank(1.0), nothing);
    becomes(Gesture::Hush(true), EffectState::Hushed);
    becomes(Gesture::Hush(false), EffectState::Waits);
    becomes(crank(0.0), EffectState::Ready);
    becomes(crank(0.5), nothing);
    hub.stop();
}

#[test]
fn a_changed_piece_finds_each_value_under_its_name() {
    let (old, new) = (duo(), changed());
    let (mut engine, control) = tenterhook_rt::engine(&old, 48_000, SceneId(0));
    let hub = Hub::start(control, Vec::new()).unwrap();
    for gesture in [
        Gesture::Controller { id: ControllerId(0), value: 0.875 },
        Gesture::Controller { id: ControllerId(1), value: 0.25 },
        Gesture::Level { output: None, db: -1.0 },
        Gesture::Level { output: Some(OutputId(0)), db: -2.0 },
        Gesture::Level { output: Some(OutputId(1)), db: -3.0 },
        Gesture::Mute { mic: MicId(1), muted: true },
        Gesture::Fire(SceneId(1)),
    ] {
        hub.events().gesture(gesture, Who::PageDesk);
    }
    block(&mut engine, f32::NAN);
    let (before, _) = until(&mut engine, &hub, 0.0, |now, meters| {
        now.scene.is_some_and(|(scene, _)| scene == SceneId(1)) && meters.mics[1].bad == 64 && now.effects[0].is_on()
    });
    assert_eq!(before.effects[1], EffectState::Out);
    assert!(hub.replace(Arc::new(new.clone())));
    // Whenever it is looked at, all belongs together.
    let (after, _) = until(&mut engine, &hub, 0.0, |now, meters| {
        let is_new = *now.plan == new;
        if is_new {
            assert_eq!(now.controllers, [0.0, 0.0, 0.25]);
            assert_eq!((now.level_db, &now.levels_db[..]), (-1.0, &[0.0, -3.0, -2.0][..]));
            assert_eq!(now.muted, [false, true]);
            assert_eq!((meters.mics[0].bad, meters.mics[1].bad), (0, 64));
            assert_eq!(now.scene.map(|(scene, _)| scene), Some(SceneId(1)));
        } else {
            assert_eq!(now.controllers, [0.875, 0.25, 0.0]);
        }
        is_new && now.effects == [EffectState::WaitsOrMoves, EffectState::Ready]
    });
    assert!(after.scene.unwrap().1 > before.scene.unwrap().1, "the changed piece took over there");
    hub.stop();
}

#[test]
fn the_state_is_true_again_when_there_was_no_room_for_readings() {
    let old = duo();
    let (mut engine, mut control) = tenterhook_rt::engine(&old, 48_000, SceneId(0));
    let fires: Vec<_> = (0..9000u16)
        .map(|n| tenterhook_plan::Timed { sample: 0, what: Event::written(Gesture::Fire(SceneId(n % 2))) })
        .collect();
    engine.process(&[&[0.0; 64][..]; 2], &mut [&mut [0.0; 64], &mut [0.0; 64]], &fires);
    control.replace(&changed()).unwrap();
    // Nobody empties the rings while the changed piece takes over and says what is in it.
    for _ in 0..200 {
        block(&mut engine, 0.0);
    }
    let hub = Hub::start(control, Vec::new()).unwrap();
    let wished = [EffectState::Ready, EffectState::Ready];
    let (now, _) = until(&mut engine, &hub, 0.0, |now, _| now.effects == wished);
    assert_eq!((&*now.plan, now.scene.map(|(scene, _)| scene)), (&changed(), Some(SceneId(1))));
    hub.stop();
}

#[test]
fn whoever_asks_for_readings_gets_each_and_whoever_is_slow_holds_nobody_up() {
    let (mut engine, control) = tenterhook_rt::engine(&duo(), 48_000, SceneId(0));
    let hub = Hub::start(control, Vec::new()).unwrap();
    let (quick, slow) = (hub.readings(), hub.readings());
    // 1600 samples, 25 grid lines, from one reading to the next; each span has its own peak.
    let mut peaks = Vec::new();
    for span in 0..2000u16 {
        let peak = f32::from(span % 100) / 100.0;
        block(&mut engine, peak);
        (1..25).for_each(|_| block(&mut engine, 0.0));
        let last = u64::from(span) * 1600;
        while peaks.last().is_none_or(|&(sample, _)| sample < last) {
            let told = quick.recv_timeout(Duration::from_secs(60)).expect("a reading comes");
            if let Reading::Meter { sample, channel: Channel::Mic(MicId(0)), meter } = told.reading {
                peaks.push((sample, meter.peak));
            }
        }
    }
    for (span, &(sample, peak)) in peaks.iter().enumerate().skip(1) {
        assert_eq!((sample, peak), (span as u64 * 1600, ((span - 1) % 100) as f32 / 100.0));
    }
    assert_eq!(slow.try_iter().count(), READINGS_ROOM, "the rest it has lost");
    hub.stop();
}

#[test]
fn a_way_in_that_nobody_empties_counts_what_it_loses() {
    let (events, receiver) = Events::channel();
    for n in 0..ROOM + 5 {
        assert_eq!(events.gesture(Gesture::Next, Who::PageDesk), n < ROOM);
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
        while !events.gesture(Gesture::Controller { id: ControllerId(0), value }, Who::PageDesk) {
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
    hub.events().gesture(Gesture::Hush(true), Who::PageDesk);
    assert!(hub.replace(Arc::new(new.clone())));
    // The old piece has no third scene, so it does not fire before the new one is there.
    'fired: loop {
        hub.events().gesture(Gesture::Fire(SceneId(2)), Who::PageDesk);
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
    let state = hub.state();
    assert_eq!((&*state.plan, state.hushed), (&new, true));
    hub.stop();
}

/// The same piece with its two levers in either order.
fn swapped(first: &str, second: &str) -> Arc<Plan> {
    Arc::new(checked(&format!(
        "mics = {{ voice = 1 }}\noutputs = {{ left = 1 }}\ncontrollers = {{ {first} = {{}}, {second} = {{}} }}\n\
         [[scene]]\nmark = \"A\"\nmic.voice.direct = {{ by = \"lever\" }}\nmic.voice.freeze = {{ by = \"crank\" }}\n"
    )))
}

#[test]
fn a_gesture_reaches_what_it_names_whichever_version_of_the_piece_is_in_force() {
    let (one, other) = (swapped("lever", "crank"), swapped("crank", "lever"));
    let id =
        |plan: &Plan, name: &str| ControllerId::new(plan.controllers.iter().position(|one| one.name == name).unwrap());
    let (mut engine, control) = tenterhook_rt::engine(&one, 48_000, SceneId(0));
    let (sender, applied) = Hub::subscription();
    let hub = Hub::start(control, vec![sender]).unwrap();
    let (mut crank, mut changes) = (0, 0);
    // Blocks longer than the 20 ms that a change takes; whoever sends is a version behind or ahead, as it comes.
    let mut out = [0.0; 2048];
    let (began, mut turn) = (Instant::now(), 0u32);
    while turn < 600 || changes <= 10 && began.elapsed() < Duration::from_secs(60) {
        if turn % 3 == 0 {
            changes += u32::from(hub.replace(if turn % 2 == 0 { Arc::clone(&other) } else { Arc::clone(&one) }));
        }
        let of = if turn % 5 < 2 { &one } else { &other };
        // Its value tells the crank.
        hub.events().of(of).gesture(Gesture::Controller { id: id(of, "crank"), value: 0.75 }, Who::PageDesk);
        hub.events().of(of).gesture(Gesture::Controller { id: id(of, "lever"), value: 0.25 }, Who::PageDesk);
        if turn % 4 == 0 {
            std::thread::sleep(Duration::from_millis(1));
        }
        engine.process(&[&[0.0; 2048]], &mut [&mut out], &[]);
        turn += 1;
    }
    let began = Instant::now();
    let mut heard = 0;
    while heard < 2 * turn && began.elapsed() < Duration::from_secs(60) {
        engine.process(&[&[0.0; 2048]], &mut [&mut out], &[]);
        std::thread::sleep(Duration::from_millis(1));
        for Done { applied, plan } in applied.try_iter() {
            let Gesture::Controller { id: found, value } = applied.what else { continue };
            let named = &plan.controllers[found.index()].name;
            assert_eq!(value == 0.75, named == "crank", "{value} on {named}");
            crank += u32::from(value == 0.75);
            heard += 1;
        }
    }
    assert_eq!((heard, crank), (2 * turn, turn), "none is lost");
    assert!(changes > 10, "only {changes} versions took over");
    // What is gone is reached by nothing.
    hub.events().of(&Arc::new(duo())).gesture(Gesture::Mute { mic: MicId(1), muted: true }, Who::PageDesk);
    hub.events().of(&Arc::new(duo())).gesture(Gesture::Mute { mic: MicId(0), muted: true }, Who::PageDesk);
    until(&mut engine, &hub, 0.0, |now, _| now.muted == [true]);
    assert_eq!(applied.try_iter().filter(|done| matches!(done.applied.what, Gesture::Mute { .. })).count(), 1);
    hub.stop();
}
