//! The partials of a source as they sound, read at any pace.

use super::model::{ModelPartial, SLOTS};
use super::oscillators::Courses;
use crate::CELL;
use crate::bytes::many;
use crate::prefault::prefaulted_one;
use pulp::{Arch, Simd, WithSimd};

/// How an amplitude goes over a stretch: from `start` on by `octaves` and `slope` per sample, under a gain that goes from
/// `fade[0]` by `fade[1]` per sample within 0…1.
#[derive(Clone, Copy, Debug)]
struct PartialLevel {
    start: f32,
    octaves: f32,
    slope: f32,
    fade: [f32; 2],
}

impl PartialLevel {
    /// Between two breakpoints: as things ring off, or evenly if it goes through nothing, as in a beat, or far.
    fn between(from: f32, to: f32, length: f32) -> Self {
        let ratio = to / from;
        let (octaves, slope) =
            if (0.5..2.0).contains(&ratio) { (ratio.log2() / length, 0.0) } else { (0.0, (to - from) / length) };
        Self { start: from, octaves, slope, fade: [1.0, 0.0] }
    }
}

/// A partial as it sounds over a stretch of the source, from one end of it on.
#[derive(Clone, Copy, Debug)]
struct SoundingPartials {
    id: u32,
    slot: u8,
    /// Its phase as it sounds, in turns, and by how much that has gone ahead of the source's.
    turns: f64,
    ahead: f64,
    /// The source's phase from the stretch's start: a cubic without its constant.
    phase: [f64; 3],
    level: PartialLevel,
}

/// The partials that sound, side by side: part by part, so that the compiler makes vectors of what is done with all.
#[derive(Clone, Debug)]
struct OscillatorLanes {
    turns: [f64; SLOTS],
    ahead: [f64; SLOTS],
    phase: [[f64; SLOTS]; 3],
    start: [f32; SLOTS],
    octaves: [f32; SLOTS],
    slope: [f32; SLOTS],
    fade: [[f32; SLOTS]; 2],
    /// The amplitude where it has come to.
    amplitude: [f32; SLOTS],
    ids: [u32; SLOTS],
    count: usize,
    /// The lane of each slot.
    lanes: [u8; SLOTS],
}

/// Lanes that are worked on together.
const TOGETHER: usize = 8;

#[expect(
    clippy::indexing_slicing,
    reason = "a lane is below SLOTS, the length of all arrays: each function sees to it first"
)]
impl OscillatorLanes {
    fn new() -> Self {
        Self {
            turns: [0.0; SLOTS],
            ahead: [0.0; SLOTS],
            phase: [[0.0; SLOTS]; 3],
            start: [0.0; SLOTS],
            octaves: [0.0; SLOTS],
            slope: [0.0; SLOTS],
            fade: [[0.0; SLOTS]; 2],
            amplitude: [0.0; SLOTS],
            ids: [0; SLOTS],
            count: 0,
            lanes: [0; SLOTS],
        }
    }

    /// The lane of a partial that sounds.
    fn lane(&self, slot: u8, id: u32) -> Option<usize> {
        let lane = usize::from(*self.lanes.get(usize::from(slot))?);
        (lane < self.count && self.ids.get(lane) == Some(&id)).then_some(lane)
    }

    /// A partial's phase and how far that is ahead, if it sounds.
    fn state(&self, slot: u8, id: u32) -> Option<(f64, f64)> {
        let lane = self.lane(slot, id)?;
        Some((*self.turns.get(lane)?, *self.ahead.get(lane)?))
    }

    fn put(&mut self, partial: SoundingPartials, s: f32) {
        let lane = self.count;
        let Some(place) = self.lanes.get_mut(usize::from(partial.slot)).filter(|_| lane < SLOTS) else { return };
        *place = lane as u8;
        (self.ids[lane], self.turns[lane], self.ahead[lane]) = (partial.id, partial.turns, partial.ahead);
        let PartialLevel { start, octaves, slope, fade } = partial.level;
        (self.start[lane], self.octaves[lane], self.slope[lane]) = (start, octaves, slope);
        (self.fade[0][lane], self.fade[1][lane]) = (fade[0], fade[1]);
        for (phase, part) in self.phase.iter_mut().zip(partial.phase) {
            phase[lane] = part;
        }
        self.amplitude[lane] = amplitude(start, octaves, slope, fade, s);
        self.count += 1;
    }

    /// Ends the list: what is left of the last lanes that are worked on together is silent.
    fn close(&mut self) {
        for lane in self.count..self.count.next_multiple_of(TOGETHER).min(SLOTS) {
            (self.start[lane], self.slope[lane], self.amplitude[lane]) = (0.0, 0.0, 0.0);
            (self.turns[lane], self.ahead[lane], self.octaves[lane]) = (0.0, 0.0, 0.0);
            self.phase.iter_mut().for_each(|phase| phase[lane] = 0.0);
        }
    }

