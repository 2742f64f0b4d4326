//! The partials of a source as they sound, read at any pace.

use crate::CELL;
use crate::model::{Partial, SLOTS};
use crate::oscillators::{Course, Oscillators};

/// How an amplitude goes from one knot to the next.
#[derive(Clone, Copy, Debug)]
enum Level {
    /// Through nothing, as in a beat, or far.
    Even { start: f32, slope: f32 },
    /// As things ring off.
    Decay { start: f32, octaves: f32 },
}

impl Default for Level {
    fn default() -> Self {
        Self::Even { start: 0.0, slope: 0.0 }
    }
}

impl Level {
    fn new(from: f32, to: f32, length: f32) -> Self {
        let ratio = to / from;
        if (0.5..2.0).contains(&ratio) {
            Self::Decay { start: from, octaves: ratio.log2() / length }
        } else {
            Self::Even { start: from, slope: (to - from) / length }
        }
    }
}

/// A partial as it sounds over a stretch of the source, from one end of it on.
#[derive(Clone, Copy, Debug, Default)]
struct Sounding {
    id: u32,
    /// Its phase as it sounds, in turns, and by how much that has gone ahead of the source's.
    turns: f64,
    ahead: f64,
    /// The source's phase from the stretch's start: a cubic without its constant.
    phase: [f64; 3],
    /// How its amplitude goes, and a gain at the start and per sample.
    level: Level,
    fade: [f32; 2],
    /// Its amplitude where it has come to.
    amplitude: f32,
}

impl Sounding {
    fn turned(&self, s: f64) -> f64 {
        let [a, b, c] = self.phase;
        s * (a + s * (b + s * c))
    }

    fn frequency(&self, s: f64) -> f64 {
        let [a, b, c] = self.phase;
        a + s * (2.0 * b + s * 3.0 * c)
    }

    fn amplitude(&self, s: f32) -> f32 {
        let fade = (self.fade[0] + self.fade[1] * s).clamp(0.0, 1.0);
        if fade == 0.0 {
            return 0.0;
        }
        fade * match self.level {
            Level::Even { start, slope } => start + slope * s,
            Level::Decay { start, octaves } => start * exp2(octaves * s),
        }
    }
}

/// What of the source two knots stand for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Between {
    /// From a knot to the next.
    Knots,
    /// From a knot to the onset before the next.
    KnotAndOnset,
    /// From an onset to the knot after it.
    OnsetAndKnot,
    /// Behind a knot that none follows yet.
    KnotAndNothing,
}

/// How far the reading has come from a beginning.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Late {
    /// Samples of the source.
    pub since: f64,
    /// How many samples longer the reading took.
    pub late: f64,
    /// The same per sample of the source.
    pub slower: f64,
}

/// All partials that sound, each at the place of its track.
pub(crate) struct Bank {
    partials: Box<[Sounding; SLOTS]>,
    /// The slots that sound.
    slots: [u8; SLOTS],
    count: usize,
    oscillators: Oscillators,
}

impl Bank {
    pub fn new() -> Self {
        Self { partials: Box::new([Sounding::default(); SLOTS]), slots: [0; SLOTS], count: 0, oscillators: Oscillators::new() }
    }

    /// Nothing sounds.
    pub fn clear(&mut self) {
        self.partials.iter_mut().for_each(|partial| partial.id = 0);
        self.count = 0;
    }

    fn get(&self, slot: u8) -> Option<&Sounding> {
        self.partials.get(usize::from(slot))
    }

    /// Sounds `samples`, a cell at most, from `s` source samples behind the present stretch's start on, `pace` source
    /// samples each, and adds them to `sum`, whose rest is not to be used.
    pub fn sound(&mut self, s: f64, pace: f64, samples: usize, sum: &mut [f32; CELL as usize]) {
        let travel = pace * samples as f64;
        let (count, part, slower) = (samples as f64, 1.0 / samples as f64, 1.0 / pace);
        let mut courses = [Course::NONE; SLOTS];
        let mut sounding = 0;
        for &slot in self.slots.iter().take(self.count) {
            let (Some(partial), Some(course)) =
                (self.partials.get_mut(usize::from(slot)), courses.get_mut(sounding))
            else {
                continue;
            };
            let turned = partial.turned(s + travel) - partial.turned(s);
            let frequency = partial.frequency(s);
            let advance = turned * slower;
            let amplitude = partial.amplitude((s + travel) as f32);
            *course = Course {
                turns: partial.turns as f32,
                frequency: frequency as f32,
                bend: ((advance - frequency * count) * part * part) as f32,
                amplitude: partial.amplitude,
                slope: (amplitude - partial.amplitude) * part as f32,
            };
            sounding += usize::from(amplitude != 0.0 || partial.amplitude != 0.0);
            partial.amplitude = amplitude;
            let turns = partial.turns + advance;
            partial.turns = turns - (turns as i64) as f64;
            partial.ahead += advance - turned;
        }
        self.oscillators.add(courses.get(..sounding).unwrap_or_default(), sum);
    }

