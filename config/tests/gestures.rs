//! Written gestures: what CSV and MIDI files mean, and that what is written down reads back as it was.

use proptest::prelude::*;
use std::sync::LazyLock;
use tenterhook_config::{CSV_HEADER, Gestures, Kind, Text, check, gesture_line, gestures, sample_at, write_gestures};
use tenterhook_plan::{
    Applied, ControllerId, Event, Gesture, MicId, Midi, OutputId, Plan, SceneId, Timed, TrimId, Who,
};

/// A piece whose names are as awkward as names may be.
const PIECE: &str = r#"
mics = { voice = 1, "second, voice" = 2 }
outputs = { left = 1, "says \"right\"" = 2 }
[controllers]
pedal = { cc = 64 }
foot  = { cc = 11, channel = 3 }
"a, b" = {}
bell  = { note = 60 }
loud  = { loudness = "voice", from = "-50 dB", to = "-12 dB" }
[[scene]]
mark = "A"
[scene.mic.voice]
freeze = { by = "pedal" }
"a/b, c" = { effect = "direct", by = "scene" }
[[scene]]
mark = "A+4"
[scene.mic."second, voice"]
direct = { by = "foot" }
[scene.mic.voice]
freeze = { by = "pedal", spread = 0.5 }
reverse = { by = "a, b" }
[[scene]]
mark = "the \"end\", at last"
"#;

static PLAN: LazyLock<Plan> = LazyLock::new(|| plan(PIECE));

fn plan(text: &str) -> Plan {
    let checked = check(&Text::new("piece.toml", text), None);
    checked.unwrap_or_else(|report| panic!("{}", report.render(false))).plan
}

fn read(bytes: &[u8], plan: &Plan) -> Gestures {
    gestures("gestures", bytes, plan).unwrap_or_else(|report| panic!("{}", report.render(false)))
}

fn lines(lines: &str) -> Vec<(f64, Event)> {
    read(format!("{CSV_HEADER}\n{lines}").as_bytes(), &PLAN).events
}

#[test]
fn every_reserved_address_means_what_it_says() {
    let text = "0,pedal,1\n\
        0.5,fire,A+4\n\
        0.5,\"a, b\",0.25\n\
        1,hush,1\n\
        1.5,hush,0\n\
        2,level,-3.5\n\
        2,\"level/says \"\"right\"\"\",-130\n\
        3,\"mute/second, voice\",1\n\
        3,mute/voice,0\n\
        4,level/voice/freeze,-3\n\
        4,\"level/voice/a/b, c\",6\n";
    use Gesture::{Controller, Fire, Hush, Level, Mute, Trim};
    let expected = [
        (0.0, Controller { id: ControllerId(0), value: 1.0 }),
        (0.5, Fire(SceneId(1))),
        (0.5, Controller { id: ControllerId(2), value: 0.25 }),
        (1.0, Hush(true)),
        (1.5, Hush(false)),
        (2.0, Level { output: None, db: -3.5 }),
        (2.0, Level { output: Some(OutputId(1)), db: -130.0 }),
        (3.0, Mute { mic: MicId(1), muted: true }),
        (3.0, Mute { mic: MicId(0), muted: false }),
        (4.0, Trim { trim: TrimId(0), db: -3.0 }),
        (4.0, Trim { trim: TrimId(1), db: 6.0 }),
    ];
    assert_eq!(lines(text), expected.map(|(seconds, gesture)| (seconds, Event::written(gesture))));
}

#[test]
fn line_ends_and_a_byte_order_mark_are_no_matter() {
    let expected = lines("1,pedal,1\n2,fire,A\n");
    assert_eq!(lines("1,pedal,1\r\n2,fire,A"), expected);
    let with_mark = format!("\u{feff}{CSV_HEADER}\r\n1,pedal,1\r\n\r\n2,fire,A\r\n");
    assert_eq!(read(with_mark.as_bytes(), &PLAN).events, expected);
}

