//! A piece that uses everything, and runs of it.

use tenterhook_config::Text;
use tenterhook_plan::{Applied, Event, Plan, SceneId, Timed};

use super::beside::Beside;
use crate::{Control, Engine, Making, Reading, engine_with};

pub const PIECE: &str = include_str!("workout.toml");

/// The same piece after a rehearsal: mics, outputs, controllers and effects differ.
pub const CHANGED: &str = include_str!("workout-changed.toml");

/// The plan of a piece.
pub fn plan(piece: &str) -> Plan {
    plan_in(piece, "")
}

/// The plan of a piece in a hall.
pub fn plan_in(piece: &str, hall: &str) -> Plan {
    let hall = (!hall.is_empty()).then(|| Text::new("hall.toml", hall));
    match tenterhook_config::check_with(&Text::new("workout.toml", piece), hall.as_ref(), &Beside) {
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
    told: Vec<Reading>,
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
        Self::made(Making::default(), plan, rate, first)
    }

    /// A run of an engine that is made in a way of its own.
    pub fn made(making: Making, plan: &Plan, rate: u32, first: SceneId) -> Self {
        let (engine, control) = engine_with(making, plan, rate, first);
        let (cuts, applied) = (vec![64], Vec::new());
        Self { engine, control, cuts, events: Vec::new(), swaps: None, applied, told: Vec::new() }
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
    pub fn replace_every(self, samples: usize, pieces: &[&str]) -> Self {
        self.replace_by(samples, pieces.iter().map(|piece| plan(piece)).collect())
    }

    /// The same, with plans.
    pub fn replace_by(mut self, samples: usize, plans: Vec<Plan>) -> Self {
        self.swaps = Some((samples, plans));
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
            while let Some(reading) = self.control.reading() {
                if matches!(reading, Reading::Broken { .. } | Reading::Effect { .. }) {
                    self.told.push(reading);
                }
            }
            while let Some(applied) = self.control.applied() {
                self.applied.push(applied);
            }
        }
        assert_eq!(self.control.lost(), 0);
        out
    }

    /// How effects stood, and what broke, as it was told so far.
    pub fn told(&self) -> &[Reading] {
        &self.told
    }

    /// The gestures that were applied so far.
    pub fn applied(&self) -> Vec<Applied> {
        self.applied.clone()
    }
}
