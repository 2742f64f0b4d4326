//! One long transform in small steps.
//!
//! A span is windowed (Blackman-Harris) and shared out over several frames, each of which takes every so-many-th sample;
//! their transforms, which are short, are put together bin by bin (decimation in time: Cooley and Tukey, "An algorithm
//! for the machine calculation of complex Fourier series", Math. Comput. 19, 1965). Only bins below 20 kHz are made.

use crate::bytes::{many, plan_bytes};
use crate::prefault::prefaulted;
use crate::transform;
use realfft::num_complex::Complex32;
use realfft::{RealFftPlanner, RealToComplex};
use std::f64::consts::TAU;
use std::ops::Range;
use std::sync::Arc;

/// The longest frame that is transformed in one step.
const FRAME: usize = 2048;

/// Bins that are put together at a time; divides half a frame.
pub(crate) const BLOCK: usize = 64;

/// The coefficients of the 4-term Blackman-Harris window (Harris 1978): side lobes below −92 dB, main lobe ±4 bins.
pub(crate) const BLACKMAN_HARRIS: [f64; 4] = [0.358_75, 0.488_29, 0.141_28, 0.011_68];

/// Smaller parts of a spectrum are 0, so that no product comes near the denormal numbers.
const TINY: f32 = 1e-12;

/// See the module.
pub(crate) struct SpanSpectrum {
    plan: Arc<dyn RealToComplex<f32>>,
    scratch: Box<[Complex32]>,
    /// What is transformed: the window's samples of the span, one frame of it, its transform.
    pub span: Box<[f32]>,
    frame: Box<[f32]>,
    out: Box<[Complex32]>,
    /// The frames' transforms, one after the other.
    re: Box<[f32]>,
    im: Box<[f32]>,
    frames: usize,
    /// Samples of the span that count.
    length: usize,
    /// Directions of the bins: every [`BLOCK`]-th, and those within a block.
    coarse: Box<[Complex32]>,
    fine: [Complex32; BLOCK],
    /// The power in each bin over that of the window: white noise of variance 1 has 1.
    pub power: Box<[f32]>,
    window: Box<[f32]>,
}

