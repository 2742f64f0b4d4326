use super::*;
use proptest::prelude::*;

const RATE: u32 = 48_000;
/// Samples between two readings: 30 a second.
const STEP: u64 = 1600;

fn reading(peak: f32, rms: f32) -> MeterReading {
    MeterReading { peak, rms, ..MeterReading::default() }
}

fn amplitude(db: f32) -> f32 {
    10f32.powf(db / 20.0)
}

/// One channel of a run, fed 30 times a second.
struct Line {
    meters: PageMeters,
    sample: u64,
}

impl Line {
    fn new() -> Self {
        Self { meters: PageMeters::new(RATE, 1), sample: 0 }
    }

    /// Feeds a sine of this peak, in dBFS, for so many seconds; says what is shown at each reading.
    fn sine(&mut self, seconds: f64, db: f32) -> Vec<ShownMeters> {
        let peak = amplitude(db);
        self.feed(seconds, |_| reading(peak, peak * std::f32::consts::FRAC_1_SQRT_2))
    }

    fn feed(&mut self, seconds: f64, make: impl Fn(u64) -> MeterReading) -> Vec<ShownMeters> {
        let count = (seconds * 30.0).round() as u64;
        let one = |_| {
            self.meters.feed(0, self.sample, make(self.sample));
            self.sample += STEP;
            self.meters.take()[0]
        };
        (0..count).map(one).collect()
    }
}

#[test]
fn the_held_peak_stays_for_2_seconds_then_falls_by_20_db_a_second_to_exactly_0() {
    let mut line = Line::new();
    line.sine(1.0 / 30.0, -6.0);
    let shown = line.feed(12.0, |_| reading(0.0, 0.0));
    for (n, shown) in (1..).zip(&shown) {
        let seconds = f64::from(n) / 30.0;
        let expected = -6.0 - 20.0 * (seconds - 2.0).max(0.0) as f32;
        if expected > -120.0 {
            assert!((decibels(shown.held) - expected).abs() < 0.01, "{} dB after {seconds} s", decibels(shown.held));
        }
        assert_eq!(shown.peak, 0.0);
    }
    assert_eq!(shown.last().unwrap().held, 0.0);
}

#[test]
fn the_peak_is_the_greatest_since_it_was_taken_whoever_looks_when() {
    let mut meters = PageMeters::new(RATE, 1);
    for (n, peak) in [0.1, 0.7, 0.2].into_iter().enumerate() {
        meters.feed(0, n as u64 * STEP, reading(peak, 0.1));
    }
    assert_eq!((meters.take()[0].peak, meters.take()[0].peak), (0.7, 0.0));
    assert_eq!(meters.take()[0].held, 0.7, "what is held does not depend on who looks");
}

#[test]
fn the_noise_floor_is_what_lies_between_the_notes_and_unknown_at_first() {
    let mut line = Line::new();
    let quiet = line.sine(2.9, -60.0);
    assert!(quiet.iter().all(|shown| shown.floor.is_none()));
    // Notes of 1.5 s with breaths of 0.5 s between them.
    let mut last = None;
    for _ in 0..10 {
        line.sine(1.5, -12.0);
        last = line.sine(0.5, -60.0).pop();
    }
    // The RMS of a sine lies 3.01 dB under its peak.
    let floor = decibels(last.unwrap().floor.unwrap());
    assert!((floor + 63.01).abs() < 0.01, "{floor}");
    let after = line.sine(10.5, -40.0).pop().unwrap().floor.unwrap();
    assert!((decibels(after) + 43.01).abs() < 0.01, "after 10 s the old floor is forgotten");
    line.sample += u64::from(RATE) * 5;
    assert_eq!(line.sine(1.0, -40.0).pop().unwrap().floor, None, "5 s of which nothing is known");
}

#[test]
fn the_crest_of_a_sine_is_3_db_and_silence_has_none() {
    let mut line = Line::new();
    let crest = line.sine(1.0, -20.0).pop().unwrap().crest_db.unwrap();
    assert!((crest - 3.0103).abs() < 1e-3, "{crest}");
    assert_eq!(Line::new().feed(1.0, |_| reading(0.0, 0.0)).pop().unwrap().crest_db, None);
}

#[test]
fn each_verdict_has_its_range() {
    for (db, verdict) in [
        (-120.0, Verdict::Nothing),
        (-64.5, Verdict::Nothing),
        (-63.5, Verdict::TooQuiet),
        (-18.5, Verdict::TooQuiet),
        (-17.5, Verdict::Good),
        (-6.5, Verdict::Good),
        (-5.5, Verdict::Hot),
        (-0.1, Verdict::Hot),
    ] {
        let shown = Line::new().sine(1.0, db).pop().unwrap();
        assert_eq!((shown.verdict, shown.heard), (verdict, verdict >= Verdict::Good), "{db} dBFS");
    }
}

