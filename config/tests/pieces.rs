//! What a piece and a hall mean, and that no text at all brings the checker down.

mod letters;

use letters::{LETTERS, any_hall, mutated};
use proptest::prelude::*;
use tenterhook_config::{Checked, DeviceWish, Files, Host, Kind, Report, Severity, Text, check, check_with, gestures};
use tenterhook_plan::declare::{self, Declaration, Setting};
use tenterhook_plan::players::{Instrument, Player, Transposition};
use tenterhook_plan::{
    Address, By, ControllerId, Curve, Decibels, GroupId, InstanceId, Message, MicId, OutputId, Owner, Plan, Reads,
    Recording, Scene, SceneId, Send, Source, Temperament, gain,
};

fn checked(piece: &str, hall: Option<&str>) -> Checked {
    let hall = hall.map(|hall| Text::new("hall.toml", hall));
    check(&Text::new("piece.toml", piece), hall.as_ref()).unwrap_or_else(|report| panic!("{}", report.render(false)))
}

fn plan(piece: &str) -> Plan {
    checked(piece, None).plan
}

fn controller<'p>(plan: &'p Plan, name: &str) -> &'p tenterhook_plan::Controller {
    plan.controllers.iter().find(|one| one.name == name).expect("it is in the piece")
}

/// The effects of a scene by their keys, with their sends.
fn sends<'p>(plan: &'p Plan, scene: usize, key: &str) -> Vec<&'p [Send]> {
    let uses = plan.scenes[scene].uses.iter();
    uses.filter(|one| plan.instances[one.instance.index()].key == key).map(|one| one.sends.as_slice()).collect()
}

/// The uses of one scene, as ids.
fn ids(plan: &Plan, scene: SceneId) -> Vec<InstanceId> {
    plan.scenes[scene.index()].uses.iter().map(|one| one.instance).collect()
}

#[test]
fn a_whole_piece_means_what_it_says() {
    let plan = plan(LETTERS);
    assert_eq!((plan.title.as_str(), plan.tuning_hz), ("Salt Letters", 415.0));
    let mics: Vec<_> =
        plan.mics.iter().map(|mic| (mic.name.as_str(), mic.input, mic.trim, mic.highpass_hz, mic.inverted)).collect();
    assert_eq!(
        mics,
        [
            ("voice", Some(0), Decibels(0.0), None, false),
            ("recorder", Some(1), Decibels(0.0), None, false),
            ("viol", Some(2), Decibels(6.0), Some(60.0), true),
        ]
    );
    assert_eq!(plan.groups[0].mics, [MicId(1), MicId(2)]);
    let outputs: Vec<_> =
        plan.outputs.iter().map(|one| (one.name.as_str(), one.channel, one.ceiling, one.private)).collect();
    assert_eq!(
        outputs,
        [
            ("left", Some(0), Decibels(-1.0), false),
            ("right", Some(1), Decibels(-3.0), false),
            ("ears", Some(2), Decibels(-1.0), true),
        ]
    );
    let name = |id: Option<ControllerId>| id.map(|id| plan.controllers[id.index()].name.as_str());
    assert_eq!([name(plan.next), name(plan.back), name(plan.hush)], [Some("step"), Some("stepback"), Some("stop")]);
}

#[test]
fn every_kind_of_controller_means_what_it_says() {
    let plan = plan(LETTERS);
    let control = |number, reads| Message::Control { number, reads };
    let midi = |message, channel, port: Option<&str>| Address::Midi {
        message,
        channel,
        port: port.map(str::to_owned),
        inverted: false,
    };
    let address = |name| controller(&plan, name).address.clone();
    assert_eq!(address("pedal"), midi(control(64, Reads::Switch), None, None));
    assert_eq!(address("step"), midi(control(66, Reads::Switch), Some(0), Some("Foot")));
    assert_eq!(address("stepback"), Address::Key("PageUp".to_owned()));
    assert_eq!(address("stop"), midi(Message::Note { number: 24 }, None, None));
    assert_eq!(address("foot"), midi(control(11, Reads::Steps), None, None));
    assert_eq!(address("sway"), Address::Osc { path: "/sway".to_owned(), from: -1.0, to: 1.0 });
    assert_eq!(address("loud"), Address::Loudness { mic: MicId(0), from_db: -50.0, to_db: -12.0 });
    assert_eq!(address("lever"), Address::Page);
    assert_eq!((controller(&plan, "pedal").rise, controller(&plan, "pedal").fall), (0.0, Some(4.0)));
    assert_eq!(controller(&plan, "foot").curve, Curve::Slow);
    assert!(controller(&plan, "held").latch && !controller(&plan, "pedal").latch);
}

/// MIDI 1.0: controllers 64 to 69 are switches.
#[test]
fn controllers_64_to_69_are_switches_unless_told_otherwise() {
    for number in 0..=127 {
        for said in [None, Some(true), Some(false)] {
            let switch = said.map_or(String::new(), |said| format!(", switch = {said}"));
            let plan = plan(&format!(
                "mics = {{ a = 1 }}\noutputs = {{ l = 1 }}\ncontrollers.c = {{ cc = {number}{switch} }}\n[[scene]]\nmark = \"A\""
            ));
            let expected = said.unwrap_or((64..=69).contains(&number));
            assert_eq!(plan.controllers[0].is_switch(), expected, "{number} {said:?}");
        }
    }
}

