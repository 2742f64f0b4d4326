//! The signals are what they say, at any ratio.

use proptest::prelude::*;
use tenterhook_quality::RATE;
use tenterhook_quality::metrics::{spectra, tones, whole};
use tenterhook_quality::signals::{Course, LEVEL, holdout, modelled, plucks, steady_tone, vibrato_tone};

#[test]
fn sources_have_their_level_and_stay_under_the_limiter() {
    for signal in modelled().into_iter().chain(holdout::signals()) {
        let source = signal.source();
        assert_eq!(source.len(), (signal.seconds * RATE).round() as usize, "{}", signal.name);
        let peak = source.iter().fold(0.0f64, |most, x| most.max(x.abs()));
        // The ceiling of an output is −1 dBFS if a piece says nothing; half of it leaves room.
        assert!(peak > 0.05 && peak < 0.75, "{}: peak {peak}", signal.name);
        if signal.onsets.is_empty() {
            assert!((spectra::power(&source).sqrt() - LEVEL).abs() < 1e-9, "{}", signal.name);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..Default::default() })]

    #[test]
    fn a_course_that_stands_still_in_ratio_is_the_steady_one(ratio in 1.0f64..9.0) {
        let tone = vibrato_tone("tone", 330.0, 5.0, 40.0, 0.6);
        let length = Course::steady(0.6, ratio).len();
        let moving = Course::moving(0.6, std::iter::repeat_n(ratio, length));
        let (one, two) = (tone.render(&Course::steady(0.6, ratio), 0), tone.render(&moving, 0));
        for (one, two) in one.iter().zip(&two) {
            prop_assert!((one - two).abs() < 1e-6);
        }
    }

    #[test]
    fn the_stretched_truth_keeps_its_pitch_and_slows_its_vibrato(ratio in 1.2f64..4.0) {
        let tone = steady_tone("tone", 247.0, 0.8);
        let truth = tone.render(&Course::steady(0.8, ratio), 0);
        prop_assert!(tones::frequency_error(&truth, &tone.partials) < 0.1);
        let moving = vibrato_tone("vibrato", 440.0, 6.0, 30.0, 2.0);
        let truth = moving.render(&Course::steady(2.0, ratio), 0);
        prop_assert!(tones::vibrato_rate_error(&truth, 440.0, 6.0 / ratio) < 2.0);
        prop_assert!((whole::loudness(&truth) - whole::loudness(&moving.source())).abs() < 0.3);
    }

    #[test]
    fn onsets_are_where_the_course_says(ratio in 1.0f64..8.0) {
        let notes = plucks("plucks", &[196.0], 1.2);
        let course = Course::steady(1.2, ratio);
        let truth = notes.render(&course, 0);
        for &onset in &notes.onsets {
            let at = course.sample(onset);
            prop_assert!((at as f64 - onset * ratio * RATE).abs() <= 0.5 + 1e-6);
            prop_assert!(truth[at + 96].abs() > 0.0 || truth[at + 97].abs() > 0.0);
        }
    }
}
