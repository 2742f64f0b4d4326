//! One run of the engine, block by block with a clock beside it, on the present thread.

use std::time::Duration;

use tenterhook_plan::{Plan, SceneId};
use tenterhook_rt::{Control, Engine, engine};

use super::clock;
use super::players::Players;
use super::score::LoadScore;

/// A piece ready to be played, nothing of which has sounded yet.
pub struct LoadRun<'a> {
    pub engine: Engine,
    control: Control,
    players: &'a Players,
    inputs: Vec<Vec<f32>>,
    outputs: Vec<Vec<f32>>,
}

impl<'a> LoadRun<'a> {
    /// The piece with a scene in force, at one block size.
    pub fn new(plan: &Plan, rate: u32, scene: SceneId, block: usize, players: &'a Players) -> Self {
        let channels = |most: Option<u16>| vec![vec![0.0; block]; most.map_or(0, |most| usize::from(most) + 1)];
        let (engine, control) = engine(plan, rate, scene);
        Self {
            engine,
            control,
            players,
            inputs: channels(plan.mics.iter().filter_map(|mic| mic.input).max()),
            outputs: channels(plan.outputs.iter().filter_map(|output| output.channel).max()),
        }
    }

    /// Plays it all: how long the processing of each block took.
    pub fn play(&mut self, score: &LoadScore) -> Vec<Duration> {
        let block = self.outputs.first().map_or(1, Vec::len);
        let mut events = &score.events[..];
        let mut times = Vec::new();
        while self.engine.sample() < score.frames {
            let first = self.engine.sample();
            for (input, sound) in self.inputs.iter_mut().enumerate() {
                self.players.play(input, first % score.turn, sound);
            }
            let inputs: Vec<&[f32]> = self.inputs.iter().map(Vec::as_slice).collect();
            let mut outputs: Vec<&mut [f32]> = self.outputs.iter_mut().map(Vec::as_mut_slice).collect();
            let end = first + block as u64;
            let (now, later) = events.split_at(events.partition_point(|event| event.sample < end));
            events = later;
            let began = clock::now();
            self.engine.process(&inputs, &mut outputs, now);
            times.push(clock::now().saturating_sub(began));
            while self.control.reading().is_some() {}
            while self.control.applied().is_some() {}
        }
        times
    }
}

/// Of each block the lesser time.
pub fn least(known: &mut Vec<Duration>, times: Vec<Duration>) {
    known.resize(times.len(), Duration::MAX);
    known.iter_mut().zip(times).for_each(|(known, time)| *known = time.min(*known));
}
