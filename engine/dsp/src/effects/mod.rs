//! The effects: one file each, and the one table that everything else is derived from.

mod answer;
mod direct;
mod double;
mod freeze;
mod reverse;
mod settings;
pub(crate) mod stretch;
mod sympathetic;
mod tape;

use crate::memory::Heard;
use std::any::Any;
use std::ops::Range;
use tenterhook_plan::Lack;
use tenterhook_plan::declare::{Declaration, Setting};

pub use settings::Given;

/// What an effect's file says: its declaration, its settings as a type, and one voice of it, which implements this.
///
/// The engine owns the voice's level and its fades; it only makes the sound. `begin`, `render`, `holds` and `lacks` run on the audio
/// thread: nothing there may allocate, free, lock, wait or panic.
pub trait EffectVoice: Sized + Send + 'static {
    /// What the effect says about itself.
    const DECLARATION: Declaration;

    /// Whether it reads its source's [model](crate::memory::Memory::modelled) rather than its sound.
    const WANTS_MODEL: bool = false;

    /// Whether it asks of its source's sound what of it is the player's [own](crate::memory::OWN).
    const HEEDS_ITS_PLAYER: bool = false;

    /// Its settings, with all that can be worked out of them beforehand.
    type Settings: Send + 'static;

    /// Reads the settings. Not for the audio thread.
    fn settings(given: &Given<'_>) -> Self::Settings;

    /// How loud it is at x, 0…1.
    fn level(x: f32) -> f32;

    /// How many seconds of its source's past it reads with these settings.
    fn reach(_: &Self::Settings) -> f64 {
        0.0
    }

    /// Whether it looks at its source's analysis: then the source's memory needs
    /// [one](crate::memory::Memory::with_analysis).
    fn wants_analysis(_: &Self::Settings) -> bool {
        false
    }

    /// How much room these settings need, in whatever unit: a voice with more has room for them too.
    fn room(_: &Self::Settings) -> f64 {
        0.0
    }

    /// How many bytes its settings take beside themselves, what they share with others left out.
    fn settings_bytes(_: &Self::Settings) -> usize {
        0
    }

    /// How many bytes a voice with so much room takes, itself included, what it shares with others left out.
    fn bytes(rate: u32, room: f64) -> usize;

    /// A voice with so much room. Not for the audio thread: it allocates all that the voice will ever need.
    fn new(rate: u32, room: f64) -> Self;

    /// Begins afresh at sample `at`, with settings for which it has room, from what has been heard before it
    /// (`heard.end() == at`). Its random numbers come from `seed`, with the sample and the grain: never a running stream.
    fn begin(&mut self, at: u64, heard: &Heard<'_>, settings: &Self::Settings, seed: u64);

    /// Makes the samples from `from` on, which all lie in one cell of the [grid](crate::CELL), `from` may be inside it.
    ///
    /// `now` is the source at these samples, `x` the smoothed controller at each of them, `heard` what came before the
    /// cell, or before the beginning if that is in this cell. All slices have the same length. Work that is due at a
    /// grid line is done in the call whose `from` is that line: there is exactly one.
    ///
    /// `settings` are those with which it began. The sound must be the same however the cell is cut into calls.
    fn render(
        &mut self,
        from: u64,
        now: &[f32],
        x: &[f32],
        heard: &Heard<'_>,
        settings: &Self::Settings,
        out: &mut [f32],
    );

    /// Which samples of its source it holds, if it holds any: known from some moment after its beginning on.
    fn holds(&self) -> Option<Range<u64>> {
        None
    }

    /// Why it cannot do what was asked, while it cannot.
    fn lacks(&self) -> Option<Lack> {
        None
    }
}

/// How late an effect sounds, for a measurement that lays its sound beside its source.
pub trait Measured: EffectVoice {
    /// How many samples after its beginning, at a grid line, the sound of that very moment is heard, when x goes as given,
    /// sample by sample, and then stays at its last value.
    fn lag(_: &Self::Settings, _rate: u32, _x: &[f32]) -> f64 {
        0.0
    }
}

/// An effect as the program knows it: what its [`EffectVoice`] says, whatever the type of its settings.
#[derive(Clone, Copy)]
pub struct Effect {
    /// What it says about itself.
    pub declaration: Declaration,
    /// See [`EffectVoice::level`].
    pub level: fn(f32) -> f32,
    /// See [`EffectVoice::WANTS_MODEL`].
    pub wants_model: bool,
    /// See [`EffectVoice::HEEDS_ITS_PLAYER`].
    pub heeds_its_player: bool,
    /// Makes settings ready to begin with, at so many samples a second: values in the order of the declaration. Not for the
    /// audio thread.
    pub prepare: fn(&[Setting], u32) -> Prepared,
    /// How many bytes a processor takes, at so many samples a second, with so much [room](Prepared::room).
    pub bytes: fn(u32, f64) -> usize,
    /// Makes a processor with so much room. Called off the audio thread: it allocates all that the processor will ever need.
    pub make: fn(u32, f64) -> Box<dyn Processor>,
    /// See [`Measured::lag`].
    pub lag: fn(&Prepared, u32, &[f32]) -> f64,
}

/// The settings of one effect of a piece, ready to begin with.
pub struct Prepared {
    settings: Box<dyn Any + Send>,
    /// See [`EffectVoice::reach`]: seconds.
    pub reach: f64,
    /// See [`EffectVoice::wants_analysis`].
    pub wants_analysis: bool,
    /// See [`EffectVoice::room`].
    pub room: f64,
    /// How many bytes it takes beside itself.
    pub bytes: usize,
}

/// One voice of an effect whose type is not known, see [`EffectVoice`].
pub trait Processor: Send {
    /// See [`EffectVoice::begin`]. With the settings of another effect it begins nothing.
    fn begin(&mut self, at: u64, heard: &Heard<'_>, settings: &Prepared, seed: u64);

    /// See [`EffectVoice::render`]. With the settings of another effect it leaves `out` as it is.
    fn render(&mut self, from: u64, now: &[f32], x: &[f32], heard: &Heard<'_>, settings: &Prepared, out: &mut [f32]);

    /// See [`EffectVoice::holds`].
    fn holds(&self) -> Option<Range<u64>>;

    /// See [`EffectVoice::lacks`].
    fn lacks(&self) -> Option<Lack>;
}

impl<V: EffectVoice> Processor for V {
    fn begin(&mut self, at: u64, heard: &Heard<'_>, settings: &Prepared, seed: u64) {
        if let Some(settings) = settings.settings.downcast_ref() {
            EffectVoice::begin(self, at, heard, settings, seed);
        }
    }

    fn render(&mut self, from: u64, now: &[f32], x: &[f32], heard: &Heard<'_>, settings: &Prepared, out: &mut [f32]) {
        if let Some(settings) = settings.settings.downcast_ref() {
            EffectVoice::render(self, from, now, x, heard, settings, out);
        }
    }

    fn holds(&self) -> Option<Range<u64>> {
        EffectVoice::holds(self)
    }

    fn lacks(&self) -> Option<Lack> {
        EffectVoice::lacks(self)
    }
}

impl Effect {
    /// The effect whose voice this is.
    pub const fn of<V: Measured>() -> Self {
        Self {
            declaration: V::DECLARATION,
            level: V::level,
            wants_model: V::WANTS_MODEL,
            heeds_its_player: V::HEEDS_ITS_PLAYER,
            prepare: |values, rate| {
                let settings = V::settings(&Given { declared: V::DECLARATION.settings, values, rate });
                Prepared {
                    reach: V::reach(&settings),
                    wants_analysis: V::wants_analysis(&settings),
                    room: V::room(&settings),
                    bytes: size_of::<V::Settings>() + V::settings_bytes(&settings),
                    settings: Box::new(settings),
                }
            },
            bytes: V::bytes,
            make: |rate, room| Box::new(V::new(rate, room)),
            lag: |settings, rate, x| settings.settings.downcast_ref().map_or(0.0, |settings| V::lag(settings, rate, x)),
        }
    }
}

/// How loud x is where it says nothing else: -52 dB at 0.05, -12 dB at a half, 0 dB at 1, and even to a foot between.
fn loudness(x: f32) -> f32 {
    x * x
}

/// So many seconds in samples.
fn samples(seconds: f64, rate: u32) -> usize {
    (seconds * f64::from(rate)).round() as usize
}

/// All effects.
pub static EFFECTS: [Effect; 8] = [
    Effect::of::<stretch::Stretch>(),
    Effect::of::<reverse::Reverse>(),
    Effect::of::<freeze::Freeze>(),
    Effect::of::<sympathetic::Sympathetic>(),
    Effect::of::<double::Double>(),
    Effect::of::<tape::Tape>(),
    Effect::of::<answer::Answer>(),
    Effect::of::<direct::Direct>(),
];

/// The effect of this name.
pub fn named(name: &str) -> Option<&'static Effect> {
    EFFECTS.iter().find(|effect| effect.declaration.name == name)
}
