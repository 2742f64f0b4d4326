//! Sung vowels.

use std::f64::consts::{PI, TAU};

use rustfft::num_complex::Complex64;

use super::tones::{FADE, faded};
use super::{Course, Kind, LEVEL, Random, Scale, Signal};

/// A vowel by its formants (Hz), averages of Peterson and Barney, "Control methods used in a study of the vowels", JASA
/// 24 (1952), table II. The fourth, the fifth and all bandwidths are values of our own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Vowel {
    /// As in "father", men.
    AMen,
    /// As in "heed", men.
    IMen,
    /// As in "heed", women.
    IWomen,
    /// As in "hawed", men.
    O,
    /// As in "who'd", men.
    U,
}

impl Vowel {
    /// (Hz, bandwidth in Hz) of five formants.
    pub fn formants(self) -> [(f64, f64); 5] {
        match self {
            Vowel::AMen => [(730.0, 60.0), (1090.0, 90.0), (2440.0, 120.0), (3500.0, 200.0), (4500.0, 250.0)],
            Vowel::IMen => [(270.0, 50.0), (2290.0, 120.0), (3010.0, 160.0), (3600.0, 220.0), (4500.0, 250.0)],
            Vowel::IWomen => [(310.0, 50.0), (2790.0, 150.0), (3310.0, 180.0), (4200.0, 250.0), (5000.0, 300.0)],
            Vowel::O => [(570.0, 60.0), (840.0, 80.0), (2410.0, 120.0), (3400.0, 200.0), (4500.0, 250.0)],
            Vowel::U => [(300.0, 50.0), (870.0, 80.0), (2240.0, 110.0), (3300.0, 200.0), (4400.0, 250.0)],
        }
    }
}

/// The response at a frequency of a cascade of resonators with gain 1 at 0 Hz (Klatt, "Software for a cascade/parallel
/// formant synthesizer", JASA 67, 1980).
pub(super) fn tract(formants: &[(f64, f64); 5], hz: f64) -> Complex64 {
    let s = Complex64::new(0.0, TAU * hz);
    let resonator = |&(centre, width): &(f64, f64)| {
        let pole = Complex64::new(-PI * width, TAU * centre);
        pole.norm_sqr() / ((s - pole) * (s - pole.conj()))
    };
    formants.iter().map(resonator).product()
}

/// How a vowel is sung.
#[derive(Clone, Debug)]
pub struct Sung {
    /// Its name in tables.
    pub name: String,
    /// Which.
    pub vowel: Vowel,
    /// The fundamental, Hz.
    pub f0: f64,
    /// How long.
    pub seconds: f64,
    /// Hz, and cents to each side.
    pub vibrato: Option<(f64, f64)>,
    /// Cents to each side that the pitch drifts, at 0.4 Hz.
    pub drift: f64,
    /// How much of the level wobbles, at 7.3 Hz.
    pub shimmer: f64,
}

impl Sung {
    /// Four seconds, drifting by 15 cents.
    pub fn new(name: &str, vowel: Vowel, f0: f64) -> Self {
        Self { name: name.to_owned(), vowel, f0, seconds: 4.0, vibrato: None, drift: 15.0, shimmer: 0.0 }
    }
}

/// Harmonics up to 10 kHz are sung.
const TOP: f64 = 10_000.0;

/// Sums harmonics of a glottal source of −12 dB an octave, radiated at +6, through a tract given at each Hz. Their phases
/// are the tract's: the wave keeps its glottal pulses.
pub(super) fn harmonics(turns: f64, f0: f64, mean: f64, tract: impl Fn(f64) -> Complex64) -> f64 {
    let step = Complex64::from_polar(1.0, TAU * turns.fract());
    let (mut turn, mut sum) = (Complex64::new(1.0, 0.0), 0.0);
    for k in 1..=(TOP / mean) as u32 {
        turn *= step;
        sum += (tract(f64::from(k) * f0) * turn).re / f64::from(k);
    }
    sum
}

/// A table of a tract, between whose entries is a straight line.
pub(super) fn table(formants: [(f64, f64); 5]) -> impl Fn(f64) -> Complex64 {
    const STEP: f64 = 0.5;
    let table: Vec<_> = (0..(1.1 * TOP / STEP) as usize).map(|i| tract(&formants, i as f64 * STEP)).collect();
    move |hz: f64| {
        let place = hz / STEP;
        let (i, part) = (place as usize, place.fract());
        match table.get(i..i + 2) {
            Some(&[a, b]) => a + (b - a) * part,
            _ => tract(&formants, hz),
        }
    }
}

/// A vowel sung on one note.
pub fn vowel(sung: Sung) -> Signal {
    let Sung { name, vowel, f0, seconds, vibrato, drift, shimmer } = sung;
    let pitch = move |u: f64| {
        let cents = drift * (TAU * 0.4 * u + 0.3).sin();
        let more = vibrato.map_or(0.0, |(rate, cents)| cents * (TAU * rate * u).sin());
        f0 * ((cents + more) / 1200.0).exp2()
    };
    let tract = table(vowel.formants());
    let model = move |course: &Course, _: &mut Random| {
        let at =
            |(turns, &u): (f64, &f64)| harmonics(turns, pitch(u), f0, &tract) * (1.0 + shimmer * (TAU * 7.3 * u).sin());
        faded(course.turns(pitch).into_iter().zip(&course.place).map(at).collect(), course, seconds, FADE)
    };
    let mean = (0..1000).map(|i| pitch(seconds * f64::from(i) / 999.0)).sum::<f64>() / 1000.0;
    Signal { f0: Some(mean), vibrato, ..Signal::new(&name, Kind::Vowel, seconds, Scale::Level(LEVEL), model) }
}

/// A vowel as it is spoken: it turns into another, while the pitch falls by `fall` cents and the voice leans on it twice.
pub fn glide(name: &str, from: Vowel, to: Vowel, f0: f64, fall: f64, seconds: f64) -> Signal {
    let pitch = move |u: f64| f0 * ((-fall * u / seconds + 60.0 * (TAU * 0.9 * u).sin()) / 1200.0).exp2();
    let model = move |course: &Course, _: &mut Random| {
        // The tract is known every 10 ms of the source; between lies a straight line.
        const STEP: f64 = 0.01;
        let shape = |step: u64| {
            let part = 0.5 - 0.5 * (PI * (step as f64 * STEP / seconds).min(1.0)).cos();
            let line = |a: f64, b: f64| a * (b / a).powf(part);
            let (one, two) = (from.formants(), to.formants());
            table([0, 1, 2, 3, 4].map(|n| (line(one[n].0, two[n].0), line(one[n].1, two[n].1))))
        };
        let (mut step, mut before, mut after) = (0, shape(0), shape(1));
        let mut out = Vec::with_capacity(course.len());
        for (turns, &u) in course.turns(pitch).into_iter().zip(&course.place) {
            while (u / STEP) as u64 > step {
                step += 1;
                before = std::mem::replace(&mut after, shape(step + 1));
            }
            let part = u / STEP - step as f64;
            let tract = |hz: f64| before(hz) * (1.0 - part) + after(hz) * part;
            out.push(harmonics(turns, pitch(u), f0, tract) * (0.7 + 0.3 * (TAU * 1.7 * u).sin()));
        }
        faded(out, course, seconds, FADE)
    };
    let mean = (0..1000).map(|i| pitch(seconds * f64::from(i) / 999.0)).sum::<f64>() / 1000.0;
    Signal { f0: Some(mean), ..Signal::new(name, Kind::Vowel, seconds, Scale::Level(LEVEL), model) }
}