    /// Goes on by `samples`, from `s` source samples behind the stretch's start on, and tells the way.
    #[inline(always)]
    fn go_on(&mut self, s: f64, pace: f64, samples: usize, courses: &mut Courses) {
        let (count, part, slower) = (samples as f64, 1.0 / samples as f64, 1.0 / pace);
        let end = s + pace * count;
        // Adding and taking away 1.5 × 2^52 rounds to whole turns.
        const ROUND: f64 = 6_755_399_441_055_744.0;
        let lanes = self.count.next_multiple_of(TOGETHER).min(SLOTS);
        let [a, b, c] = &self.phase;
        for lane in 0..lanes {
            let (a, b, c) = (a[lane], b[lane], c[lane]);
            let turned = end * (a + end * (b + end * c)) - s * (a + s * (b + s * c));
            let frequency = a + s * (2.0 * b + s * 3.0 * c);
            let advance = turned * slower;
            courses.turns[lane] = self.turns[lane] as f32;
            courses.frequency[lane] = frequency as f32;
            courses.bend[lane] = ((advance - frequency * count) * part * part) as f32;
            let turns = self.turns[lane] + advance;
            self.turns[lane] = turns - ((turns + ROUND) - ROUND);
            self.ahead[lane] += advance - turned;
        }
        let end = end as f32;
        for lane in 0..lanes {
            let fade = [self.fade[0][lane], self.fade[1][lane]];
            let amplitude = amplitude(self.start[lane], self.octaves[lane], self.slope[lane], fade, end);
            courses.amplitude[lane] = self.amplitude[lane];
            courses.slope[lane] = (amplitude - self.amplitude[lane]) * part as f32;
            self.amplitude[lane] = amplitude;
        }
        courses.count = self.count;
    }
}

#[inline(always)]
fn amplitude(start: f32, octaves: f32, slope: f32, fade: [f32; 2], s: f32) -> f32 {
    (start * exp2(octaves * s) + slope * s) * (fade[0] + fade[1] * s).clamp(0.0, 1.0)
}

/// A piece of sound in work: [`OscillatorLanes::go_on`] and the sum of its sines.
struct OscillatorPiece<'a> {
    lanes: &'a mut OscillatorLanes,
    courses: &'a mut Courses,
    s: f64,
    pace: f64,
    samples: usize,
    sum: &'a mut [f32; CELL as usize],
}

impl WithSimd for OscillatorPiece<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        self.lanes.go_on(self.s, self.pace, self.samples, self.courses);
        self.courses.add(simd, self.sum);
    }
}

/// What of the source two breakpoints stand for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Between {
    /// From a breakpoint to the next.
    Breakpoints,
    /// From a breakpoint to the onset before the next.
    BreakpointAndOnset,
    /// From an onset to the breakpoint after it.
    OnsetAndBreakpoint,
    /// Behind a breakpoint that none follows yet.
    BreakpointAndNothing,
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

/// All partials that sound.
pub(crate) struct Bank {
    /// Those of the present stretch, and room for those of the next.
    now: Box<OscillatorLanes>,
    next: Box<OscillatorLanes>,
    courses: Box<Courses>,
    arch: Arch,
}

impl Bank {
    /// A bank that sounds nothing; allocates all that it needs.
    pub fn new() -> Self {
        let lanes = || prefaulted_one(OscillatorLanes::new());
        Self { now: lanes(), next: lanes(), courses: prefaulted_one(Courses::new()), arch: Arch::new() }
    }

    /// Bytes that one takes beside itself.
    pub const fn bytes() -> usize {
        many::<OscillatorLanes>(2) + many::<Courses>(1)
    }

    /// Nothing sounds.
    pub fn clear(&mut self) {
        self.now.count = 0;
    }

    /// Sounds `samples`, a cell at most, from `s` source samples behind the present stretch's start on, `pace` source
    /// samples each, and adds them to `sum`, whose rest is not to be used.
    pub fn sound(&mut self, s: f64, pace: f64, samples: usize, sum: &mut [f32; CELL as usize]) {
        if self.now.count > 0 {
            let (lanes, courses) = (&mut *self.now, &mut *self.courses);
            self.arch.dispatch(OscillatorPiece { lanes, courses, s, pace, samples, sum });
        }
    }

