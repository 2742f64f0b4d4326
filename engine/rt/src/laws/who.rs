//! Whose each applied gesture is, whatever became of it on the way.

use super::run::{Run, plan, sound};
use tenterhook_plan::{ControllerId, Event, Gesture, MicId, Midi, OutputId, SceneId, Timed, Who};

const PIECE: &str = "
next = \"step\"
mics = { voice = 1 }
outputs = { left = 1, right = 2, ears = 3 }
controllers.pedal = { cc = 64 }
controllers.step = { cc = 66 }
controllers.wheel = { cc = 1, fine = true }
controllers.held = { key = \"h\", latch = true }
controllers.sway = { loudness = \"voice\", from = \"-50 dB\", to = \"-12 dB\" }
[[scene]]
mark = \"A\"
mic.voice.a = { effect = \"direct\", by = \"pedal\" }
mic.voice.b = { effect = \"direct\", by = \"wheel\" }
mic.voice.c = { effect = \"direct\", by = \"held\" }
mic.voice.d = { effect = \"direct\", by = \"sway\" }
[[scene]]
mark = \"B\"
mic.voice.a = { effect = \"direct\", by = \"pedal\" }
";

fn of(what: Gesture, who: Who) -> Event {
    Event::Gesture(what, who)
}

#[test]
fn what_is_applied_says_whose_it_is() {
    let id = |name: &str| {
        let place = plan(PIECE).controllers.iter().position(|one| one.name == name);
        ControllerId::new(place.expect("the piece has it"))
    };
    let cc = |number, value| Event::Midi(Midi { ports: 0, bytes: [0xB0, number, value] });
    let events = [
        (1_000, of(Gesture::Controller { id: id("pedal"), value: 0.5 }, Who::PagePlayer)),
        (2_000, of(Gesture::Press { id: id("held"), down: true }, Who::Terminal)),
        (3_000, cc(66, 127)),
        (4_000, of(Gesture::Back, Who::PageDesk)),
        (5_000, of(Gesture::Level { output: Some(OutputId(0)), db: -3.0 }, Who::Osc)),
        (6_000, of(Gesture::Mute { mic: MicId(0), muted: false }, Who::Written)),
        // The finer part of a value waits for the other, and acts at a grid line.
        (7_000, cc(1, 64)),
        (8_000, of(Gesture::Hush(false), Who::Osc)),
        (9_000, of(Gesture::Hush(true), Who::End)),
    ]
    .map(|(sample, what)| Timed { sample, what });
    let mut sound = sound(12_000);
    sound[0].fill(0.0);
    let mut run = Run::new(PIECE).events(&events);
    run.control.send(of(Gesture::Level { output: None, db: -6.0 }, Who::Journal)).expect("there is room");
    run.render(&sound);
    let whose: Vec<_> = run.applied().iter().map(|applied| (applied.what, applied.who)).collect();
    let (fire, value) =
        (|scene| Gesture::Fire(SceneId(scene)), |name, value| Gesture::Controller { id: id(name), value });
    let wheel = run.applied().iter().find_map(|one| match one.what {
        Gesture::Controller { id: moved, value } if moved == id("wheel") => Some(value),
        _ => None,
    });
    assert_eq!(
        whose,
        [
            (fire(0), Who::Start),
            (Gesture::Level { output: None, db: -6.0 }, Who::Journal),
            (value("pedal", 0.5), Who::PagePlayer),
            (value("held", 1.0), Who::Terminal),
            (fire(1), Who::Pedal),
            (fire(0), Who::PageDesk),
            (Gesture::Level { output: Some(OutputId(0)), db: -3.0 }, Who::Osc),
            (Gesture::Mute { mic: MicId(0), muted: false }, Who::Written),
            (value("wheel", wheel.expect("the wheel moved")), Who::Pedal),
            (Gesture::Hush(true), Who::End),
        ]
    );
}

/// What loudness moves is computed whenever the run is.
#[test]
fn what_loudness_moves_is_not_told() {
    let sound = sound(48_000);
    let mut run = Run::new(PIECE);
    let heard = run.render(&sound);
    assert!(heard.iter().flatten().any(|sample| *sample != 0.0), "the loudness lets the voice be heard");
    let whose: Vec<_> = run.applied().iter().map(|applied| (applied.what, applied.who)).collect();
    assert_eq!(whose, [(Gesture::Fire(SceneId(0)), Who::Start)]);
}
