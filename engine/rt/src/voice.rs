//! One sounding of an effect, from its beginning to its end.

use tenterhook_dsp::effects::{Prepared, Processor};
use tenterhook_dsp::guard::settle;
use tenterhook_dsp::memory::Heard;
use tenterhook_dsp::ramp::Ramp;
use tenterhook_plan::Lack;

use crate::sends::Sends;
use crate::timings::Timings;

/// Where a voice is in its life.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Life {
    /// Silent, and ready to begin.
    Free,
    /// Its controller works it.
    Sounding,
    /// Its controller came to rest: x goes to 0, and with it the sound.
    Ending,
    /// It was taken from its controller, which no longer moves it: x stays, or goes on to 0 if it was on its way there,
    /// and the sound fades.
    Leaving,
    /// Its effect broke: what it last sounded falls to 0, and nothing of it is called any more.
    Falling,
}

/// One voice, which a resident effect holds while it sounds.
pub(crate) struct Voice {
    pub life: Life,
    /// The resident effect that holds it, by its place in the compiled plan.
    pub owner: Option<usize>,
    /// Its processor panicked, and may be half changed: it is not begun again.
    pub spoiled: bool,
    /// The sample at which it began.
    pub began: u64,
    x: Ramp,
    /// Follows the effect's level at x, but never so fast that it clicks.
    level: f32,
    /// Comes in at the beginning, goes when the voice leaves.
    fade: Ramp,
    last: Last,
    /// How much of it goes to each output of the plan.
    pub sends: Sends,
    /// `None`: this is only a place for one.
    processor: Option<Box<dyn Processor>>,
}

/// What a voice needs of its effect to sound.
#[derive(Clone, Copy)]
pub(crate) struct Sounds<'a> {
    pub settings: &'a Prepared,
    pub level: fn(f32) -> f32,
}

/// With what a voice begins.
#[derive(Clone, Copy)]
pub(crate) struct VoiceBegin<'a> {
    pub owner: usize,
    pub settings: &'a Prepared,
    pub seed: u64,
    /// x goes from 0 to so much within so many samples.
    pub value: f32,
    pub rise: u32,
    /// The factor to each output.
    pub gains: &'a [f32],
}

impl Voice {
    /// A free voice; without a processor only a place for one.
    pub fn new(processor: Option<Box<dyn Processor>>, outputs: usize) -> Self {
        Self {
            life: Life::Free,
            owner: None,
            spoiled: false,
            began: 0,
            x: Ramp::at(0.0),
            level: 0.0,
            fade: Ramp::at(0.0),
            last: Last::default(),
            sends: Sends::new(outputs),
            processor,
        }
    }

    /// Nobody holds it any more.
    pub fn free(&mut self) {
        (self.life, self.owner) = (Life::Free, None);
    }

    /// Begins afresh at the sample where `heard` ends.
    pub fn begin(&mut self, begins: VoiceBegin, timings: Timings, heard: &Heard) {
        let at = heard.end();
        let VoiceBegin { owner, settings, seed, value, rise, gains } = begins;
        self.owner = Some(owner);
        self.life = Life::Sounding;
        self.began = at;
        self.x = Ramp::at(0.0);
        self.x.go(value, rise);
        self.level = 0.0;
        self.fade = Ramp::at(0.0);
        self.fade.go(1.0, timings.attack);
        self.last = Last::default();
        self.sends.set(gains);
        if let Some(processor) = &mut self.processor {
            processor.begin(at, heard, settings, seed);
        }
    }

    /// Its controller has moved.
    pub fn follow(&mut self, value: f32, samples: impl Fn(f32) -> u32) {
        self.x.go(value, samples(value - self.x.value()));
    }

    /// Its controller has come to rest.
    pub fn end(&mut self, samples: impl Fn(f32) -> u32) {
        self.life = Life::Ending;
        self.x.go(0.0, samples(-self.x.value()));
    }

    /// It keeps its x and is silent after at most `samples` samples.
    pub fn leave(&mut self, samples: u32) {
        if matches!(self.life, Life::Free | Life::Falling) {
            return;
        }
        let dying = self.life == Life::Leaving && self.fade.left() <= samples;
        if self.life == Life::Sounding {
            self.x.stay();
        }
        self.life = Life::Leaving;
        if !dying {
            self.fade.go(0.0, samples);
        }
    }

