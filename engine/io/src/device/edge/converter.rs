//! Sound of one rate made to another.

use crate::Error;
use rubato::audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{
    Adjustable, Async, FixedAsync, Indexing, Resampler, Resizable, SincInterpolationParameters, SincInterpolationType,
    WindowFunction, calculate_cutoff,
};

/// Frames of the slower rate over which the band limit is drawn. A Blackman-Harris window of that length goes from pass
/// to stop within 8 of its bins (Harris, "On the use of windows for harmonic analysis with the discrete Fourier
/// transform", Proc. IEEE 66, 1978): 3 kHz at 48 kHz, which lie between 18 kHz and half of 44.1 kHz.
const TAPS: f64 = 128.0;
/// Points of the band limit between two frames; cubic interpolation between them errs by less than −130 dB.
const POINTS: usize = 64;
/// The farthest that steering may go from the nominal ratio: beyond what [`steering`](super::steering) asks for.
const FARTHEST: f64 = 1.01;

/// Makes any number of frames at a time, of as many frames as it says beforehand. Nothing allocates but [`Self::new`].
pub(crate) struct Converter {
    inner: Async<f32>,
    channels: usize,
    /// Frames that are taken for one that is made.
    step: f64,
}

impl Converter {
    /// From `from` Hz to `to` Hz, at most `most` frames made at a time. Of no channel it makes none, but keeps count.
    ///
    /// # Errors
    /// [`Error::Convert`] if a rate is 0, or far out of the range of sound.
    pub fn new(from: u32, to: u32, channels: usize, most: usize) -> Result<Self, Error> {
        let refused = || Error::Convert { from, to };
        let step = f64::from(from) / f64::from(to);
        // Half and double the range from 8 kHz to 192 kHz.
        if !(1.0 / 48.0..=48.0).contains(&step) {
            return Err(refused());
        }
        // By itself it would not take into account that the taps are as many more as the rate is higher.
        let window = WindowFunction::BlackmanHarris;
        let filter = SincInterpolationParameters::new(taps(step), window)
            .f_cutoff(calculate_cutoff(TAPS as usize, window))
            .oversampling_factor(POINTS)
            .interpolation(SincInterpolationType::Cubic);
        let inner = Async::new_sinc(1.0 / step, FARTHEST, &filter, most.max(1), channels.max(1), FixedAsync::Output);
        Ok(Self { inner: inner.map_err(|_| refused())?, channels: channels.max(1), step })
    }

    /// How many channels its buffers must have.
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// The most frames that are taken at a time.
    pub fn most_taken(&self) -> usize {
        self.inner.input_frames_max()
    }

    /// How many frames are taken when the next `length` are made. AUDIO THREAD.
    pub fn needs(&mut self, length: usize) -> usize {
        // A length beyond the most, or none, is refused and changes nothing: `make` says how many it made.
        let _ = self.inner.set_chunk_size(length);
        self.inner.input_frames_next()
    }

    /// Makes the length that [`Self::needs`] was last asked for: takes from `input` at `from`, writes to `output` at
    /// `to`; frames taken and made. AUDIO THREAD.
    pub fn make(&mut self, input: &[Vec<f32>], from: usize, output: &mut [Vec<f32>], to: usize) -> (usize, usize) {
        let frames = |channels: &[Vec<f32>]| channels.first().map_or(0, Vec::len);
        let (frames_in, frames_out) = (frames(input), frames(output));
        let adapted = SequentialSliceOfVecs::new(input, self.channels, frames_in);
        let made = SequentialSliceOfVecs::new_mut(output, self.channels, frames_out);
        let (Ok(adapted), Ok(mut made)) = (adapted, made) else { return (0, 0) };
        let indexing = Indexing { input_offset: from, output_offset: to, ..Indexing::default() };
        // Refused only if the buffers are too short: they are made as long as it says.
        self.inner.process_into_buffer(&adapted, &mut made, Some(&indexing)).unwrap_or_default()
    }

    /// Takes `1 + speed` times as many frames from now on. AUDIO THREAD.
    pub fn steer(&mut self, speed: f64) {
        let _ = self.inner.set_resample_ratio_relative(1.0 / (1.0 + speed), false);
    }

    /// The place, in frames taken since the beginning, whose sound the first frame made has: before the first frame
    /// taken, so it is negative.
    pub fn first(&self) -> f64 {
        first(self.step)
    }

    /// Frames that are taken for one that is made.
    pub fn step(&self) -> f64 {
        self.step
    }
}

fn taps(step: f64) -> usize {
    ((TAPS * step.max(1.0)).ceil() as usize).next_multiple_of(8)
}

fn first(step: f64) -> f64 {
    // The middle of the filter, whose points are counted from the end of a frame.
    step - taps(step) as f64 / 2.0 + 1.0 / POINTS as f64
}

