//! Two simulated clocks: no thread, no waiting, the same every time.
//!
//! A sine is captured by one clock and played by another. In true time the sine that is played is the captured one,
//! late: its phase tells how late, at every moment, and any change of that is a change of pitch.

use crate::Stats;
use crate::device::edge::inlet::{Inlet, Intake, Terms};
use std::f64::consts::TAU;

const HZ: f64 = 1000.0;
/// Seconds of a window in which the phase is measured: ten periods.
pub const WINDOW: f64 = 0.01;
/// Windows over which a pitch is: nothing shorter has one.
const PITCH: usize = 5;
pub fn cents(part: f64) -> f64 {
    1200.0 * (1.0 + part.abs()).log2()
}

/// A generator of numbers from 0 to 1: of 64 bits, by Knuth's multiplier for a linear congruence (MMIX).
pub struct Chance(pub u64);

impl Chance {
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// How late a callback is: mostly little, now and then much.
    pub fn jitter(&mut self, most: f64) -> f64 {
        most * self.next().powi(4)
    }
}

/// What befalls the two sides.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mishap {
    None,
    /// Blocks of the input are lost.
    InputLost(u32),
    /// The output does not ask for blocks, and nobody hears them.
    OutputLost(u32),
    /// Both sides stand still for some seconds and then hurry.
    Stall(f64),
}

/// Two clocks, and what is between.
#[derive(Clone, Copy)]
pub struct Scene {
    pub rates: (u32, u32),
    pub blocks: (usize, usize),
    /// How much faster than its rate each clock is, and the input's from the middle on.
    pub ppm: (f64, f64, f64),
    /// The most by which a callback is late, in seconds.
    pub jitter: f64,
    pub mishap: (f64, Mishap),
    pub seconds: f64,
}

pub const PLAIN: Scene = Scene {
    rates: (48_000, 48_000),
    blocks: (256, 256),
    ppm: (0.0, 0.0, 0.0),
    jitter: 0.001,
    mishap: (0.0, Mishap::None),
    seconds: 60.0,
};

impl Scene {
    /// Of the two sides, the shorter block and the longer, in seconds.
    pub fn blocks(&self) -> (f64, f64) {
        let (input, output) =
            (self.blocks.0 as f64 / f64::from(self.rates.0), self.blocks.1 as f64 / f64::from(self.rates.1));
        (input.min(output), input.max(output))
    }
}

#[derive(Debug, Default)]
pub struct Outcome {
    /// Of every block of the output: the time, and by how many seconds too much sound waits.
    pub waits: Vec<(f64, f64)>,
    /// Of every window: its time, by how many seconds sound is later than promised, and what is no sine, as a part of
    /// the sine.
    pub windows: Vec<(f64, f64, f64)>,
    pub missing: u64,
    pub dropped: u64,
    pub drift: Option<f32>,
}

impl Outcome {
    /// The greatest error of the wait, in seconds, from some time on.
    pub fn wait(&self, from: f64) -> f64 {
        self.waits.iter().filter(|(at, _)| *at >= from).map(|(_, wait)| wait.abs()).fold(0.0, f64::max)
    }

    /// The greatest change of pitch, as a part of it, in a span of time.
    pub fn pitch(&self, from: f64, to: f64) -> f64 {
        let windows = self.windows.windows(PITCH + 1).filter(|w| w[0].0 >= from && w[PITCH].0 <= to);
        windows.map(|w| (w[PITCH].1 - w[0].1).abs() / (w[PITCH].0 - w[0].0)).fold(0.0, f64::max)
    }

    /// The time after which the pitch stays within a part of it.
    pub fn settled(&self, part: f64) -> f64 {
        let mut windows = self.windows.windows(PITCH + 1).rev();
        windows.find(|w| (w[PITCH].1 - w[0].1).abs() > part * (w[PITCH].0 - w[0].0)).map_or(0.0, |w| w[PITCH].0)
    }

    /// The time after which the wait stays within some seconds.
    pub fn waits_within(&self, seconds: f64) -> f64 {
        self.waits.iter().rev().find(|(_, wait)| wait.abs() > seconds).map_or(0.0, |(at, _)| *at)
    }

    /// The greatest step in phase from one window to the next, in seconds, from some time on.
    pub fn step(&self, from: f64) -> f64 {
        let windows = self.windows.windows(2).filter(|w| w[0].0 >= from);
        windows.map(|w| (w[1].1 - w[0].1).abs()).fold(0.0, f64::max)
    }

    /// What is no sine, in dB, from some time on.
    pub fn rest(&self, from: f64) -> f64 {
        20.0 * self.windows.iter().filter(|w| w.0 >= from).map(|w| w.2).fold(1e-12, f64::max).log10()
    }
}

/// The input's side: the true time at which frames were captured.
struct Capture {
    intake: Intake,
    rate: f64,
    /// When the block ends, and how many frames are handed over by then.
    at: f64,
    frames: f64,
    block: Vec<f32>,
}

