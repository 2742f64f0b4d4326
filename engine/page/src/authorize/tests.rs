use super::*;
use std::sync::Arc;
use tenterhook_plan::{
    Address, By, Curve, Decibels, Instance, InstanceId, Mic, Output, Owner, Scene, Source, Trim, Use,
};

/// Two mics, each with an effect in scene A: the voice by `pedal`, the viol by `foot`; in B the viol alone.
pub(crate) fn plan() -> Plan {
    let mic = |name: &str| Mic {
        name: name.to_owned(),
        input: Some(0),
        trim: Decibels(0.0),
        highpass_hz: None,
        inverted: false,
    };
    let controller = |name: &str, address: Address, latch: bool| Controller {
        name: name.to_owned(),
        address,
        like: None,
        curve: Curve::Even,
        latch,
        rise: 0.0,
        fall: None,
    };
    let effect = |mic: u16, by: u16| Instance {
        owner: Owner::Mic(MicId(mic)),
        source: Source::Mic(MicId(mic)),
        key: "direct".to_owned(),
        effect: "direct",
        by: By::Controller(ControllerId(by)),
        settings: Vec::new(),
    };
    let scene = |mark: &str, uses: &[u16]| Scene {
        mark: mark.to_owned(),
        name: None,
        bar: None,
        cue: None,
        fade: 0.5,
        like: None,
        uses: uses.iter().map(|&id| Use { instance: InstanceId(id), sends: Vec::new() }).collect(),
    };
    let loudness = Address::Loudness { mic: MicId(0), from_db: -50.0, to_db: -10.0 };
    Plan {
        title: "Wicker".to_owned(),
        tuning_hz: 440.0,
        temperament: Default::default(),
        mics: vec![mic("voice"), mic("viol")],
        groups: Vec::new(),
        outputs: vec![Output {
            name: "left".to_owned(),
            channel: Some(0),
            ceiling: Decibels(-1.0),
            private: false,
            delay: None,
        }],
        controllers: vec![
            controller("pedal", Address::Page, false),
            controller("foot", Address::Page, false),
            controller("step", Address::Key("PageDown".to_owned()), false),
            controller("held", Address::Key("h".to_owned()), true),
            controller("loud", loudness, false),
        ],
        players: Vec::new(),
        instances: vec![effect(0, 0), effect(1, 1)],
        trims: [0, 1].map(|mic| Trim { owner: Owner::Mic(MicId(mic)), key: "direct".to_owned(), db: 0.0 }).to_vec(),
        scenes: vec![scene("A", &[0, 1]), scene("B", &[1])],
        next: Some(ControllerId(2)),
        back: None,
        hush: None,
    }
}

/// One of each thing that can be asked, with what it is a gesture of.
fn all() -> Vec<Ask> {
    let name = |name: &str| name.to_owned();
    vec![
        Ask::Fire { mark: name("B"), seen: name("A") },
        Ask::Hush { on: true },
        Ask::Hush { on: false },
        Ask::Controller { name: name("pedal"), value: 0.5 },
        Ask::Controller { name: name("foot"), value: 0.5 },
        Ask::Controller { name: name("step"), value: 1.0 },
        Ask::Press { name: name("held"), down: true },
        Ask::Key { key: name("PageDown"), down: true },
        Ask::Key { key: name("h"), down: true },
        Ask::Level { output: None, db: -3.0 },
        Ask::Level { output: Some(name("left")), db: -120.0 },
        Ask::Mute { mic: name("viol"), on: true },
        Ask::Reset {},
        Ask::Learn { name: Some(name("foot")) },
        Ask::Learn { name: None },
    ]
}

fn at(scene: u16) -> EngineState {
    EngineState { scene: Some((SceneId(scene), 0)), ..EngineState::new(Arc::new(plan())) }
}

#[test]
fn the_desk_may_do_everything() {
    let state = at(0);
    let who = PageWho { role: Role::Desk, part: None, moved: None };
    for ask in all() {
        let answer = answer(&ask, who, &state);
        assert!(
            matches!(answer, Ok(PageAnswer::Gestures(_) | PageAnswer::Reset | PageAnswer::Learn(_))),
            "{ask:?}: {answer:?}"
        );
    }
}

#[test]
fn a_watcher_may_do_nothing() {
    let state = at(0);
    for part in [None, Some(MicId(0))] {
        for ask in all() {
            assert!(answer(&ask, PageWho { role: Role::Watch, part, moved: None }, &state).is_err(), "{ask:?}");
        }
    }
}

