//! The engine itself, offline: a piece of one mic and one effect.

use tenterhook_config::{Text, check};
use tenterhook_dsp::effects::{Effect, named};
use tenterhook_dsp::ramp::Ramp;
use tenterhook_plan::declare::Setting;
use tenterhook_plan::{ControllerId, Event, Gesture, Plan, Recording, SceneId, Timed};
use tenterhook_rt::engine;

use crate::RATE;
use crate::metrics::spectra::samples;

/// The silence before a signal: the gesture falls on the signal's first sample, so all that an effect reads of the past is
/// silent.
pub const SILENCE: usize = 48_000;

/// Frames a block; the sound is the same at any other.
const BLOCK: usize = 64;

/// How long x takes at least for a move of its controller, in seconds.
const GLIDE: f64 = 0.02;

/// A piece with one effect, its mic's own sound nowhere.
pub struct Ours {
    plan: Plan,
    effect: &'static Effect,
    rise: f64,
}

impl Ours {
    /// An effect with these settings, as a piece writes them (`most = 4`), worked by a controller that takes `rise`
    /// seconds from 0 to 1 or back.
    ///
    /// # Errors
    /// Why that is no piece.
    pub fn new(effect: &str, settings: &str, rise: f64) -> Result<Self, String> {
        let times = if rise > 0.0 { format!("rise = \"{rise} s\", fall = \"{rise} s\"") } else { String::new() };
        let comma = if settings.is_empty() { "" } else { ", " };
        let piece = format!(
            "[mics]\nmic = 1\n[outputs]\nout = 1\n[controllers]\nhand = {{ {times} }}\n[[scene]]\nmark = \"A\"\n\
             mic.mic.{effect} = {{ by = \"hand\"{comma}{settings} }}\n"
        );
        let checked = check(&Text::new("quality.toml", &piece), None).map_err(|report| report.render(false))?;
        let effect = named(effect).ok_or_else(|| format!("there is no effect \"{effect}\""))?;
        Ok(Self { plan: checked.plan, effect, rise })
    }

    /// A stretch so many times slower at most.
    ///
    /// # Errors
    /// Why that is no piece.
    pub fn stretch(most: f64, rise: f64) -> Result<Self, String> {
        Self::new("stretch", &format!("most = {most}"), rise)
    }

    /// A recording under a head whose place is x.
    ///
    /// # Errors
    /// Why that is no piece.
    pub fn tape(recording: Recording) -> Result<Self, String> {
        let mut ours = Self::new("direct", "", 0.0)?;
        let effect = named("tape").ok_or("there is no effect \"tape\"")?;
        for instance in &mut ours.plan.instances {
            instance.effect = effect.declaration.name;
            instance.settings = vec![Setting::Sound(recording.clone()), Setting::Choice(1)];
        }
        Ok(Self { effect, ..ours })
    }

    fn settings(&self) -> &[Setting] {
        self.plan.instances.first().map_or(&[], |instance| &instance.settings)
    }

    /// x at each sample from the first gesture on, as the engine smooths it: in a straight line, over `rise` times the
    /// move but 20 ms at least. Gestures are (sample from the first one, value), the first at 0.
    pub fn x(&self, gestures: &[(usize, f32)], frames: usize) -> Vec<f32> {
        let mut ramp = Ramp::at(0.0);
        let mut gestures = gestures.iter().peekable();
        let at = |sample: usize| {
            while let Some((_, value)) = gestures.next_if(|(at, _)| *at <= sample) {
                let seconds = (self.rise * f64::from((value - ramp.value()).abs())).max(GLIDE);
                ramp.go(*value, (seconds * RATE).round() as u32);
            }
            ramp.advance()
        };
        (0..frames).map(at).collect()
    }

    /// How many samples after the gesture its moment is heard, by the effect's own declaration.
    pub fn lag(&self, x: &[f32]) -> f64 {
        (self.effect.lag)(&(self.effect.prepare)(self.settings(), RATE as u32), RATE as u32, x)
    }

    /// How loud the effect is at this x.
    pub fn level(&self, x: f32) -> f32 {
        (self.effect.level)(x)
    }

    /// The output from the first gesture on. The mic hears `before`, then from the gesture on `after`, then nothing.
    pub fn play(&self, before: &[f64], after: &[f64], gestures: &[(usize, f32)], frames: usize) -> Vec<f64> {
        let (mut engine, mut control) = engine(&self.plan, RATE as u32, SceneId::new(0));
        // The gesture at a grid line: a lag is declared for that.
        let begin = before.len().next_multiple_of(tenterhook_dsp::CELL as usize);
        let total = (begin + frames).next_multiple_of(BLOCK);
        let mut input = vec![0.0; total];
        for (place, x) in input[begin - before.len()..].iter_mut().zip(before.iter().chain(after)) {
            *place = *x as f32;
        }
        let mut output = vec![0.0; total];
        for (at, (input, output)) in input.chunks(BLOCK).zip(output.chunks_mut(BLOCK)).enumerate() {
            let range = at * BLOCK..(at + 1) * BLOCK;
            let due = gestures.iter().filter(|(sample, _)| range.contains(&(begin + sample)));
            let gesture = |&(sample, value): &(usize, f32)| Timed {
                sample: (begin + sample) as u64,
                what: Event::written(Gesture::Controller { id: ControllerId::new(0), value }),
            };
            let events: Vec<_> = due.map(gesture).collect();
            engine.process(&[input], &mut [output], &events);
            while control.reading().is_some() {}
            while control.applied().is_some() {}
        }
        output[begin..begin + frames].iter().map(|&x| f64::from(x)).collect()
    }

    /// A signal stretched, pressed at once on its first sample; the output starts where the signal does.
    pub fn stretched(&self, source: &[f64], ratio: f64) -> Vec<f64> {
        let press = [(0, 1.0)];
        let lag = self.lag(&self.x(&press, samples(GLIDE))).round() as usize;
        let frames = (source.len() as f64 * ratio) as usize + lag + samples(0.5);
        self.play(&vec![0.0; SILENCE], source, &press, frames).split_off(lag)
    }
}