#[test]
fn every_wrong_line_is_reported() {
    let text = format!(
        "{CSV_HEADER}\n2,pedal,1\n1,pedal,1\n3,pedel,2\n4,fire,Z\n5,level/voice/freze,-3\n\
                        6,level/voice/freeze,7\n"
    );
    let report = gestures("g.csv", text.as_bytes(), &PLAN).expect_err("errors");
    let found: Vec<_> = report
        .diagnostics()
        .iter()
        .map(|one| (one.kind, one.position.as_ref().map(|at| (at.line, at.column, at.length))))
        .collect();
    assert_eq!(
        found,
        [
            (Kind::TimeGoesBack, Some((3, 1, 1))),
            (Kind::UnknownController, Some((4, 3, 5))),
            (Kind::OutOfRange, Some((4, 9, 1))),
            (Kind::UnknownMark, Some((5, 8, 1))),
            (Kind::UnknownEffect, Some((6, 3, 17))),
            (Kind::OutOfRange, Some((7, 22, 1))),
        ]
    );
}

#[test]
fn places_are_right_behind_quoted_fields() {
    let text = format!("\u{feff}{CSV_HEADER}\r\n1,\"a, b\",1\r\n2,\"level/says \"\"right\"\"\",loud\r\n");
    let report = gestures("g.csv", text.as_bytes(), &PLAN).expect_err("no number");
    let position = report.diagnostics()[0].position.as_ref().expect("a line");
    assert_eq!((position.line, &text[position.span.clone()]), (3, "loud"));
}

/// The rule of the gestures file: seconds × rate, rounded half up.
#[test]
fn samples_are_rounded_half_up() {
    assert_eq!(sample_at(0.0, 48_000), 0);
    assert_eq!(sample_at(0.5, 1), 1, "a half goes up");
    assert_eq!(sample_at(1.5, 1), 2);
    assert_eq!(sample_at(2.5, 1), 3, "also where the even neighbour is below");
    assert_eq!(sample_at(0.499_999_999_999_999_94, 1), 0, "the double below a half goes down");
    let timed = read(format!("{CSV_HEADER}\n0.0000104,pedal,1\n0.0000105,pedal,0\n").as_bytes(), &PLAN).at_rate(48_000);
    assert_eq!(timed.iter().map(|one| one.sample).collect::<Vec<_>>(), [0, 1]);
}

/// Standard MIDI Files 1.0, worked example: format 0, 96 ticks a quarter, 500 000 µs a quarter, two seconds long.
const WORKED_EXAMPLE: [u8; 81] = [
    0x4d, 0x54, 0x68, 0x64, 0, 0, 0, 6, 0, 0, 0, 1, 0, 0x60, 0x4d, 0x54, 0x72, 0x6b, 0, 0, 0, 0x3b, 0x00, 0xff, 0x58,
    0x04, 0x04, 0x02, 0x18, 0x08, 0x00, 0xff, 0x51, 0x03, 0x07, 0xa1, 0x20, 0x00, 0xc0, 0x05, 0x00, 0xc1, 0x2e, 0x00,
    0xc2, 0x46, 0x00, 0x92, 0x30, 0x60, 0x00, 0x3c, 0x60, 0x60, 0x91, 0x43, 0x40, 0x60, 0x90, 0x4c, 0x20, 0x81, 0x40,
    0x82, 0x30, 0x40, 0x00, 0x3c, 0x40, 0x00, 0x81, 0x43, 0x40, 0x00, 0x80, 0x4c, 0x40, 0x00, 0xff, 0x2f, 0x00,
];

/// A piece with this many scenes and a controller for each of these notes.
fn orchestra(scenes: usize, notes: &[u8]) -> Plan {
    let notes: String = notes.iter().map(|note| format!("n{note} = {{ note = {note} }}\n")).collect();
    let scenes: String = (0..scenes).map(|scene| format!("[[scene]]\nmark = \"{scene}\"\n")).collect();
    plan(&format!("mics = {{ a = 1 }}\noutputs = {{ l = 1 }}\n[controllers]\n{notes}{scenes}"))
}

fn fire(scene: u16) -> Event {
    Event::written(Gesture::Fire(SceneId(scene)))
}

fn midi(bytes: [u8; 3]) -> Event {
    Event::Midi(Midi { ports: u64::MAX, bytes })
}