/// MIDI 1.0: the control changes 32 to 63 carry what is finer of 0 to 31.
#[test]
fn a_fine_controller_takes_two_control_changes_and_a_pedal_is_turned_over() {
    let read =
        |foot: &str, hall: Option<&str>| checked(&LETTERS.replace("{ cc = 11, curve = \"slow\" }", foot), hall).plan;
    let message = |plan: &Plan, name: &str| match controller(plan, name).address {
        Address::Midi { message, inverted, .. } => (message, inverted),
        _ => panic!("{name} is not reached by MIDI"),
    };
    let fine = read("{ cc = 11, fine = true }", None);
    assert_eq!(message(&fine, "foot"), (Message::Control { number: 11, reads: Reads::Fine }, false));
    assert_eq!(message(&fine, "foot").0.controls().collect::<Vec<_>>(), [11, 43]);
    assert_eq!(message(&fine, "pedal").0.controls().collect::<Vec<_>>(), [64]);
    // What a hall leaves without a meaning rests.
    let hall = "controllers.foot = { cc = 90, switch = true }\ncontrollers.pedal = { polarity = \"inverted\" }\n";
    let there = read("{ cc = 11, fine = true }", Some(hall));
    assert_eq!(message(&there, "foot").0, Message::Control { number: 90, reads: Reads::Switch });
    assert_eq!(message(&there, "pedal"), (Message::Control { number: 64, reads: Reads::Switch }, true));
    let turned = read("{ note = 3, polarity = \"inverted\" }", Some("controllers.foot = { polarity = \"normal\" }"));
    assert_eq!(message(&turned, "foot"), (Message::Note { number: 3 }, false));
}

/// What is for one player's ears is not heard by all without a word: over every sharing of three channels.
#[test]
fn a_private_output_shares_a_channel_with_others_only_where_the_hall_means_it() {
    let piece = LETTERS;
    let names = ["left", "right", "ears"];
    let others = plan(piece).outputs;
    assert!(others.iter().zip(names).all(|(one, name)| one.name == name && one.private == (name == "ears")));
    for number in 0..27 * 4 {
        let channels = [number % 3 + 1, number / 3 % 3 + 1, number / 9 % 3 + 1];
        let (shared, right_private) = (number / 27 % 2 == 1, number / 54 == 1);
        let hall = format!(
            "[outputs]\nleft = {}\nright = {{ output = {}, private = {right_private} }}\n\
             ears = {{ output = {}, shared = {shared} }}\n",
            channels[0], channels[1], channels[2]
        );
        let with_open = channels[2] == channels[0] || !right_private && channels[2] == channels[1];
        let wrong = with_open && !shared || right_private && channels[1] == channels[0];
        let found = check(&Text::new("piece.toml", piece), Some(&Text::new("hall.toml", hall.as_str())));
        let kinds = found.map_err(|report| report.diagnostics().iter().any(|one| one.kind == Kind::PrivateShared));
        assert_eq!(kinds.is_err(), wrong, "{hall}");
        assert!(kinds.err().unwrap_or(true), "another error: {hall}");
    }
}

/// Over all halls of three outputs on two channels, with distances or without: what is heard by all arrives together, the
/// farthest waits for nobody, and what is private, left out or of unknown distance does not wait.
#[test]
fn the_nearer_loudspeakers_wait_for_the_farthest() {
    let (channels, distances) = (["1", "2", "\"none\""], [None, Some(3.0), Some(13.29)]);
    for number in 0..27 * 27 * 2 {
        let (mut rest, mut hall) = (number, "[outputs]\n".to_owned());
        let mut draw = |of: usize| {
            let drawn = rest % of;
            rest /= of;
            drawn
        };
        let private = draw(2) == 1;
        let mut said = Vec::new();
        for name in ["left", "right", "ears"] {
            let (channel, away) = (channels[draw(3)], distances[draw(3)].filter(|_| name != "ears" || !private));
            let words = away.map(|away| format!(", away = \"{away} m\"")).unwrap_or_default();
            let private = name == "ears" && private;
            hall += &format!("{name} = {{ output = {channel}, private = {private}, shared = true{words} }}\n");
            said.push((channel, private, away));
        }
        let open = |one: &&(&str, bool, Option<f64>)| one.0 != "\"none\"" && !one.1;
        let of =
            |channel: &str| said.iter().filter(open).filter(|one| one.0 == channel).filter_map(|one| one.2).collect();
        let by_channel = channels.map(|channel| -> Vec<f64> { of(channel) });
        let found = check(&Text::new("piece.toml", LETTERS), Some(&Text::new("hall.toml", hall.as_str())));
        if by_channel.iter().any(|said| said.windows(2).any(|two| two[0] != two[1])) {
            let kinds = found.expect_err(&hall).diagnostics().iter().map(|one| one.kind).collect::<Vec<_>>();
            assert!(kinds.contains(&Kind::AwayDiffers), "{hall}");
            continue;
        }
        let outputs = found.unwrap_or_else(|report| panic!("{}", report.render(false))).plan.outputs;
        let farthest = by_channel.iter().flatten().fold(0.0, |far: f64, away| far.max(*away));
        for (one, output) in said.iter().zip(&outputs) {
            let away = Some(one).filter(open).and_then(|one| of(one.0).first().copied());
            // Sound takes its own time to the listeners, and what it waits for before: together that of the farthest.
            let arrives = output.delay.zip(away).map(|(delay, away): (f64, f64)| delay + away / 343.0);
            assert_eq!(output.delay.is_some(), away.is_some(), "{hall}");
            assert!(arrives.is_none_or(|arrives| (arrives - farthest / 343.0).abs() < 1e-12), "{arrives:?}\n{hall}");
        }
    }
}

/// A level of the night is for all effects of its name, in quotes or as a table; what the hall does not say stays at 0 dB.
#[test]
fn a_hall_says_how_loud_effects_are() {
    let names: Vec<_> = {
        let plan = plan(LETTERS);
        plan.trims.iter().map(|trim| plan.trim_name(trim)).collect()
    };
    assert_eq!(names, ["voice.freeze", "instruments.stretch", "voice.second", "voice.reverse", "viol.direct"]);
    for hall in [
        "[levels]\n\"voice.freeze\" = \"-3 dB\"\n\"instruments.stretch\" = \"+6 dB\"\n",
        "levels.voice.freeze = \"-3 dB\"\n[levels.instruments]\nstretch = \"6 dB\"\n",
    ] {
        let levels: Vec<_> = checked(LETTERS, Some(hall)).plan.trims.iter().map(|trim| trim.db).collect();
        assert_eq!(levels, [-3.0, 6.0, 0.0, 0.0, 0.0], "{hall}");
    }
}

