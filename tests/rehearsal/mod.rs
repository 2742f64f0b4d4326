//! Rehearsals: by the program with files, or by the engine alone.

#[path = "../../engine/io/tests/reader/mod.rs"]
mod reader;

use std::fs;
use std::process::Command;

use reader::decoded;
use tenterhook_config::{Text, check, gestures};
use tenterhook_io::{Rendering, WavWriter, render};
use tenterhook_plan::SceneId;

/// Samples a second of all rehearsals.
pub const RATE: u32 = 48_000;

/// What the program writes: one sound per channel. `inputs` all have one length.
pub fn rehearse(piece: &str, name: &str, gestures: &[u8], inputs: &[Vec<f32>]) -> Vec<Vec<f64>> {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name);
    fs::write(path("piece.toml"), piece).unwrap();
    fs::write(path(name), gestures).unwrap();
    let mut mics = WavWriter::create(&path("mics.wav"), inputs.len(), RATE).unwrap();
    mics.write(&inputs.iter().map(Vec::as_slice).collect::<Vec<_>>()).unwrap();
    mics.finish().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_tenterhook"))
        .args(["rehearse", "piece.toml", "--mics", "mics.wav", "--gestures", name, "--out", "out.wav"])
        .current_dir(dir.path())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let (rate, channels) = decoded(&path("out.wav"));
    assert_eq!((rate, channels[0].len()), (RATE, inputs[0].len()));
    channels.iter().map(|channel| channel.iter().map(|&x| f64::from(x)).collect()).collect()
}

/// What the engine makes of the same, without the program and without a file.
pub fn rehearse_as_library(piece: &str, written: &[u8], inputs: &[Vec<f32>]) -> Vec<Vec<f32>> {
    let told = |report: tenterhook_config::Report| report.render(false);
    let plan = check(&Text::new("piece.toml", piece), None).map_err(told).unwrap().plan;
    let events = gestures("gestures.csv", written, &plan).map_err(told).unwrap().at_rate(RATE);
    let (mut engine, _control) = tenterhook_rt::engine(&plan, RATE, SceneId(0));
    let outputs = plan.outputs.iter().filter_map(|output| output.channel).max().map_or(0, usize::from) + 1;
    let rendering = Rendering { inputs, outputs, blocks: &[64, 100, 1], events: &events, tail: 0 };
    let mut made = vec![Vec::new(); outputs];
    render(&mut engine, &rendering, |block| {
        made.iter_mut().zip(block).for_each(|(channel, block)| channel.extend_from_slice(block));
        Ok(())
    })
    .unwrap();
    made
}