#[test]
fn a_verdict_does_not_flicker_about_its_limit_nor_between_phrases() {
    for limit in [-64.0, -18.0, -6.0] {
        let mut line = Line::new();
        // Phrases whose loudest notes lie 1 dB over and 1 dB under the limit, with breaths of 1 s.
        let mut verdicts = Vec::new();
        for n in 0..20 {
            let over = if n % 2 == 0 { 1.0 } else { -1.0 };
            verdicts.extend(line.sine(2.0, limit + over).iter().map(|shown| shown.verdict));
            verdicts.extend(line.sine(1.0, -110.0).iter().map(|shown| shown.verdict));
        }
        verdicts.dedup();
        assert_eq!(verdicts.len(), 1, "{limit} dBFS: {verdicts:?}");
    }
}

#[test]
fn a_verdict_follows_when_the_gain_is_changed_for_good() {
    let mut line = Line::new();
    line.sine(2.0, -2.0);
    // 5 s and the fall from -2 to -9 dBFS.
    let mut verdicts: Vec<Verdict> = line.sine(5.5, -12.0).iter().map(|shown| shown.verdict).collect();
    verdicts.dedup();
    assert_eq!(verdicts, [Verdict::Hot, Verdict::Good]);
}

#[test]
fn a_clip_is_shown_for_2_seconds_and_counted_until_reset() {
    let mut line = Line::new();
    line.feed(1.0, |_| MeterReading { clips: 2, ..reading(1.0, 0.5) });
    let shown = line.feed(3.0, |_| MeterReading { clips: 3, ..reading(0.5, 0.4) });
    for (n, shown) in (0..).zip(&shown) {
        assert_eq!(shown.clips, 3);
        assert_eq!((shown.clipped, shown.verdict == Verdict::Clipped), (n <= 60, n <= 60), "reading {n}");
    }
    line.meters.reset();
    assert_eq!(line.meters.take()[0].clips, 0);
    let shown = line.feed(1.0, |_| MeterReading { clips: 4, ..reading(0.5, 0.4) }).pop().unwrap();
    assert_eq!((shown.clips, shown.heard), (1, true));
    let shown = line.feed(1.0, |_| MeterReading { clips: 1, ..reading(0.5, 0.4) }).pop().unwrap();
    assert_eq!(shown.clips, 2, "a count that began again goes on");
}

#[test]
fn heard_stays_through_silence_until_reset() {
    let mut line = Line::new();
    line.sine(1.0, -12.0);
    let after = line.sine(20.0, -120.0).pop().unwrap();
    assert_eq!((after.verdict, after.heard), (Verdict::Nothing, true));
    line.meters.reset();
    let after = line.sine(1.0, -120.0).pop().unwrap();
    assert_eq!((after.heard, decibels(after.held).round()), (false, -120.0));
}

#[test]
fn the_greatest_reduction_is_shown_once_and_whether_the_limiter_works_now() {
    let mut meters = PageMeters::new(RATE, 1);
    for (n, reduction) in [1.0, 0.5, 0.25, 1.0].into_iter().enumerate() {
        meters.feed(0, n as u64 * STEP, MeterReading { reduction, ..reading(0.5, 0.4) });
    }
    let shown = meters.take()[0];
    assert!((shown.reduction_db - 12.04).abs() < 0.01 && !shown.limited, "{shown:?}");
    // What nobody hears is not said.
    for (db, limited) in [(-0.45, false), (-0.55, true)] {
        meters.feed(0, 8 * STEP, MeterReading { reduction: amplitude(db), ..reading(0.5, 0.4) });
        assert_eq!(meters.take()[0].limited, limited, "{db}");
    }
    meters.feed(0, 9 * STEP, MeterReading { reduction: 0.0, ..reading(0.0, 0.0) });
    let shown = meters.take()[0];
    assert_eq!((shown.reduction_db, shown.limited, meters.take()[0].reduction_db), (120.0, true, 0.0));
}

#[test]
fn each_slot_of_the_history_has_the_greatest_level_that_was_read_in_it() {
    let mut line = Line::new();
    line.feed(25.0, |sample| reading(1.0, amplitude(-((sample / 4800 % 80) as f32) - (sample % 4800 / STEP) as f32)));
    let LoudnessHistory { from_slot, channels } = line.meters.history(1);
    assert_eq!((from_slot, channels[0].len()), (50, 200));
    for (slot, &db) in (50..).zip(&channels[0]) {
        assert_eq!(i64::from(db), -(slot % 80), "slot {slot}");
    }
    // Three slots without a reading.
    line.sample += 3 * 4800;
    line.sine(0.1, -20.0);
    let after = line.meters.history(1);
    assert_eq!((after.from_slot, &after.channels[0][195..]), (54, &[-9, -90, -90, -90, -23][..]));
}

