//! From a file's rate to the engine's, before it reaches the engine.

use crate::MicFiles;
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

/// The same of a recording that is read from the disk, a chunk at a time.
pub(crate) struct Flow {
    fft: Fft<f32>,
    chunk: Vec<Vec<f32>>,
    /// Frames of the filter's own delay that are still to be left out.
    delay: usize,
    /// Frames that are still to be made.
    left: u64,
    frames: u64,
}

impl Flow {
    /// From `from` Hz to `to` Hz, of `frames` frames. `None` if a rate is 0.
    pub fn new(from: u32, to: u32, channels: usize, frames: u64) -> Option<Self> {
        let fft = Fft::<f32>::new(from as usize, to as usize, CHUNK, channels, FixedSync::Input).ok()?;
        let frames = (fft.resample_ratio() * frames as f64).ceil() as u64;
        let delay = fft.output_delay();
        Some(Self { fft, chunk: vec![Vec::new(); channels], delay, left: frames, frames })
    }

    /// How many frames it makes altogether.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Whether it has made them.
    pub fn is_over(&self) -> bool {
        self.left == 0
    }

    /// Appends what comes of the next chunk.
    pub fn next(&mut self, files: &mut MicFiles, into: &mut [Vec<f32>]) -> Result<(), String> {
        let taken = self.fft.input_frames_next();
        self.chunk.iter_mut().for_each(Vec::clear);
        files.read(taken, &mut self.chunk).map_err(|why| why.to_string())?;
        // After its end there is silence, until the last of it is through the filter.
        self.chunk.iter_mut().for_each(|channel| channel.resize(taken, 0.0));
        let channels = self.chunk.len();
        let input = SequentialSliceOfVecs::new(&self.chunk, channels, taken).map_err(|why| why.to_string())?;
        let made = self.fft.process(&input, None).map_err(|why| why.to_string())?.take_data();
        let count = made.len() / channels;
        let first = self.delay.min(count);
        self.delay -= first;
        let kept = usize::try_from(self.left).unwrap_or(usize::MAX).min(count - first);
        for (n, channel) in into.iter_mut().enumerate() {
            channel.extend(made.iter().skip(n + first * channels).step_by(channels).take(kept));
        }
        self.left -= kept as u64;
        Ok(())
    }
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
    fn a_chunk_at_a_time_it_is_the_same() {
        let dir = tempfile::tempdir().unwrap();
        for (from, to, seconds) in [(44_100, 48_000, 0.5), (48_000, 44_100, 0.0201), (96_000, 48_000, 0.005)] {
            let sound = vec![sine(from, 997.0, seconds), sine(from, 440.0, seconds)];
            let path = dir.path().join(format!("{from}.wav"));
            let mut writer = crate::WavWriter::create(&path, 2, from).unwrap();
            writer.write(&[&sound[0], &sound[1]]).unwrap();
            writer.finish().unwrap();
            let mut files = MicFiles::one(&path).unwrap();
            let mut flow = Flow::new(from, to, 2, files.frames()).unwrap();
            let mut made = vec![Vec::new(); 2];
            while !flow.is_over() {
                flow.next(&mut files, &mut made).unwrap();
            }
            let mut whole = resample(&sound, from, to).unwrap();
            whole.iter_mut().for_each(|channel| channel.truncate(flow.frames() as usize));
            assert!(made == whole, "{from} to {to}");
        }
    }

    #[test]
    fn the_same_rate_changes_nothing_and_no_rate_is_refused() {
        let sound = vec![vec![0.25, -0.5, 1.0]];
        assert_eq!(resample(&sound, 48_000, 48_000), Some(sound.clone()));
        assert_eq!(resample(&sound, 0, 48_000), None);
    }
}
