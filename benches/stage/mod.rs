//! What the benchmarks play: pieces made from the table of effects, the made-up ensemble before the mics, and a clock
//! around `process` alone.

// Each benchmark is a program of its own and uses some of these.
#![allow(dead_code)]

use std::sync::LazyLock;
use std::time::{Duration, Instant};

use tenterhook_config::{Checked, Files, Report, Text, check_with};
use tenterhook_dsp::effects::{EFFECTS, Effect};
use tenterhook_plan::declare::Kind;
use tenterhook_plan::{ControllerId, Event, Gesture, Plan, Recording, SceneId, Timed};
use tenterhook_rt::{Control, Engine, engine};

/// Samples a second.
pub const RATE: u32 = 48_000;

/// Frames a block.
pub const BLOCKS: [usize; 4] = [32, 64, 128, 256];

/// The mics of a whole scene.
pub const MICS: usize = 16;

const OUTPUTS: usize = 4;

/// The ensemble's piece, a channel per player.
static PLAYERS: LazyLock<[Vec<f32>; 3]> = LazyLock::new(|| tenterhook_ensemble::sound(RATE).expect("a usual rate"));

/// A piece of so many mics with these effects on each, each by a lever of its own in scene A, all of them by the scene
/// itself in scene B; nothing is in scene `rest`.
pub fn piece(mics: usize, effects: &[&Effect]) -> String {
    let said: Vec<_> = effects.iter().map(|effect| said(effect)).collect();
    let effects: Vec<_> = effects.iter().map(|effect| effect.declaration.name).collect();
    let lines = |line: &dyn Fn(usize) -> String, count: usize| (0..count).map(line).collect::<String>();
    let scene = |mark: &str, by: &dyn Fn(usize, &str) -> String| {
        let line = |n: usize, e: &str, said: &str| format!("mic.m{n}.{e} = {{ by = \"{}\"{said} }}\n", by(n, e));
        let one = |n: usize| effects.iter().zip(&said).map(|(e, said)| line(n, e, said)).collect();
        format!("[[scene]]\nmark = \"{mark}\"\nfade = \"20 ms\"\n{}", lines(&one, mics))
    };
    format!(
        "[mics]\n{}[outputs]\n{}[controllers]\n{}[[scene]]\nmark = \"rest\"\nfade = \"20 ms\"\n{}{}",
        lines(&|n| format!("m{n} = {}\n", n + 1), mics),
        lines(&|n| format!("o{n} = {}\n", n + 1), OUTPUTS),
        lines(&|n| effects.iter().map(|e| format!("{e}{n} = {{}}\n")).collect(), mics),
        scene("A", &|n, e| format!("{e}{n}")),
        scene("B", &|_, _| "scene".to_owned()),
    )
}

/// The settings that an effect needs to be told.
fn said(effect: &Effect) -> String {
    let settings = effect.declaration.settings.iter();
    let said = |kind: &Kind| match kind {
        Kind::Sound => Some("players.wav"),
        Kind::Tuning => Some("D2 A2 D3 F#3 A3 B3 D4 E4 F#4 A4"),
        Kind::Quantity { .. } | Kind::Choice { .. } | Kind::Interval { .. } => None,
    };
    settings.filter_map(|one| Some(format!(", {} = \"{}\"", one.name, said(&one.kind)?))).collect()
}

/// The one recording that is played: a player of the ensemble, from where she sings.
struct Beside;

impl Files for Beside {
    fn sound(&self, path: &str) -> Result<Recording, String> {
        Ok(Recording { path: path.to_owned(), rate: RATE, tuned: 1.0, samples: PLAYERS[0][4 * RATE as usize..].into() })
    }

    fn text(&self, _path: &str) -> Result<String, String> {
        Err("there is none".to_owned())
    }
}

/// Checks a piece that [`piece`] made.
pub fn checked(text: &Text) -> Result<Checked, Report> {
    check_with(text, None, &Beside)
}

