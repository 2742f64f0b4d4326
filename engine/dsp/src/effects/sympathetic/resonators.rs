//! Resonators: what rings on by itself when sound excites it.

use crate::CELL;
use crate::bytes::many;
use crate::prefault::prefaulted;
use pulp::{Arch, Simd, WithSimd};
use std::f64::consts::TAU;

/// How one resonator rings.
#[derive(Clone, Copy, Debug)]
pub(crate) struct StringResonance {
    /// The frequency at which it rings by itself, in Hz.
    pub hertz: f64,
    /// The seconds in which that falls by 60 dB.
    pub decay: f64,
    /// What a steady sine of its frequency is multiplied by in the end.
    pub gain: f64,
}

/// Resonators that are worked on together: enough to hide how long one step of one takes.
const TOGETHER: usize = 16;

/// Below this the state is at rest: all of it together is less than the least sound.
const LEAST: f64 = 1e-12;

/// Some resonators side by side, part by part, so that the compiler makes vectors of what is done with all.
///
/// Each is a number that turns by its frequency's angle and shrinks at every sample, in double precision: in single, 40 Hz
/// at 192 kHz would be out of tune and thirty seconds would not be thirty.
#[derive(Clone, Copy, Debug, Default)]
struct ResonatorLanes {
    re: [f64; TOGETHER],
    im: [f64; TOGETHER],
    laws: Laws,
}

/// How the resonators of some lanes go on from sample to sample.
#[derive(Clone, Copy, Debug, Default)]
struct Laws {
    cos: [f64; TOGETHER],
    sin: [f64; TOGETHER],
    gain: [f64; TOGETHER],
}

/// How some resonators ring, worked out beforehand.
pub(crate) struct Strings(Box<[Laws]>);

impl Strings {
    /// For `rate` samples a second. All frequencies must lie below half the rate.
    pub fn new(resonances: &[StringResonance], rate: u32) -> Self {
        let rate = f64::from(rate.max(1));
        let laws = |all: &[StringResonance]| {
            let mut laws = Laws::default();
            let Laws { cos, sin, gain } = &mut laws;
            for ((one, gain), (place_cos, place_sin)) in all.iter().zip(gain).zip(cos.iter_mut().zip(sin)) {
                let (sin, cos) = (TAU * one.hertz / rate).sin_cos();
                let r = 10f64.powf(-3.0 / (one.decay * rate));
                (*place_cos, *place_sin) = (r * cos, r * sin);
                *gain = one.gain * (1.0 - r * r) / (2.0 * r * sin);
            }
            laws
        };
        Self(resonances.chunks(TOGETHER).map(laws).collect())
    }

    /// Bytes that they take beside themselves.
    pub fn bytes(&self) -> usize {
        many::<Laws>(self.0.len())
    }

    /// How many resonators they need, rounded up to whole lanes.
    pub fn count(&self) -> usize {
        self.0.len() * TOGETHER
    }
}

impl ResonatorLanes {
    /// Takes the sound in, and adds what all sound to `sums`, one sum for each lane.
    #[expect(clippy::indexing_slicing, reason = "all arrays have as many lanes as are counted")]
    #[inline(always)]
    fn ring(&mut self, sound: &[f64], sums: &mut [[f64; TOGETHER]; CELL as usize]) {
        let Self { re, im, laws: Laws { cos, sin, gain } } = self;
        for (&sound, sums) in sound.iter().zip(sums) {
            for lane in 0..TOGETHER {
                let (x, y) = (re[lane] + gain[lane] * sound, im[lane]);
                re[lane] = cos[lane] * x - sin[lane] * y;
                im[lane] = sin[lane] * x + cos[lane] * y;
                sums[lane] += im[lane];
            }
        }
    }

    /// What has rung off is at rest: its numbers never come near the denormal ones.
    fn settle(&mut self) {
        for (re, im) in self.re.iter_mut().zip(&mut self.im) {
            if re.abs() + im.abs() < LEAST {
                (*re, *im) = (0.0, 0.0);
            }
        }
    }
}

/// Many resonators that hear the same.
///
/// Each is a band-pass of two poles and zeros at 0 Hz and half the rate, H(z) = (1 − r²)/2 · (1 − z⁻²) / (1 − 2r cos θ z⁻¹ +
/// r² z⁻²), which is 1 at its peak whatever r is (constant-gain resonators: Smith and Angell, Computer Music Journal 6(4),
/// 1982; from memory), times its gain. θ and r are exactly those of its frequency and decay.
#[derive(Debug)]
pub(crate) struct Resonators {
    lanes: Box<[ResonatorLanes]>,
    /// How many of the lanes ring, from the first on.
    ringing: usize,
    /// The last two samples heard, the last first.
    heard: [f64; 2],
    arch: Arch,
}

impl Resonators {
    /// So many resonators, of which none rings yet.
    pub fn new(resonators: usize) -> Self {
        let lanes = prefaulted(ResonatorLanes::default(), resonators.div_ceil(TOGETHER));
        Self { lanes, ringing: 0, heard: [0.0; 2], arch: Arch::new() }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(resonances: usize) -> usize {
        many::<ResonatorLanes>(resonances.div_ceil(TOGETHER))
    }

    /// From here on these are heard, as far as there is room: none rings, and nothing has been heard.
    pub fn begin(&mut self, strings: &Strings) {
        for (lanes, &laws) in self.lanes.iter_mut().zip(&strings.0) {
            *lanes = ResonatorLanes { laws, ..ResonatorLanes::default() };
        }
        self.ringing = strings.0.len();
        self.heard = [0.0; 2];
    }

    /// Those of them that ring.
    fn ringing(&mut self) -> &mut [ResonatorLanes] {
        let ringing = self.ringing.min(self.lanes.len());
        self.lanes.get_mut(..ringing).unwrap_or_default()
    }

    /// Lets what has rung off come to rest. To be called at every grid line.
    pub fn settle(&mut self) {
        self.ringing().iter_mut().for_each(ResonatorLanes::settle);
    }

    /// Hears `sound`, a cell at most, and gives the sum of what rings.
    pub fn ring(&mut self, sound: &[f32], out: &mut [f64; CELL as usize]) {
        let mut excitation = [0.0; CELL as usize];
        // The zeros at 0 Hz and half the rate are the same for all.
        for (excitation, &sound) in excitation.iter_mut().zip(sound) {
            let sound = f64::from(sound);
            *excitation = sound - self.heard[1];
            self.heard = [sound, self.heard[0]];
        }
        let sound = excitation.get(..sound.len()).unwrap_or(&excitation);
        let arch = self.arch;
        arch.dispatch(ResonatorPiece { lanes: self.ringing(), sound, out });
    }
}

/// A piece of sound in work.
struct ResonatorPiece<'a> {
    lanes: &'a mut [ResonatorLanes],
    sound: &'a [f64],
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
