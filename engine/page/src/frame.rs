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

#[cfg(test)]
mod tests {
    use super::*;

    /// Read as the table above has it.
    #[test]
    fn each_figure_stands_where_the_table_has_it() {
        let mic = ShownMeters {
            peak: 0.5,
            held: 0.75,
            rms: 0.25,
            floor: Some(0.001),
            crest_db: Some(9.5),
            reduction_db: 0.0,
            limited: false,
            clips: 70_000,
            clipped: true,
            verdict: Verdict::Clipped,
            heard: false,
        };
        let output = ShownMeters { reduction_db: 3.25, limited: true, ..ShownMeters::default() };
        let frame = frame(1 << 40, 1, &[mic, output]);
        assert_eq!(frame[..8], [1, 1, 1, 1, 0, 0, 0, 0]);
        assert_eq!(frame[8..16], ((1u64 << 40) as f64).to_le_bytes());
        let number = |at: usize| f32::from_le_bytes(frame[at..at + 4].try_into().unwrap());
        let figures = |from: usize| [0, 4, 8, 12, 16, 20].map(|at| number(from + at));
        assert_eq!(figures(16), [0.5, 0.75, 0.25, 0.001, 9.5, 0.0], "peak, held, rms, floor, crest, reduction");
        assert_eq!(frame[40..48], [0x70, 0x11, 0x01, 0, 4, 2, 0, 0], "clips, verdict, flags");
        assert!(number(48 + 12).is_nan() && number(48 + 16).is_nan(), "the floor is unknown, silence has no crest");
        assert_eq!((number(48 + 20), &frame[72..]), (3.25, &[0, 0, 0, 0, 0, 4, 0, 0][..]));
        let of = |verdict, heard| channel_of(&ShownMeters { verdict, heard, ..ShownMeters::default() });
        for (verdict, number) in
            [Verdict::Nothing, Verdict::TooQuiet, Verdict::Good, Verdict::Hot, Verdict::Clipped].into_iter().zip(0..)
        {
            assert_eq!(of(verdict, true)[28..], [number, 1, 0, 0]);
        }
    }

    fn channel_of(shown: &ShownMeters) -> Vec<u8> {
        let mut bytes = Vec::new();
        channel(shown, &mut bytes);
        assert_eq!(bytes.len(), CHANNEL);
        bytes
    }
}
