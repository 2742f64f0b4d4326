//! tape.

mod hand;
mod head;
mod interpolation;
mod reel;

use super::settings::{ChoiceSetting, SoundSetting};
use super::{EffectVoice, Given, Measured};
use crate::guard::settle;
use crate::memory::Heard;
use head::Head;
use interpolation::Kernel;
use reel::Reel;
use std::sync::Arc;
use tenterhook_plan::Recording;
use tenterhook_plan::declare::{Declaration, Emits};

const FILE: SoundSetting = SoundSetting { name: "file", help: "a sound file that lies beside the piece" };

/// What x works.
#[derive(Clone, Copy, Default)]
enum Under {
    #[default]
    Speed,
    Place,
}

const WORKS: ChoiceSetting<Under, 2> = ChoiceSetting {
    name: "works",
    help: "What x does to the recording.",
    words: [
        (
            Under::Speed,
            "speed",
            "x is its speed, 1 as it was recorded. It starts like a reel, from the recording's beginning each time x leaves \
             rest, and goes round at its end.",
        ),
        (
            Under::Place,
            "place",
            "x is the place under the head. What is heard is the movement: its speed, forwards or backwards, up to 4 times \
             as recorded, and between the steps of a fader the moment goes on. One that stands is let down over 1.5 s and \
             comes back where it moves. A place further away than half a second is not gone to: there it goes on as it \
             was recorded.",
        ),
    ],
};

/// Below this part of the recorded speed the sound fades: what is slower is no longer heard as it.
const STILL: f64 = 0.05;

/// Less than this is none: numbers that come nearer and nearer end exactly, far above the denormal ones.
const NOTHING: f64 = 1e-9;

/// Up from 0 to 1 without a corner.
fn smooth(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * (3.0 - 2.0 * x)
}

/// Goes the part `share` of the way.
fn follow(value: &mut f64, target: f64, share: f64) {
    let left = target - *value;
    *value = if left.abs() < NOTHING { target } else { *value + left * share };
}

pub(super) struct Tape {
    kernel: Kernel,
    works: TapeWorks,
}

/// What is played, and how.
pub(super) struct TapeSettings {
    /// Shared with the plan. Voices only borrow it: it is never let go of on the audio thread.
    sound: Arc<[f32]>,
    /// As it is at the beginning.
    works: TapeWorks,
}

#[derive(Clone, Copy)]
enum TapeWorks {
    Speed(Reel),
    Place(Head),
}

impl EffectVoice for Tape {
    const DECLARATION: Declaration = Declaration {
        name: "tape",
        help: "A recorded sound at the speed, or from the place, that the controller says; it needs no mic to sound.",
        x: "the speed of the recording, from standing still to as it was recorded, or the place in it, from its beginning \
            to its end",
        x_is_loudness: false,
        settings: &[FILE.declare(), WORKS.declare(&WORKS.texts())],
        emits: Emits::Audio,
    };

    type Settings = TapeSettings;

    fn settings(given: &Given<'_>) -> TapeSettings {
        let nothing = Recording { path: String::new(), rate: given.rate, tuned: 1.0, samples: [].into() };
        let recording = given.sound(&FILE).unwrap_or(&nothing);
        let works = match given.choice(&WORKS) {
            Under::Speed => TapeWorks::Speed(Reel::new(recording, given.rate)),
            Under::Place => TapeWorks::Place(Head::new(recording, given.rate)),
        };
        TapeSettings { sound: Arc::clone(&recording.samples), works }
    }

    /// Full as soon as it has left rest: x is a speed or a place, and a controller's own rest ends at 0.03.
    fn level(x: f32) -> f32 {
        (x / 0.03).min(1.0)
    }

    fn bytes(_: u32, _: f64) -> usize {
        size_of::<Self>() + Kernel::bytes()
    }

    fn new(rate: u32, _: f64) -> Self {
        let nothing = Recording { path: String::new(), rate, tuned: 1.0, samples: [].into() };
        Self { kernel: Kernel::new(), works: TapeWorks::Speed(Reel::new(&nothing, rate)) }
    }

    fn begin(&mut self, _: u64, _: &Heard<'_>, settings: &TapeSettings, _: u64) {
        self.works = settings.works;
    }

    fn render(&mut self, _: u64, _: &[f32], x: &[f32], _: &Heard<'_>, settings: &TapeSettings, out: &mut [f32]) {
        for (out, &x) in out.iter_mut().zip(x) {
            let sound = match &mut self.works {
                TapeWorks::Speed(reel) => reel.play(f64::from(x), &self.kernel, &settings.sound),
                TapeWorks::Place(head) => head.play(f64::from(x), &self.kernel, &settings.sound),
            };
            // A file may hold numbers that are none.
            *out = if sound.is_finite() { settle(sound) } else { 0.0 };
        }
    }
}

impl Measured for Tape {}

/// How many of the recording's samples pass in one of ours at the recorded speed.
fn ratio(recording: &Recording, rate: u32) -> f64 {
    f64::from(recording.rate) / f64::from(rate.max(1))
}