/// Every effect of the table that costs something: a mic's own sound does not.
pub fn costly() -> Vec<&'static Effect> {
    EFFECTS.iter().filter(|effect| effect.declaration.name != "direct").collect()
}

/// The scenes of [`piece`].
pub const REST: SceneId = SceneId(0);
pub const LEVERS: SceneId = SceneId(1);
pub const ALL_AT_ONCE: SceneId = SceneId(2);

/// What a text means.
pub fn plan(piece: &str) -> Plan {
    checked(&Text::new("bench.toml", piece)).unwrap_or_else(|report| panic!("{}", report.render(false))).plan
}

/// A piece being played in blocks of one length.
pub struct Stage {
    engine: Engine,
    pub control: Control,
    controllers: usize,
    outputs: Vec<Vec<f32>>,
    inputs: usize,
    block: usize,
    /// From when on nobody plays, in seconds.
    pub silent_from: f64,
    silence: Vec<f32>,
}

impl Stage {
    /// A stage on which nothing has sounded yet.
    pub fn new(plan: &Plan, first: SceneId, block: usize) -> Self {
        let (engine, control) = engine(plan, RATE, first);
        let (controllers, inputs) = (plan.controllers.len(), plan.mics.len());
        Self {
            engine,
            control,
            controllers,
            outputs: vec![vec![0.0; block]; OUTPUTS],
            inputs,
            block,
            silent_from: f64::INFINITY,
            silence: vec![0.0; block],
        }
    }

    /// The seconds that have been played.
    pub fn seconds(&self) -> f64 {
        self.engine.sample() as f64 / f64::from(RATE)
    }

    /// One block with these gestures at its first sample: how long `process` took.
    pub fn play(&mut self, gestures: &[Gesture]) -> Duration {
        let at = self.engine.sample();
        let events: Vec<_> = gestures.iter().map(|&what| Timed { sample: at, what: Event::written(what) }).collect();
        // The players in turn, each mic a little later in the piece than the one before; a block never runs over its end.
        let silent = self.seconds() >= self.silent_from;
        let input = |n: usize| {
            if silent {
                return self.silence.as_slice();
            }
            let sound = &PLAYERS[n % 3];
            let start = (at as usize + n * 4_801) % (sound.len() - self.block);
            &sound[start..start + self.block]
        };
        let inputs: Vec<&[f32]> = (0..self.inputs).map(input).collect();
        let mut outputs: Vec<&mut [f32]> = self.outputs.iter_mut().map(Vec::as_mut_slice).collect();
        let began = Instant::now();
        self.engine.process(&inputs, &mut outputs, &events);
        let took = began.elapsed();
        while self.control.reading().is_some() {}
        while self.control.applied().is_some() {}
        took
    }

    /// So many seconds, with these gestures at their beginning.
    pub fn play_on(&mut self, seconds: f64, gestures: &[Gesture]) {
        let end = self.seconds() + seconds;
        self.play(gestures);
        while self.seconds() < end {
            self.play(&[]);
        }
    }

    /// Every controller on its way up and down, each at its own pace, none at rest.
    pub fn moving(&self) -> Vec<Gesture> {
        let value = |n: usize| {
            let turn = self.seconds() * (0.5 + 0.01 * n as f64);
            (0.2 + 1.6 * (turn.fract() - 0.5).abs()) as f32
        };
        self.levers(value)
    }

    /// Every controller at this value.
    pub fn all_at(&self, value: f32) -> Vec<Gesture> {
        self.levers(|_| value)
    }

    fn levers(&self, value: impl Fn(usize) -> f32) -> Vec<Gesture> {
        (0..self.controllers).map(|n| Gesture::Controller { id: ControllerId::new(n), value: value(n) }).collect()
    }

    /// What sounds now, so that a benchmark can see that it measures something.
    pub fn peak(&self) -> f32 {
        self.outputs.iter().flatten().fold(0.0, |most, sample| most.max(sample.abs()))
    }
}
