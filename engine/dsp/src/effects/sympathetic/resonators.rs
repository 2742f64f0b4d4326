//! Resonators: what rings on by itself when sound excites it.
//!
//! Nobody plays in tune to the hundredth of a semitone, and a string that rings for seconds hears no wider than that. So
//! each has an ear of its own: it hears how much of the sound lies near its pitch, and that makes it ring, at its own pitch
//! and no other, for exactly its own time.

use crate::CELL;
use crate::bytes::many;
use crate::prefault::prefaulted;
use pulp::{Arch, Simd, WithSimd};
use std::f64::consts::{PI, TAU};

/// How one resonator rings.
#[derive(Clone, Copy, Debug)]
pub(crate) struct StringResonance {
    /// The frequency at which it rings by itself, in Hz.
    pub hertz: f64,
    /// The seconds in which that falls by 60 dB.
    pub decay: f64,
    /// What the amplitude of a sine of its frequency is multiplied by that has sounded for [`NOTE`].
    pub gain: f64,
    /// How far beside its frequency its ear hears 3 dB less, in cents.
    pub ear: f64,
}

/// The time in which a steady sine makes a string ring as loud as its gain says, in seconds. A longer one makes it ring
/// louder, the more so the longer the string rings by itself.
pub(crate) const NOTE: f64 = 0.7;

/// The narrowest that an ear is to both sides, in Hz: narrower, it would need seconds to hear at all.
const NARROWEST: f64 = 0.77;

/// Two poles in a row are each 1.7 dB down where both are 3.4 dB down: so much higher each of them lies.
const EACH: f64 = 1.45;

/// When the sound has ended nothing drives the strings any more: it is told by the sound's energy over so many seconds.
const ENDS: f64 = 0.005;

/// Resonators that are worked on together: enough to hide how long one step of one takes.
const TOGETHER: usize = 16;

/// Below this a state is at rest: all of it together is less than the least sound.
const LEAST: f64 = 1e-12;

/// Some resonators side by side, part by part, so that the compiler makes vectors of what is done with all.
///
/// Each is a number of length 1 that turns by its frequency's angle at every sample, in double precision: in single, 40 Hz
/// at 192 kHz would be out of tune. It is what sounds, times an amplitude, and it is what the sound is compared with.
#[derive(Clone, Copy, Debug, Default)]
struct ResonatorLanes {
    re: [f64; TOGETHER],
    im: [f64; TOGETHER],
    amplitude: [f64; TOGETHER],
    /// What the amplitude grows by in each sample of the present cell.
    step: [f64; TOGETHER],
    ear: Ears,
    laws: Laws,
}

/// What the ears of some resonators hear.
#[derive(Clone, Copy, Debug, Default)]
struct Ears {
    /// The sound turned back by the resonator's own turning, summed over a cell.
    re: [f64; TOGETHER],
    im: [f64; TOGETHER],
    /// That behind one pole and behind two, and the sound's energy behind the same.
    one: [[f64; TOGETHER]; 3],
    two: [[f64; TOGETHER]; 3],
}

/// How the resonators of some lanes go on.
#[derive(Clone, Copy, Debug, Default)]
struct Laws {
    /// From sample to sample, and where they begin.
    cos: [f64; TOGETHER],
    sin: [f64; TOGETHER],
    begin: [[f64; TOGETHER]; 2],
    /// From cell to cell: what is left of the amplitude, what comes to it of what is heard, and the ear's pole.
    left: [f64; TOGETHER],
    drive: [f64; TOGETHER],
    pole: [f64; TOGETHER],
}

/// How some resonators ring, worked out beforehand.
pub(crate) struct Strings {
    laws: Box<[Laws]>,
    /// From cell to cell, for the energy by which the end of the sound is told.
    ends: f64,
}

/// The part of the way that one pole at `hertz` goes in a cell.
fn pole(hertz: f64, rate: f64) -> f64 {
    1.0 - (-TAU * hertz * CELL as f64 / rate).exp()
}

