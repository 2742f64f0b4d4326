//! Where a source's sound attacks, told while it is heard.
//!
//! An attack is a rise of the energy of 6 ms over all that was heard in the 24 ms before. What does not grow louder, as a
//! slurred note, is none; what swells from nothing in 20 ms is one, be it a bow or a fast beat. All numbers without a source here are common practice; the tests hold them to sounds whose
//! attacks are known.

use tenterhook_dsp::CELL;
use tenterhook_dsp::prefault::prefaulted;

/// Seconds over which the energy is taken, and of the past with which that is compared: more than a period of the lowest
/// voices, whose pulses are no attacks.
const SPAN: f64 = 0.006;
const PAST: f64 = 0.024;
/// An attack has this many times the energy of the past. Another one can come once there is less than that many times.
const RISES: f64 = 2.5;
const SETTLES: f64 = 1.5;
/// How long a rise is followed to its top, and the time from one attack to the next at least, in seconds.
const TOP: f64 = 0.012;
const APART: f64 = 0.050;
/// An attack is no softer than this, in dB re full scale, …
const LEAST: f64 = -60.0;
/// … and not by more than this below what was heard lately, which is forgotten at so many dB a second.
const BELOW: f64 = -6.0;
const FORGETS: f64 = 24.0;
/// The energy of a sample that counts as silence.
const FLOOR: f64 = 1e-9;

/// An attack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeardAttack {
    /// The first sample of the cell in which it stood out.
    pub sample: u64,
    /// The level that it rose to, as the root of the mean square of 6 ms in dB re full scale.
    pub db: f32,
}

/// Finds the attacks of one source.
#[derive(Clone, Debug)]
pub struct Attacks {
    /// The energy of the cell in work.
    cell: f64,
    /// Cells of a span.
    span: usize,
    /// The energies of the last cells, and of the spans that ended with each.
    cells: Box<[f64]>,
    spans: Box<[f64]>,
    place: usize,
    top: u64,
    apart: u64,
    least: f64,
    forgets: f64,
    loudest: f64,
    /// The rise that is followed, and its greatest energy.
    rising: Option<(u64, f64)>,
    /// The last attack, until another one can come.
    last: Option<u64>,
}

impl Attacks {
    /// For a source at `rate` samples a second.
    pub fn new(rate: u32) -> Self {
        let cells = |seconds: f64| ((seconds * f64::from(rate) / CELL as f64).round() as usize).max(1);
        let (span, past) = (cells(SPAN), cells(PAST));
        let of_a_span = (span * CELL as usize) as f64;
        let silence = of_a_span * FLOOR;
        Self {
            cell: 0.0,
            span,
            cells: prefaulted(silence / span as f64, span),
            spans: prefaulted(silence, past),
            place: 0,
            top: cells(TOP) as u64 * CELL,
            apart: cells(APART) as u64 * CELL,
            least: of_a_span * 10f64.powf(LEAST / 10.0),
            forgets: 10f64.powf(-FORGETS / 10.0 * CELL as f64 / f64::from(rate)),
            loudest: silence,
            rising: None,
            last: None,
        }
    }

    /// Takes in the next samples, in pieces that no grid line cuts.
    pub fn feed(&mut self, samples: &[f32]) {
        for &sample in samples {
            self.cell += f64::from(sample) * f64::from(sample) + FLOOR;
        }
    }

