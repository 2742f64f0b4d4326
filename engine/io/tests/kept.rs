//! The mics of a run that was kept, read as they lie; the files are another library's.

use proptest::prelude::*;
use std::fs;
use std::path::Path;
use tenterhook_config::{Text, check};
use tenterhook_io::{KeptError, MicFiles, Rendering, render, render_files};
use tenterhook_plan::SceneId;

const RATE: u32 = 8000;

/// Two channels, n and -n, of the frames `from` to `to` of a run.
fn part(dir: &Path, name: &str, from: usize, to: usize) {
    let format = hound::SampleFormat::Float;
    let spec = hound::WavSpec { channels: 2, sample_rate: RATE, bits_per_sample: 32, sample_format: format };
    let mut writer = hound::WavWriter::create(dir.join(name), spec).unwrap();
    for n in from..to {
        writer.write_sample(sample(n)).unwrap();
        writer.write_sample(-sample(n)).unwrap();
    }
    writer.finalize().unwrap();
}

fn sample(n: usize) -> f32 {
    ((n * 7919) % 1000) as f32 / 2000.0 + 0.001
}

/// What a program that was killed leaves: a header that tells less than is there, and half a frame at the end.
fn killed(path: &Path, announced: u32) {
    let mut bytes = fs::read(path).unwrap();
    let place = bytes.windows(4).position(|four| four == b"data").unwrap() + 4;
    bytes[place..place + 4].copy_from_slice(&announced.to_le_bytes());
    bytes.extend([1, 2, 3, 4, 5]);
    fs::write(path, bytes).unwrap();
}

fn all(files: &mut MicFiles, step: usize) -> [Vec<f32>; 2] {
    let mut into = [Vec::new(), Vec::new()];
    while files.read(step, &mut into).unwrap() > 0 {}
    into
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    /// However many parts there are, whether the last was finished, and from wherever and however it is read.
    #[test]
    fn parts_are_one_sound_whether_they_were_finished_or_not(
        lengths in prop::collection::vec(0usize..900, 1..4),
        broken in any::<bool>(),
        announced in prop::sample::select(vec![0u32, 8, 80, u32::MAX]),
        step in 1usize..1500,
        from in 0usize..2500,
    ) {
        let dir = tempfile::tempdir().unwrap();
        let total: usize = lengths.iter().sum();
        let mut at = 0;
        for (n, length) in lengths.iter().enumerate() {
            let stem = if n == 0 { "mics".to_owned() } else { format!("mics-{}", n + 1) };
            let ending = if broken { "unfinished.wav" } else { "wav" };
            let name = format!("{stem}.{ending}");
            part(dir.path(), &name, at, at + length);
            if broken && n + 1 == lengths.len() {
                killed(&dir.path().join(&name), announced);
            }
            at += length;
        }
        let opened = MicFiles::kept(dir.path());
        if total == 0 {
            let empty = matches!(opened, Err(KeptError::Empty { .. }));
            prop_assert!(empty);
            return Ok(());
        }
        let mut files = opened.unwrap();
        prop_assert_eq!((files.rate(), files.channels(), files.frames()), (RATE, 2, total as u64));
        prop_assert_eq!(files.cautions().is_empty(), !broken);
        let [one, other] = all(&mut files, step);
        prop_assert_eq!(&one, &(0..total).map(sample).collect::<Vec<_>>());
        prop_assert_eq!(&other, &(0..total).map(|n| -sample(n)).collect::<Vec<_>>());
        files.go_to(from as u64);
        prop_assert_eq!(&all(&mut files, step)[0], &one[from.min(total)..]);
    }
}

#[test]
fn what_is_not_one_run_is_refused_with_what_to_do() {
    let dir = tempfile::tempdir().unwrap();
    let refused = || MicFiles::kept(dir.path()).err().expect("it is refused");
    assert!(matches!(refused(), KeptError::None { .. }), "{}", refused());
    part(dir.path(), "mics.wav", 0, 50);
    part(dir.path(), "mics-3.wav", 50, 90);
    let why = refused().to_string();
    assert!(why.contains("mics-2.wav is missing") && why.contains("mics-3.wav"), "{why}");
    let spec =
        hound::WavSpec { channels: 1, sample_rate: RATE, bits_per_sample: 16, sample_format: hound::SampleFormat::Int };
    hound::WavWriter::create(dir.path().join("mics-2.wav"), spec).unwrap().finalize().unwrap();
    let why = refused().to_string();
    assert!(why.contains("mics-2.wav has 1 channels") && why.contains("2 channels"), "{why}");
}

#[test]
fn the_offline_loop_hears_the_same_from_files_as_from_memory() {
    let dir = tempfile::tempdir().unwrap();
    part(dir.path(), "mics.wav", 0, 3_000);
    part(dir.path(), "mics-2.unfinished.wav", 3_000, 9_001);
    let piece = "mics = { voice = 1, viol = 2 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n\
                 mic.voice.direct = { by = \"scene\" }\nmic.viol.tail = { effect = \"direct\", by = \"scene\" }\n";
    let plan = check(&Text::new("reed.toml", piece), None).expect("nothing is wrong with it").plan;
    let sound: Vec<f32> = (0..9_001).map(sample).collect();
    let inputs = [sound.clone(), sound.iter().map(|x| -x).collect()];
    let mut heard = Vec::new();
    for from_files in [false, true] {
        let (mut engine, _control) = tenterhook_rt::engine(&plan, RATE, SceneId(0));
        let inputs: &[Vec<f32>] = if from_files { &[] } else { &inputs };
        let rendering = Rendering { inputs, outputs: 1, blocks: &[97, 1, 512], events: &[], tail: 300 };
        let mut out = Vec::new();
        let sink = |block: &[&[f32]]| {
            out.extend(block[0].iter().map(|x| x.to_bits()));
            Ok(())
        };
        let frames = match from_files {
            false => render(&mut engine, &rendering, sink),
            true => render_files(&mut engine, &mut MicFiles::kept(dir.path()).unwrap(), &rendering, sink),
        };
        assert_eq!(frames.unwrap(), 9_301);
        heard.push(out);
    }
    assert!(heard[0] == heard[1] && heard[0].len() == 9_301);
}