    /// Sets what sounds over a stretch of `length` source samples between two knots, of which `s` have been read.
    ///
    /// All partials of a note begin together, with the phases that the source had there, or they would not add up to its
    /// waveform: one that is found later is as far ahead of the source's phase as it would be by then. `late` says how
    /// many samples longer the reading took from that beginning to here than the source, and how many those were, if the
    /// beginning is known; else it is told from the strongest partial that sounds on.
    pub fn change(
        &mut self,
        between: Between,
        lefts: &[Partial],
        rights: &[Partial],
        length: f64,
        s: f64,
        late: Option<Late>,
    ) {
        let (since, slower) = late.map_or((0.0, 0.0), |late| (late.since + length - s, late.slower));
        let late = late.map(|late| late.late);
        let mut sounding = [0u8; SLOTS];
        let mut count = 0;
        let late = late.unwrap_or_else(|| {
            let sounds = |left: &&Partial| self.get(left.slot).is_some_and(|old| old.id == left.id);
            let strongest = lefts.iter().filter(sounds).max_by(|a, b| a.amplitude.abs().total_cmp(&b.amplitude.abs()));
            let ahead = strongest.and_then(|left| Some(self.get(left.slot)?.ahead / f64::from(left.frequency).max(1e-6)));
            ahead.unwrap_or(0.0)
        });
        let mut put = |slot: u8, partial: Sounding, partials: &mut [Sounding; SLOTS]| {
            if let (Some(place), Some(of)) = (partials.get_mut(usize::from(slot)), sounding.get_mut(count)) {
                *place = partial;
                place.amplitude = place.amplitude(s as f32);
                *of = slot;
                count += 1;
            }
        };
        if between != Between::OnsetAndKnot {
            for left in lefts {
                let Some(&old) = self.partials.get(usize::from(left.slot)) else { continue };
                let frequency = f64::from(left.frequency);
                let right = match between {
                    Between::Knots => rights.iter().find(|right| right.id == left.id),
                    _ => None,
                };
                let mut now = match right {
                    Some(right) => Sounding {
                        phase: course(left, right, length),
                        level: Level::new(left.amplitude, right.amplitude, length as f32),
                        fade: [1.0, 0.0],
                        ..old
                    },
                    None => Sounding {
                        phase: [frequency, 0.0, 0.0],
                        level: Level::Decay {
                            start: left.amplitude,
                            octaves: if between == Between::KnotAndOnset { left.slope } else { 0.0 },
                        },
                        fade: [1.0, if between == Between::Knots { -1.0 / length as f32 } else { 0.0 }],
                        ..old
                    },
                };
                if old.id != left.id {
                    // It has not sounded yet: as the source has it here.
                    now.id = left.id;
                    now.ahead = late * frequency;
                    now.turns = f64::from(left.turns) + now.turned(s) + now.ahead;
                }
                put(left.slot, now, &mut self.partials);
            }
        }
        if matches!(between, Between::Knots | Between::OnsetAndKnot) {
            for right in rights {
                if between == Between::Knots && lefts.iter().any(|left| left.id == right.id) {
                    continue;
                }
                let frequency = f64::from(right.frequency);
                let fade = if between == Between::Knots { [0.0, 1.0 / length as f32] } else { [1.0, 0.0] };
                // After an onset a sound only decays: what is found later was stronger before.
                let slope = if between == Between::Knots { 0.0 } else { right.slope.min(0.0) };
                let bent = f64::from(right.offset) - 0.5 * f64::from(right.glide) * since * since;
                let ahead = late * frequency + slower * bent;
                let now = Sounding {
                    id: right.id,
                    turns: f64::from(right.turns) - frequency * (length - s) + ahead,
                    ahead,
                    phase: [frequency, 0.0, 0.0],
                    level: Level::Decay { start: right.amplitude * (-slope * length as f32).exp2(), octaves: slope },
                    fade,
                    amplitude: 0.0,
                };
                put(right.slot, now, &mut self.partials);
            }
        }
        (self.slots, self.count) = (sounding, count);
    }
}

/// The phase from one knot to the next: the cubic that has both phases and both frequencies, its whole turns those that
/// the frequencies promise (McAulay and Quatieri 1986).
fn course(left: &Partial, right: &Partial, length: f64) -> [f64; 3] {
    let (a, b) = (f64::from(left.frequency), f64::from(right.frequency));
    let promised = 0.5 * length * (a + b);
    let misfit = f64::from(right.turns) - f64::from(left.turns) - promised;
    let turned = promised + misfit - misfit.round();
    let mean = turned / length;
    [a, (3.0 * mean - 2.0 * a - b) / length, (a + b - 2.0 * mean) / (length * length)]
}

/// 2 to the power of `x`, |x| < 100, within 2e-7 of itself.
fn exp2(x: f32) -> f32 {
    let x = x.clamp(-100.0, 100.0);
    // Adding and taking away 1.5 × 2^23 rounds to whole octaves.
    let whole = (x + 12_582_912.0) - 12_582_912.0;
    let y = (x - whole) * std::f32::consts::LN_2;
    let part = 1.0 + y * (1.0 + y * (0.5 + y * (1.0 / 6.0 + y * (1.0 / 24.0 + y * (1.0 / 120.0 + y / 720.0)))));
    f32::from_bits((((whole as i32) + 127) as u32) << 23) * part
}
