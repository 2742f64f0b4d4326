//! The table of stretch.

use crate::metrics::{hold, noise, onsets, spectra::middle, tones, whole};
use crate::report::Row;
use crate::signals::{Course, Kind, Signal};

/// One sound against the exact answer: (measure, value).
pub type Values = Vec<(&'static str, f64)>;

/// What there is to know besides the sound under test.
pub struct Truth<'a> {
    /// What was stretched.
    pub signal: &'a Signal,
    /// Its source.
    pub source: &'a [f64],
    /// How it was stretched.
    pub course: &'a Course,
    /// The exact answer.
    pub exact: &'a [f64],
    /// The ratio, where it stood still.
    pub ratio: Option<f64>,
}

/// A sound as long as another.
fn fit(x: &[f64], length: usize) -> Vec<f64> {
    let mut x = x[..x.len().min(length)].to_vec();
    x.resize(length, 0.0);
    x
}

/// Judges a stretched sound by all measures that its signal's kind has.
pub fn judge(x: &[f64], truth: &Truth) -> Values {
    let Truth { signal, source, course, exact, ratio } = *truth;
    let mut values = Values::new();
    let kind = signal.kind;
    if kind != Kind::Click {
        values.push(("duration_error_ms", whole::duration_error(x, exact)));
    }
    let x = &fit(x, exact.len())[..];
    values.push(("loudness_error_db", whole::loudness_error(x, exact)));
    values.push(("lsd_db", whole::log_spectral_distance(x, exact)));
    // Where the exact answer itself keeps the source's spectra.
    if !matches!(kind, Kind::Noise | Kind::Click | Kind::Pluck) {
        let place = |sample: f64| match ratio {
            Some(ratio) => sample / ratio,
            None => course.place.get(sample as usize).map_or(f64::NAN, |u| u * crate::RATE),
        };
        values.push(("consistency_db", whole::consistency(x, source, place)));
    }
    let partials = &signal.partials[..];
    match kind {
        Kind::Tone => values.extend([
            ("freq_error_cents", tones::frequency_error(x, partials)),
            ("level_error_db", tones::level_error(x, exact, partials)),
            ("spurious_db", tones::spurious(x, partials)),
            ("ripple_db", tones::ripple(x)),
            ("ripple_pp_db", tones::ripple_range(x)),
        ]),
        Kind::Breath => values.extend([
            ("freq_error_cents", tones::frequency_error(x, partials)),
            ("noise_level_error_db", tones::spurious(x, partials) - tones::spurious(exact, partials)),
            ("ripple_db", tones::ripple(x)),
            ("spectrum_error_db", noise::spectrum_error(x, exact)),
            ("flatness_error_db", noise::flatness_error(x, exact)),
        ]),
        Kind::Pluck | Kind::Click => {
            let due: Vec<f64> = signal.onsets.iter().map(|&u| course.sample(u) as f64 / crate::RATE).collect();
            let late = onsets::shift(x, exact, &due);
            let moved: Vec<f64> = due.iter().map(|onset| onset + late).collect();
            values.extend([
                ("pre_echo_db", onsets::pre_echo(x, &due)),
                ("pre_echo_aligned_db", onsets::pre_echo(x, &moved)),
                ("attack_ratio", onsets::attack_ratio(x, exact, &due)),
                ("onset_error_ms", onsets::onset_error(x, exact, &due)),
                ("onset_count", onsets::onset_count(x, exact, &due)),
            ]);
        }
        Kind::Noise => {
            values.extend([
                ("spectrum_error_db", noise::spectrum_error(x, exact)),
                ("flatness_error_db", noise::flatness_error(x, exact)),
                ("modulation_error_db", noise::modulation_error(x, exact)),
            ]);
            if signal.name == "noise_white" {
                values.push(("copied", noise::copied(middle(x))));
            }
        }
        Kind::Beat => {
            if let Some(other) = signal.render_other(course) {
                values.push(("lsd_beat_kept_db", whole::log_spectral_distance(x, &other)));
            }
        }
        Kind::Chord => values.extend([
            ("spectrum_error_db", noise::spectrum_error(x, exact)),
            ("ripple_error_db", tones::ripple(x) - tones::ripple(exact)),
            ("roughness_db", hold::roughness(middle(x), middle(exact), 0.0)),
        ]),
        Kind::Vibrato | Kind::Vowel | Kind::Bowed => {}
        Kind::Sampled => unreachable!("sampled sounds have no exact answer: see `judge_sampled`"),
    }
    if let (Kind::Vibrato | Kind::Vowel | Kind::Bowed, Some(f0)) = (kind, signal.f0) {
        values.push(("pitch_error_cents", tones::pitch_error(x, exact, f0)));
        if let (Some((rate, cents)), Some(ratio)) = (signal.vibrato, ratio) {
            values.push(("vibrato_rate_error_pct", tones::vibrato_rate_error(x, f0, rate / ratio)));
            values.push(("vibrato_extent_error_pct", tones::vibrato_extent_error(x, f0, rate / ratio, cents)));
        }
        if kind != Kind::Vibrato {
            values.push(("crest_error_db", tones::crest_error(x, exact)));
            values.push(("spectrum_error_db", noise::spectrum_error(x, exact)));
            values.push(("ripple_db", tones::ripple(x)));
            values.push(("roughness_db", hold::roughness(middle(x), middle(exact), f0)));
        }
        if kind == Kind::Vowel {
            values.push(("formant_error_hz", tones::formant_error(middle(x), middle(exact))));
        }
        if kind == Kind::Bowed {
            values.push(("flatness_error_db", noise::flatness_error(x, exact)));
        }
    }
    values
}