/// The seconds by which sound made from `from` Hz to `to` Hz is late.
pub(crate) fn delay(from: u32, to: u32) -> f64 {
    -first(f64::from(from) / f64::from(to)) / f64::from(from)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    const RATES: [(u32, u32); 6] =
        [(44_100, 48_000), (48_000, 44_100), (48_000, 48_000), (96_000, 48_000), (48_000, 96_000), (48_000, 192_000)];

    /// A sine of amplitude 1, made to another rate; frames of the beginning left out.
    fn made(from: u32, to: u32, hz: f64) -> Vec<f32> {
        let mut converter = Converter::new(from, to, 2, 500).unwrap();
        let length = 16_000;
        let room = (length as f64 * converter.step()) as usize + 1000;
        let sine: Vec<f32> = (0..room).map(|n| (TAU * hz * n as f64 / f64::from(from)).sin() as f32).collect();
        let input = [sine.clone(), sine];
        let mut output = [vec![0.0; length], vec![0.0; length]];
        let (mut taken, mut done) = (0, 0);
        while done < length {
            let needed = converter.needs(500);
            assert!(needed <= converter.most_taken());
            let (n, m) = converter.make(&input, taken, &mut output, done);
            assert_eq!((n, m), (needed, 500));
            (taken, done) = (taken + n, done + m);
        }
        assert_eq!(output[0], output[1]);
        output[0].clone()
    }

    /// Gain in dB of what is at `hz`, its phase there against a sine at the place `first`, in frames taken, and the
    /// level in dB of all else.
    fn measured(sound: &[f32], rate: u32, hz: f64) -> (f64, f64, f64) {
        // Least squares for a sine and a cosine.
        let turn = |n: usize| TAU * hz * n as f64 / f64::from(rate);
        let (mut ss, mut sc, mut cc, mut ys, mut yc) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (n, y) in sound.iter().enumerate().skip(2000) {
            let (sin, cos) = turn(n).sin_cos();
            (ss, sc, cc) = (ss + sin * sin, sc + sin * cos, cc + cos * cos);
            (ys, yc) = (ys + f64::from(*y) * sin, yc + f64::from(*y) * cos);
        }
        let det = ss * cc - sc * sc;
        let (a, b) = ((ys * cc - yc * sc) / det, (yc * ss - ys * sc) / det);
        let rest = sound.iter().enumerate().skip(2000).map(|(n, y)| {
            let (sin, cos) = turn(n).sin_cos();
            (f64::from(*y) - a * sin - b * cos).powi(2)
        });
        let rest = rest.sum::<f64>() / (sound.len() - 2000) as f64;
        (20.0 * a.hypot(b).log10(), b.atan2(a), 10.0 * (2.0 * rest).log10())
    }

    #[test]
    fn the_band_to_18_khz_is_flat_and_nothing_is_added_to_it() {
        for (from, to) in RATES {
            let mut worst = (0.0f64, f64::MIN);
            for hz in [20.0, 997.0, 5000.0, 10_007.0, 15_000.0, 17_000.0, 18_000.0] {
                let (gain, _, rest) = measured(&made(from, to, hz), to, hz);
                worst = (worst.0.max(gain.abs()), worst.1.max(rest));
            }
            println!("{from} to {to} Hz: within {:.4} dB to 18 kHz, all else at {:.1} dB", worst.0, worst.1);
            assert!(worst.0 < 0.1 && worst.1 < -90.0, "{from} to {to}: {worst:?}");
        }
    }

    #[test]
    fn what_the_lower_rate_cannot_hold_is_left_out() {
        // From half the lower rate on, in the source's band.
        for (from, to) in [(48_000u32, 44_100u32), (96_000, 48_000), (192_000, 44_100)] {
            let (half, end) = (f64::from(to) / 2.0, f64::from(from) / 2.0);
            for part in [0.02, 0.2, 0.5, 0.9] {
                let hz = half + part * (end - half);
                let sound = made(from, to, hz);
                let power =
                    sound[2000..].iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / (sound.len() - 2000) as f64;
                let level = 10.0 * (2.0 * power).log10();
                println!("{from} to {to} Hz: {hz:.0} Hz comes out at {level:.1} dB");
                assert!(level < -90.0, "{from} to {to}, {hz} Hz: {level} dB");
            }
        }
    }

    #[test]
    fn its_first_frame_is_where_it_says() {
        for (from, to) in RATES {
            let hz = 400.0;
            let (_, phase, _) = measured(&made(from, to, hz), to, hz);
            let place = phase / TAU * f64::from(from) / hz;
            let first = Converter::new(from, to, 1, 1).unwrap().first();
            let period = f64::from(from) / hz;
            let off = (place - first + period / 2.0).rem_euclid(period) - period / 2.0;
            assert!(off.abs() < 0.005, "{from} to {to}: at {place}, said {first}");
        }
    }

    #[test]
    fn rates_that_are_none_are_refused() {
        for (from, to) in [(0, 48_000), (48_000, 0), (1, 48_000), (0, 0)] {
            assert_eq!(Converter::new(from, to, 1, 64).err(), Some(Error::Convert { from, to }));
        }
    }
}