    fn has_ended(&self) -> bool {
        self.x.is_silent() && self.level == 0.0
    }

    /// Which samples of its source it holds, from the first to before the last.
    pub fn holds(&self) -> Option<(u64, u64)> {
        self.processor.as_ref()?.holds().map(|span| (span.start, span.end))
    }

    /// Why it cannot do what was asked, while it cannot.
    pub fn lacks(&self) -> Option<Lack> {
        self.processor.as_ref()?.lacks()
    }

    /// Makes the samples from `from` on, all in one cell, into `out`.
    pub fn render(&mut self, from: u64, now: &[f32], heard: &Heard, effect: Sounds, timings: Timings, out: &mut [f32]) {
        let (mut x, mut fade) = ([0.0; tenterhook_dsp::CELL as usize], [0.0; tenterhook_dsp::CELL as usize]);
        let (Some(x), Some(fade)) = (x.get_mut(..out.len()), fade.get_mut(..out.len())) else { return };
        self.x.fill(x);
        if let Some(processor) = &mut self.processor {
            processor.render(from, now, x, heard, effect.settings, out);
        }
        // From here on x is the level that it asks for, and then the level that is.
        x.iter_mut().for_each(|x| *x = (effect.level)(*x));
        if x.iter().any(|&wanted| wanted != self.level) {
            for level in &mut *x {
                self.level += (*level - self.level).clamp(-timings.level_step, timings.level_step);
                *level = self.level;
            }
        }
        self.fade.fill(fade);
        for ((out, &level), &fade) in out.iter_mut().zip(&*x).zip(&*fade) {
            // The fade's corners are rounded: g²(3 − 2g) leaves and arrives without a bend.
            let sound = *out * (level * fade * fade * (3.0 - 2.0 * fade));
            *out = if sound.is_finite() { sound } else { 0.0 };
            self.last.take_in(*out);
        }
        let done = match self.life {
            Life::Free | Life::Sounding | Life::Falling => false,
            Life::Ending => self.has_ended(),
            Life::Leaving => self.fade.is_silent() || self.has_ended(),
        };
        if done {
            self.free();
        }
    }

    /// Its effect broke: from here on it falls from its last sample.
    pub fn let_down(&mut self, timings: Timings) {
        if self.life != Life::Free {
            self.life = Life::Falling;
            self.last.fallen = 0;
            self.last.bend = self.last.slope.abs() * timings.flat as f32;
        }
    }

    /// Makes samples of a voice that is [`Life::Falling`].
    pub fn fall(&mut self, timings: Timings, out: &mut [f32]) {
        out.iter_mut().for_each(|out| *out = self.last.fall(timings));
        if self.last.fallen >= timings.down {
            self.free();
        }
    }
}

/// What a voice last sounded, to be let down from without a click.
#[derive(Clone, Copy, Default)]
struct Last {
    sample: f32,
    /// From the sample before it.
    slope: f32,
    /// The greatest magnitude of the last few ms.
    most: f32,
    /// How far it goes on the way that it was going, and samples since it began to fall.
    bend: f32,
    fallen: u32,
}

impl Last {
    fn take_in(&mut self, sample: f32) {
        self.slope = sample - self.sample;
        self.sample = sample;
        self.most = sample.abs().max(self.most * 0.995);
    }

    /// The next sample on the way down. Held still, a wave on its way would have a corner here, which is a click too: it
    /// goes on, ever slower, by no more than it was loud.
    fn fall(&mut self, timings: Timings) -> f32 {
        self.fallen += 1;
        let left = 1.0 - (self.fallen as f32 / timings.down as f32).min(1.0);
        let bend = self.bend.min(self.most).max(f32::MIN_POSITIVE);
        let on = bend * (1.0 - (-(self.fallen as f32) * self.slope.abs() / bend).exp());
        settle((self.sample + on.copysign(self.slope)) * left * left * (3.0 - 2.0 * left))
    }
}