/// Judges a sound without an exact answer against its source.
pub fn judge_sampled(x: &[f64], source: &[f64], ratio: f64) -> Values {
    let x = fit(x, (source.len() as f64 * ratio).round() as usize);
    vec![
        ("consistency_db", whole::consistency(&x, source, |sample| sample / ratio)),
        ("spectrum_error_db", noise::spectrum_error(&x, source)),
        ("loudness_error_db", whole::loudness_error(&x, source)),
        ("crest_error_db", tones::crest_error(&x, source)),
        ("flatness_error_db", noise::flatness_error(&x, source)),
    ]
}

/// The rows of one signal at one ratio: the exact answer's own (of noise another realisation), then each subject's.
pub fn rows(
    signal: &Signal,
    ratio: f64,
    subjects: &[crate::subjects::Stretcher],
    mut keep: impl FnMut(&str, &[f64]),
) -> Vec<Row> {
    let source = signal.source();
    let course = Course::steady(signal.seconds, ratio);
    let exact = if signal.kind == Kind::Sampled { Vec::new() } else { signal.render(&course, 0) };
    let truth = Truth { signal, source: &source, course: &course, exact: &exact, ratio: Some(ratio) };
    let judged = |x: &[f64]| match signal.kind {
        Kind::Sampled => judge_sampled(x, &source, ratio),
        _ => judge(x, &truth),
    };
    let row = |subject: &str, values: Result<Values, String>| Row {
        group: format!("{ratio}"),
        subject: subject.to_owned(),
        signal: signal.name.clone(),
        kind: signal.kind.name(),
        values,
    };
    let mut rows = Vec::new();
    keep("source", &source);
    if signal.kind != Kind::Sampled {
        let another = signal.render(&course, 1);
        keep("exact", &another);
        rows.push(row("exact", Ok(judged(&another))));
    }
    for subject in subjects {
        let result = (subject.run)(&source, ratio);
        if let Ok(x) = &result {
            keep(&subject.name, x);
        }
        rows.push(row(&subject.name, result.map(|x| judged(&x))));
    }
    rows
}
