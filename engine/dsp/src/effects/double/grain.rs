//! A grain: a piece of the past around a mark, read at a pace of its own under a window.

use crate::CELL;
use crate::bytes::many;
use crate::memory::Heard;
use crate::prefault::prefaulted;
use std::f64::consts::PI;
use std::sync::{Arc, LazyLock};

/// Samples on each side of a place that are read for it.
pub(super) const SIDE: usize = 8;
const TAPS: usize = 2 * SIDE;
/// Places between two samples for which there are weights; between them they are interpolated.
const PLACES: usize = 64;

type Weights = [[f32; TAPS]; PLACES + 1];

/// How a sound is read between its samples at one pace: a windowed sinc, with its corner where reading fast folds nothing
/// over.
pub(super) struct GrainReading {
    /// Those of all paces up to 1 are the same.
    weights: Arc<Weights>,
    pace: f64,
}

impl GrainReading {
    /// For reading so many samples of the past in one of ours.
    pub fn new(pace: f64) -> Self {
        static PLAIN: LazyLock<Arc<Weights>> = LazyLock::new(|| Arc::new(weights(1.0)));
        let weights = if pace > 1.0 { Arc::new(weights(pace)) } else { Arc::clone(&PLAIN) };
        Self { weights, pace }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(&self) -> usize {
        if self.pace > 1.0 { size_of::<Weights>() + 2 * size_of::<usize>() } else { 0 }
    }

    /// Reads from `place` on, which lies `whole` samples after nothing and a fraction more, adding to `out` under `window`.
    pub fn add(&self, scratch: &mut Scratch, place: (i64, f64), window: &[f32], heard: &Heard<'_>, out: &mut [f32]) {
        let (whole, fraction) = place;
        let length = samples(self.pace).min(scratch.0.len());
        let sound = scratch.0.get_mut(..length).unwrap_or_default();
        heard.read(whole - (SIDE as i64 - 1), sound);
        for (i, (out, w)) in out.iter_mut().zip(window).enumerate() {
            let place = fraction + i as f64 * self.pace;
            let first = place as usize;
            let between = (place - first as f64) * PLACES as f64;
            let (row, share) = (between as usize, between.fract() as f32);
            let (Some(sound), Some([low, high])) = (sound.get(first..first + TAPS), self.weights.get(row..row + 2))
            else {
                continue;
            };
            // Eight sums side by side, which the compiler makes vectors of.
            let mut sums = [0.0f32; 8];
            for ((x, a), b) in sound.chunks_exact(8).zip(low.chunks_exact(8)).zip(high.chunks_exact(8)) {
                for (((sum, x), a), b) in sums.iter_mut().zip(x).zip(a).zip(b) {
                    *sum += x * (a + (b - a) * share);
                }
            }
            *out += w * sums.iter().sum::<f32>();
        }
    }
}

/// The weights for reading at this pace.
fn weights(pace: f64) -> Weights {
    let corner = (1.0 / pace).min(1.0);
    std::array::from_fn(|place| {
        let tap = |i: usize| {
            let t = i as f64 - (SIDE as f64 - 1.0) - place as f64 / PLACES as f64;
            let sinc = if t.abs() < 1e-9 { 1.0 } else { (PI * corner * t).sin() / (PI * corner * t) };
            let window = 0.5 + 0.5 * (PI * t / SIDE as f64).clamp(-PI, PI).cos();
            sinc * window
        };
        let sum: f64 = (0..TAPS).map(tap).sum();
        // No weight so small that its products are denormal numbers.
        let settled = |w: f64| if w.abs() < 1e-9 { 0.0 } else { w as f32 };
        std::array::from_fn(|i| settled(tap(i) / sum))
    })
}

/// How many samples are read for a cell at this pace.
fn samples(pace: f64) -> usize {
    (CELL as f64 * pace).ceil() as usize + TAPS + 2
}

/// Room for the samples that are read.
pub(super) struct Scratch(Box<[f32]>);

impl Scratch {
    /// Enough for all paces up to this.
    pub fn new(pace: f64) -> Self {
        Self(prefaulted(0.0, samples(pace)))
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(pace: f64) -> usize {
        many::<f32>(samples(pace))
    }
}

/// Half of a window, which two grains that meet share: one falls by it, the other rises.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Half {
    /// Samples.
    pub length: f64,
    /// How alike both grains are where they meet: the sum keeps its power.
    pub alike: f32,
}

impl Half {
    /// The window so many samples from the mark.
    pub fn at(self, from_mark: f64) -> f32 {
        if from_mark >= self.length {
            return 0.0;
        }
        let w = (0.5 + 0.5 * (PI * from_mark / self.length).cos()) as f32;
        if self.alike >= 1.0 {
            return w;
        }
        let other = 1.0 - w;
        // Opposites would need more than is there.
        w / (w * w + other * other + 2.0 * self.alike.max(-0.5) * w * other).sqrt()
    }
}

/// See the module. Places are in samples after the voice's beginning.
#[derive(Clone, Copy, Debug)]
pub(super) struct Grain {
    /// Where its middle sounds.
    pub mark: f64,
    /// The place of the source that is its middle.
    pub middle: f64,
    /// Whether it is read at the pace of the interval.
    pub shifted: bool,
    pub gain: f32,
    pub rise: Half,
    /// `None` as long as it is not known what follows.
    pub fall: Option<Half>,
}

impl Grain {
    /// The window at a place.
    pub fn window(&self, at: f64) -> f32 {
        let half = if at < self.mark { Some(self.rise) } else { self.fall };
        half.map_or(1.0, |half| half.at((at - self.mark).abs())) * self.gain
    }

    /// Whether it has sounded to its end.
    pub fn is_over(&self, at: f64) -> bool {
        self.fall.is_some_and(|fall| at >= self.mark + fall.length)
    }
}