impl Capture {
    /// The next block.
    fn next(&mut self, rate: f64) {
        self.rate = rate;
        self.frames += self.block.len() as f64;
        for sample in &mut self.block {
            self.at += 1.0 / rate;
            *sample = (TAU * (HZ * self.at).fract()).sin() as f32;
        }
    }
}

/// Measures a sine as it comes.
struct Measure {
    played: Vec<(f64, f32)>,
    latency: f64,
    last: f64,
}

impl Measure {
    /// The last window's time, lateness and rest.
    fn window(&mut self) -> (f64, f64, f64) {
        let (mut ss, mut sc, mut cc, mut ys, mut yc) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let turn = |at: f64| (TAU * (HZ * at).fract()).sin_cos();
        for (at, y) in &self.played {
            let (sin, cos) = turn(*at);
            (ss, sc, cc) = (ss + sin * sin, sc + sin * cos, cc + cos * cos);
            (ys, yc) = (ys + f64::from(*y) * sin, yc + f64::from(*y) * cos);
        }
        let det = ss * cc - sc * sc;
        let (a, b) = ((ys * cc - yc * sc) / det, (yc * ss - ys * sc) / det);
        let rest: f64 =
            self.played.iter().map(|(at, y)| (f64::from(*y) - a * turn(*at).0 - b * turn(*at).1).powi(2)).sum();
        let size = a.hypot(b).max(1e-9);
        // How late, up to whole periods: the one nearest to the window before.
        let late = -b.atan2(a) / TAU / HZ - self.latency;
        self.last = late + ((self.last - late) * HZ).round() / HZ;
        let rest = (2.0 * rest / self.played.len() as f64).sqrt() / size;
        (self.played[0].0, self.last, rest)
    }
}

pub fn run(scene: Scene) -> Outcome {
    let (i, o) = (f64::from(scene.rates.0), f64::from(scene.rates.1));
    let blocks = (scene.blocks.0 as f64 / i, scene.blocks.1 as f64 / o);
    let terms = Terms { channels: 1, from: scene.rates.0, to: scene.rates.1, blocks, most: 1024 };
    let (intake, mut inlet): (Intake, Inlet) = terms.ends().unwrap();
    let mut capture = Capture { intake, rate: i, at: 0.3137, frames: 0.0, block: vec![0.0; scene.blocks.0] };
    let mut measure = Measure { played: Vec::new(), latency: terms.latency(), last: 0.0 };
    let (stats, mut chance, mut outcome) = (Stats::default(), Chance(7), Outcome::default());
    let mut output = [vec![0.0; 1024]];
    let rate_in = |at: f64| i * (1.0 + 1e-6 * if at < scene.seconds / 2.0 { scene.ppm.0 } else { scene.ppm.2 });
    let rate_out = o * (1.0 + 1e-6 * scene.ppm.1);
    // The true time of the output's next block, and the times of the callbacks.
    let mut out = 0.0;
    capture.next(rate_in(0.0));
    let (mut input_at, mut output_at) = (capture.at, out);
    let mut mishap = scene.mishap;
    let late = |at: f64, chance: &mut Chance| {
        let stalled = match scene.mishap {
            (from, Mishap::Stall(seconds)) if at >= from && at < from + seconds => from + seconds,
            _ => at,
        };
        stalled + chance.jitter(scene.jitter)
    };
    while out < scene.seconds {
        if input_at <= output_at {
            let dropped = capture.intake.put(input_at, capture.block.len(), capture.block.iter().copied());
            capture.frames -= dropped as f64;
            outcome.dropped += dropped as u64;
            capture.next(rate_in(capture.at));
            if let (from, Mishap::InputLost(lost)) = mishap
                && capture.at >= from
            {
                for _ in 0..lost {
                    capture.next(rate_in(capture.at));
                    capture.frames -= capture.block.len() as f64;
                }
                mishap.1 = Mishap::None;
            }
            input_at = late(capture.at, &mut chance).max(input_at);
            continue;
        }
        inlet.look(output_at, blocks.1, &stats);
        // By the true clocks, at the time at which the block is due.
        outcome.waits.push((out, inlet.wait_of(capture.frames - (capture.at - out) * capture.rate)));
        inlet.pull(output_at, scene.blocks.1, &mut output, &stats);
        for sample in &output[0][..scene.blocks.1] {
            measure.played.push((out, *sample));
            out += 1.0 / rate_out;
            if measure.played.len() as f64 >= WINDOW * o {
                outcome.windows.push(measure.window());
                measure.played.clear();
            }
        }
        if let (from, Mishap::OutputLost(lost)) = mishap
            && out >= from
        {
            out += f64::from(lost) * scene.blocks.1 as f64 / rate_out;
            measure.played.clear();
            mishap.1 = Mishap::None;
        }
        output_at = late(out, &mut chance).max(output_at);
    }
    let load = stats.load();
    (outcome.missing, outcome.drift) = (load.missing, load.drift_ppm);
    outcome.dropped = outcome.dropped.max(load.dropped);
    outcome
}