impl Strings {
    /// For `rate` samples a second. All frequencies must lie below half the rate.
    pub fn new(resonances: &[StringResonance], rate: u32) -> Self {
        let rate = f64::from(rate.max(1));
        let count = resonances.len() as f64;
        let laws = |(chunk, all): (usize, &[StringResonance])| {
            let mut laws = Laws::default();
            for (lane, one) in all.iter().enumerate() {
                let (sin, cos) = (TAU * one.hertz / rate).sin_cos();
                let left = 10f64.powf(-3.0 * CELL as f64 / (one.decay * rate));
                let wide = (one.hertz * ((one.ear / 1200.0).exp2() - 1.0)).max(NARROWEST);
                let pole = pole(EACH * wide, rate);
                // Phases so spread that strings which begin together do not add up to a pulse (Schroeder, IEEE Trans.
                // Information Theory 16, 1970; from memory).
                let number = (chunk * TOGETHER + lane) as f64;
                let begin = (PI * number * number / count).sin_cos();
                let values = [cos, sin, begin.1, begin.0, left, one.gain / reached(left, pole, rate), pole];
                let [re, im] = &mut laws.begin;
                let places = [&mut laws.cos, &mut laws.sin, re, im, &mut laws.left, &mut laws.drive, &mut laws.pole];
                for (place, value) in places.into_iter().filter_map(|place| place.get_mut(lane)).zip(values) {
                    *place = value;
                }
            }
            laws
        };
        Self {
            laws: resonances.chunks(TOGETHER).enumerate().map(laws).collect(),
            ends: 1.0 - (-(CELL as f64) / (ENDS * rate)).exp(),
        }
    }

    /// Bytes that they take beside themselves.
    pub fn bytes(&self) -> usize {
        many::<Laws>(self.laws.len())
    }

    /// How many resonators they need, rounded up to whole lanes.
    pub fn count(&self) -> usize {
        self.laws.len() * TOGETHER
    }
}

/// The amplitude to which a sine of 1 drives a string by [`NOTE`], if all that its ear hears comes to it.
fn reached(left: f64, pole: f64, rate: f64) -> f64 {
    let (mut one, mut two, mut amplitude) = (0.0, 0.0, 0.0);
    for _ in 0..(NOTE * rate / CELL as f64) as usize {
        one += (1.0 - one) * pole;
        two += (one - two) * pole;
        amplitude = amplitude * left + two;
    }
    amplitude
}

#[expect(clippy::indexing_slicing, reason = "all arrays have as many lanes as are counted")]
impl ResonatorLanes {
    /// Hears the sound, and adds what all sound to `sums`, one sum for each lane.
    #[inline(always)]
    fn ring(&mut self, sound: &[f32], sums: &mut [[f64; TOGETHER]; CELL as usize]) {
        let Self { re, im, amplitude, step, ear, laws: Laws { cos, sin, .. } } = self;
        for (&sound, sums) in sound.iter().zip(sums) {
            let sound = f64::from(sound);
            for lane in 0..TOGETHER {
                ear.re[lane] += sound * re[lane];
                ear.im[lane] -= sound * im[lane];
                amplitude[lane] += step[lane];
                sums[lane] += amplitude[lane] * im[lane];
                let (x, y) = (re[lane], im[lane]);
                re[lane] = cos[lane] * x - sin[lane] * y;
                im[lane] = sin[lane] * x + cos[lane] * y;
            }
        }
    }

    /// At a grid line: takes what was heard in the cell before it, whose mean square was `energy` and lately `lately`.
    #[inline(always)]
    fn drive(&mut self, energy: f64, lately: f64) {
        let Self { re, im, amplitude, step, ear, laws } = self;
        for lane in 0..TOGETHER {
            let pole = laws.pole[lane];
            let part = 2.0 / CELL as f64;
            let heard = [ear.re[lane] * part, ear.im[lane] * part, energy];
            (ear.re[lane], ear.im[lane]) = (0.0, 0.0);
            for (n, heard) in heard.into_iter().enumerate() {
                let one = ear.one[n][lane] + (heard - ear.one[n][lane]) * pole;
                let two = ear.two[n][lane] + (one - ear.two[n][lane]) * pole;
                // Never near the denormal numbers.
                ear.one[n][lane] = if one.abs() < LEAST * LEAST { 0.0 } else { one };
                ear.two[n][lane] = if two.abs() < LEAST * LEAST { 0.0 } else { two };
            }
            let (x, y, usual) = (ear.two[0][lane], ear.two[1][lane], ear.two[2][lane]);
            // What it heard a while ago does not drive it when the sound has ended.
            let now = if lately < usual { lately / usual } else { 1.0 };
            let next = amplitude[lane] * laws.left[lane] + laws.drive[lane] * now * (x * x + y * y).sqrt();
            let rings = next >= LEAST;
            step[lane] = if rings { (next - amplitude[lane]) / CELL as f64 } else { 0.0 };
            amplitude[lane] = if rings { amplitude[lane] } else { 0.0 };
            // Rounding errors do not add up.
            let long = 1.5 - 0.5 * (re[lane] * re[lane] + im[lane] * im[lane]);
            re[lane] *= long;
            im[lane] *= long;
        }
    }
}