    /// At the grid line `line`, when all before it was fed: the attack that is over its top by now, if there is one.
    pub fn at_line(&mut self, line: u64) -> Option<HeardAttack> {
        let cell = std::mem::take(&mut self.cell);
        let (cells, spans) = (self.cells.len(), self.spans.len());
        if let Some(place) = self.cells.get_mut(self.place % cells) {
            *place = cell;
        }
        let energy: f64 = self.cells.iter().sum();
        // Spans that end where this one begins, or earlier.
        let past = (self.span..spans).filter_map(|back| self.spans.get((self.place + spans - back) % spans));
        let past = past.copied().fold(0.0, f64::max);
        if let Some(place) = self.spans.get_mut(self.place % spans) {
            *place = energy;
        }
        self.place = (self.place + 1) % (cells * spans);
        self.loudest = energy.max(self.loudest * self.forgets);
        if past <= 0.0 {
            return None;
        }
        match self.rising {
            None => {
                let settled = energy < SETTLES * past;
                self.last.take_if(|last| settled && line >= *last + self.apart);
                let stands_out = energy >= RISES * past && energy >= self.least;
                if self.last.is_none() && stands_out && energy >= self.loudest * 10f64.powf(BELOW / 10.0) {
                    self.rising = Some((line.saturating_sub(CELL), energy));
                }
                None
            }
            Some((sample, most)) if energy >= most && line < sample + self.top => {
                self.rising = Some((sample, energy));
                None
            }
            Some((sample, most)) => {
                (self.rising, self.last) = (None, Some(sample));
                let mean = most.max(energy) / (self.span as f64 * CELL as f64);
                Some(HeardAttack { sample, db: (10.0 * mean.log10()) as f32 })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;
    use tenterhook_dsp::random::even;

    const RATE: u32 = 48_000;

    fn attacks(sound: &[f32]) -> Vec<HeardAttack> {
        let mut attacks = Attacks::new(RATE);
        let cells = sound.chunks_exact(CELL as usize).zip((CELL..).step_by(CELL as usize));
        cells
            .filter_map(|(cell, line)| {
                attacks.feed(cell);
                attacks.at_line(line)
            })
            .collect()
    }

    /// No pulses, as plucked strings make none: M. R. Schroeder, "Synthesis of low-peak-factor signals", IEEE Trans.
    /// Information Theory 16 (1970); from memory.
    fn phase(harmonic: usize, of: usize) -> f64 {
        std::f64::consts::PI * (harmonic * harmonic) as f64 / of as f64
    }

    /// The most peaked sound of a pitch: all harmonics together.
    fn pulses(hertz: f64, harmonics: usize, seconds: f64) -> Vec<f32> {
        let value = |i: usize| {
            let t = i as f64 / f64::from(RATE);
            (1..=harmonics).map(|k| (TAU * hertz * k as f64 * t).cos()).sum::<f64>() * 0.5 / harmonics as f64
        };
        (0..(seconds * f64::from(RATE)) as usize).map(|i| value(i) as f32).collect()
    }

    fn tone(hertz: f64, harmonics: usize, seconds: f64, level: impl Fn(f64) -> f64) -> Vec<f32> {
        let value = |i: usize| {
            let t = i as f64 / f64::from(RATE);
            let sum: f64 = (1..=harmonics).map(|k| (TAU * hertz * k as f64 * t + phase(k, harmonics)).cos()).sum();
            (level(t) * sum / harmonics as f64) as f32
        };
        (0..(seconds * f64::from(RATE)) as usize).map(value).collect()
    }

    fn noise(amplitude: f64, seconds: f64) -> Vec<f32> {
        (0..(seconds * f64::from(RATE)) as u64).map(|i| (amplitude * (2.0 * even(1, i, 0) - 1.0)) as f32).collect()
    }

    #[test]
    fn steady_sound_has_only_its_beginning() {
        for hertz in [55.0, 65.0, 98.0, 220.0, 880.0] {
            for harmonics in [1, 12, 40] {
                for sound in [tone(hertz, harmonics, 2.0, |_| 0.5), pulses(hertz, harmonics, 2.0)] {
                    let found = attacks(&sound);
                    assert_eq!(found.len(), 1, "{hertz} Hz with {harmonics}: {found:?}");
                }
            }
        }
        assert_eq!(attacks(&noise(0.3, 2.0)).len(), 1);
        assert_eq!(attacks(&vec![0.0; 96_000]), []);
    }

    #[test]
    fn beats_tremolo_and_swells_are_no_attacks() {
        // Beats of two equal tones, from zero to full; a tremolo of 6 dB; a swell of half a second.
        for rate in [1.0, 2.0, 4.0] {
            let beats = attacks(&tone(220.0, 8, 3.0, |t| 0.5 * (TAU * rate / 2.0 * t).cos().abs()));
            assert_eq!(beats.len(), 1, "{rate} Hz: {beats:?}");
        }
        for rate in [2.0, 5.0, 8.0, 12.0] {
            let tremolo = attacks(&tone(220.0, 8, 3.0, |t| 0.5 - 0.17 * (TAU * rate * t).cos()));
            assert_eq!(tremolo.len(), 1, "{rate} Hz: {tremolo:?}");
        }
        let swell = attacks(&tone(220.0, 8, 3.0, |t| 0.05 + 0.45 * ((t - 1.0) / 0.5).clamp(0.0, 1.0)));
        assert_eq!(swell.len(), 1, "{swell:?}");
    }

    #[test]
    fn an_attack_out_of_silence_or_over_a_softer_sound_is_told_where_and_how_loud_it_is() {
        for floor in [0.0, 0.001, 0.02] {
            for at in [9_600, 14_411, 20_001] {
                let mut sound = noise(floor, 1.0);
                let note = tone(440.0, 1, 0.5, |_| 0.5);
                sound.iter_mut().skip(at).zip(&note).for_each(|(x, note)| *x += note);
                let found: Vec<_> = attacks(&sound).into_iter().filter(|one| one.sample > 2_400).collect();
                assert_eq!(found.len(), 1, "{floor} {at}: {found:?}");
                let late = found[0].sample as i64 - at as i64;
                assert!((-(CELL as i64)..=96).contains(&late), "{late} samples");
                // A sine of amplitude 0.5: −9.03 dB by definition.
                assert!((found[0].db + 9.03).abs() < 0.6, "{}", found[0].db);
            }
        }
    }

    #[test]
    fn plucks_in_quick_succession_are_all_told_and_once() {
        // Each falls by 60 dB in 0.6 s, ten a second, 6 dB or more over what is left of the one before.
        let (mut sound, mut starts) = (vec![0.0f32; 144_000], Vec::new());
        for n in 0..20usize {
            let at = 4_800 + 4_800 * n + 13 * n;
            starts.push(at as i64);
            let level = [0.5, 0.4, 0.45][n % 3];
            let pluck = tone([196.0, 330.0, 147.0][n % 3], 10, 0.3, |t| level * 10f64.powf(-5.0 * t));
            sound.iter_mut().skip(at).zip(&pluck).for_each(|(x, pluck)| *x += pluck);
        }
        let found: Vec<i64> = attacks(&sound).iter().map(|one| one.sample as i64).collect();
        let near = |start: &i64| found.iter().filter(|one| (*one - start).abs() < 480).count();
        let hits = starts.iter().filter(|start| near(start) == 1).count();
        assert_eq!((hits, found.len()), (20, 20));
    }

    #[test]
    fn two_states_that_heard_the_same_say_the_same() {
        let sound = noise(0.5, 0.2);
        let (mut one, mut other) = (Attacks::new(RATE), Attacks::new(RATE));
        for (cell, line) in sound.chunks_exact(32).zip((32u64..).step_by(32)) {
            one.feed(cell);
            cell.chunks(7).for_each(|piece| other.feed(piece));
            assert_eq!(one.at_line(line), other.at_line(line));
        }
    }
}
