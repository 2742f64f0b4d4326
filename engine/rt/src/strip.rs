//! The way of a mic into the engine, and of an output out of it.

use tenterhook_dsp::CELL;
use tenterhook_dsp::guard::{Guard, settle};
use tenterhook_dsp::highpass::Highpass;
use tenterhook_dsp::howl::Howl;
use tenterhook_dsp::limiter::Limiter;
use tenterhook_dsp::memory::{Insight, Memory};
use tenterhook_dsp::meter::Meter;
use tenterhook_dsp::offset::Offset;
use tenterhook_dsp::ramp::Ramp;
use tenterhook_plan::{Channel, MeterReading, Mic, Output};

use crate::delay::Delay;
use crate::fader::Fader;
use crate::fault::{Fault, ToldFault, caught};
use crate::reading::Reading;
use crate::timings::Timings;

/// The samples of one piece of a cell.
pub(crate) type CellSound = [f32; CELL as usize];

/// Something that effects read: its sound now, and its past.
pub(crate) struct SourceStrip {
    pub now: CellSound,
    pub memory: Memory,
    /// What broke of what its memory works out: of the model and of the analysis.
    pub faults: [(Insight, ToldFault); 2],
    /// 1, or on its way to 1 where a changed piece brings a source in while it sounds.
    pub coming: Ramp,
}

impl SourceStrip {
    /// A source that sounds nothing yet.
    pub fn new(memory: Memory) -> Self {
        let faults = [Insight::Model, Insight::Analysis].map(|insight| (insight, ToldFault::default()));
        Self { now: [0.0; CELL as usize], memory, faults, coming: Ramp::at(1.0) }
    }

    /// The present piece, whose first `length` samples are set, becomes the past of what follows. True: what is worked
    /// out of it broke just now; `beside` is called beside it.
    pub fn remember(&mut self, from: u64, length: usize, beside: impl Fn(Insight)) -> bool {
        let sound = self.now.get_mut(..length).unwrap_or_default();
        if self.coming.left() > 0 {
            sound.iter_mut().for_each(|sample| *sample = settle(*sample * self.coming.advance()));
        }
        self.memory.keep(from, sound);
        let mut broke = false;
        for (insight, told) in &mut self.faults {
            if !self.memory.has(*insight) || told.fault.is_some() {
                continue;
            }
            if let Err(spot) = caught(|| {
                self.memory.work_out(*insight, from, sound);
                beside(*insight);
            }) {
                self.memory.give_up(*insight);
                *told = ToldFault::of(Fault { sample: from, spot });
                broke = true;
            }
        }
        broke
    }
}

/// A mic: input guard, meter, polarity and trim, highpass, mute.
pub(crate) struct MicStrip {
    pub input: Option<usize>,
    guard: Guard,
    meter: Meter,
    offset: Offset,
    /// Trim, negative if the polarity is turned over.
    pub gain: Ramp,
    pub highpass_hz: Option<f64>,
    highpass: Option<Highpass>,
    /// 1 when the mic is let in, 0 when it is muted.
    pub open: Ramp,
    /// 0 while its sound is exchanged for another in a changed piece.
    pub dip: Ramp,
}

impl MicStrip {
    /// The strip of a mic, open and silent.
    pub fn new(mic: &Mic, rate: u32) -> Self {
        let trim = mic.trim.gain();
        Self {
            input: mic.input.map(usize::from),
            guard: Guard::new(),
            meter: Meter::new(rate),
            offset: Offset::new(rate),
            gain: Ramp::at(if mic.inverted { -trim } else { trim }),
            highpass_hz: mic.highpass_hz,
            highpass: mic.highpass_hz.map(|corner| Highpass::new(corner, rate)),
            open: Ramp::at(1.0),
            dip: Ramp::at(1.0),
        }
    }

    /// Makes `sound`, which holds the device's samples from `from` on, into what the effects hear.
    pub fn process(&mut self, from: u64, sound: &mut [f32]) {
        self.guard.process(sound);
        self.meter.feed(from, sound);
        self.offset.feed(from, sound);
        let (mut one, mut two) = ([0.0; CELL as usize], [0.0; CELL as usize]);
        let (Some(one), Some(two)) = (one.get_mut(..sound.len()), two.get_mut(..sound.len())) else { return };
        self.gain.fill(one);
        sound.iter_mut().zip(&*one).for_each(|(sample, gain)| *sample *= gain);
        if let Some(highpass) = &mut self.highpass {
            highpass.process(sound);
        }
        self.open.fill(one);
        self.dip.fill(two);
        for ((sample, open), dip) in sound.iter_mut().zip(&*one).zip(&*two) {
            *sample = settle(*sample * open * dip);
        }
    }

    /// Says what its meter saw; the peak starts again once it is told, which `say` returns.
    pub fn tell(&mut self, sample: u64, channel: Channel, say: impl FnOnce(Reading) -> bool) {
        let (bad, offset) = (self.guard.bad(), self.offset.standing());
        let meter = MeterReading { bad, offset, ..self.meter.reading() };
        if say(Reading::Meter { sample, channel, meter }) {
            self.meter.take();
        }
    }

    /// Takes over what the mic of the same name was like in the piece before, and glides to what it is now.
    pub fn carry(&mut self, old: &mut Self, timings: Timings) {
        self.guard = old.guard;
        self.meter = old.meter;
        self.offset = old.offset;
        let gain = self.gain.target();
        self.gain = old.gain;
        self.gain.go(gain, timings.glide);
        self.open = old.open;
        if self.highpass_hz == old.highpass_hz {
            std::mem::swap(&mut self.highpass, &mut old.highpass);
        }
        self.dip = old.dip;
        self.dip.go(1.0, timings.glide);
    }
}

