//! Meters as binary frames, about 30 a second, little endian.
//!
//! ```text
//! u8 version = 1, u8 kind = 1, u8 mics, u8 outputs, u32 reserved = 0, f64 sample of the engine
//! then for each mic, then for each output, 32 bytes; levels as amplitudes, full scale = 1:
//! f32 peak          greatest magnitude since the frame before
//! f32 held          held peak: 2 s, then it falls 20 dB a second
//! f32 rms           root of the mean square
//! f32 floor         noise floor; NaN until it is known
//! f32 crest         held peak over rms, in dB; NaN in silence
//! f32 reduction     an output's limiter: greatest reduction since the frame before, in dB
//! u32 clips         since the reset
//! u8  verdict       0 nothing, 1 too quiet, 2 good, 3 hot, 4 clipped
//! u8  flags         1: heard since the reset; 2: clipped within the last 2 s; 4: the limiter works
//! u16 reserved = 0
//! ```

use crate::meters::{ShownMeters, Verdict};
use crate::wire::VERSION;

/// The kind of frame that meters are.
const METERS: u8 = 1;
/// Bytes before the channels, and of each.
const HEAD: usize = 16;
const CHANNEL: usize = 32;

/// A frame of so many mics' meters, then the outputs'. Of more than 255 of either the later ones are left out.
pub(crate) fn frame(sample: u64, mics: usize, shown: &[ShownMeters]) -> Vec<u8> {
    let (mics, outputs) = shown.split_at(mics.min(shown.len()));
    let few = |shown: &[ShownMeters]| u8::try_from(shown.len()).unwrap_or(u8::MAX);
    let mut frame = Vec::with_capacity(HEAD + CHANNEL * shown.len());
    frame.extend([VERSION, METERS, few(mics), few(outputs), 0, 0, 0, 0]);
    frame.extend((sample as f64).to_le_bytes());
    for one in mics.iter().take(few(mics).into()).chain(outputs.iter().take(few(outputs).into())) {
        channel(one, &mut frame);
    }
    frame
}

fn channel(shown: &ShownMeters, frame: &mut Vec<u8>) {
    let floor = shown.floor.unwrap_or(f32::NAN);
    let crest = shown.crest_db.unwrap_or(f32::NAN);
    for value in [shown.peak, shown.held, shown.rms, floor, crest, shown.reduction_db] {
        frame.extend(value.to_le_bytes());
    }
    frame.extend(shown.clips.to_le_bytes());
    let verdict = match shown.verdict {
        Verdict::Nothing => 0,
        Verdict::TooQuiet => 1,
        Verdict::Good => 2,
        Verdict::Hot => 3,
        Verdict::Clipped => 4,
    };
    let flags = u8::from(shown.heard) | u8::from(shown.clipped) << 1 | u8::from(shown.limited) << 2;
    frame.extend([verdict, flags, 0, 0]);
}