#[test]
fn a_player_moves_the_own_lever_of_the_scene_in_force_and_nothing_else() {
    for (scene, part, own) in [
        (0, None, None),
        (0, Some(MicId(0)), Some(ControllerId(0))),
        (0, Some(MicId(1)), Some(ControllerId(1))),
        (1, Some(MicId(0)), None),
        (1, Some(MicId(1)), Some(ControllerId(1))),
    ] {
        let state = at(scene);
        let who = PageWho { role: Role::Player, part, moved: None };
        let may = all().into_iter().filter_map(|ask| answer(&ask, who, &state).ok());
        let may: Vec<_> = may.filter(|answer| *answer != PageAnswer::Nothing).collect();
        let lever = own.map(|id| PageAnswer::Gestures(vec![Gesture::Controller { id, value: 0.5 }]));
        assert_eq!(may, Vec::from_iter(lever), "scene {scene}, {part:?}");
    }
}

#[test]
fn a_player_lets_go_of_a_lever_that_a_scene_has_taken_away() {
    let state = at(1);
    let who = PageWho { role: Role::Player, part: Some(MicId(0)), moved: Some(ControllerId(0)) };
    let ask = |value| Ask::Controller { name: "pedal".to_owned(), value };
    assert!(answer(&ask(0.0), who, &state).is_ok());
    assert!(answer(&ask(0.5), who, &state).is_err());
    assert!(answer(&ask(0.0), PageWho { moved: None, ..who }, &state).is_err());
}

#[test]
fn a_scene_is_fired_from_the_scene_that_was_seen_only() {
    let who = PageWho { role: Role::Desk, part: None, moved: None };
    let fire = Ask::Fire { mark: "B".to_owned(), seen: "A".to_owned() };
    let state = at(0);
    assert_eq!(answer(&fire, who, &state), Ok(PageAnswer::Gestures(vec![Gesture::Fire(SceneId(1))])));
    let state = at(1);
    assert_eq!(answer(&fire, who, &state), Ok(PageAnswer::Nothing), "the second tap");
}

#[test]
fn what_makes_no_sense_is_refused_in_words() {
    let state = at(0);
    let who = PageWho { role: Role::Desk, part: None, moved: None };
    let name = |name: &str| name.to_owned();
    for ask in [
        Ask::Fire { mark: name("Z"), seen: name("A") },
        Ask::Controller { name: name("nobody"), value: 0.0 },
        Ask::Controller { name: name("pedal"), value: 1.5 },
        Ask::Controller { name: name("pedal"), value: f32::NAN },
        Ask::Controller { name: name("loud"), value: 0.5 },
        Ask::Press { name: name("pedal"), down: true },
        Ask::Level { output: Some(name("right")), db: 0.0 },
        Ask::Level { output: None, db: 60.0 },
        Ask::Level { output: None, db: f32::NAN },
        Ask::Mute { mic: name("oboe"), on: true },
        Ask::Part { mic: Some(name("oboe")) },
    ] {
        assert!(answer(&ask, who, &state).is_err_and(|words| !words.is_empty()), "{ask:?}");
    }
    assert_eq!(answer(&Ask::Key { key: name("q"), down: true }, who, &state), Ok(PageAnswer::Nothing));
}

#[test]
fn a_key_that_a_players_lever_shares_with_another_moves_both() {
    let mut plan = plan();
    let key = Address::Key("k".to_owned());
    (plan.controllers[0].address, plan.controllers[1].address) = (key.clone(), key);
    plan.controllers[1].like = Some(ControllerId(0));
    let state = EngineState { scene: Some((SceneId(1), 0)), ..EngineState::new(Arc::new(plan)) };
    let both = |value| {
        let one = |id| Gesture::Controller { id: ControllerId(id), value };
        PageAnswer::Gestures(vec![one(0), one(1)])
    };
    // In B the viol's lever is the second of them; the voice has none.
    let viol = PageWho { role: Role::Player, part: Some(MicId(1)), moved: None };
    for (who, may) in
        [(viol, true), (PageWho { part: Some(MicId(0)), ..viol }, false), (PageWho { role: Role::Desk, ..viol }, true)]
    {
        let asked = |down| answer(&Ask::Key { key: "k".to_owned(), down }, who, &state);
        assert_eq!(asked(true).ok(), may.then(|| both(1.0)), "{who:?}");
        assert_eq!(asked(false).ok(), may.then(|| both(0.0)), "{who:?}");
    }
}
