//! A recorded sound between its samples, at any pace.

use crate::bytes::many;
use std::f64::consts::PI;

/// Zero crossings of the kernel to either side.
const CROSSINGS: usize = 16;

/// Places of the table from one zero crossing to the next; between them it is read in straight lines, within −94 dB.
const STEPS: usize = 256;

/// The shape of the kernel's window: what it stops is down by 80 dB (Kaiser's formula, A = 8.7 + β/0.1102).
const BETA: f64 = 8.0;

/// The greatest pace for which the kernel widens: 512 samples are read for one. Faster reading folds high sound back.
pub(crate) const WIDEST: f64 = 16.0;

/// The band-limited reading of a sound: a sinc under a Kaiser window, whose cut-off sinks with the pace above 1, so that
/// what becomes too high to be heard does not come back as something else.
#[derive(Debug)]
pub(crate) struct Kernel {
    /// Its right half: the value at each place, and how far that is from the next.
    table: Box<[[f32; 2]]>,
}

impl Kernel {
    /// Works out the table.
    pub fn new() -> Self {
        let last = STEPS * CROSSINGS;
        let value = |place: usize| {
            let x = place as f64 / STEPS as f64;
            let sinc = if place == 0 { 1.0 } else { (PI * x).sin() / (PI * x) };
            let edge = place as f64 / last as f64;
            if place < last { sinc * bessel(BETA * (1.0 - edge * edge).sqrt()) / bessel(BETA) } else { 0.0 }
        };
        let both = |place| [value(place) as f32, (value(place + 1) - value(place)) as f32];
        Self { table: (0..last).map(both).collect() }
    }

    /// Bytes that one takes beside itself.
    pub const fn bytes() -> usize {
        many::<[f32; 2]>(STEPS * CROSSINGS)
    }

    /// The sound at `place` samples from its beginning, at least 0, when it is read at `pace` of its samples for each of
    /// ours; outside it there is silence.
    pub fn read(&self, sound: &[f32], place: f64, pace: f64) -> f32 {
        let wide = pace.abs().clamp(1.0, WIDEST);
        let reach = CROSSINGS as f64 * wide;
        let whole = place.max(0.0).floor();
        let part = place.max(0.0) - whole;
        let scale = (STEPS as f64 / wide) as f32;
        let next = whole as usize + 1;
        let end = next.min(sound.len());
        let (before, after) = sound.split_at(end);
        // Past the end the nearest samples to the left are silence.
        let (missing, left) = (next - end, (reach - part).ceil() as usize);
        let before = before.iter().rev().take(left.saturating_sub(missing));
        let after = if missing == 0 { after } else { &[] };
        let after = after.iter().take((reach - (1.0 - part)).ceil() as usize);
        let side = |distance: f64, sound: &mut dyn Iterator<Item = &f32>| -> f32 {
            let start = (distance * STEPS as f64 / wide) as f32;
            let mut sum = 0.0;
            for (k, sound) in sound.enumerate() {
                let at = start + k as f32 * scale;
                let [value, slope] = self.table.get(at as usize).copied().unwrap_or_default();
                sum += sound * (value + (at - at.floor()) * slope);
            }
            sum
        };
        let left = side(part + missing as f64, &mut { before });
        let right = side(1.0 - part, &mut { after });
        (left + right) / wide as f32
    }
}

/// The modified Bessel function of the first kind and order 0, by its power series.
fn bessel(x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..40 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    // Abramowitz and Stegun, Handbook of Mathematical Functions, table 9.8 (from memory): I0(1) and I0(2).
    #[test]
    fn the_bessel_function_is_that_of_the_handbook() {
        assert!((bessel(1.0) - 1.266_065_877_8).abs() < 1e-9);
        assert!((bessel(2.0) - 2.279_585_302_3).abs() < 1e-9);
    }

    fn sine(frequency: f64) -> Vec<f32> {
        (0..4000).map(|i| (TAU * frequency * f64::from(i)).sin() as f32).collect()
    }

    /// What is read at many places less what should be, in dB re the sine; `gain` is what should be left of it.
    fn error_db(frequency: f64, pace: f64, gain: f64) -> f64 {
        let (kernel, sound) = (Kernel::new(), sine(frequency));
        let off = |i: u32| {
            let place = 600.0 + f64::from(i) * 0.717 * pace.min(3.0);
            let due = gain * (TAU * frequency * place).sin();
            (f64::from(kernel.read(&sound, place, pace)) - due).powi(2)
        };
        10.0 * ((0..1000).map(off).sum::<f64>() / 1000.0 / 0.5).log10()
    }

    #[test]
    fn between_the_samples_of_a_sine_is_the_sine() {
        // Up to the edge, half of whose width is (A − 7.95)/(14.36 × 2 × 16 × 2) = 0.08 of the rate by the same formula.
        for frequency in [0.001, 0.01, 0.1, 0.25, 0.4, 0.42] {
            let db = error_db(frequency, 1.0, 1.0);
            assert!(db < -75.0, "{frequency}: {db:.1} dB");
        }
    }

    #[test]
    fn what_would_fold_back_is_stopped_and_what_is_below_stays() {
        for pace in [1.5f64, 2.0, 4.0, 8.0] {
            // The cut-off and the width of the kernel's edge, both as much lower as the pace is higher.
            let (cutoff, edge) = (0.5 / pace, 0.08 / pace);
            for frequency in [cutoff + edge, 1.7 * cutoff, 0.49].into_iter().filter(|f| *f < 0.5) {
                let db = error_db(frequency, pace, 0.0);
                assert!(db < -70.0, "{frequency} at {pace}: {db:.1} dB");
            }
            let db = error_db(cutoff - edge, pace, 1.0);
            assert!(db < -70.0, "{pace}: {db:.1} dB");
        }
    }

    #[test]
    fn on_a_sample_it_is_that_sample_and_outside_there_is_silence() {
        let (kernel, sound) = (Kernel::new(), sine(0.37));
        for i in [0usize, 1, 17, 2000, 3999] {
            assert!((kernel.read(&sound, i as f64, 1.0) - sound[i]).abs() < 1e-6);
        }
        assert_eq!(kernel.read(&sound, 4016.0, 1.0), 0.0);
        assert!(kernel.read(&sound, 4000.5, 1.0).abs() > 1e-3, "the sinc of its last samples");
        assert_eq!(kernel.read(&[], 0.3, 4.0), 0.0);
    }
}
