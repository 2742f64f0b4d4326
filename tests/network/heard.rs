//! Pitch and onsets of players, as they are told.

use tenterhook_config::{Text, check};
use tenterhook_ensemble::{Ensemble, EnsembleNote, EnsembleScore, frequency};
use tenterhook_plan::SceneId;
use tenterhook_rt::{EngineReport, Reading, hearing_engine};

use super::common::client::RATE;

const PIECE: &str = "mics = { voice = 1, recorder = 2, viol = 3 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n\
                     mic.voice.direct = { by = \"scene\" }\n";

/// What is told of a player.
#[derive(Default)]
struct Told {
    /// Samples and Hz.
    pitches: Vec<(u64, f64)>,
    /// Samples.
    onsets: Vec<u64>,
}

/// What is told of the three players of a score.
fn heard(score: &EnsembleScore<'_>) -> [Told; 3] {
    let plan = check(&Text::new("trio.toml", PIECE), None).expect("nothing is wrong with it").plan;
    let (mut engine, mut control) = hearing_engine(&plan, RATE, SceneId(0));
    let frames: Vec<[f32; 3]> = Ensemble::playing(RATE, score).expect("a usual rate").collect();
    let mut told = <[Told; 3]>::default();
    for block in frames.chunks(128) {
        let mics = [0, 1, 2].map(|mic| block.iter().map(|frame| frame[mic]).collect::<Vec<_>>());
        let mut out = vec![0.0; block.len()];
        engine.process(&mics.each_ref().map(Vec::as_slice), &mut [&mut out[..]], &[]);
        while let Some(report) = control.report() {
            match report {
                EngineReport::Reading(Reading::Pitch { sample, mic, hz, confidence })
                    if hz > 0.0 && confidence > 0.8 =>
                {
                    told[mic.index()].pitches.push((sample, f64::from(hz)));
                }
                EngineReport::Reading(Reading::Onset { sample, mic, .. }) => told[mic.index()].onsets.push(sample),
                _ => {}
            }
        }
    }
    told
}

/// Notes of half a second each, with a breath between them.
fn scale(pitches: &[f64]) -> Vec<EnsembleNote> {
    let note = |(n, &pitch): (usize, &f64)| EnsembleNote { at: 0.3 + 0.6 * n as f64, lasts: 0.5, pitch, level: 0.0 };
    pitches.iter().enumerate().map(note).collect()
}

/// Of the pitches told in the middle of each note, how many there are and how many are within a quarter-tone of it.
fn right(told: &[(u64, f64)], notes: &[EnsembleNote]) -> (usize, usize) {
    let (mut all, mut right) = (0, 0);
    for note in notes {
        let middle = |at: u64| (0.2..0.45).contains(&(at as f64 / f64::from(RATE) - note.at));
        for (_, hz) in told.iter().filter(|(sample, _)| middle(*sample)) {
            all += 1;
            let cents = 1200.0 * (hz / frequency(note.pitch)).log2();
            if cents.abs() >= 50.0 {
                println!("at {:.2} s of {:.1} Hz {hz:.1} Hz was told", note.at, frequency(note.pitch));
            }
            right += usize::from(cents.abs() < 50.0);
        }
    }
    (all, right)
}

#[test]
fn what_players_play_has_its_pitch_and_what_they_pluck_its_onsets() {
    // A treble recorder's two octaves from f', a bass viol's from its lowest string (D2) up.
    let blown = scale(&[65.0, 67.0, 69.0, 72.0, 74.0, 77.0, 79.0, 81.0, 84.0, 86.0, 88.0]);
    let bowed = scale(&[38.0, 41.0, 43.0, 48.0, 52.0, 55.0, 57.0, 60.0, 64.0, 67.0, 69.0]);
    let alone = |recorder, bowed, plucked| EnsembleScore { seconds: 7.2, voice: &[], recorder, bowed, plucked };
    for (name, channel, score, notes) in
        [("recorder", 1, alone(&blown, &[], &[]), &blown), ("viol, bowed", 2, alone(&[], &bowed, &[]), &bowed)]
    {
        let (all, right) = right(&heard(&score)[channel].pitches, notes);
        println!("{name}: {right} of {all} pitches within a quarter-tone");
        // Seven or eight readings fall into the middle of each note.
        assert!(all >= 7 * notes.len(), "{name}: {all}");
        assert!(right * 100 >= all * 97, "{name}: {right} of {all}");
    }
    let plucked = scale(&[38.0, 43.0, 48.0, 52.0, 57.0, 62.0, 67.0, 69.0, 45.0, 50.0, 55.0]);
    let onsets = &heard(&alone(&[], &[], &plucked))[2].onsets;
    let near = |note: &&EnsembleNote| {
        let at = (note.at * f64::from(RATE)) as i64;
        // 50 ms: what contests of onset detection allow; from memory.
        onsets.iter().filter(|onset| (**onset as i64 - at).abs() < 2400).count() == 1
    };
    let hits = plucked.iter().filter(near).count();
    println!("viol, plucked: {hits} of {} attacks told, {} in all", plucked.len(), onsets.len());
    assert_eq!((hits, onsets.len()), (plucked.len(), plucked.len()));
}