#[test]
fn scenes_and_their_effects_mean_what_they_say() {
    let plan = plan(LETTERS);
    let first = &plan.scenes[0];
    assert_eq!((first.mark.as_str(), first.name.as_deref(), first.bar), ("A", Some("Threshold"), Some(1)));
    assert_eq!((first.cue.as_deref(), first.fade), (Some("the recorder's low f"), 2.0));
    assert_eq!((plan.scenes[1].fade, plan.scenes[2].uses.len()), (0.5, 0));

    let effects: Vec<_> =
        plan.instances.iter().map(|one| (one.owner, one.source, one.key.as_str(), one.effect)).collect();
    let (voice, viol, group) = (Owner::Mic(MicId(0)), Owner::Mic(MicId(2)), Owner::Group(GroupId(0)));
    assert_eq!(
        effects,
        [
            (voice, Source::Mic(MicId(0)), "freeze", "freeze"),
            (group, Source::Group(GroupId(0)), "stretch", "stretch"),
            (voice, Source::Mic(MicId(0)), "freeze", "freeze"),
            (voice, Source::Mic(MicId(0)), "second", "freeze"),
            (voice, Source::Instance(InstanceId(2)), "reverse", "reverse"),
            (viol, Source::Mic(MicId(2)), "direct", "direct"),
        ]
    );
    let settings: Vec<_> = plan.instances.iter().map(|one| one.settings.clone()).collect();
    use Setting::{Choice, Quantity};
    assert_eq!(settings[0], [Choice(0), Quantity(0.0)], "steady, still");
    assert_eq!(settings[1], [Quantity(6.0), Quantity(30.0)], "most = 6, memory = 30 s");
    assert_eq!(settings[2], [Choice(1), Quantity(0.0)], "now, still");
    assert_eq!(settings[4], [Quantity(1.5)], "span = 1.5 s");
    assert_eq!(plan.instances[5].by, By::Scene);
}

#[test]
fn sends_follow_to_then_home_then_all_that_are_not_private() {
    let plan = plan(LETTERS);
    let (left, right) = (OutputId(0), OutputId(1));
    let equal = (0.5f64).sqrt() as f32;
    // No home: both outputs that are not private, 1/√2 each.
    assert_eq!(sends(&plan, 0, "freeze"), [[Send { output: left, gain: equal }, Send { output: right, gain: equal }]]);
    // A table, with its level folded in.
    let expected = [Send { output: left, gain: gain(-3.0) }, Send { output: right, gain: gain(-12.0) }];
    assert_eq!(sends(&plan, 0, "stretch"), [expected]);
    // A home.
    assert_eq!(sends(&plan, 1, "direct"), [[Send { output: right, gain: 1.0 }]]);
}

/// A small piece whose one scene has these effects of a group of two mics with homes.
fn grouped(effects: &str) -> String {
    format!(
        "mics = {{ a = {{ input = 1, home = \"l\" }}, b = {{ input = 2, home = [\"r\", \"l\"] }} }}\n\
         groups = {{ g = [\"b\", \"a\"] }}\n\
         outputs = {{ l = 1, r = 2, p = {{ output = 3, private = true }} }}\n\
         controllers = {{ x = {{ cc = 1 }}, y = {{ cc = 2 }}, z = {{ cc = 3 }} }}\n\
         [[scene]]\nmark = \"A\"\n[scene.mic.g]\n{effects}\n"
    )
}

#[test]
fn each_makes_one_per_mic_at_its_own_home_and_a_follower_follows_per_mic() {
    let plan = plan(&grouped(
        "reverse = { by = \"y\", after = \"freeze\", each = true }\nfreeze = { by = \"x\", each = true, to = [] }",
    ));
    let sources: Vec<_> = plan.instances.iter().map(|one| (one.key.as_str(), one.source)).collect();
    let of_mic = |mic| Source::Mic(MicId(mic));
    let of = |id| Source::Instance(InstanceId(id));
    assert_eq!(sources, [("freeze", of_mic(1)), ("freeze", of_mic(0)), ("reverse", of(0)), ("reverse", of(1))]);
    assert!(plan.instances.iter().all(|one| one.owner == Owner::Group(GroupId(0))));
    let equal = (0.5f64).sqrt() as f32;
    let b = [Send { output: OutputId(1), gain: equal }, Send { output: OutputId(0), gain: equal }];
    let a = [Send { output: OutputId(0), gain: 1.0 }];
    assert_eq!(sends(&plan, 0, "reverse"), [&b[..], &a[..]]);
    assert!(sends(&plan, 0, "freeze").iter().all(|sends| sends.is_empty()), "`to = []` mutes");
}

#[test]
fn a_groups_own_effect_goes_to_all_that_are_not_private() {
    let plan = plan(&grouped("freeze = { by = \"x\", level = \"-6 dB\" }"));
    let expected = (f64::from(gain(-6.0)) / 2f64.sqrt()) as f32;
    let to = |output| Send { output: OutputId(output), gain: expected };
    assert_eq!(sends(&plan, 0, "freeze"), [[to(0), to(1)]]);
}

#[test]
fn the_same_effect_is_one_instance_and_any_other_is_another() {
    let scenes = "\
        [[scene]]\nmark = \"B\"\n[scene.mic.g]\nfreeze = { by = \"x\", level = \"-3 dB\" }\n\
        [[scene]]\nmark = \"C\"\n[scene.mic.g]\nfreeze = { by = \"x\", spread = 0.5 }\n\
        [[scene]]\nmark = \"D\"\n[scene.mic.g]\nfreeze = { by = \"y\" }\n\
        [[scene]]\nmark = \"E\"\n[scene.mic.a]\nfreeze = { by = \"x\" }\n\
        [[scene]]\nmark = \"F\"\n[scene.mic.g]\nother = { effect = \"freeze\", by = \"x\" }\n\
        [[scene]]\nmark = \"G\"\n[scene.mic.g]\nfreeze = { by = \"x\", aim = \"steady\", spread = 0.0 }\n";
    let plan = plan(&(grouped("freeze = { by = \"x\" }") + scenes));
    let first = ids(&plan, SceneId(0));
    let same: Vec<_> = (1..7).map(|scene| ids(&plan, SceneId(scene)) == first).collect();
    assert_eq!(same, [true, false, false, false, false, true]);
    assert_eq!(plan.instances.len(), 5);
}

