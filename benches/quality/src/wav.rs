//! Sound files.

use std::path::Path;

use hound::{SampleFormat, WavReader, WavSpec, WavWriter};

/// A writer of mono sound.
fn writer(
    file: &Path,
    bits: u16,
    format: SampleFormat,
) -> Result<WavWriter<std::io::BufWriter<std::fs::File>>, hound::Error> {
    let rate = crate::RATE as u32;
    WavWriter::create(file, WavSpec { channels: 1, sample_rate: rate, bits_per_sample: bits, sample_format: format })
}

/// Writes mono sound as 32-bit float.
///
/// # Errors
/// What the file system says.
pub fn write(file: &Path, sound: &[f64]) -> Result<(), hound::Error> {
    let mut writer = writer(file, 32, SampleFormat::Float)?;
    sound.iter().try_for_each(|&x| writer.write_sample(x as f32))?;
    writer.finalize()
}

/// Writes mono sound as 24-bit integers, for those who read no floats.
///
/// # Errors
/// What the file system says.
#[cfg(feature = "peers")]
pub(crate) fn write_integers(file: &Path, sound: &[f64]) -> Result<(), hound::Error> {
    let mut writer = writer(file, 24, SampleFormat::Int)?;
    let full = f64::from(1 << 23);
    sound.iter().try_for_each(|&x| writer.write_sample((x * full).round().clamp(-full, full - 1.0) as i32))?;
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