    /// Sets what sounds over a stretch of `length` source samples between two breakpoints, of which `s` have been read.
    ///
    /// All partials of a note begin together, with the phases that the source had there, or they would not add up to its
    /// waveform: one that is found later is as far ahead of the source's phase as it would be by then. `late` says how
    /// many samples longer the reading took from that beginning to here than the source, and how many those were, if the
    /// beginning is known; else it is told from the strongest partial that sounds on.
    pub fn change(
        &mut self,
        between: Between,
        lefts: &[ModelPartial],
        rights: &[ModelPartial],
        length: f64,
        s: f64,
        late: Option<Late>,
    ) {
        let (since, slower) = late.map_or((0.0, 0.0), |late| (late.since + length - s, late.slower));
        let late = late.map(|late| late.late);
        let (now, next) = (&*self.now, &mut *self.next);
        let late = late.unwrap_or_else(|| {
            let sounding = lefts.iter().filter_map(|left| Some((left, now.state(left.slot, left.id)?.1)));
            let strongest = sounding.max_by(|a, b| a.0.amplitude.abs().total_cmp(&b.0.amplitude.abs()));
            strongest.map_or(0.0, |(left, ahead)| ahead / f64::from(left.frequency).max(1e-6))
        });
        // Where each slot is on the right, counted from 1, and which of those are on the left as well.
        let mut places = [0u8; SLOTS];
        let mut known = [false; SLOTS];
        if matches!(between, Between::Breakpoints) {
            for (right, place) in rights.iter().zip(1..) {
                if let Some(of) = places.get_mut(usize::from(right.slot)) {
                    *of = place;
                }
            }
        }
        next.count = 0;
        if between != Between::OnsetAndBreakpoint {
            for left in lefts {
                let frequency = f64::from(left.frequency);
                let place = places.get(usize::from(left.slot)).copied().unwrap_or(0);
                let right = rights.get(usize::from(place).wrapping_sub(1)).filter(|right| right.id == left.id);
                let (phase, level) = match right {
                    Some(right) => {
                        if let Some(known) = known.get_mut(usize::from(place - 1)) {
                            *known = true;
                        }
                        (
                            course(left, right, length),
                            PartialLevel::between(left.amplitude, right.amplitude, length as f32),
                        )
                    }
                    None => {
                        let octaves = if between == Between::BreakpointAndOnset { left.slope } else { 0.0 };
                        let fade = [1.0, if between == Between::Breakpoints { -1.0 / length as f32 } else { 0.0 }];
                        ([frequency, 0.0, 0.0], PartialLevel { start: left.amplitude, octaves, slope: 0.0, fade })
                    }
                };
                let (turns, ahead) = now.state(left.slot, left.id).unwrap_or_else(|| {
                    // It has not sounded yet: as the source has it here.
                    let [a, b, c] = phase;
                    let ahead = late * frequency;
                    (f64::from(left.turns) + s * (a + s * (b + s * c)) + ahead, ahead)
                });
                next.put(SoundingPartials { id: left.id, slot: left.slot, turns, ahead, phase, level }, s as f32);
            }
        }
        if matches!(between, Between::Breakpoints | Between::OnsetAndBreakpoint) {
            for (right, _) in rights.iter().zip(known).filter(|(_, known)| !known) {
                let frequency = f64::from(right.frequency);
                let fade = if between == Between::Breakpoints { [0.0, 1.0 / length as f32] } else { [1.0, 0.0] };
                // After an onset a sound only decays: what is found later was stronger before.
                let octaves = if between == Between::Breakpoints { 0.0 } else { right.slope.min(0.0) };
                let start = right.amplitude * exp2(-octaves * length as f32);
                let bent = f64::from(right.offset) - 0.5 * f64::from(right.glide) * since * since;
                let ahead = late * frequency + slower * bent;
                let turns = f64::from(right.turns) - frequency * (length - s) + ahead;
                let level = PartialLevel { start, octaves, slope: 0.0, fade };
                let phase = [frequency, 0.0, 0.0];
                next.put(SoundingPartials { id: right.id, slot: right.slot, turns, ahead, phase, level }, s as f32);
            }
        }
        next.close();
        std::mem::swap(&mut self.now, &mut self.next);
    }
}

/// The phase from one breakpoint to the next: the cubic that has both phases and both frequencies, its whole turns those that
/// the frequencies promise (McAulay and Quatieri 1986).
fn course(left: &ModelPartial, right: &ModelPartial, length: f64) -> [f64; 3] {
    let (a, b) = (f64::from(left.frequency), f64::from(right.frequency));
    let promised = 0.5 * length * (a + b);
    let misfit = f64::from(right.turns) - f64::from(left.turns) - promised;
    let turned = promised + misfit - misfit.round();
    let mean = turned / length;
    [a, (3.0 * mean - 2.0 * a - b) / length, (a + b - 2.0 * mean) / (length * length)]
}

/// 2 to the power of `x`, |x| < 100, within 2e-7 of itself.
#[inline(always)]
fn exp2(x: f32) -> f32 {
    let x = x.clamp(-100.0, 100.0);
    // Adding and taking away 1.5 × 2^23 rounds to whole octaves.
    let whole = (x + 12_582_912.0) - 12_582_912.0;
    let y = (x - whole) * std::f32::consts::LN_2;
    let part = 1.0 + y * (1.0 + y * (0.5 + y * (1.0 / 6.0 + y * (1.0 / 24.0 + y * (1.0 / 120.0 + y / 720.0)))));
    f32::from_bits((((whole as i32) + 127) as u32) << 23) * part
}