#[test]
fn what_follows_another_effect_is_another_instance_too() {
    let scenes = "[[scene]]\nmark = \"B\"\n[scene.mic.g]\nfreeze = { by = \"x\", spread = 0.1 }\n\
        reverse = { by = \"y\", after = \"freeze\" }\n";
    let text = grouped("freeze = { by = \"x\" }\nreverse = { by = \"y\", after = \"freeze\" }") + scenes;
    let plan = plan(&text);
    assert_eq!(ids(&plan, SceneId(0)), [InstanceId(0), InstanceId(1)]);
    assert_eq!(ids(&plan, SceneId(1)), [InstanceId(2), InstanceId(3)]);
}

#[test]
fn cautions_name_what_nothing_uses() {
    let checked = checked(LETTERS, None);
    let found: Vec<_> = checked.cautions.diagnostics().iter().map(|one| (one.kind, one.message.as_str())).collect();
    let unused = |what, name| (Kind::Unused, format!("nothing uses the {what} \"{name}\""));
    let expected = [unused("output", "ears"), unused("controller", "sway"), unused("controller", "loud")];
    assert_eq!(found, expected.each_ref().map(|(kind, text)| (*kind, text.as_str())));
}

#[test]
fn a_hall_overrides_key_by_key() {
    let hall = r#"
        [mics]
        voice    = 8
        viol     = { input = 7, polarity = "normal" }
        recorder = { home = ["left", "right"], highpass = "80 Hz", trim = "-2 dB" }
        [outputs]
        left  = 5
        right = { output = 5, ceiling = "-6 dB" }
        [controllers]
        pedal = { fall = "1 s" }
        foot  = { channel = 3 }
        step  = { cc = 20, switch = true }
        held  = { key = "h" }
        [device]
        host   = "jack"
        input  = "Stage box"
        output = "Desk"
        rate   = 48_000
        block  = 64
    "#;
    let piece = plan(LETTERS);
    let checked = checked(LETTERS, Some(hall));
    let plan = &checked.plan;
    assert_eq!(plan.mics.iter().map(|mic| mic.input).collect::<Vec<_>>(), [Some(7), Some(1), Some(6)]);
    let viol = &plan.mics[2];
    assert_eq!((viol.trim, viol.highpass_hz, viol.inverted), (Decibels(6.0), Some(60.0), false));
    assert_eq!((plan.mics[1].trim, plan.mics[1].highpass_hz), (Decibels(-2.0), Some(80.0)));
    assert_eq!(plan.outputs.iter().map(|one| one.channel).collect::<Vec<_>>(), [Some(4), Some(4), Some(2)]);
    assert_eq!(plan.outputs[1].ceiling, Decibels(-6.0));
    assert_eq!(controller(plan, "pedal").fall, Some(1.0));
    assert_eq!(controller(plan, "pedal").address, controller(&piece, "pedal").address);
    assert_eq!(controller(plan, "foot").curve, Curve::Slow);
    let midi = |number, reads, channel, port: Option<&str>| Address::Midi {
        message: Message::Control { number, reads },
        channel: Some(channel),
        port: port.map(str::to_owned),
        inverted: false,
    };
    assert_eq!(controller(plan, "foot").address, midi(11, Reads::Steps, 2, None));
    assert_eq!(controller(plan, "step").address, midi(20, Reads::Switch, 0, Some("Foot")));
    assert_eq!(controller(plan, "held").address, Address::Key("h".to_owned()));
    assert!(controller(plan, "held").latch);
    let wish = DeviceWish {
        host: Some(Host::Jack),
        input: Some("Stage box".to_owned()),
        output: Some("Desk".to_owned()),
        rate: Some(48_000),
        block: Some(64),
    };
    assert_eq!(checked.device, wish);
    // All else is the piece's.
    assert_eq!(plan.instances, piece.instances);
}

#[test]
fn an_empty_hall_changes_nothing() {
    assert_eq!(checked(LETTERS, Some("")), checked(LETTERS, None));
}

#[test]
fn a_halls_new_address_lets_the_old_ones_keys_rest() {
    let hall = "[controllers]\nfoot = { cc = 69 }\nheld = { loudness = \"viol\", from = \"-40 dB\", to = \"-10 dB\" }\n\
        step = { note = 3 }\n";
    let plan = checked(LETTERS, Some(hall)).plan;
    let note = Address::Midi { message: Message::Note { number: 3 }, channel: None, port: None, inverted: false };
    assert_eq!(controller(&plan, "step").address, note);
    assert!(controller(&plan, "foot").is_switch(), "its curve rests");
    assert!(!controller(&plan, "held").latch, "a loudness is not pressed");
}

#[test]
fn a_hall_may_make_a_switch_of_a_wheel() {
    for over in ["switch = true", "latch = true"] {
        let plan = checked(LETTERS, Some(&format!("controllers.foot = {{ {over} }}\n"))).plan;
        assert!(controller(&plan, "foot").is_switch(), "{over}: its curve rests");
    }
}

/// One recording beside the piece.
struct Beside;

impl Files for Beside {
    fn sound(&self, path: &str) -> Result<Recording, String> {
        match path {
            "beside.wav" => {
                Ok(Recording { path: path.to_owned(), rate: 48_000, tuned: 1.0, samples: [0.5; 100].into() })
            }
            _ => Err("there is none of that name".to_owned()),
        }
    }

    fn text(&self, _path: &str) -> Result<String, String> {
        Err("there is none of that name".to_owned())
    }
}