/// An output: its sum, delay, level, limiter, meter.
pub(crate) struct OutputStrip {
    pub channel: Option<usize>,
    /// Before the level, so that whoever turns that down need not wait.
    pub delay: Delay,
    pub level: Fader,
    /// 0 while it changes its channel in a changed piece.
    pub dip: Ramp,
    ceiling: f32,
    limiter: Limiter,
    /// The least gain of its channel's limiter that was not told yet, if it shares the channel; else 1.
    shared_least: f32,
    howl: Howl,
    /// The sum on its channel howls, where it shares one.
    shared_howls: bool,
    meter: Meter,
    pub sum: CellSound,
}

impl OutputStrip {
    /// The strip of an output at 0 dB, silent.
    pub fn new(output: &Output, rate: u32) -> Self {
        let ceiling = output.ceiling.gain();
        Self {
            channel: output.channel.map(usize::from),
            delay: Delay::new(output.delay, rate),
            level: Fader::NEW,
            dip: Ramp::at(1.0),
            ceiling,
            limiter: Limiter::new(ceiling, rate),
            shared_least: 1.0,
            howl: Howl::new(rate),
            shared_howls: false,
            meter: Meter::new(rate),
            sum: [0.0; CELL as usize],
        }
    }

    /// Makes the sum of the samples from `from` on into what goes out; `all` is the level of all outputs together.
    pub fn process(&mut self, from: u64, all: &[f32], timings: Timings) -> &[f32] {
        let sound = self.sum.get_mut(..all.len()).unwrap_or_default();
        self.delay.process(from, sound, timings);
        let (mut level, mut dip) = ([0.0; CELL as usize], [0.0; CELL as usize]);
        let (Some(level), Some(dip)) = (level.get_mut(..sound.len()), dip.get_mut(..sound.len())) else { return sound };
        self.level.fill(level);
        self.dip.fill(dip);
        for (((sample, &all), level), dip) in sound.iter_mut().zip(all).zip(&*level).zip(&*dip) {
            *sample = settle(*sample * level * dip * all);
        }
        self.limiter.process(sound);
        self.howl.feed(from, sound, &mut self.limiter);
        self.meter.feed(from, sound);
        sound
    }

    /// Says what its meter and its limiters saw; both start again once it is told, which `say` returns.
    pub fn tell(&mut self, sample: u64, channel: Channel, say: impl FnOnce(Reading) -> bool) {
        let reduction = self.limiter.least_gain() * self.shared_least;
        let howls = self.howl.howls() || self.shared_howls;
        let meter = MeterReading { reduction, howls, ..self.meter.reading() };
        if say(Reading::Meter { sample, channel, meter }) {
            self.meter.take();
            self.limiter.take_least_gain();
            self.shared_least = 1.0;
        }
    }

    /// Takes over what the output of the same name was like in the piece before.
    pub fn carry(&mut self, old: &mut Self, at: u64, timings: Timings) {
        self.delay.carry(&mut old.delay, at, timings);
        self.level = old.level;
        self.dip = old.dip;
        self.dip.go(1.0, timings.glide);
        self.meter = old.meter;
        self.shared_least = old.shared_least;
        if self.ceiling == old.ceiling {
            (self.limiter, self.howl) = (old.limiter, old.howl);
        }
    }
}

/// A device channel that several outputs share in a small hall: their sum needs a ceiling of its own.
pub(crate) struct SharedChannel {
    pub channel: usize,
    ceiling: f32,
    limiter: Limiter,
    howl: Howl,
}

impl SharedChannel {
    /// The shared channels of a plan, each with the lowest ceiling of its outputs.
    pub fn all(outputs: &[Output], rate: u32) -> Vec<Self> {
        let mut channels: Vec<u16> = outputs.iter().filter_map(|output| output.channel).collect();
        channels.sort_unstable();
        let shared: Vec<u16> = channels
            .chunk_by(|a, b| a == b)
            .filter(|same| same.len() > 1)
            .filter_map(|same| same.first().copied())
            .collect();
        let ceiling = |channel: u16| {
            let on_it = outputs.iter().filter(|output| output.channel == Some(channel));
            on_it.map(|output| output.ceiling.gain()).fold(1.0, f32::min)
        };
        let one = |&channel: &u16| {
            let ceiling = ceiling(channel);
            Self { channel: usize::from(channel), ceiling, limiter: Limiter::new(ceiling, rate), howl: Howl::new(rate) }
        };
        shared.iter().map(one).collect()
    }

    /// Limits the samples from `from` on.
    pub fn process(&mut self, from: u64, sound: &mut [f32]) {
        self.limiter.process(sound);
        self.howl.feed(from, sound, &mut self.limiter);
    }

    /// Notes what its limiter did at the outputs that share it.
    pub fn note(&mut self, outputs: &mut [OutputStrip]) {
        let least = self.limiter.take_least_gain();
        for output in outputs.iter_mut().filter(|output| output.channel == Some(self.channel)) {
            output.shared_least = output.shared_least.min(least);
            output.shared_howls = self.howl.howls();
        }
    }

    /// Takes over where the limiter of the same channel stood.
    pub fn carry(&mut self, old: &[Self]) {
        if let Some(old) = old.iter().find(|old| old.channel == self.channel && old.ceiling == self.ceiling) {
            (self.limiter, self.howl) = (old.limiter, old.howl);
        }
    }
}