impl SpanSpectrum {
    /// For spans of up to `longest` samples at `rate` samples a second.
    pub fn new(longest: usize, rate: u32) -> Self {
        let size = longest.next_power_of_two().max(512);
        let frame = size.min(FRAME);
        let plan = RealFftPlanner::new().plan_fft_forward(frame);
        let bins = Self::bins(size, rate);
        let direction = |k: usize| {
            let (im, re) = (-TAU * k as f64 / size as f64).sin_cos();
            Complex32::new(re as f32, im as f32)
        };
        let [a, b, c, d] = BLACKMAN_HARRIS;
        let window = |i: usize| {
            let t = TAU * i as f64 / 4096.0;
            (a - b * t.cos() + c * (2.0 * t).cos() - d * (3.0 * t).cos()) as f32
        };
        let frames = size / frame;
        Self {
            scratch: prefaulted(Complex32::ZERO, plan.get_scratch_len()),
            plan,
            span: prefaulted(0.0, longest),
            frame: prefaulted(0.0, frame),
            out: prefaulted(Complex32::ZERO, frame / 2 + 1),
            re: prefaulted(0.0, frames * (frame / 2 + 1)),
            im: prefaulted(0.0, frames * (frame / 2 + 1)),
            frames,
            length: 0,
            coarse: (0..bins / BLOCK).map(|i| direction(i * BLOCK)).collect(),
            fine: std::array::from_fn(direction),
            power: prefaulted(0.0, bins),
            window: (0..=4097).map(window).collect(),
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(longest: usize, rate: u32) -> usize {
        let size = longest.next_power_of_two().max(512);
        let frame = size.min(FRAME);
        let (half, bins) = (frame / 2 + 1, Self::bins(size, rate));
        many::<f32>(longest + frame + 2 * (size / frame) * half + bins + 4098)
            + many::<Complex32>(half + bins / BLOCK)
            + plan_bytes(frame)
    }

    /// Bins that are looked at of a transform of this size.
    pub fn bins(size: usize, rate: u32) -> usize {
        let bins = (20_000.0 / f64::from(rate) * size as f64) as usize;
        bins.min(size / 2 * 19 / 20) / BLOCK * BLOCK
    }

    /// The transform's length.
    pub fn size(&self) -> usize {
        self.frames * self.frame.len()
    }

    /// Frames to be transformed: two steps each, [`SpanSpectrum::gather`] and [`SpanSpectrum::transform`].
    pub fn frames(&self) -> usize {
        self.frames
    }

    /// A new span, of `length` samples.
    pub fn start(&mut self, length: usize) {
        self.length = length.min(self.span.len());
    }

    /// The window at a place in the span.
    pub fn window(&self, place: f32) -> f32 {
        let place = (place * 4096.0 / self.length.max(1) as f32).clamp(0.0, 4096.0);
        let (i, t) = (place as usize, place.fract());
        match self.window.get(i..i + 2) {
            Some(&[a, b]) => a + (b - a) * t,
            _ => 0.0,
        }
    }

    /// Step: takes a frame from the span.
    pub fn gather(&mut self, frame: usize) {
        self.frame.fill(0.0);
        let samples = self.span.get(..self.length).unwrap_or_default().iter().skip(frame).step_by(self.frames);
        self.frame.iter_mut().zip(samples).for_each(|(to, from)| *to = *from);
    }

    /// Step: transforms it.
    pub fn transform(&mut self, frame: usize) {
        transform::forward(&*self.plan, &mut self.frame, &mut self.out, &mut self.scratch);
        let start = frame * self.out.len();
        let places = start..start + self.out.len();
        if let (Some(re), Some(im)) = (self.re.get_mut(places.clone()), self.im.get_mut(places)) {
            let flush = |x: f32| if x.abs() < TINY { 0.0 } else { x };
            for ((re, im), z) in re.iter_mut().zip(im).zip(&self.out) {
                (*re, *im) = (flush(z.re), flush(z.im));
            }
        }
    }

    /// Step: puts the power of some bins together, given in blocks of [`BLOCK`].
    pub fn combine(&mut self, blocks: Range<usize>) {
        let [a, b, c, d] = BLACKMAN_HARRIS.map(|x| x as f32);
        let scale = 1.0 / (self.length.max(1) as f32 * (a * a + 0.5 * (b * b + c * c + d * d)));
        let (size, bins) = (self.frame.len(), self.out.len());
        for block in blocks {
            let Some(coarse) = self.coarse.get(block) else { return };
            let mut z = [[0.0f32; BLOCK]; 2];
            let [z_re, z_im] = &mut z;
            for ((re, im), fine) in z_re.iter_mut().zip(z_im).zip(&self.fine) {
                *re = coarse.re * fine.re - coarse.im * fine.im;
                *im = coarse.re * fine.im + coarse.im * fine.re;
            }
            let [z_re, z_im] = &z;
            let first = block * BLOCK % size;
            let mirrored = first >= size / 2;
            let mut sum = [[0.0f32; BLOCK]; 2];
            for frame in (0..self.frames).rev() {
                let start = frame * bins + if mirrored { size - first + 1 - BLOCK } else { first };
                let places = start..start + BLOCK;
                let (Some(re), Some(im)) = (self.re.get(places.clone()), self.im.get(places)) else { return };
                let mut part = [[0.0f32; BLOCK]; 2];
                let [p_re, p_im] = &mut part;
                if mirrored {
                    p_re.iter_mut().zip(re.iter().rev()).for_each(|(to, from)| *to = *from);
                    p_im.iter_mut().zip(im.iter().rev()).for_each(|(to, from)| *to = -*from);
                } else {
                    p_re.copy_from_slice(re);
                    p_im.copy_from_slice(im);
                }
                let [s_re, s_im] = &mut sum;
                for (((((s_re, s_im), z_re), z_im), re), im) in
                    s_re.iter_mut().zip(s_im).zip(z_re).zip(z_im).zip(&*p_re).zip(&*p_im)
                {
                    let turned = *s_re * z_re - *s_im * z_im + re;
                    *s_im = *s_re * z_im + *s_im * z_re + im;
                    *s_re = turned;
                }
            }
            let [s_re, s_im] = &sum;
            if let Some(power) = self.power.get_mut(block * BLOCK..(block + 1) * BLOCK) {
                for ((power, re), im) in power.iter_mut().zip(s_re).zip(s_im) {
                    let p = (re * re + im * im) * scale;
                    *power = if p < 1e-24 { 0.0 } else { p };
                }
            }
        }
    }

    /// The direction of a bin at the span's middle.
    pub fn direction(&self, bin: usize) -> Complex32 {
        let (size, bins) = (self.frame.len(), self.out.len());
        let whole = self.size();
        let turn = |k: usize| {
            let (im, re) = (-TAU * (k % whole) as f64 / whole as f64).sin_cos();
            Complex32::new(re as f32, im as f32)
        };
        let z = turn(bin);
        let place = bin % size;
        let mirrored = place > size / 2;
        let place = if mirrored { size - place } else { place };
        let mut sum = Complex32::ZERO;
        for frame in (0..self.frames).rev() {
            let at = frame * bins + place;
            let re = self.re.get(at).copied().unwrap_or(0.0);
            let im = self.im.get(at).copied().unwrap_or(0.0);
            sum = sum * z + Complex32::new(re, if mirrored { -im } else { im });
        }
        let sum = sum * turn(bin * (self.length / 2)).conj();
        let norm = sum.norm();
        if norm > 1e-12 { sum / norm } else { Complex32::new(1.0, 0.0) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::even;

    /// Every bin against the definition of the discrete Fourier transform, in double precision.
    #[test]
    fn it_is_the_transform_of_the_windowed_span() {
        for (rate, longest, length) in [(48_000, 12_032, 12_000), (22_050, 5_600, 3_001), (96_000, 24_064, 20_000)] {
            let mut spectrum = SpanSpectrum::new(longest, rate);
            spectrum.start(length);
            let span: Vec<f32> = (0..length).map(|i| even(1, i as u64, 0) as f32 - 0.5).collect();
            let windowed: Vec<f32> = (0..length).map(|i| spectrum.window(i as f32) * span[i]).collect();
            spectrum.span[..length].copy_from_slice(&windowed);
            for frame in 0..spectrum.frames() {
                spectrum.gather(frame);
                spectrum.transform(frame);
            }
            spectrum.combine(0..spectrum.power.len() / BLOCK);
            let squares: f64 = (0..length).map(|i| f64::from(spectrum.window(i as f32)).powi(2)).sum();
            for bin in [0, 1, 63, 64, 700, 1023, 1024, 1025, 2048, 2049, 3000, 3839] {
                let (mut re, mut im) = (0.0, 0.0);
                for (i, &x) in windowed.iter().enumerate() {
                    let angle = -TAU * (bin * i % spectrum.size()) as f64 / spectrum.size() as f64;
                    re += f64::from(x) * angle.cos();
                    im += f64::from(x) * angle.sin();
                }
                let expected = (re * re + im * im) / squares;
                let found = f64::from(spectrum.power[bin]);
                assert!((found - expected).abs() < 1e-4 * (expected + 1e-2), "{rate} {bin}: {found} {expected}");
                let angle = im.atan2(re) + TAU * (bin * (length / 2)) as f64 / spectrum.size() as f64;
                let found = spectrum.direction(bin);
                let near = f64::from(found.re) * angle.cos() + f64::from(found.im) * angle.sin();
                assert!(near > 0.999, "{rate} {bin}: {near}");
            }
        }
    }
}
