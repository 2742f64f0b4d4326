//! How loud partials and noise must be for the bands to be as loud as the span's own.

use super::{BANDS, HIGHEST, LOWEST, Separation};
use crate::memory::Heard;
use crate::transform;

/// What is done of a frame of the span that the hold is compared with.
#[derive(Clone, Copy)]
pub(super) enum Compare {
    Load,
    Transform,
    /// The transform is the longest step of all: nothing comes beside it.
    Nothing,
    Add,
}

pub(super) const COMPARE: [Compare; 4] = [Compare::Load, Compare::Transform, Compare::Nothing, Compare::Add];

/// What is done in one round of correcting.
#[derive(Clone, Copy)]
pub(super) enum Correct {
    SumNoise,
    Noisy,
    Tonal,
    Gains,
    Partials,
    Noise,
}

pub(super) const CORRECT: [Correct; 6] =
    [Correct::SumNoise, Correct::Noisy, Correct::Tonal, Correct::Gains, Correct::Partials, Correct::Noise];

impl Separation {
    /// The span's own density, frame by frame.
    pub(super) fn compare(&mut self, frame: usize, step: Compare, heard: &Heard<'_>) {
        let frames = self.compared(self.length);
        let size = self.frame.len();
        let length = self.length.min(size);
        match step {
            Compare::Load => {
                let room = (self.span.length() as usize).saturating_sub(length);
                let start = self.span.from + (room * frame / (frames - 1).max(1)) as i64;
                self.frame.fill(0.0);
                let Some(sound) = self.frame.get_mut(..length) else { return };
                heard.read(start, sound);
                let window = |(x, w): (&mut f32, f32)| {
                    let y = *x * w;
                    *x = if y.abs() < 1e-12 { 0.0 } else { y };
                };
                if length == size {
                    sound.iter_mut().zip(self.window.iter().copied()).for_each(window);
                } else {
                    let step = size as f32 / length.max(1) as f32;
                    let at = |i: usize| self.window.get((i as f32 * step) as usize).copied().unwrap_or(0.0);
                    sound.iter_mut().zip((0..length).map(at)).for_each(window);
                }
            }
            Compare::Transform => {
                transform::forward(&*self.compare, &mut self.frame, &mut self.out, &mut self.scratch);
            }
            Compare::Nothing => {}
            Compare::Add => {
                let scale = 1.0 / (0.375 * length.max(1) as f32 * frames as f32);
                for (raw, z) in self.raw.iter_mut().zip(&self.out) {
                    let flush = |x: f32| if x.abs() < 1e-9 { 0.0 } else { x };
                    let (re, im) = (flush(z.re), flush(z.im));
                    *raw += (re * re + im * im) * scale;
                }
            }
        }
    }

    /// A band's middle and half its width, in bins of the frames that are compared: never less than most of the pitch, so
    /// that there is always a partial in it.
    fn band(&self, band: usize) -> (f64, f64) {
        let bin = self.rate / self.frame.len() as f64;
        let pitch = self.pitch * self.rate / self.spectrum.size() as f64;
        let middle = LOWEST * (spacing() * band as f64).exp();
        let half = (0.26 * middle).max(0.8 * pitch).max(3.0 * bin);
        ((middle / bin).round(), (half / bin).round())
    }

    /// The power of the span in the bands.
    pub(super) fn want(&mut self) {
        let size = self.frame.len();
        for band in 0..BANDS {
            let (middle, half) = self.band(band);
            let sum = triangle(&self.twice, middle, half);
            if let Some(wanted) = self.wanted.get_mut(band) {
                *wanted = sum * 2.0 / size as f64;
            }
        }
    }