/// One effect with one setting, in a piece of its own: its setting in the plan, or the kind of the error.
fn with_setting(effect: &Declaration, place: usize, setting: &str) -> Result<Setting, Kind> {
    // The others that must be said.
    let others = effect.settings.iter().enumerate().filter(|(other, _)| *other != place).filter_map(|(_, other)| {
        let said = match other.kind {
            declare::Kind::Sound => "beside.wav",
            declare::Kind::Tuning => "D3",
            _ => return None,
        };
        Some(format!("{} = \"{said}\", ", other.name))
    });
    let (effect, others) = (effect.name, others.collect::<String>());
    let text = format!(
        "mics = {{ a = 1 }}\noutputs = {{ l = 1 }}\ncontrollers = {{ x = {{}} }}\n[[scene]]\nmark = \"A\"\n\
         mic.a.{effect} = {{ by = \"x\", {others}{setting} }}\n"
    );
    match check_with(&Text::new("piece.toml", text), None, &Beside) {
        Ok(checked) => Ok(checked.plan.instances[0].settings[place].clone()),
        Err(report) => Err(report.diagnostics()[0].kind),
    }
}

/// Whatever effects there are: their settings are read as they are declared.
#[test]
fn every_declared_setting_is_read_by_its_declaration() {
    for effect in &tenterhook_dsp::effects::EFFECTS {
        for (place, setting) in effect.declaration.settings.iter().enumerate() {
            let read = |value: String| with_setting(&effect.declaration, place, &format!("{} = {value}", setting.name));
            match setting.kind {
                declare::Kind::Quantity { unit, least, most, .. } => {
                    let spell = |value: f64| match unit {
                        declare::Unit::Number => value.to_string(),
                        declare::Unit::Seconds => format!("\"{} ms\"", value * 1000.0),
                        declare::Unit::Decibels => format!("\"{value} dB\""),
                        declare::Unit::Hertz => format!("\"{value} Hz\""),
                        declare::Unit::Metres => format!("\"{value} m\""),
                    };
                    for value in [least, (least + most) / 2.0, most] {
                        assert_eq!(read(spell(value)), Ok(Setting::Quantity(value)), "{}", setting.name);
                    }
                    for value in [least - 0.001, most + 0.001] {
                        assert_eq!(read(spell(value)), Err(Kind::OutOfRange), "{} {value}", setting.name);
                    }
                }
                declare::Kind::Choice { words, .. } => {
                    for (choice, (word, _)) in words.iter().enumerate() {
                        assert_eq!(read(format!("\"{word}\"")), Ok(Setting::Choice(choice)));
                    }
                    assert_eq!(read("\"no such word\"".to_owned()), Err(Kind::UnknownWord));
                }
                declare::Kind::Sound => {
                    assert!(
                        matches!(read("\"beside.wav\"".to_owned()), Ok(Setting::Sound(sound)) if sound.samples.len() == 100)
                    );
                    assert_eq!(read("\"a.wav\"".to_owned()), Err(Kind::FileUnread));
                }
                declare::Kind::Tuning => {
                    assert!(
                        matches!(read("\"D3 A3\"".to_owned()), Ok(Setting::Tuning(tuned)) if tuned.partials.len() == 2)
                    );
                    assert_eq!(read("\"H3\"".to_owned()), Err(Kind::BadTuning));
                    assert_eq!(read("\"a.toml\"".to_owned()), Err(Kind::FileUnread));
                }
                declare::Kind::Interval { least_cents, most_cents, .. } => {
                    for cents in [least_cents, most_cents] {
                        assert_eq!(read(format!("\"{cents} cents\"")), Ok(Setting::Interval(cents)));
                    }
                    for cents in [least_cents - 1.0, most_cents + 1.0] {
                        assert_eq!(read(format!("\"{cents} cents\"")), Err(Kind::OutOfRange));
                    }
                    assert_eq!(read("\"2/1\"".to_owned()), Ok(Setting::Interval(1200.0)));
                    assert_eq!(read("\"octave down\"".to_owned()), Ok(Setting::Interval(-1200.0)));
                    assert_eq!(read("\"702\"".to_owned()), Err(Kind::NotANumber));
                    assert_eq!(read("702".to_owned()), Err(Kind::MissingUnit));
                }
            }
        }
    }
}

#[test]
fn none_leaves_a_mic_or_an_output_out() {
    let checked = checked(LETTERS, Some("mics.recorder = \"none\"\noutputs.right = { output = \"none\" }\n"));
    assert_eq!((checked.plan.mics[1].input, checked.plan.outputs[1].channel), (None, None));
    let left_out = checked.cautions.diagnostics().iter().filter(|one| one.kind == Kind::LeftOut);
    assert!(left_out.map(|one| one.file.as_str()).eq(["hall.toml"; 2]));
}

#[test]
fn ports_and_channels_tell_messages_apart_and_nothing_else_does() {
    let clash = |one: &str, other: &str| {
        let text = format!(
            "mics = {{ a = 1 }}\noutputs = {{ l = 1 }}\ncontrollers.c = {{ {one} }}\ncontrollers.d = {{ {other} }}\n\
             [[scene]]\nmark = \"A\"\n"
        );
        match check(&Text::new("piece.toml", text), None) {
            Ok(_) => false,
            Err(report) => report.diagnostics().iter().any(|one| one.kind == Kind::MessageReachesTwo),
        }
    };
    let apart = [
        ("cc = 1", "cc = 2"),
        ("cc = 1", "note = 1"),
        ("cc = 1, channel = 1", "cc = 1, channel = 2"),
        ("cc = 1, port = \"Foot\"", "cc = 1, port = \"Keys\""),
        ("key = \"a\"", "key = \"A\""),
        ("osc = \"/a\"", "osc = \"/b\""),
        ("", ""),
    ];
    let together = [
        ("cc = 1", "cc = 1"),
        ("cc = 64", "cc = 64, switch = false"),
        ("note = 1", "note = 1, channel = 5"),
        ("cc = 1, channel = 1", "cc = 1, port = \"Foot\""),
        ("cc = 1, port = \"Foot\"", "cc = 1, port = \"Foot pedal\""),
        ("key = \"a\"", "key = \"a\""),
        ("osc = \"/a\"", "osc = \"/a\", from = 1, to = 0"),
    ];
    for (one, other) in apart {
        assert!(!clash(one, other) && !clash(other, one), "{one} | {other}");
    }
    for (one, other) in together {
        assert!(clash(one, other) && clash(other, one), "{one} | {other}");
    }
}

