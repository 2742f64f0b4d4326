//! A grain: a piece of the past around a mark, read at a pace of its own under a window.

use crate::CELL;
use crate::bytes::many;
use crate::memory::Heard;
use crate::touched::touched;
use std::f64::consts::PI;

/// Samples on each side of a place that are read for it.
pub(super) const SIDE: usize = 8;
const TAPS: usize = 2 * SIDE;
/// Places between two samples for which there are weights; between them they are interpolated.
const PLACES: usize = 64;

/// Weights to read a sound between its samples: a windowed sinc, with its corner where reading fast folds nothing over.
pub(super) struct Reader {
    weights: Box<[[f32; TAPS]]>,
    pace: f64,
    sound: Box<[f32]>,
}

impl Reader {
    /// For reading at this pace.
    pub fn new(pace: f64) -> Self {
        let corner = (1.0 / pace).min(1.0);
        let row = |place: usize| {
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
        };
        let most = (CELL as f64 * pace).ceil() as usize + TAPS + 2;
        Self { weights: (0..=PLACES).map(row).collect(), pace, sound: touched(0.0, most) }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(pace: f64) -> usize {
        many::<[f32; TAPS]>(PLACES + 1) + many::<f32>((CELL as f64 * pace).ceil() as usize + TAPS + 2)
    }

    pub fn pace(&self) -> f64 {
        self.pace
    }

    /// Reads from `place` on, which lies `whole` samples after nothing and a fraction more, adding to `out` under `window`.
    pub fn add(&mut self, whole: i64, fraction: f64, window: &[f32], heard: &Heard<'_>, out: &mut [f32]) {
        heard.read(whole - (SIDE as i64 - 1), &mut self.sound);
        for (i, (out, w)) in out.iter_mut().zip(window).enumerate() {
            let place = fraction + i as f64 * self.pace;
            let first = place as usize;
            let between = (place - first as f64) * PLACES as f64;
            let (row, share) = (between as usize, between.fract() as f32);
            let (Some(sound), Some([low, high])) =
                (self.sound.get(first..first + TAPS), self.weights.get(row..row + 2))
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