    pub(super) fn correct(&mut self, step: Correct) {
        let size = self.frame.len();
        match step {
            Correct::SumNoise => {
                twice(self.noise.iter().map(|&p| f64::from(p)), self.noise.len(), &mut self.twice);
            }
            Correct::Noisy => {
                let hold = 2 * (self.noise.len() - 1);
                let scale = hold as f64 / size as f64;
                for band in 0..BANDS {
                    let (middle, half) = self.band(band);
                    let sum = triangle(&self.twice, middle * scale, half * scale);
                    if let Some(noisy) = self.noisy.get_mut(band) {
                        *noisy = sum * 2.0 / hold as f64;
                    }
                }
            }
            Correct::Tonal => {
                self.tonal.fill(0.0);
                let scale = size as f64 / self.spectrum.size() as f64;
                let bands: [(f64, f64); BANDS] = std::array::from_fn(|band| self.band(band));
                let mut first = 0;
                for line in self.lines.iter().take(self.count) {
                    let place = line.place * scale;
                    // Bands rise in both edges, and so do the partials.
                    while bands.get(first).is_some_and(|(middle, half)| middle + half <= place) {
                        first += 1;
                    }
                    for (tonal, (middle, half)) in self.tonal.iter_mut().zip(&bands).skip(first) {
                        let weight = 1.0 - (place - middle).abs() / half;
                        if weight <= 0.0 {
                            break;
                        }
                        *tonal += weight * line.power;
                    }
                }
            }
            Correct::Gains => {
                let gains = self.partial_gain.iter_mut().zip(&mut self.noise_gain);
                for (((partial, noise), wanted), (noisy, tonal)) in
                    gains.zip(self.wanted).zip(self.noisy.iter().zip(self.tonal))
                {
                    let all = noisy + tonal;
                    let ratio = if all > 1e-22 && wanted > 1e-22 { (wanted / all).clamp(0.25, 4.0) } else { 1.0 };
                    *partial = ratio as f32;
                    *noise = if all > 1e-22 { ((ratio as f32).log2() * (noisy / all) as f32).exp2() } else { 1.0 };
                }
            }
            Correct::Partials => {
                let scale = self.rate / self.spectrum.size() as f64;
                for line in self.lines.iter_mut().take(self.count) {
                    let band = ((line.place * scale / LOWEST).max(1.0).ln() / spacing()) as f32;
                    line.power *= f64::from(between(&self.partial_gain, band));
                }
            }
            Correct::Noise => {
                for (noise, &band) in self.noise.iter_mut().zip(&self.band_of) {
                    *noise *= between(&self.noise_gain, band);
                }
            }
        }
    }
}

/// From one band's middle to the next, as a logarithm.
pub(super) fn spacing() -> f64 {
    (HIGHEST / LOWEST).ln() / (BANDS - 1) as f64
}

/// A value between two bands.
fn between(values: &[f32], place: f32) -> f32 {
    let place = place.clamp(0.0, (values.len() - 1) as f32);
    let (i, t) = (place as usize, place.fract());
    match values.get(i..i + 2) {
        Some(&[a, b]) => a + (b - a) * t,
        _ => values.last().copied().unwrap_or(1.0),
    }
}

/// The running sums of the running sums of so many values: beyond the last they would go on evenly.
pub(super) fn twice(values: impl Iterator<Item = f64>, count: usize, out: &mut [f64]) {
    let (mut once, mut both) = (0.0, 0.0);
    let (sums, rest) = out.split_at_mut((count + 1).min(out.len()));
    for (out, value) in sums.iter_mut().zip(values.chain([0.0])) {
        *out = both;
        both += once;
        once += value;
    }
    for out in rest {
        *out = both;
        both += once;
    }
}

/// The values' sum under a triangle, 1 in its middle and 0 `half` to both sides, from their sums of sums.
fn triangle(twice: &[f64], middle: f64, half: f64) -> f64 {
    let of = |i: usize| twice.get(i).copied().unwrap_or(0.0);
    let at = |place: f64| {
        let place = place.max(0.0);
        // Beyond the end it goes on as it does there.
        let i = (place as usize).min(twice.len().saturating_sub(2));
        of(i) + (of(i + 1) - of(i)) * (place - i as f64)
    };
    let middle = middle + 1.0;
    ((at(middle + half) - 2.0 * at(middle) + at(middle - half)) / half.max(1.0)).max(0.0)
}
