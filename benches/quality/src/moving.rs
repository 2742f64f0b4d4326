//! Stretch while its controller moves, and nearly at a standstill.

use crate::metrics::spectra::samples;
use crate::report::Row;
use crate::signals::{
    Course, Signal, Sung, Vowel, breathy_tone, coloured_noise, plucks, steady_tone, vibrato_tone, viol, vowel,
};
use crate::stretch::{Truth, judge};
use crate::subjects::ours::Ours;

/// How slow it is at x = 1 while it moves.
const MOST: f64 = 8.0;

/// Seconds that x takes from 0 to 1.
const RISE: f64 = 6.0;

/// When (seconds) the controller goes where.
const MOVES: [(f64, f32); 4] = [(0.0, 0.3), (2.5, 1.0), (9.0, 0.55), (14.0, 0.85)];

/// What is heard while the ratio moves.
pub fn signals() -> Vec<Signal> {
    vec![
        steady_tone("tone_311", 311.13, 4.0),
        vibrato_tone("tone_vibrato_slow", 330.0, 4.3, 45.0, 4.0),
        vowel(Sung::new("vowel_a_131", Vowel::AMen, 131.0)),
        breathy_tone("breathy_440", 440.0, -20.0, 4.0),
        viol("viol_98", 98.0, 4.0),
        plucks("plucks_low", &[82.4, 123.5, 98.0], 4.0),
        coloured_noise("noise_pink_other", |hz| hz.max(20.0).sqrt().recip(), 4.0),
    ]
}

/// Short ones for the slowest reading there is, `most` = 64.
pub fn slow() -> Vec<Signal> {
    vec![
        steady_tone("tone_311", 311.13, 1.0),
        vowel(Sung { seconds: 1.0, ..Sung::new("vowel_a_131", Vowel::AMen, 131.0) }),
        breathy_tone("breathy_440", 440.0, -20.0, 1.0),
        viol("viol_98", 98.0, 1.0),
        plucks("plucks_low", &[82.4, 123.5, 98.0], 1.2),
        coloured_noise("noise_pink_other", |hz| hz.max(20.0).sqrt().recip(), 1.0),
    ]
}

/// The rows of one signal while the ratio moves between about 1.9 and 8: the exact answer, along the course that the
/// smoothed controller asks for (du/dt = 1/ratio) from where the effect says that the gesture's moment is heard, at the
/// level that x has; and ours.
pub fn rows(signal: &Signal, mut keep: impl FnMut(&str, &[f64])) -> Vec<Row> {
    let row = |subject: &str, values| Row {
        group: "moving".to_owned(),
        subject: subject.to_owned(),
        signal: signal.name.clone(),
        kind: signal.kind.name(),
        values,
    };
    let ours = match Ours::stretch(MOST, RISE) {
        Ok(ours) => ours,
        Err(why) => return vec![row("ours", Err(why))],
    };
    let moves = MOVES.map(|(seconds, value)| (samples(seconds), value));
    let x = ours.x(&moves, samples(MOST * signal.seconds));
    let lag = ours.lag(&x).round() as usize;
    let x = &x[lag.min(x.len())..];
    let course = Course::moving(signal.seconds, x.iter().map(|&x| MOST.powf(f64::from(x))));
    let levelled = |realisation: u64| {
        let sound = signal.render(&course, realisation);
        sound.iter().zip(x).map(|(sound, &x)| sound * f64::from(ours.level(x))).collect::<Vec<_>>()
    };
    let (exact, another, source) = (levelled(0), levelled(1), signal.source());
    let frames = lag + course.len() + samples(0.5);
    let silence = vec![0.0; crate::subjects::ours::SILENCE];
    let sound = ours.play(&silence, &source, &moves, frames).split_off(lag);
    keep("exact", &exact);
    keep("ours", &sound);
    let truth = Truth { signal, source: &source, course: &course, exact: &exact, ratio: None };
    vec![row("exact", Ok(judge(&another, &truth))), row("ours", Ok(judge(&sound, &truth)))]
}