/// What a sound piece promises: every id in range, each instance after the one it follows.
fn is_whole(plan: &Plan) -> bool {
    let instances = plan.instances.iter().enumerate().all(|(at, one)| {
        let source = match one.source {
            Source::Mic(mic) => mic.index() < plan.mics.len(),
            Source::Group(group) => group.index() < plan.groups.len(),
            Source::Instance(followed) => followed.index() < at,
        };
        source
            && tenterhook_dsp::effects::named(one.effect)
                .is_some_and(|it| it.declaration.settings.len() == one.settings.len())
    });
    let uses = plan.scenes.iter().flat_map(|scene| &scene.uses).all(|one| {
        one.instance.index() < plan.instances.len()
            && one.sends.iter().all(|send| send.output.index() < plan.outputs.len() && send.gain.is_finite())
    });
    instances && uses && !plan.scenes.is_empty()
}

/// Checks and prints; true if what came out is whole.
fn survives(piece: &str, hall: Option<&str>) -> bool {
    let hall = hall.map(|hall| Text::new("hall.toml", hall));
    match check(&Text::new("piece.toml", piece), hall.as_ref()) {
        Ok(checked) => {
            is_whole(&checked.plan) && checked.cautions.is_empty() == checked.cautions.render(true).is_empty()
        }
        Err(report) => {
            let rendered = report.render(false);
            let all = report.diagnostics().iter().all(|one| rendered.contains(&one.file));
            all && report.to_json().as_array().map(Vec::len) == Some(report.diagnostics().len())
        }
    }
}

proptest! {
    #[test]
    fn a_mutated_piece_or_hall_gives_a_whole_plan_or_errors(text in mutated()) {
        prop_assert!(survives(&text, None));
        prop_assert!(survives(LETTERS, Some(&text)));
    }

    /// Of a sound piece only the hall can be wrong: that is where its errors are shown.
    #[test]
    fn a_halls_errors_are_in_the_hall(hall in any_hall()) {
        match check(&Text::new("piece.toml", LETTERS), Some(&Text::new("hall.toml", hall))) {
            Ok(checked) => prop_assert!(is_whole(&checked.plan)),
            Err(report) => {
                let mut errors = report.diagnostics().iter().filter(|one| one.kind.severity() == Severity::Error);
                prop_assert!(errors.all(|one| one.file == "hall.toml"), "{}", report.render(false));
            }
        }
    }

    #[test]
    fn any_text_gives_a_whole_plan_or_errors(text in any::<String>()) {
        prop_assert!(survives(&text, Some(&text)));
    }

    #[test]
    fn any_bytes_give_gestures_or_errors(bytes in any::<Vec<u8>>(), midi in any::<bool>()) {
        let plan = plan(LETTERS);
        let start: &[u8] = if midi { b"MThd\0\0\0\x06\0\x01\0\x01\0\x60MTrk" } else { b"seconds,controller,value\n" };
        if let Err(report) = gestures("bytes", &[start, &bytes].concat(), &plan) {
            prop_assert!(!report.is_empty() && !report.render(false).is_empty());
        }
    }
}

#[test]
fn players_are_a_handbooks_but_for_what_the_piece_says() {
    let text = "mics = { voice = 1 }\noutputs = { left = 1 }\n[players]\nviolin = { high = \"E7\", clef = [\"treble\", \"alto\"] }\n\
                theorbo = { open = \"Bb1 G1 A1\" }\n\"clarinet in Bb\" = { like = \"recorder\", low = \"D3\", high = \"D6\", \
                transposition = \"major second down\" }\nviol = { open = \"\" }\n[[scene]]\nmark = \"A\"\nmic.voice.direct = { by = \"scene\" }\n";
    let plan = check(&Text::new("piece.toml", text), None).unwrap().plan;
    let [violin, theorbo, clarinet, viol] = &plan.players[..] else { panic!("{:?}", plan.players) };
    let known = |name| Player::from(Instrument::named(name).unwrap());
    assert_eq!((violin.low, violin.high, violin.clefs.len()), (55, 100, 2));
    assert_eq!(violin.transposition, known("violin").transposition);
    assert_eq!(*theorbo, Player { open: vec![31, 33, 34], ..known("theorbo") });
    assert_eq!((clarinet.name.as_str(), clarinet.instrument.name), ("clarinet in Bb", "recorder"));
    assert_eq!((clarinet.low, clarinet.high), (50, 86));
    assert_eq!(clarinet.transposition, Transposition { semitones: -2, letters: -1 });
    assert_eq!(*viol, known("viol"));
    // One bell is a player too.
    let bell = text.replace("[players]\n", "[players]\nbell = { like = \"carillon\", low = \"D5\", high = \"D5\" }\n");
    let bell = &check(&Text::new("piece.toml", bell), None).unwrap().plan.players[0];
    assert_eq!((bell.low, bell.high), (74, 74));
}

/// Scenes below a piece in which there is enough to name.
fn with_scenes(scenes: &str) -> Result<Plan, Report> {
    let text = format!(
        "mics = {{ voice = 1, viol = 2 }}\noutputs = {{ left = 1, right = 2 }}\n\
         controllers = {{ pedal = {{ cc = 64 }}, foot = {{ cc = 11 }}, hand = {{}} }}\n[groups]\nall = [\"voice\", \"viol\"]\n{scenes}"
    );
    check(&Text::new("piece.toml", text), None).map(|checked| checked.plan)
}