#[test]
fn the_standards_worked_example_has_its_published_times() {
    let read = read(&WORKED_EXAMPLE, &orchestra(71, &[48, 60, 67, 76]));
    // Standard MIDI Files 1.0, worked example: programs 5, 46 and 70, then notes at ticks 0, 96, 192 and 384.
    let expected = [
        (0.0, fire(5)),
        (0.0, fire(46)),
        (0.0, fire(70)),
        (0.0, midi([0x92, 48, 96])),
        (0.0, midi([0x92, 60, 96])),
        (0.5, midi([0x91, 67, 64])),
        (1.0, midi([0x90, 76, 32])),
        (2.0, midi([0x82, 48, 64])),
        (2.0, midi([0x82, 60, 64])),
        (2.0, midi([0x81, 67, 64])),
        (2.0, midi([0x80, 76, 64])),
    ];
    assert_eq!(read.events, expected);
    assert!(read.cautions.is_empty());
}

#[test]
fn messages_that_reach_nothing_are_counted_and_program_changes_beyond_the_last_scene_refused() {
    let read = read(&WORKED_EXAMPLE, &orchestra(71, &[67]));
    assert_eq!(read.events.len(), 3 + 2);
    assert!(read.cautions.diagnostics()[0].message.starts_with("6 messages"));
    let report = gestures("g.mid", &WORKED_EXAMPLE, &orchestra(46, &[67])).expect_err("programs 46 and 70");
    let errors: Vec<_> = report.diagnostics().iter().filter(|one| one.kind == Kind::NoSuchScene).collect();
    assert_eq!(errors.len(), 2);
    assert!(errors.iter().all(|one| one.position.is_none() && one.remedy.contains("0 to 45")));
}

/// A variable-length quantity (Standard MIDI Files 1.0).
fn quantity(value: u32) -> Vec<u8> {
    let mut bytes = vec![(value & 0x7f) as u8];
    let mut rest = value >> 7;
    while rest > 0 {
        bytes.insert(0, (rest & 0x7f) as u8 | 0x80);
        rest >>= 7;
    }
    bytes
}

/// A file of these tracks of events with their delta times.
fn file(format: u8, timing: [u8; 2], tracks: &[Vec<(u32, Vec<u8>)>]) -> Vec<u8> {
    let mut bytes = b"MThd\0\0\0\x06\0".to_vec();
    bytes.extend([format, 0, tracks.len() as u8]);
    bytes.extend(timing);
    for track in tracks {
        let mut events: Vec<u8> =
            track.iter().flat_map(|(delta, event)| [quantity(*delta), event.clone()].concat()).collect();
        events.extend([0, 0xff, 0x2f, 0]);
        bytes.extend(b"MTrk");
        bytes.extend((events.len() as u32).to_be_bytes());
        bytes.extend(events);
    }
    bytes
}

fn tempo(microseconds: u32) -> Vec<u8> {
    [&[0xff, 0x51, 3], &microseconds.to_be_bytes()[1..]].concat()
}

#[test]
fn the_tempo_of_one_track_holds_for_all() {
    let tempi = vec![(0, tempo(1_000_000)), (96, tempo(250_000))];
    let notes = vec![(48, vec![0xb0, 64, 127]), (48, vec![0xb0, 64, 0]), (96, vec![0xc0, 1])];
    let read = read(&file(1, [0, 96], &[tempi, notes]), &PLAN);
    // 48 ticks of 96 at 1 s a quarter, 48 more, then a quarter at 250 ms.
    assert_eq!(read.events, [(0.5, midi([0xb0, 64, 127])), (1.0, midi([0xb0, 64, 0])), (1.25, fire(1))]);
}

#[test]
fn frames_count_time_without_tempo() {
    let press = vec![0xb0, 64, 127];
    // Standard MIDI Files 1.0: the first byte is minus the frames a second, the second the ticks a frame. 29 stands for
    // 30 000/1001 frames a second.
    let cases = [(24i8, 4, 96, 1.0), (25, 40, 1500, 1.5), (30, 80, 2400, 1.0), (29, 80, 2400, 1.001)];
    for (frames, ticks, delta, seconds) in cases {
        let track = vec![(0, tempo(1_000)), (delta, press.clone())];
        let read = read(&file(0, [(-frames) as u8, ticks], &[track]), &PLAN);
        assert_eq!(read.events, [(seconds, midi([0xb0, 64, 127]))], "{frames}");
    }
}

/// The channel that a controller asks for counts; the wire counts it from 0.
#[test]
fn a_message_on_another_channel_reaches_nothing() {
    let track = vec![(0, vec![0xb2, 11, 5]), (0, vec![0xb3, 11, 5])];
    let read = read(&file(0, [0, 96], &[track]), &PLAN);
    assert_eq!(read.events, [(0.0, midi([0xb2, 11, 5]))]);
    assert!(read.cautions.diagnostics()[0].message.starts_with("1 message "));
}

