//! Sound files.

use std::path::Path;

use hound::{SampleFormat, WavReader, WavSpec, WavWriter};

/// Writes mono sound as 32-bit float.
///
/// # Errors
/// What the file system says.
pub fn write(file: &Path, sound: &[f64]) -> Result<(), hound::Error> {
    let spec = WavSpec {
        channels: 1,
        sample_rate: crate::RATE as u32,
        bits_per_sample: 32,
        sample_format: SampleFormat::Float,
    };
    let mut writer = WavWriter::create(file, spec)?;
    sound.iter().try_for_each(|&x| writer.write_sample(x as f32))?;
    writer.finalize()
}

/// The mean of a file's channels, and its rate.
///
/// # Errors
/// What the file system says, or that it is no WAV file.
pub fn read(file: &Path) -> Result<(Vec<f64>, u32), hound::Error> {
    let mut reader = WavReader::open(file)?;
    let spec = reader.spec();
    let samples: Vec<f64> = match spec.sample_format {
        SampleFormat::Float => reader.samples::<f32>().map(|x| x.map(f64::from)).collect::<Result<_, _>>()?,
        SampleFormat::Int => {
            let full = f64::from(1u32 << (spec.bits_per_sample - 1));
            reader.samples::<i32>().map(|x| x.map(|x| f64::from(x) / full)).collect::<Result<_, _>>()?
        }
    };
    let channels = usize::from(spec.channels.max(1));
    let mono = samples.chunks_exact(channels).map(|frame| frame.iter().sum::<f64>() / channels as f64);
    Ok((mono.collect(), spec.sample_rate))
}