#[test]
fn the_histories_of_all_channels_are_of_the_same_slots() {
    let mut meters = PageMeters::new(RATE, 3);
    meters.feed(0, 0, reading(1.0, 1.0));
    meters.feed(1, 4800 * 300, reading(1.0, 1.0));
    let history = meters.history(2);
    assert_eq!((history.from_slot, history.channels.len()), (101, 2));
    assert_eq!((history.channels[0][199], history.channels[1][199]), (-90, 0));
    assert_eq!(PageMeters::new(RATE, 1).history(1), LoudnessHistory { from_slot: 0, channels: vec![Vec::new()] });
}

#[test]
fn a_new_run_starts_again() {
    let mut line = Line::new();
    line.feed(5.0, |_| MeterReading { clips: 9, ..reading(1.0, 0.5) });
    line.sample = 0;
    let mut fresh = Line::new();
    assert_eq!(line.sine(2.0, -30.0), fresh.sine(2.0, -30.0));
    assert_eq!(line.meters.history(1), fresh.meters.history(1));
}

#[test]
fn the_channels_of_a_changed_piece_keep_what_is_known_of_them() {
    let mut meters = PageMeters::new(RATE, 2);
    meters.feed(1, 0, reading(0.5, 0.25));
    meters.rearrange(&[Some(1), None, Some(7)]);
    let shown = meters.take();
    assert_eq!(
        (shown.len(), shown[0].held, shown[1], shown[2]),
        (3, 0.5, ShownMeters::default(), ShownMeters::default())
    );
}

fn number() -> impl Strategy<Value = f32> {
    prop_oneof![4 => 0f32..2.0, 1 => Just(0.0f32), 1 => any::<u32>().prop_map(f32::from_bits)]
}

fn any_reading() -> impl Strategy<Value = (usize, u64, MeterReading)> {
    let sample = prop_oneof![6 => 0u64..20_000_000, 1 => any::<u64>(), 1 => Just(u64::MAX)];
    (0usize..4, sample, number(), number(), any::<u32>(), number()).prop_map(
        |(channel, sample, peak, rms, clips, reduction)| {
            (channel, sample, MeterReading { peak, rms, clips, reduction, ..MeterReading::default() })
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

    #[test]
    fn whatever_is_read_what_is_shown_can_be_shown(
        mut readings in prop::collection::vec(any_reading(), 1..200),
        sorted in any::<bool>(),
        rate in prop_oneof![Just(0u32), Just(1), Just(48_000), any::<u32>()],
    ) {
        if sorted {
            readings.sort_by_key(|(_, sample, _)| *sample);
        }
        let mut meters = PageMeters::new(rate, 3);
        for (n, &(channel, sample, reading)) in readings.iter().enumerate() {
            meters.feed(channel, sample, reading);
            for shown in meters.take() {
                for value in [shown.peak, shown.held, shown.rms, shown.floor.unwrap_or(0.0)] {
                    prop_assert!(value.is_finite() && value >= 0.0, "{shown:?}");
                }
                prop_assert!(shown.held >= shown.peak && shown.crest_db.is_none_or(f32::is_finite), "{shown:?}");
                prop_assert!((0.0..=120.0).contains(&shown.reduction_db), "{shown:?}");
                prop_assert!(shown.heard || shown.verdict < Verdict::Good, "{shown:?}");
            }
            let history = meters.history(3);
            prop_assert!(history.channels.iter().all(|levels| levels.len() == history.channels[0].len()));
            prop_assert!(history.channels.iter().flatten().all(|&db| db >= -90) && history.channels[0].len() <= 200);
            if n == 100 {
                meters.reset();
            }
        }
    }

    #[test]
    fn a_verdict_changes_only_when_its_limit_is_passed(levels in prop::collection::vec(-90f32..3.0, 1..100)) {
        let mut verdict = Verdict::Nothing;
        for db in levels {
            let next = verdict.next(db);
            let limits = |of: Verdict| *LIMITS.iter().find(|row| row.0 == of).unwrap();
            prop_assert!(next <= verdict || db >= limits(next).1, "up only over the limit");
            prop_assert!(next >= verdict || db < limits(verdict).2, "down only under the limit");
            prop_assert!(db >= limits(next).2);
            prop_assert_eq!(next.next(db), next, "the same level again changes nothing");
            verdict = next;
        }
    }
}
