//! A piece that uses everything, and runs of it.

use tenterhook_config::Text;
use tenterhook_plan::{Applied, Event, Plan, SceneId, Timed};

use crate::{Control, Engine, engine};

pub const PIECE: &str = r#"
title = "Workout"
next = "step"
back = "stepback"
hush = "stop"
[mics]
voice = { input = 1, highpass = "80 Hz", trim = "3 dB" }
recorder = { input = 2, home = "left" }
viol = { input = 3, polarity = "inverted", home = "right" }
[groups]
instruments = ["recorder", "viol"]
[outputs]
left = 1
right = { output = 2, ceiling = "-3 dB" }
ears = { output = 3, private = true }
[controllers]
pedal = { cc = 64, fall = "1 s" }
foot = { cc = 11, curve = "slow" }
wheel = { cc = 1, rise = "100 ms" }
held = { cc = 67, latch = true }
sway = { osc = "/sway", from = -1.0, to = 1.0 }
loud = { loudness = "voice", from = "-50 dB", to = "-12 dB" }
lever = {}
step = { cc = 66, channel = 1, port = "Foot" }
stepback = { key = "PageUp" }
stop = { note = 24 }
[[scene]]
mark = "A"
[scene.mic.voice]
freeze = { by = "pedal" }
[scene.mic.instruments]
stretch = { by = "foot", most = 6, memory = "2 s", to = { left = "0 dB", right = "-9 dB" }, level = "-3 dB" }
[[scene]]
mark = "B"
fade = "200 ms"
[scene.mic.voice]
freeze = { by = "pedal", to = ["ears", "left"] }
second = { effect = "freeze", by = "held", aim = "now", spread = 0.5 }
reverse = { by = "lever", after = "second", span = "300 ms" }
[scene.mic.instruments]
stretch = { by = "wheel", each = true, memory = "1 s" }
[scene.mic.viol]
direct = { by = "scene" }
[[scene]]
mark = "C"
fade = "50 ms"
[scene.mic.voice]
reverse = { by = "wheel", span = "200 ms" }
direct = { by = "loud", level = "-6 dB" }
[scene.mic.recorder]
freeze = { by = "sway" }
[scene.mic.viol]
direct = { by = "scene" }
[[scene]]
mark = "D"
"#;

/// The same piece after a rehearsal: mics, outputs, controllers and effects differ.
pub const CHANGED: &str = r#"
title = "Workout, changed"
next = "step"
[mics]
voice = { input = 1, highpass = "120 Hz" }
viol = { input = 2, home = "right" }
lute = 3
[outputs]
right = { output = 2, ceiling = "-3 dB" }
left = 1
[controllers]
lever = {}
foot = { cc = 11 }
pedal = { cc = 64, fall = "300 ms" }
wheel = { cc = 1 }
step = { cc = 66 }
[[scene]]
mark = "A"
[scene.mic.voice]
freeze = { by = "pedal" }
[scene.mic.lute]
stretch = { by = "foot", memory = "4 s" }
[[scene]]
mark = "B"
[scene.mic.viol]
direct = { by = "scene", level = "-6 dB" }
reverse = { by = "wheel" }
"#;

/// The plan of a piece.
pub fn plan(piece: &str) -> Plan {
    match tenterhook_config::check(&Text::new("workout.toml", piece), None) {
        Ok(checked) => checked.plan,
        Err(report) => panic!("{}", report.render(false)),
    }
}

/// A written gesture.
pub fn gesture(plan: &Plan, seconds: f64, controller: &str, value: &str) -> Timed<Event> {
    let text = format!("seconds,controller,value\n{seconds},{controller},{value}\n");
    match tenterhook_config::gestures("gestures.csv", text.as_bytes(), plan) {
        Ok(gestures) => gestures.at_rate(48_000)[0],
        Err(report) => panic!("{}", report.render(false)),
    }
}

/// Three players: smooth tones with slow swells, nothing above 1 kHz.
pub fn sound(frames: usize) -> Vec<Vec<f32>> {
    let player = |hz: f64| {
        let sample = |i: usize| {
            let t = i as f64 / 48e3;
            let tone = |k: f64| (std::f64::consts::TAU * hz * k * t).sin() / k;
            let swell = 0.6 + 0.4 * (std::f64::consts::TAU * 0.7 * t).cos();
            (0.15 * swell * (tone(1.0) + 0.5 * tone(2.0) + 0.3 * tone(3.0))) as f32
        };
        (0..frames).map(sample).collect()
    };
    [220.0, 293.7, 110.0].map(player).to_vec()
}

/// A run of a piece.
pub struct Run {
    pub engine: Engine,
    pub control: Control,
    cuts: Vec<usize>,
    events: Vec<Timed<Event>>,
    swaps: Option<(usize, Vec<Plan>)>,
    applied: Vec<Applied>,
}

impl Run {
    pub fn new(piece: &str) -> Self {
        Self::from(piece, SceneId(0))
    }

    pub fn from(piece: &str, first: SceneId) -> Self {
        Self::at(&plan(piece), 48_000, first)
    }

    pub fn of(plan: &Plan) -> Self {
        Self::at(plan, 48_000, SceneId(0))
    }

    pub fn at(plan: &Plan, rate: u32, first: SceneId) -> Self {
        let (engine, control) = engine(plan, rate, first);
        Self { engine, control, cuts: vec![64], events: Vec::new(), swaps: None, applied: Vec::new() }
    }

    /// The lengths of its blocks, over and over.
    pub fn cuts(mut self, cuts: &[usize]) -> Self {
        self.cuts = cuts.to_vec();
        self
    }

    pub fn events(mut self, events: &[Timed<Event>]) -> Self {
        self.events = events.to_vec();
        self
    }

    /// Every so many samples another piece takes the place of the present one.
    pub fn replace_every(mut self, samples: usize, pieces: &[&str]) -> Self {
        self.swaps = Some((samples, pieces.iter().map(|piece| plan(piece)).collect()));
        self
    }

    /// Renders three outputs.
    pub fn render(&mut self, sound: &[Vec<f32>]) -> Vec<Vec<f32>> {
        let frames = sound[0].len();
        let mut out = vec![vec![0.0; frames]; 3];
        let (mut at, mut event, mut swapped) = (0, 0, 0);
        for &cut in self.cuts.clone().iter().cycle() {
            if at == frames {
                break;
            }
            if let Some((every, plans)) = &self.swaps
                && at / every > swapped
            {
                self.control.replace(&plans[swapped % plans.len()]).unwrap();
                swapped += 1;
            }
            let end = (at + cut).min(frames);
            let inputs: Vec<&[f32]> = sound.iter().map(|channel| &channel[at..end]).collect();
            let mut outputs: Vec<&mut [f32]> = out.iter_mut().map(|channel| &mut channel[at..end]).collect();
            let due = self.events[event..].iter().take_while(|event| event.sample < end as u64).count();
            self.engine.process(&inputs, &mut outputs, &self.events[event..event + due]);
            event += due;
            at = end;
            while self.control.reading().is_some() {}
            while let Some(applied) = self.control.applied() {
                self.applied.push(applied);
            }
        }
        assert_eq!(self.control.lost(), 0);
        out
    }

    /// The gestures that were applied so far.
    pub fn applied(&self) -> Vec<Applied> {
        self.applied.clone()
    }
}