#[test]
fn a_scene_that_is_like_another_is_that_scene_but_for_the_lines_that_it_writes() {
    const A: &str = "[[scene]]\nmark = \"A\"\nname = \"first\"\nbar = 3\ncue = \"now\"\nfade = \"3 s\"\n\
                     mic.voice.freeze = { by = \"pedal\", to = [\"left\"], level = \"-6 dB\" }\n\
                     mic.voice.slow = { effect = \"stretch\", by = \"foot\", after = \"freeze\", most = 3 }\n\
                     mic.all.reverse = { by = \"hand\", each = true }\n";
    // What B writes beside `like`, and B written out.
    let freeze = "mic.voice.freeze = { by = \"pedal\", to = [\"left\"], level = \"-6 dB\" }\n";
    let slow = "mic.voice.slow = { effect = \"stretch\", by = \"foot\", after = \"freeze\", most = 3 }\n";
    let reverse = "mic.all.reverse = { by = \"hand\", each = true }\n";
    let cases = [
        (String::new(), [freeze, slow, reverse].concat()),
        ("mic.voice.slow = \"none\"\n".to_owned(), [freeze, reverse].concat()),
        ("mic.all.reverse = \"none\"\n".to_owned(), [freeze, slow].concat()),
        // A line that is written is whole: nothing of it is left.
        (
            "mic.voice.freeze = { by = \"hand\" }\nmic.all.reverse = \"none\"\n".to_owned(),
            ["mic.voice.freeze = { by = \"hand\" }\n", slow].concat(),
        ),
        (
            "mic.voice.slow = { effect = \"direct\", by = \"foot\" }\n".to_owned(),
            [freeze, "mic.voice.slow = { effect = \"direct\", by = \"foot\" }\n", reverse].concat(),
        ),
        (
            "mic.viol.direct = { by = \"scene\" }\nmic.voice.direct = { by = \"scene\" }\n".to_owned(),
            [
                freeze,
                slow,
                "mic.voice.direct = { by = \"scene\" }\n",
                reverse,
                "mic.viol.direct = { by = \"scene\" }\n",
            ]
            .concat(),
        ),
    ];
    for (differs, written_out) in &cases {
        let like = format!("[[scene]]\nmark = \"B\"\nlike = \"A\"\n{differs}");
        let whole = format!("[[scene]]\nmark = \"B\"\n{written_out}");
        for (first, second, told) in [(A, &like, 1), (&like, &A.to_owned(), 0)] {
            let mut plan =
                with_scenes(&format!("{first}{second}")).unwrap_or_else(|report| panic!("{}", report.render(false)));
            assert_eq!(plan.scenes[told].like, Some(SceneId::new(1 - told)));
            let Scene { name: None, bar: None, cue: None, fade: 0.5, .. } = &plan.scenes[told] else {
                panic!("names, bars, cues and fades are each scene's own: {:?}", plan.scenes[told])
            };
            plan.scenes[told].like = None;
            let (first, second) = if told == 1 { (A, whole.as_str()) } else { (whole.as_str(), A) };
            assert_eq!(plan, with_scenes(&format!("{first}{second}")).unwrap(), "{differs}");
        }
    }
}

#[test]
fn what_is_wrong_in_a_line_that_is_taken_over_is_told_once_where_it_stands() {
    let broken = "[[scene]]\nmark = \"B\"\nlike = \"A\"\n[[scene]]\nmark = \"A\"\nmic.voice.freeze = { by = \"pedla\" }\n\
                  [[scene]]\nmark = \"C\"\nlike = \"A\"\nmic.viol.freeze = { by = \"pedal\", to = [] }\n";
    let report = with_scenes(broken).unwrap_err();
    let found: Vec<_> =
        report.diagnostics().iter().map(|one| (one.kind, one.position.as_ref().unwrap().line)).collect();
    assert_eq!(found, [(Kind::UnknownController, 11), (Kind::NeverHeard, 15)], "{}", report.render(false));
    // What is wrong only here is told here, at `like`.
    let alone = "[[scene]]\nmark = \"A\"\nmic.voice.freeze = { by = \"pedal\" }\nmic.voice.slow = { effect = \"stretch\", by = \"foot\", after = \"freeze\" }\n\
                 [[scene]]\nmark = \"B\"\nlike = \"A\"\nmic.voice.freeze = \"none\"\n[[scene]]\nmark = \"C\"\nlike = \"A\"\nmic.viol.direct = { by = \"foot\" }\n";
    let report = with_scenes(alone).unwrap_err();
    let found: Vec<_> =
        report.diagnostics().iter().map(|one| (one.kind, one.position.as_ref().unwrap().line)).collect();
    assert_eq!(found, [(Kind::UnknownAfter, 12), (Kind::ControllerWorksTwo, 17)], "{}", report.render(false));
    // A mark that could not be read may have been the one.
    let unread = "[[scene]]\nmark = 1\nmic.voice.freeze = { by = \"pedal\" }\n[[scene]]\nmark = \"B\"\nlike = \"A\"\n";
    let report = with_scenes(unread).unwrap_err();
    assert_eq!(report.diagnostics().iter().map(|one| one.kind).collect::<Vec<_>>(), [Kind::WrongType]);
    // Where it is not known what is taken over, nothing is said of what is missing there.
    let unknown = "[[scene]]\nmark = \"A\"\nlike = \"X\"\nmic.voice.direct = { by = \"hand\", after = \"freeze\" }\nmic.voice.slow = \"none\"\n";
    let report = with_scenes(unknown).unwrap_err();
    assert_eq!(report.diagnostics().iter().map(|one| one.kind).collect::<Vec<_>>(), [Kind::UnknownMark]);
}

/// Two sounds of one second, and a spectrum.
struct Pitched;

impl Files for Pitched {
    fn sound(&self, path: &str) -> Result<Recording, String> {
        Ok(Recording { path: path.to_owned(), rate: 44_000, tuned: 1.0, samples: vec![0.0; 44_000].into() })
    }

    fn text(&self, _path: &str) -> Result<String, String> {
        Ok("partials = [ { hz = 220.0, db = -6 }, { hz = 333.3, db = -9 } ]".to_owned())
    }
}

