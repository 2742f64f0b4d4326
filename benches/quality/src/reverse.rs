//! The table of reverse.

use crate::RATE;
use crate::metrics::reverse::{likeness, seam_dip};
use crate::metrics::spectra::{mean, samples};
use crate::report::Row;
use crate::signals::{Course, Kind, Random, Signal, Sung, Vowel, chord, coloured_noise, steady_tone, viol, vowel};
use crate::subjects::ours::Ours;

/// The spans judged, in seconds.
pub const SPANS: [f64; 3] = [1.5, 0.3, 0.05];

/// A seam lasts 20 ms: between seams is what is farther away, in seconds.
const MARGIN: f64 = 0.03;

/// How far before its beginning a span may at most have found a better place, in seconds, and more.
const EARLIER: f64 = 0.15;

/// How long a signal is heard before and after the gesture.
const BEFORE: f64 = 2.0;
const AFTER: f64 = 6.5;

/// What is turned round.
pub fn signals() -> Vec<Signal> {
    let seconds = BEFORE + AFTER;
    let tones = [196.0, 220.0, 261.63, 311.13, 440.0, 466.16, 587.33, 880.0];
    let tone = |&hz: &f64| steady_tone(&format!("tone_{}", hz as u32), hz, seconds);
    let long = |name: &str, which, f0| vowel(Sung { seconds, ..Sung::new(name, which, f0) });
    let mut all: Vec<Signal> = tones.iter().map(tone).collect();
    all.extend([
        long("vowel_a", Vowel::AMen, 146.83),
        long("vowel_i", Vowel::IWomen, 293.66),
        viol("viol", 196.0, seconds),
        chord("chord", vec![long("low", Vowel::AMen, 196.0), viol("high", 293.7, seconds)]),
        coloured_noise("noise_white", |_| 1.0, seconds),
    ]);
    all
}

/// When the spans after the first begin, in samples after the gesture.
fn seams(span: f64, frames: usize) -> Vec<usize> {
    let span = samples(span).next_multiple_of(tenterhook_dsp::CELL as usize);
    (span..frames).step_by(span).collect()
}

/// What is heard from the gesture on.
fn play(span: f64, sound: &[f64], at: usize) -> Result<Vec<f64>, String> {
    let ours = Ours::new("reverse", &format!("span = \"{} ms\"", span * 1000.0), 0.0)?;
    Ok(ours.play(&sound[..at], &sound[at..], &[(0, 1.0)], sound.len() - at))
}

/// One signal with one span: how like the reversed input each span is between its seams, the least of all; and how far the
/// level falls at the seams. The row `exact` has the falls of the input itself, turned round without seams.
pub fn rows(signal: &Signal, span: f64, mut keep: impl FnMut(&[f64])) -> Vec<Row> {
    let sound = signal.render(&Course::steady(signal.seconds, 1.0), 0);
    let at = samples(BEFORE);
    let row = |subject: &str, values| Row {
        group: format!("{span} s"),
        subject: subject.to_owned(),
        signal: signal.name.clone(),
        kind: signal.kind.name(),
        values,
    };
    // x has risen and the seams have their whole surroundings.
    let inner = |seams: &[usize], length: usize| {
        let fits = |&&seam: &&usize| seam > samples(0.3) && seam + samples(0.3) < length;
        seams.iter().filter(fits).map(|&seam| seam as f64 / RATE).collect::<Vec<_>>()
    };
    let judged = play(span, &sound, at).map(|out| {
        keep(&out);
        let seams = seams(span, out.len());
        let backwards: Vec<f64> = sound.iter().rev().copied().collect();
        let margin = samples(MARGIN).min(samples(span) / 3);
        let spans = seams.windows(2).filter(|pair| pair[1] <= out.len()).filter_map(|pair| {
            let (from, to) = (pair[0] + margin, pair[1] - margin);
            // The span reads backwards from its beginning, or from a better place before.
            let start = backwards.len().checked_sub(at + pair[0])? + margin;
            let long =
                backwards.get(start.saturating_sub(64)..(start + to - from + samples(EARLIER)).min(backwards.len()))?;
            Some(likeness(&out[from..to], long))
        });
        let least = spans.fold(1.0f64, f64::min);
        let mut values = vec![("correlation", least)];
        if signal.kind != Kind::Noise {
            values.push(("seam_dip_db", seam_dip(&out, &inner(&seams, out.len()))));
        }
        values
    });
    let mut rows = Vec::new();
    if signal.kind != Kind::Noise {
        let turned: Vec<f64> = sound[..sound.len() - samples(0.1)].iter().rev().copied().collect();
        let seams = seams(span, turned.len() - at);
        rows.push(row("exact", Ok(vec![("seam_dip_db", seam_dip(&turned, &inner(&seams, turned.len() - at)))])));
    }
    rows.push(row("ours", judged));
    rows
}

/// Notes struck within 30 ms of a seam: how many of a hundred are heard whole at least once, and how like the input on
/// average. Whole: the 10 ms before and the 50 ms after an attack, turned round, correlate by 0.95.
pub fn attacks(span: f64) -> Row {
    let mut random = Random::new("attacks", 11);
    let at = samples(BEFORE);
    let mut likenesses = Vec::new();
    let mut failed = None;
    while likenesses.len() < 100 && failed.is_none() {
        let mut sound = vec![0.0; at + samples(AFTER)];
        let struck: Vec<usize> = seams(span, samples(AFTER))
            .into_iter()
            .filter(|seam| *seam > samples(0.2) && *seam + samples(2.0 * span + 0.2) < samples(AFTER))
            .step_by((0.25 / span).ceil() as usize)
            .map(|seam| (at + seam).saturating_add_signed((random.between(-0.03, 0.03) * RATE) as isize))
            .collect();
        for &attack in &struck {
            let hz = random.between(150.0, 500.0);
            for (i, x) in sound[attack..].iter_mut().enumerate().take(samples(0.6)) {
                let t = i as f64 / RATE;
                let rise = (t / 0.002).min(1.0);
                let string = (1..12)
                    .map(f64::from)
                    .map(|k| (-t / 0.1 * k.sqrt()).exp() / k * (std::f64::consts::TAU * (hz * k * t).fract()).sin());
                *x += 0.2 * rise * string.sum::<f64>();
            }
        }
        match play(span, &sound, at) {
            Err(why) => failed = Some(why),
            Ok(out) => {
                for attack in struck {
                    let turned: Vec<f64> =
                        sound[attack - samples(0.01)..attack + samples(0.05)].iter().rev().copied().collect();
                    let from = attack - at;
                    let near =
                        &out[from.saturating_sub(samples(0.15))..(from + samples(2.0 * span + 0.2)).min(out.len())];
                    likenesses.push(likeness(&turned, near));
                }
            }
        }
    }
    likenesses.truncate(100);
    let whole = likenesses.iter().filter(|&&likeness| likeness >= 0.95).count();
    let values = vec![("attacks_whole", whole as f64), ("attacks_like", mean(&likenesses))];
    Row {
        group: format!("{span} s"),
        subject: "ours".to_owned(),
        signal: "attacks_at_seams".to_owned(),
        kind: "attack",
        values: failed.map_or(Ok(values), Err),
    }
}
