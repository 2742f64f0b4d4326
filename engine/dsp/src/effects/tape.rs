//! tape.

mod interpolation;

use super::settings::{ChoiceSetting, SoundSetting};
use super::{EffectVoice, Given, Measured};
use crate::guard::settle;
use crate::memory::Heard;
use interpolation::Kernel;
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
             as recorded. A head that stands still is silent, and one that has to go further than half a second is lifted \
             and set down there.",
        ),
    ],
};

/// In these many seconds the reel comes to 63 % of another speed.
const REEL: f64 = 0.1;

/// The head follows x through two of these in a row, in seconds: 20 ms behind an even movement.
const HEAD: f64 = 0.01;

/// The greatest speed of the head, times the recorded one.
const FASTEST: f64 = 4.0;

/// A place further away than so many seconds of the recording is not gone to: the head is lifted.
const FAR: f64 = 0.5;

/// Seconds in which the head comes on or off, and in which the recording's ends fade in front of it.
const CONTACT: f64 = 0.01;
const EDGE: f64 = 0.005;

/// Seconds in which a head that begins to move or comes to stand is heard or not at the soonest.
const MOVES: f64 = 0.005;

/// Below this part of the recorded speed the sound fades: what is slower is no longer heard as it.
const STILL: f64 = 0.05;

/// Seconds of the recording over which its end and its beginning sound together, and within which its end is chosen.
const SPLICE: f64 = 0.02;
const RANGE: f64 = 0.04;

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
        let nothing = Recording { path: String::new(), rate: given.rate, samples: [].into() };
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
        let nothing = Recording { path: String::new(), rate, samples: [].into() };
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

/// The recording at a speed, round and round.
#[derive(Clone, Copy)]
struct Reel {
    /// Samples of the recording for each of ours at the recorded speed.
    ratio: f64,
    inertia: f64,
    splice: Splice,
    place: f64,
    speed: f64,
}

impl Reel {
    fn new(recording: &Recording, rate: u32) -> Self {
        let inertia = 1.0 - (-1.0 / (REEL * f64::from(rate.max(1)))).exp();
        Self { ratio: ratio(recording, rate), inertia, splice: Splice::find(recording), place: 0.0, speed: 0.0 }
    }

    fn play(&mut self, x: f64, kernel: &Kernel, sound: &[f32]) -> f32 {
        follow(&mut self.speed, x, self.inertia);
        let gain = smooth(self.speed / STILL) as f32;
        if gain == 0.0 || self.splice.round <= 0.0 {
            return 0.0;
        }
        let pace = self.speed * self.ratio;
        let (end, length, round) = (self.splice.end, self.splice.length, self.splice.round);
        let mut heard = kernel.read(sound, self.place, pace);
        let into = self.place - (end - length);
        if into > 0.0 {
            // Two gains that keep the power of a sum whose parts are that much alike, as in reverse.
            let new = ((into / length) as f32).min(1.0);
            let old = 1.0 - new;
            let power = new * new + old * old + 2.0 * self.splice.likeness * new * old;
            heard = (heard * old + kernel.read(sound, self.place - round, pace) * new) / power.sqrt();
        }
        self.place += pace;
        if self.place >= end {
            self.place = (self.place - round).clamp(0.0, end);
        }
        gain * heard
    }
}

/// Where a recording's end goes over into its beginning, in its samples.
#[derive(Clone, Copy, Debug)]
struct Splice {
    /// Where the end has faded out.
    end: f64,
    /// How long both sound.
    length: f64,
    /// From one time round to the next.
    round: f64,
    /// How alike both are, −0.5…1.
    likeness: f32,
}

