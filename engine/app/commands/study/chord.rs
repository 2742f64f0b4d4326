//! Written notes made heard, by the made-up ensemble's instruments.

use tenterhook_ensemble::{
    A4_HZ, Consonant, Ensemble, EnsembleNote, EnsembleScore as Music, Syllable, UnsupportedRate, Vowel,
};
use tenterhook_notes::SharedOut;
use tenterhook_plan::pitch::hz_note;

/// How long a chord is held, and how long all of it takes, in seconds.
const HELD: f64 = 3.0;
const TURN: f64 = 4.0;
/// The peak of the whole.
const PEAK: f32 = 0.25;

/// Which of the ensemble's players sounds for an instrument.
#[derive(Clone, Copy)]
enum Sounding {
    Sung,
    Blown,
    Bowed,
    Plucked,
}

fn sounding(program: u8) -> Sounding {
    // General MIDI's families, counted from 0.
    match program {
        // An organ's pipes.
        16..=23 | 56..=87 => Sounding::Blown,
        0..=39 | 45..=47 => Sounding::Plucked,
        52..=54 => Sounding::Sung,
        _ => Sounding::Bowed,
    }
}

/// All chords one after the other, each held as long as the others, at `rate` samples a second; the pitches are those
/// that are written.
pub fn sound(shared: &SharedOut, chords: usize, rate: u32) -> Result<Vec<f32>, UnsupportedRate> {
    let frames = (TURN * f64::from(rate)) as usize;
    let mut whole = vec![0f32; frames * chords];
    let loudest = shared.parts.iter().flat_map(|part| &part.notes).map(|note| note.tone.db).fold(f64::MIN, f64::max);
    for part in &shared.parts {
        for note in &part.notes {
            let pitch = hz_note(note.hz(shared.intonation), A4_HZ);
            // Players reach less far than partials do.
            let level = 0.5 * (note.tone.db - loudest).max(-40.0);
            let heard = played(sounding(part.player.instrument.program), pitch, level, rate)?;
            for (out, x) in whole[note.chord * frames..].iter_mut().zip(heard) {
                *out += x;
            }
        }
    }
    let peak = whole.iter().fold(0f32, |peak, x| peak.max(x.abs()));
    let gain = if peak > 0.0 { PEAK / peak } else { 0.0 };
    Ok(whole.into_iter().map(|x| x * gain).collect())
}

fn played(how: Sounding, pitch: f64, level: f64, rate: u32) -> Result<Vec<f32>, UnsupportedRate> {
    let note = [EnsembleNote { at: 0.1, lasts: HELD, pitch, level }];
    let sung = [Syllable { at: 0.2, lasts: HELD, pitch, consonant: Consonant::M, vowel: Vowel::A, level }];
    let mut music = Music { seconds: TURN, voice: &[], recorder: &[], bowed: &[], plucked: &[] };
    let player = match how {
        Sounding::Sung => {
            music.voice = &sung;
            0
        }
        Sounding::Blown => {
            music.recorder = &note;
            1
        }
        Sounding::Bowed => {
            music.bowed = &note;
            2
        }
        Sounding::Plucked => {
            music.plucked = &note;
            2
        }
    };
    Ok(Ensemble::playing(rate, &music)?.map(|frame| frame[player]).collect())
}