/// The frequencies that effects have in a hall, and how much higher it is tuned for their recordings.
fn pitched(piece: &str, hall: Option<&str>) -> (Vec<f64>, Vec<f64>, Plan) {
    let text = format!(
        "{piece}\nmics = {{ voice = 1 }}\noutputs = {{ left = 1 }}\ncontrollers = {{ a = {{}}, b = {{}}, c = {{}}, d = {{}} }}\n[[scene]]\nmark = \"A\"\n\
         [scene.mic.voice]\nstrings = {{ effect = \"sympathetic\", by = \"a\", tuned = \"A4 E4 220 Hz\" }}\n\
         bell = {{ effect = \"sympathetic\", by = \"b\", tuned = \"bell.toml\" }}\n\
         reel = {{ effect = \"tape\", by = \"c\", file = \"a.wav\" }}\nhead = {{ effect = \"tape\", by = \"d\", file = \"a.wav\", works = \"place\" }}\n"
    );
    let hall = hall.map(|hall| Text::new("hall.toml", hall));
    let plan = check_with(&Text::new("piece.toml", text), hall.as_ref(), &Pitched)
        .unwrap_or_else(|report| panic!("{}", report.render(false)))
        .plan;
    let (mut hz, mut tuned) = (Vec::new(), Vec::new());
    for setting in plan.instances.iter().flat_map(|one| &one.settings) {
        match setting {
            Setting::Tuning(tuned) => hz.extend(tuned.partials.iter().map(|one| one.hz)),
            Setting::Sound(sound) => tuned.push(sound.tuned),
            _ => {}
        }
    }
    (hz, tuned, plan)
}

#[test]
fn a_hall_retunes_strings_spectra_and_recordings_and_what_is_in_hz_stays() {
    let fifth = (-5.0f64 / 12.0).exp2();
    let (hz, tuned, _) = pitched("tuning = \"440 Hz\"", None);
    assert_eq!((hz, tuned), (vec![440.0, 440.0 * fifth, 220.0, 220.0, 333.3], vec![1.0, 1.0]));
    for hall in [392.0, 415.0, 440.0, 466.0] {
        let (hz, tuned, plan) = pitched("tuning = \"440 Hz\"", Some(&format!("tuning = \"{hall} Hz\"")));
        assert_eq!(plan.tuning_hz, hall);
        assert_eq!(hz, [hall, hall * fifth, 220.0, 220.0 * (hall / 440.0), 333.3 * (hall / 440.0)]);
        assert_eq!(tuned, [hall / 440.0; 2], "{hall}");
    }
    // What a piece says by itself is what its spectra and recordings were made at.
    let (hz, tuned, _) = pitched("tuning = \"415 Hz\"", Some("[mics]\nvoice = 2"));
    assert_eq!((hz[3], tuned[0]), (220.0, 1.0));
}

#[test]
fn strings_are_tuned_in_the_temperament_of_the_hall_else_of_the_piece_else_in_equal_temperament() {
    let fourth = |piece: &str, hall: Option<&str>| {
        let (hz, _, plan) = pitched(piece, hall);
        (1200.0 * (hz[0] / hz[1]).log2(), plan.temperament)
    };
    let is = |(cents, found): (f64, Temperament), wanted: f64, temperament: Temperament| {
        assert!((cents - wanted).abs() < 0.001 && found == temperament, "{cents}, {found}");
    };
    let meantone = "temperament = \"quarter-comma meantone\"";
    is(fourth("", None), 500.0, Temperament::Equal);
    is(fourth(meantone, None), 503.422, Temperament::QuarterComma);
    is(fourth(meantone, Some("tuning = \"415 Hz\"")), 503.422, Temperament::QuarterComma);
    is(fourth(meantone, Some("temperament = \"just to d\"")), 498.045, Temperament::Just(2));
    is(fourth("temperament = \"just to d\"", Some("temperament = \"equal\"")), 500.0, Temperament::Equal);
    let own = [0.0, 90.0, 200.0, 300.0, 390.0, 500.0, 600.0, 700.0, 800.0, 895.0, 1000.0, 1100.5];
    let written = Temperament::Own(own).to_string();
    is(fourth(&format!("temperament = {written}"), None), 505.0, Temperament::Own(own));
}

#[test]
fn a_controller_like_another_has_its_address_in_every_hall_and_a_character_of_its_own() {
    let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\n\
                 controllers.tap = { like = \"pedal\", fall = \"100 ms\" }\ncontrollers.pedal = { cc = 64, channel = 2, rise = \"1 s\", fall = \"3 s\" }\n\
                 [[scene]]\nmark = \"A\"\nmic.voice.freeze = { by = \"pedal\" }\n[[scene]]\nmark = \"B\"\nmic.voice.freeze = { by = \"tap\" }\n";
    let both = |hall: Option<&str>| {
        let plan = checked(piece, hall).plan;
        let [tap, pedal] = [0, 1].map(|at| plan.controllers[at].clone());
        assert_eq!((tap.name.as_str(), pedal.name.as_str()), ("tap", "pedal"));
        (tap, pedal)
    };
    for hall in [
        None,
        Some("controllers.pedal = { cc = 11 }"),
        Some("controllers.pedal = { osc = \"/sway\", to = 9 }"),
        Some("controllers.pedal.port = \"Foot\""),
    ] {
        let (tap, pedal) = both(hall);
        assert_eq!(tap.address, pedal.address, "{hall:?}");
        assert_eq!((tap.like, pedal.like), (Some(ControllerId(1)), None));
        assert_eq!([(tap.rise, tap.fall), (pedal.rise, pedal.fall)], [(0.0, Some(0.1)), (1.0, Some(3.0))]);
    }
    // A hall with two pedals gives the other one its own, and one with a pedal less takes it away.
    let (tap, pedal) = both(Some("controllers.tap = { cc = 66 }"));
    assert!(tap.address != pedal.address && tap.like.is_none() && tap.fall == Some(0.1));
    let apart = piece.replace("like = \"pedal\"", "cc = 66");
    let tap = checked(&apart, Some("controllers.tap.like = \"pedal\"")).plan.controllers[0].clone();
    assert_eq!((tap.like, tap.fall), (Some(ControllerId(1)), Some(0.1)));
}
