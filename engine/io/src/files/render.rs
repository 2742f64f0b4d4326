//! The offline source: blocks as fast as the machine goes.

use crate::MicFiles;
use std::io;
use tenterhook_plan::{Event, Timed};
use tenterhook_rt::Engine;

/// What the offline loop plays.
#[derive(Clone, Copy, Debug)]
pub struct Rendering<'a> {
    /// One sound per input channel; the longest sets the length, the others are silent after their end.
    pub inputs: &'a [Vec<f32>],
    /// How many output channels.
    pub outputs: usize,
    /// The sizes of the blocks in frames, taken in turn and over again; a size of 0 counts as 1.
    pub blocks: &'a [usize],
    /// The events, in order of their samples, counted from the first frame.
    pub events: &'a [Timed<Event>],
    /// Frames of silence after the inputs' end.
    pub tail: usize,
}

/// Plays all of it. `sink` gets every block of outputs, one slice per channel; it is also the place to take in what the
/// engine reports, block by block. Events at or after the end do not act. Returns the number of frames.
///
/// # Errors
/// The sink's first error ends it.
pub fn render(
    engine: &mut Engine,
    rendering: &Rendering<'_>,
    sink: impl FnMut(&[&[f32]]) -> io::Result<()>,
) -> io::Result<u64> {
    let first = engine.sample();
    run(first, rendering, |inputs, outputs, events| engine.process(inputs, outputs, events), sink)
}

/// The same with inputs that lie on the disk, of which no more than a block is in memory; those of `rendering` are left
/// out.
///
/// # Errors
/// The first error of the files or of the sink ends it.
pub fn render_files(
    engine: &mut Engine,
    files: &mut MicFiles,
    rendering: &Rendering<'_>,
    sink: impl FnMut(&[&[f32]]) -> io::Result<()>,
) -> io::Result<u64> {
    let first = engine.sample();
    let (channels, frames) = (files.channels(), files.frames());
    let feed = |_, length: usize, block: &mut [Vec<f32>]| {
        block.iter_mut().for_each(Vec::clear);
        files.read(length, block).map_err(io::Error::other)?;
        block.iter_mut().for_each(|channel| channel.resize(length, 0.0));
        Ok(())
    };
    let process = |inputs: &[&[f32]], outputs: &mut [&mut [f32]], events: &[Timed<Event>]| {
        engine.process(inputs, outputs, events);
    };
    fed(first, (channels, frames, feed), rendering, process, sink)
}

fn run(
    first: u64,
    rendering: &Rendering<'_>,
    process: impl FnMut(&[&[f32]], &mut [&mut [f32]], &[Timed<Event>]),
    sink: impl FnMut(&[&[f32]]) -> io::Result<()>,
) -> io::Result<u64> {
    let inputs = rendering.inputs;
    let frames = inputs.iter().map(Vec::len).max().unwrap_or(0) as u64;
    let feed = |done: u64, length: usize, block: &mut [Vec<f32>]| {
        for (padded, input) in block.iter_mut().zip(inputs) {
            let rest = input.get(done as usize..).unwrap_or_default();
            padded.clear();
            padded.extend_from_slice(&rest[..rest.len().min(length)]);
            padded.resize(length, 0.0);
        }
        Ok(())
    };
    fed(first, (inputs.len(), frames, feed), rendering, process, sink)
}

/// `feed` makes each block of the inputs: from which frame on, how many, and where they belong.
fn fed(
    first: u64,
    (channels, frames, mut feed): (usize, u64, impl FnMut(u64, usize, &mut [Vec<f32>]) -> io::Result<()>),
    rendering: &Rendering<'_>,
    mut process: impl FnMut(&[&[f32]], &mut [&mut [f32]], &[Timed<Event>]),
    mut sink: impl FnMut(&[&[f32]]) -> io::Result<()>,
) -> io::Result<u64> {
    let Rendering { outputs, blocks, mut events, tail, .. } = *rendering;
    let frames = frames + tail as u64;
    let left = |done: u64| usize::try_from(frames - done).unwrap_or(usize::MAX);
    let most = blocks.iter().copied().max().unwrap_or(1).clamp(1, left(0).max(1));
    let mut padded = vec![Vec::with_capacity(most); channels];
    let mut heard = vec![vec![0.0; most]; outputs];
    let mut sizes = blocks.iter().copied().cycle();
    let mut done = 0;
    while done < frames {
        let length = sizes.next().unwrap_or(most).max(1).min(left(done));
        feed(done, length, &mut padded)?;
        let end = first + done + length as u64;
        let (now, later) = events.split_at(events.partition_point(|event| event.sample < end));
        let block: Vec<&[f32]> = padded.iter().map(|channel| &channel[..length]).collect();
        let mut out: Vec<&mut [f32]> = heard.iter_mut().map(|channel| &mut channel[..length]).collect();
        process(&block, &mut out, now);
        sink(&heard.iter().map(|channel| &channel[..length]).collect::<Vec<_>>())?;
        events = later;
        done += length as u64;
    }
    Ok(frames)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use tenterhook_plan::{Gesture, SceneId};

    proptest! {
        #[test]
        fn each_event_reaches_the_block_in_which_it_lies(
            blocks in prop::collection::vec(0usize..300, 1..6),
            lengths in prop::collection::vec(0usize..2000, 1..4),
            tail in 0usize..500,
            mut samples in prop::collection::vec(0u64..3000, 0..40),
        ) {
            samples.sort_unstable();
            let inputs: Vec<Vec<f32>> = lengths.iter().map(|&n| (0..n).map(|i| i as f32 + 1.0).collect()).collect();
            let frames = (lengths.iter().max().unwrap() + tail) as u64;
            let events: Vec<_> = samples
                .iter()
                .map(|&sample| Timed { sample, what: Event::written(Gesture::Fire(SceneId(0))) })
                .collect();
            let rendering = Rendering { inputs: &inputs, outputs: inputs.len(), blocks: &blocks, events: &events, tail };
            let (mut at, mut reached) = (0u64, Vec::new());
            let mut out = vec![Vec::new(); inputs.len()];
            let total = run(0, &rendering, |ins, outs, events| {
                let end = at + outs[0].len() as u64;
                for event in events {
                    assert!((at..end).contains(&event.sample));
                    reached.push(event.sample);
                }
                for (i, o) in ins.iter().zip(outs) {
                    o.copy_from_slice(i);
                }
                at = end;
            }, |block| {
                for (all, block) in out.iter_mut().zip(block) {
                    all.extend_from_slice(block);
                }
                Ok(())
            }).unwrap();
            prop_assert_eq!(total, frames);
            prop_assert_eq!(reached, samples.into_iter().filter(|&s| s < frames).collect::<Vec<_>>());
            for (out, input) in out.iter().zip(&inputs) {
                prop_assert_eq!(out.len() as u64, frames);
                prop_assert_eq!(&out[..input.len()], &input[..]);
                prop_assert!(out[input.len()..].iter().all(|&x| x == 0.0));
            }
        }
    }

    #[test]
    fn an_error_of_the_sink_ends_it() {
        let inputs = [vec![0.0; 100]];
        let rendering = Rendering { inputs: &inputs, outputs: 1, blocks: &[10], events: &[], tail: 0 };
        let mut blocks = 0;
        let result = run(
            0,
            &rendering,
            |_, _, _| {},
            |_| {
                blocks += 1;
                if blocks == 3 { Err(io::Error::other("full")) } else { Ok(()) }
            },
        );
        assert_eq!((result.unwrap_err().to_string(), blocks), ("full".to_owned(), 3));
    }
}
