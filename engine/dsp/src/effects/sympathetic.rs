//! sympathetic.

mod resonators;

use super::settings::{QuantitySetting, TuningSetting};
use super::{EffectVoice, Given, Measured, loudness};
use crate::CELL;
use crate::guard::settle;
use crate::memory::Heard;
use resonators::{Resonators, StringResonance, Strings};
use tenterhook_plan::declare::{Declaration, Emits, Unit};
use tenterhook_plan::{Tuning, gain};

const TUNED: TuningSetting = TuningSetting {
    name: "tuned",
    help: "the strings as notes in the piece's temperament, such as \"D3 A3 F#4\", with cents as in \"A3+20\" or as \
           frequencies as in \"220 Hz\", each with its harmonics; or a spectrum file, each partial one string as strong as it \
           is there",
};

const DECAY: QuantitySetting = QuantitySetting {
    name: "decay",
    help: "The time in which a string left alone falls by 60 dB; of its harmonics the k-th has 1/√k of it.",
    unit: Unit::Seconds,
    least: 0.2,
    most: 30.0,
    default: 4.0,
};

/// The most resonators of one voice: the strongest are taken.
const MOST: usize = 96;

/// The most harmonics of one string, and the frequency above which it has none.
const HARMONICS: usize = 16;
const HIGHEST: f64 = 6000.0;

/// What lies above this part of the rate is left out.
const ROOM: f64 = 0.45;

/// Strings closer together than this many cents ring as one.
const APART: f64 = 2.0;

/// How many cents beside its pitch a string hears 3 dB less, and each of its overtones. Players in tune with each other are
/// some cents apart (common practice, no source).
const EAR: f64 = 10.0;
const OVERTONES: f64 = 5.0;

/// What rings, the strongest first.
///
/// The harmonics of a string are equally strong in amplitude times √k, and decay in 1/√k of its time: air takes energy
/// from a thin string in proportion to the root of the frequency (Fletcher and Rossing, The Physics of Musical Instruments,
/// on damping by air; from memory).
fn resonances(tuning: &Tuning, decay: f64, rate: u32) -> Vec<StringResonance> {
    let loudest = tuning.partials.iter().map(|one| one.db).fold(f64::MIN, f64::max);
    let harmonics = if tuning.is_spectrum() { 1 } else { HARMONICS };
    let mut all = Vec::new();
    for one in &tuning.partials {
        for k in (1..=harmonics).map(|k| k as f64) {
            let (hertz, decay) = (one.hz * k, decay / k.sqrt());
            let whole = hertz > 0.0 && hertz < ROOM * f64::from(rate);
            if whole && (k == 1.0 || hertz < HIGHEST) {
                let gain = f64::from(gain(one.db - loudest));
                all.push(StringResonance { hertz, decay, gain, ear: if k == 1.0 { EAR } else { OVERTONES } });
            }
        }
    }
    all.sort_by(|one, other| other.gain.total_cmp(&one.gain));
    let mut kept: Vec<StringResonance> = Vec::new();
    for one in all {
        let apart = |other: &StringResonance| 1200.0 * (one.hertz / other.hertz).log2().abs() >= APART;
        if kept.len() < MOST && kept.iter().all(apart) {
            kept.push(one);
        }
    }
    kept
}

pub(super) struct Sympathetic {
    strings: Resonators,
}

impl EffectVoice for Sympathetic {
    const DECLARATION: Declaration = Declaration {
        name: "sympathetic",
        help: "Strings that nobody touches: they ring when the mic plays what they are tuned to.",
        x: "how loud the strings are heard; they are at rest when x leaves rest, and take up all that is played from then on",
        x_is_loudness: true,
        settings: &[TUNED.declare(), DECAY.declare()],
        emits: Emits::Audio,
    };

    /// Its strings, at rest.
    type Settings = Strings;

    fn settings(given: &Given<'_>) -> Strings {
        let rings = given.tuning(&TUNED).map(|tuning| resonances(tuning, given.number(&DECAY), given.rate));
        Strings::new(&rings.unwrap_or_default(), given.rate)
    }

    fn level(x: f32) -> f32 {
        loudness(x)
    }

    fn room(strings: &Strings) -> f64 {
        strings.count() as f64
    }

    fn settings_bytes(strings: &Strings) -> usize {
        strings.bytes()
    }

    fn bytes(_: u32, room: f64) -> usize {
        size_of::<Self>() + Resonators::bytes(room as usize)
    }

    fn new(_: u32, room: f64) -> Self {
        Self { strings: Resonators::new(room as usize) }
    }

    fn begin(&mut self, _: u64, _: &Heard<'_>, strings: &Strings, _: u64) {
        self.strings.begin(strings);
    }

    fn render(&mut self, from: u64, now: &[f32], _: &[f32], _: &Heard<'_>, _: &Strings, out: &mut [f32]) {
        if from.is_multiple_of(CELL) {
            self.strings.drive();
        }
        let mut sum = [0.0; CELL as usize];
        self.strings.ring(now, &mut sum);
        for (out, &sum) in out.iter_mut().zip(&sum) {
            *out = settle(sum as f32);
        }
    }
}

impl Measured for Sympathetic {}
