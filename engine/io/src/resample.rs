//! From a file's rate to the engine's, before it reaches the engine.

use rubato::audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{Fft, FixedSync, Resampler};

/// Frames that the resampler takes at a time: its filter is a quarter of that long.
const CHUNK: usize = 1024;

/// A sound at another rate, from `from` to `to` Hz: band-limited, without delay, of the same length in seconds. `None`
/// if a rate is 0 or the channels differ in length.
pub fn resample(channels: &[Vec<f32>], from: u32, to: u32) -> Option<Vec<Vec<f32>>> {
    let frames = channels.first().map_or(0, Vec::len);
    if from == to || frames == 0 {
        return Some(channels.to_vec());
    }
    let mut fft = Fft::<f32>::new(from as usize, to as usize, CHUNK, channels.len(), FixedSync::Input).ok()?;
    let input = SequentialSliceOfVecs::new(channels, channels.len(), frames).ok()?;
    let output = fft.process_all(&input, frames, None).ok()?.take_data();
    Some((0..channels.len()).map(|n| output.iter().skip(n).step_by(channels.len()).copied().collect()).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn sine(rate: u32, hz: f64, seconds: f64) -> Vec<f32> {
        (0..(f64::from(rate) * seconds) as usize)
            .map(|n| (0.5 * (TAU * hz * n as f64 / f64::from(rate)).sin()) as f32)
            .collect()
    }

    #[test]
    fn a_sine_stays_where_it_was() {
        for (from, to) in [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (48_000, 96_000)] {
            let got = resample(&[sine(from, 997.0, 0.5), sine(from, 440.0, 0.5)], from, to).unwrap();
            for (got, hz) in got.iter().zip([997.0, 440.0]) {
                let want = sine(to, hz, 0.5);
                assert!(got.len().abs_diff(want.len()) <= 1, "{} frames for {}", got.len(), want.len());
                // Away from the ends, where a band-limited sound rings before it begins. −80 dB re the sine: a bound
                // for any resampler of 16-bit quality, common practice, no source.
                let middle = 2000..want.len() - 2000;
                let worst = middle.map(|n| (got[n] - want[n]).abs()).fold(0.0, f32::max);
                assert!(worst < 0.5e-4, "{from} to {to}, {hz} Hz: off by {worst}");
            }
        }
    }

    #[test]
    fn the_same_rate_changes_nothing_and_no_rate_is_refused() {
        let sound = vec![vec![0.25, -0.5, 1.0]];
        assert_eq!(resample(&sound, 48_000, 48_000), Some(sound.clone()));
        assert_eq!(resample(&sound, 0, 48_000), None);
    }
}