impl Splice {
    /// The end within the last 40 ms that goes over best. Not for the audio thread: some million products.
    fn find(recording: &Recording) -> Self {
        let samples = |seconds: f64| (seconds * f64::from(recording.rate)) as usize;
        let sound = &recording.samples;
        let length = samples(SPLICE).min(sound.len() / 4);
        let beginning = sound.get(..length).unwrap_or_default();
        let product = |one: &[f32], other: &[f32]| -> f64 {
            one.iter().zip(other).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum()
        };
        let likeness = |end: usize| {
            let last = sound.get(end - length..end).unwrap_or_default();
            let energy = product(last, last) * product(beginning, beginning);
            if energy > 1e-24 { (product(last, beginning) / energy.sqrt()) as f32 } else { 0.0 }
        };
        // Of equally good ends the last.
        let ends = (0..=samples(RANGE).min(sound.len() / 4)).map(|back| sound.len() - back);
        let (end, likeness) = ends
            .map(|end| (end, likeness(end)))
            .fold((sound.len(), f32::MIN), |best, one| if one.1 > best.1 + 1e-6 { one } else { best });
        let likeness = likeness.clamp(-0.5, 1.0);
        Self { end: end as f64, length: length as f64, round: (end - length) as f64, likeness }
    }
}

/// The recording under a head that moves over it.
#[derive(Clone, Copy)]
struct Head {
    rate: f64,
    /// Samples of the recording for each of ours at the recorded speed.
    ratio: f64,
    share: f64,
    /// The length of the recording.
    length: f64,
    /// Our samples in which the head comes on or off.
    fade: f64,
    /// The greatest change of its loudness by speed from one sample to the next.
    step: f64,
    /// Where it is, and in which of its ways; `None`: it has not been set down yet.
    contact: Option<Contact>,
}

/// The head at a moment. All places are samples of the recording.
#[derive(Clone, Copy)]
struct Contact {
    /// Where x was.
    target: f64,
    /// The target, followed once, and once more.
    between: f64,
    place: f64,
    pace: f64,
    /// How far it is on the recording, in samples of ours, and whether it goes up.
    on: f64,
    lifting: bool,
    /// How loud it is by its speed, which may change faster than sound may come and go.
    moves: f64,
}

impl Contact {
    /// Off the recording, above `target`.
    fn above(target: f64) -> Self {
        Self { target, between: target, place: target, pace: 0.0, on: 0.0, lifting: false, moves: 0.0 }
    }
}

impl Head {
    fn new(recording: &Recording, rate: u32) -> Self {
        let rate = f64::from(rate.max(1));
        Self {
            rate: f64::from(recording.rate),
            ratio: ratio(recording, rate as u32),
            share: 1.0 - (-1.0 / (HEAD * rate)).exp(),
            length: recording.samples.len() as f64,
            fade: (CONTACT * rate).round().max(1.0),
            step: 1.0 / (MOVES * rate),
            contact: None,
        }
    }

    fn play(&mut self, x: f64, kernel: &Kernel, sound: &[f32]) -> f32 {
        let target = x * self.length;
        let fastest = FASTEST * self.ratio;
        let mut head = self.contact.unwrap_or(Contact::above(target));
        let moved = target - head.target;
        head.target = target;
        if head.lifting {
            head.on -= 1.0;
            head.lifting = head.on > 0.0;
        } else if head.on == 0.0 && moved.abs() > fastest {
            // It waits above the recording until it can go along.
            head = Contact::above(target);
        } else if (target - head.place).abs() > FAR * self.rate {
            if head.on > 0.0 { head.lifting = true } else { head = Contact::above(target) }
        } else {
            head.on = (head.on + 1.0).min(self.fade);
        }
        // While it is lifted it goes on as it went.
        if !head.lifting {
            follow(&mut head.between, target, self.share);
            let left = head.between - head.place;
            head.pace = if left.abs() < NOTHING { left } else { (left * self.share).clamp(-fastest, fastest) };
        }
        let moves = (head.pace.abs() / (STILL * self.ratio)).min(1.0);
        head.moves += (moves - head.moves).clamp(-self.step, self.step);
        let edge = head.place.min(self.length - head.place) / (EDGE * self.rate);
        let gain = smooth(head.moves) * smooth(head.on / self.fade) * smooth(edge);
        // Less than the least sound of a recording at full scale is none.
        let heard = if gain > 1e-10 { gain as f32 * kernel.read(sound, head.place, head.pace) } else { 0.0 };
        head.place += head.pace;
        self.contact = Some(head);
        heard
    }
}
