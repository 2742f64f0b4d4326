//! Whatever comes in, something true comes out.

use tenterhook_spectra::{Moment, study};

use crate::signals::{Chance, noise, sine};

fn sound_moment(moment: &Moment, seconds: f64) {
    assert!(moment.span.start >= 0.0 && moment.span.start <= moment.span.end && moment.span.end <= seconds);
    for share in [moment.harmonicity, moment.noise] {
        assert!((0.0..=1.0).contains(&share), "{share}");
    }
    for p in &moment.partials {
        assert!(p.hz.is_finite() && p.hz > 0.0 && p.db.is_finite() && (0.0..=1.0).contains(&p.confidence), "{p:?}");
    }
    assert!(moment.partials.is_sorted_by(|a, b| a.db >= b.db));
    assert!(moment.fundamental_hz.is_none_or(|hz| hz.is_finite() && hz > 0.0));
    assert!(moment.formants.iter().all(|f| f.hz.is_finite() && f.bandwidth_hz.is_finite()));
}

#[test]
fn nothing_panics() {
    let mut chance = Chance::new(71);
    let rates = [0, 1, 50, 4000, 8000, 11_025, 44_100, 192_000, u32::MAX];
    for rate in rates {
        for length in [0, 1, 2, 3, 17, 441, 5000, 9000] {
            let mut burst = noise(length, 4.0, &mut chance);
            burst.iter_mut().for_each(|x| *x = x.clamp(-1.0, 1.0));
            let odd = |n: usize| [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e38, -1e38, 1e-40, 0.3][n % 7];
            let sounds =
                [vec![0.0; length], vec![1.0; length], vec![f32::NAN; length], (0..length).map(odd).collect(), burst];
            for sound in sounds {
                let study = study(&sound, rate);
                assert_eq!(study.rate, rate);
                sound_moment(&study.moment(0.0..study.seconds), study.seconds);
                sound_moment(&study.moment(study.most_telling()), study.seconds);
            }
        }
    }
}

#[test]
fn any_span_has_a_moment() {
    let study = study(&sine(0.5, 16_000, 0.3, 0.0, |_| 440.0), 16_000);
    for span in [
        -1.0..2.0,
        0.2..0.2,
        0.2001..0.2002,
        0.3..0.1,
        5.0..6.0,
        -3.0..-2.0,
        f64::NAN..0.3,
        0.1..f64::NAN,
        0.0..f64::INFINITY,
    ] {
        sound_moment(&study.moment(span), study.seconds);
    }
    let short = study.moment(0.2501..0.2502);
    assert!(
        (short.partials[0].hz - 440.0).abs() < 0.5 && (short.fundamental_hz.unwrap() - 440.0).abs() < 0.5,
        "{short:?}"
    );
}

#[test]
fn silence_and_a_steady_offset_have_nothing_in_them() {
    for value in [0.0, 0.5, f32::NAN] {
        let study = study(&vec![value; 20_000], 16_000);
        assert!(study.tracks.is_empty() && study.steady.is_empty());
        assert!(study.pitch.iter().all(|p| p.hz.is_none() && p.harmonicity == 0.0));
        let moment = study.moment(0.0..1.0);
        assert_eq!((moment.noise, moment.harmonicity, moment.partials.len()), (0.0, 0.0, 0));
        assert_eq!(study.most_telling(), 0.0..study.seconds);
    }
}

#[test]
fn what_is_no_number_is_silence() {
    let clean = sine(0.5, 16_000, 0.3, 0.0, |_| 440.0);
    let holes = |hole: f32| -> Vec<f32> {
        clean.iter().enumerate().map(|(n, &x)| if n % 997 == 0 { hole } else { x }).collect()
    };
    let (a, b) = (study(&holes(f32::NAN), 16_000), study(&holes(0.0), 16_000));
    assert!(a.tracks == b.tracks && a.ground.db == b.ground.db);
}