#[test]
fn a_scene_fired_by_csv_and_by_midi_fires_at_the_same_sample() {
    let midi_file = file(0, [0, 96], &[vec![(0, tempo(333_333)), (97, vec![0xc0, 0]), (1_000, vec![0xc0, 2])]]);
    let by_midi = read(&midi_file, &PLAN);
    let text: String = by_midi
        .events
        .iter()
        .zip(["A", "\"the \"\"end\"\", at last\""])
        .map(|((seconds, _), mark)| format!("{seconds},fire,{mark}\n"))
        .collect();
    let by_csv = read(format!("{CSV_HEADER}\n{text}").as_bytes(), &PLAN);
    assert_eq!(by_csv.events, by_midi.events);
    for rate in [44_100, 48_000, 96_000] {
        assert_eq!(by_csv.at_rate(rate), by_midi.at_rate(rate));
        // 97 ticks of 96 to the quarter at 333 333 µs, in exact arithmetic: 336 805.21875 µs.
        let exact = (336_805.218_75 * f64::from(rate) / 1e6 + 0.5).floor() as u64;
        assert_eq!(by_midi.at_rate(rate)[0].sample, exact);
    }
}

fn written_gesture() -> impl Strategy<Value = Gesture> {
    let value = prop_oneof![0.0f32..=1.0, Just(0.0), Just(1.0), Just(f32::MIN_POSITIVE), Just(f32::from_bits(1))];
    let db = prop_oneof![-140.0f32..=24.0, Just(-0.0), Just(f32::MIN)];
    prop_oneof![
        (0u16..4, value).prop_map(|(id, value)| Gesture::Controller { id: ControllerId(id), value }),
        (0u16..3).prop_map(|scene| Gesture::Fire(SceneId(scene))),
        any::<bool>().prop_map(Gesture::Hush),
        (prop::option::of(0u16..2), db).prop_map(|(output, db)| Gesture::Level { output: output.map(OutputId), db }),
        (0u16..4, -24.0f32..=6.0).prop_map(|(trim, db)| Gesture::Trim { trim: TrimId(trim), db }),
        (0u16..2, any::<bool>()).prop_map(|(mic, muted)| Gesture::Mute { mic: MicId(mic), muted }),
    ]
}

proptest! {
    /// However fast the rate and however late the sample, what was applied reads back at its sample with its value.
    #[test]
    fn what_is_written_reads_back_exactly(
        gestures in prop::collection::vec((prop_oneof![0u64..200_000, 0u64..1 << 46], written_gesture()), 0..20),
        rate in prop_oneof![Just(44_100u32), Just(48_000), Just(96_000), 1u32..1_000_000],
    ) {
        let mut sample = 0;
        let applied: Vec<Applied> = gestures
            .into_iter()
            .map(|(later, what)| {
                sample += later;
                Applied { sample, what, who: Who::Written }
            })
            .collect();
        let text = write_gestures(&applied, rate, &PLAN);
        let expected: Vec<_> = applied.iter().map(|one| Timed { sample: one.sample, what: Event::written(one.what) }).collect();
        prop_assert_eq!(read(text.as_bytes(), &PLAN).at_rate(rate), expected);
    }
}

#[test]
fn what_is_computed_or_stands_for_another_gesture_is_not_written() {
    let loud = ControllerId(4);
    assert!(PLAN.controllers[loud.index()].is_loudness());
    let never = [
        Gesture::Controller { id: loud, value: 0.5 },
        Gesture::Press { id: ControllerId(0), down: true },
        Gesture::Next,
        Gesture::Back,
    ];
    for what in never {
        assert_eq!(gesture_line(&Applied { sample: 0, what, who: Who::Written }, 48_000, &PLAN), None);
    }
}

#[test]
fn times_are_short_where_that_is_exact() {
    let line = |sample| gesture_line(&Applied { sample, what: Gesture::Hush(true), who: Who::Written }, 48_000, &PLAN);
    assert_eq!(line(48_000).as_deref(), Some("1.000000,hush,1\r\n"));
    assert_eq!(line(1).as_deref(), Some("0.000021,hush,1\r\n"));
}