/// Many resonators that hear the same.
#[derive(Debug)]
pub(crate) struct Resonators {
    lanes: Box<[ResonatorLanes]>,
    /// How many of the lanes ring, from the first on.
    ringing: usize,
    /// The sum of squares of the cell in work, and the mean square of those before.
    sum: f64,
    lately: f64,
    ends: f64,
    arch: Arch,
}

impl Resonators {
    /// So many resonators, of which none rings yet.
    pub fn new(resonators: usize) -> Self {
        let lanes = prefaulted(ResonatorLanes::default(), resonators.div_ceil(TOGETHER));
        Self { lanes, ringing: 0, sum: 0.0, lately: 0.0, ends: 0.0, arch: Arch::new() }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(resonances: usize) -> usize {
        many::<ResonatorLanes>(resonances.div_ceil(TOGETHER))
    }

    /// From here on these are heard, as far as there is room: none rings, and nothing has been heard.
    pub fn begin(&mut self, strings: &Strings) {
        for (lanes, &laws) in self.lanes.iter_mut().zip(&strings.laws) {
            let [re, im] = laws.begin;
            *lanes = ResonatorLanes { laws, re, im, ..ResonatorLanes::default() };
        }
        self.ringing = strings.laws.len();
        (self.sum, self.lately, self.ends) = (0.0, 0.0, strings.ends);
    }

    /// Those of them that ring.
    fn ringing(&mut self) -> &mut [ResonatorLanes] {
        let ringing = self.ringing.min(self.lanes.len());
        self.lanes.get_mut(..ringing).unwrap_or_default()
    }

    /// Lets what was heard since the grid line before drive the strings. To be called at every grid line.
    pub fn drive(&mut self) {
        let energy = self.sum / CELL as f64;
        self.sum = 0.0;
        self.lately += (energy - self.lately) * self.ends;
        if self.lately < LEAST * LEAST {
            self.lately = 0.0;
        }
        let (arch, lately) = (self.arch, self.lately);
        arch.dispatch(ResonatorDrive { lanes: self.ringing(), energy, lately });
    }

    /// Hears `sound`, a cell at most, and gives the sum of what rings.
    pub fn ring(&mut self, sound: &[f32], out: &mut [f64; CELL as usize]) {
        self.sum = sound.iter().fold(self.sum, |sum, &x| sum + f64::from(x) * f64::from(x));
        let arch = self.arch;
        arch.dispatch(ResonatorPiece { lanes: self.ringing(), sound, out });
    }
}

/// A grid line in work.
struct ResonatorDrive<'a> {
    lanes: &'a mut [ResonatorLanes],
    energy: f64,
    lately: f64,
}

impl WithSimd for ResonatorDrive<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        for lanes in self.lanes {
            lanes.drive(self.energy, self.lately);
        }
    }
}

/// A piece of sound in work.
struct ResonatorPiece<'a> {
    lanes: &'a mut [ResonatorLanes],
    sound: &'a [f32],
    out: &'a mut [f64; CELL as usize],
}

impl WithSimd for ResonatorPiece<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        let mut sums = [[0.0; TOGETHER]; CELL as usize];
        for lanes in self.lanes {
            lanes.ring(self.sound, &mut sums);
        }
        for (out, sums) in self.out.iter_mut().zip(&sums) {
            *out = sums.iter().sum();
        }
    }
}
