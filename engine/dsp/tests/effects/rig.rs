//! Runs one voice of one effect over a source, as the engine does.

use crate::sounds::{recording, tuning};
use std::fmt;
use std::ops::Range;
use tenterhook_dsp::CELL;
use tenterhook_dsp::effects::{Effect, Processor};
use tenterhook_dsp::memory::Memory;
use tenterhook_plan::declare::{Kind, Setting};

/// One run of a voice.
#[derive(Clone)]
pub struct Run<'a> {
    pub effect: &'a Effect,
    pub values: Vec<Setting>,
    pub rate: u32,
    pub seed: u64,
    /// The sample at which it begins.
    pub at: usize,
    /// A sample at which it has begun once before.
    pub before: Option<usize>,
    /// The controller at each sample.
    pub x: fn(u64) -> f32,
    /// The lengths of the calls, over and over; cells and the beginning cut besides.
    pub cuts: Vec<usize>,
    /// Whether the memory is written to the end of the cell before the voice is called, or only after each call.
    pub ahead: bool,
    /// How many times the effect's reach the memory holds.
    pub memory: f64,
}

impl fmt::Debug for Run<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { effect, values, rate, seed, at, cuts, .. } = self;
        write!(f, "{} {values:?} at {at}, rate {rate}, seed {seed}, cuts {cuts:?}", effect.declaration.name)
    }
}

/// What a piece would bring along for a setting without a default.
fn brought(kind: &Kind) -> Setting {
    match kind {
        Kind::Tuning => Setting::Tuning(tuning()),
        _ => Setting::Sound(recording()),
    }
}

impl<'a> Run<'a> {
    pub fn new(name: &str, at: usize) -> Run<'a> {
        let effect = tenterhook_dsp::effects::named(name).expect("an effect of the table");
        Self::of(effect, at)
    }

    pub fn of(effect: &'a Effect, at: usize) -> Run<'a> {
        let values =
            effect.declaration.settings.iter().map(|s| s.kind.default().unwrap_or_else(|| brought(&s.kind))).collect();
        let cuts = vec![CELL as usize];
        Self { effect, values, rate: 48_000, seed: 1, at, before: None, x: |_| 1.0, cuts, ahead: false, memory: 1.0 }
    }

    pub fn with(mut self, place: usize, value: Setting) -> Self {
        self.values[place] = value;
        self
    }

    /// What the voice sounds from its beginning to the source's end.
    pub fn play(&self, source: &[f32]) -> Vec<f32> {
        self.play_and_hold(source).0
    }

    /// The same, and which samples it holds at the end.
    pub fn play_and_hold(&self, source: &[f32]) -> (Vec<f32>, Option<Range<u64>>) {
        let (out, voice) = self.play_voice(source);
        (out, voice.holds())
    }

    /// The same, and the voice as it is then.
    pub fn play_voice(&self, source: &[f32]) -> (Vec<f32>, Box<dyn Processor>) {
        let settings = (self.effect.prepare)(&self.values, self.rate);
        let mut voice = (self.effect.make)(self.rate, settings.room);
        let reach = (settings.reach * self.memory * f64::from(self.rate)).ceil() as usize;
        let mut memory = match settings.wants_analysis {
            true => Memory::with_analysis(reach, self.rate, self.seed),
            false => Memory::new(reach, self.rate),
        };
        if self.effect.wants_model {
            memory = memory.modelled(self.rate, self.seed);
        }
        let mut out = vec![f32::NAN; source.len()];
        let cell = CELL as usize;
        let mut cuts = self.cuts.iter().cycle();
        let (mut at, mut written) = (0, 0);
        let mut begun = None;
        while at < source.len() {
            let start = at / cell * cell;
            let mut end = (start + cell).min(source.len()).min(at + (*cuts.next().expect("cuts")).max(1));
            for beginning in self.before.into_iter().chain([self.at]).filter(|&beginning| at < beginning) {
                end = end.min(beginning);
            }
            let now = &source[at..end];
            let cell_end = (start + cell).min(source.len());
            if self.ahead && written < cell_end && begun.is_some() {
                memory.write(written as u64, &source[written..cell_end]);
                written = cell_end;
            }
            if at == self.at || Some(at) == self.before {
                voice.begin(at as u64, &memory.heard(at as u64), &settings, self.seed);
                begun = Some(at);
            }
            if let Some(begun) = begun {
                let x: Vec<f32> = (at..end).map(|i| (self.x)(i as u64)).collect();
                let heard = memory.heard(start.max(begun) as u64);
                voice.render(at as u64, now, &x, &heard, &settings, &mut out[at..end]);
            }
            if written < end {
                memory.write(written as u64, &source[written..end]);
                written = end;
            }
            at = end;
        }
        (out.split_off(self.at.min(source.len())), voice)
    }
}
