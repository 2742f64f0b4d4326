//! Partials that move.

use std::f64::consts::TAU;

use tenterhook_spectra::{Point, Study, Track, study};

use crate::signals::{Chance, cents, harmonics, sine, with_noise};

/// The tracks that are surely partials, no more than 45 dB under the strongest, somewhere in a span.
fn sure(study: &Study, from: f64, to: f64) -> Vec<&Track> {
    let strongest = study.tracks.iter().flat_map(|t| &t.points).map(|p| p.db).fold(f64::MIN, f64::max);
    let counts = |p: &Point| p.seconds > from && p.seconds < to && p.confidence > 0.5 && p.db > strongest - 45.0;
    let inside = |t: &&Track| t.points.iter().any(counts);
    study.tracks.iter().filter(inside).collect()
}

#[test]
fn a_vibrato_is_one_track_a_partial() {
    let mut chance = Chance::new(21);
    for _ in 0..5 {
        let fundamental = chance.ratio(110.0, 700.0);
        let vibrato = |t: f64| fundamental * (50.0 / 1200.0 * (TAU * 5.5 * t).sin()).exp2();
        let mut sound =
            harmonics(11.0 / 5.5, 44_100, vibrato, |k| if k <= 6 { 0.2 / k as f64 } else { 0.0 }, &mut chance);
        with_noise(&mut sound, 50.0, &mut chance);
        let study = study(&sound, 44_100);
        let tracks = sure(&study, 0.2, 1.8);
        assert_eq!(tracks.len(), 6, "{fundamental:.1} Hz");
        for (i, track) in tracks.iter().enumerate() {
            assert!(track.points.len() >= 190, "{fundamental:.1} Hz, track {i}: {} points", track.points.len());
        }
        // Eight whole periods of the vibrato.
        let moment = study.moment(2.0 / 5.5..10.0 / 5.5);
        for k in 1..=6 {
            let hz = f64::from(k) * fundamental;
            let off =
                moment.partials.iter().map(|p| cents(p.hz, hz)).min_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap();
            assert!(off.abs() < 3.0, "{k} times {fundamental:.1} Hz: {off:.2} cents off");
        }
        assert!(moment.harmonicity > 0.85, "{fundamental:.1} Hz: {}", moment.harmonicity);
    }
}

#[test]
fn a_glide_is_one_track() {
    let mut chance = Chance::new(22);
    for _ in 0..8 {
        let from = chance.ratio(100.0, 2500.0);
        let octaves = chance.between(-1.0, 1.0);
        let course = |t: f64| from * (octaves * t).exp2();
        let mut sound = sine(1.0, 48_000, 0.3, 0.0, course);
        with_noise(&mut sound, 40.0, &mut chance);
        let study = study(&sound, 48_000);
        let tracks = sure(&study, 0.1, 0.9);
        assert_eq!(tracks.len(), 1, "{from:.1} Hz, {octaves:.2} octaves");
        for point in tracks[0].points.iter().filter(|p| p.seconds > 0.1 && p.seconds < 0.9) {
            let off = cents(point.hz, course(point.seconds));
            assert!(
                off.abs() < 8.0,
                "{from:.1} Hz, {octaves:.2} octaves: {off:.1} cents off at {:.2} s",
                point.seconds
            );
        }
    }
}

#[test]
fn points_are_equally_spaced() {
    let mut chance = Chance::new(23);
    let study = study(&harmonics(1.0, 22_050, |_| 210.0, |k| 0.1 / k as f64, &mut chance), 22_050);
    let step = study.pitch[1].seconds;
    assert!(!study.tracks.is_empty());
    for pair in study.tracks.iter().flat_map(|t| t.points.windows(2)) {
        assert!((pair[1].seconds - pair[0].seconds - step).abs() < 1e-9);
    }
}
