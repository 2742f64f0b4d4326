//! The player's own share of the real-time law: a block neither allocates nor frees, whatever goes with it.
//! (Locks and waits are out of this guard's sight.)

use assert_no_alloc::{AllocDisabler, assert_no_alloc, reset_violation_count, violation_count};
use tenterhook_config::{Text, check};
use tenterhook_io::{Bridge, Ended, Log, LogSettings, Player, Recent, TakeSettings, recording};
use tenterhook_plan::{ControllerId, Event, Gesture, Midi, SceneId, Timed};

#[global_allocator]
static GUARD: AllocDisabler = AllocDisabler;

/// One test, since the guard counts for the whole program.
#[test]
fn a_block_neither_allocates_nor_frees() {
    // Positive control: the guard sees an allocation and a free.
    assert_no_alloc(|| drop(std::hint::black_box(Box::new(1))));
    assert!(violation_count() >= 2, "the guard sees nothing");
    reset_violation_count();

    let piece = "mics = { voice = 1, viol = 2 }\noutputs = { left = 1, right = 2 }\n\
                 controllers = { lever = {}, pedal = { cc = 64 } }\n[[scene]]\nmark = \"A\"\n\
                 mic.voice.direct = { by = \"lever\" }\nmic.viol.freeze = { by = \"pedal\" }\n";
    let plan = check(&Text::new("reed.toml", piece), None).expect("nothing is wrong with it").plan;
    let dir = tempfile::tempdir().unwrap();
    let settings = LogSettings {
        dir: dir.path(),
        rate: 48_000,
        inputs: 2,
        outputs: 2,
        texts: &[],
        files: &[],
        take: TakeSettings::default(),
    };
    let (log, tap) = Log::start(settings, crossbeam_channel::never()).unwrap();
    let (_recent, heard) = Recent::start(2, 48_000).unwrap();
    // The one that does more.
    let (engine, _control) = tenterhook_rt::hearing_engine(&plan, 48_000, SceneId(0));
    let sound: Vec<f32> = (0..100_000).map(|n| (n as f32 * 0.03).sin() * 0.3).collect();
    let mut player = Player::new(engine, 48_000)
        .with_log(tap)
        .with_recent(heard)
        .with_sound(2, recording(vec![sound.clone(), sound]));

    // The last is longer than the player's buffers.
    let sizes = [1, 31, 64, 128, 1024, 10_000];
    let mut out = [vec![0.0; 10_000], vec![0.0; 10_000]];
    let [left, right] = &mut out;
    let mut sounded = false;
    for (n, size) in sizes.iter().cycle().take(300).enumerate() {
        let sample = player.sample();
        let value = n as f32 % 7.0 / 6.0;
        let events = [
            Event::written(Gesture::Controller { id: ControllerId(0), value }),
            Event::Midi(Midi { ports: 0, bytes: [0xB0, 64, if n % 3 == 0 { 127 } else { 0 }] }),
        ]
        .map(|what| Timed { sample: sample + *size as u64 / 2, what });
        let (left, right) = (&mut left[..*size], &mut right[..*size]);
        assert_no_alloc(|| player.block(&[], &mut [left, right], &events));
        sounded |= left.iter().any(|x| *x != 0.0);
    }
    assert_eq!(violation_count(), 0);
    // By way of a device at another rate: the same blocks, some longer than the bridge's buffers.
    let mut bridge = Bridge::new(48_000, 44_100, 2, 2, 1024).unwrap();
    let begun = player.sample();
    assert_eq!(begun, 50 * sizes.iter().sum::<usize>() as u64);
    for (n, size) in sizes.iter().cycle().take(60).enumerate() {
        let bytes = [0xB0, 64, if n % 3 == 0 { 127 } else { 0 }];
        let event = Timed { sample: *size as u64 / 2, what: Event::Midi(Midi { ports: 0, bytes }) };
        let (left, right) = (&mut left[..*size], &mut right[..*size]);
        let sample = player.sample();
        let play = |i: &[&[f32]], o: &mut [&mut [f32]], e: &[Timed<Event>]| player.block(i, o, e);
        assert_no_alloc(|| bridge.block(sample, &[], &mut [left, right], &[event], play));
    }
    assert_eq!(violation_count(), 0);
    assert!(sounded, "a run in which nothing sounds proves little");
    let played = player.sample();
    // To the device's frames as the rates are, but for the few that still wait.
    let expected = 10.0 * sizes.iter().sum::<usize>() as f64 * 48.0 / 44.1;
    assert!(((played - begun) as f64 - expected).abs() < 64.0, "{}", played - begun);
    drop(player);
    let end = log.finish(Ended::default()).unwrap();
    assert_eq!(end.frames, played);
}
