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
             as recorded, and between the steps of a fader the moment goes on. One that stands is let down over 1.5 s and \
             comes back where it moves. A place further away than half a second is not gone to: there it goes on as it \
             was recorded.",
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

/// As far as so many seconds of it may be off when x comes to move evenly; otherwise it is set down where x is.
const NEAR: f64 = 0.08;

/// Seconds in which the head comes on or off, and in which the recording's ends fade in front of it.
const CONTACT: f64 = 0.012;
const EDGE: f64 = 0.005;

/// Seconds in which a head that begins to move or comes to stand is heard or not at the soonest.
const MOVES: f64 = 0.005;

/// A fader that has not moved for so many seconds stands; a movement no longer than this may be one of its steps, which
/// the engine smooths over 20 ms; and while it stands the moment is let down over this.
const STANDS: f64 = 0.005;
const SINGLE: f64 = 0.025;
const DOWN: f64 = 1.5;

/// The next step of a fader may come so much later than the ones before before the moment begins to be let down.
const LATE: f64 = 1.5;

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
    hand: Hand,
    /// Where it is; `None`: it has not been set down yet.
    contact: Option<Contact>,
    /// What is still heard of the place from which it was lifted.
    left: Option<Contact>,
}

/// How x moves: a fader comes in steps, each a short movement, between which it stands.
#[derive(Clone, Copy)]
struct Hand {
    /// Our samples after which one that does not move stands; up to which a movement may be a single step; after which
    /// the sound of one that stands has been let down.
    stands: u32,
    single: u32,
    down: u32,
    /// Where x was, and where the present movement began.
    target: f64,
    start: f64,
    /// Our samples since it last moved, and since the present movement began.
    stood: u32,
    since: u32,
    /// Our samples from a step to the next; 0: it moves evenly.
    interval: f64,
    /// Whether the movement before it began less than `down` ago.
    goes_on: bool,
    /// Whether x has gone faster in this movement than the head can.
    leaps: bool,
    /// Whether it is still open what the head does when this movement is over.
    undecided: bool,
}

/// What a hand does at a sample.
#[derive(Clone, Copy, PartialEq, Eq)]
enum HandMove {
    /// It may be a step, or the beginning of more.
    Begins,
    /// It moves evenly.
    Even,
    Stands,
}

impl Hand {
    fn new(rate: f64) -> Self {
        let samples = |seconds: f64| (seconds * rate).round() as u32;
        let down = samples(DOWN);
        Self {
            stands: samples(STANDS),
            single: samples(SINGLE),
            down,
            target: 0.0,
            start: 0.0,
            stood: down,
            since: down,
            interval: 0.0,
            goes_on: false,
            leaps: false,
            undecided: false,
        }
    }

    fn follow(&mut self, target: f64) -> HandMove {
        self.since = self.since.saturating_add(1);
        if target == self.target {
            self.stood = self.stood.saturating_add(1);
        } else {
            if self.stood >= self.stands {
                self.goes_on = self.since < self.down;
                if self.goes_on && self.interval > 0.0 {
                    self.interval = 0.5 * (self.interval + f64::from(self.since));
                } else {
                    self.interval = f64::from(self.since);
                }
                (self.start, self.since, self.undecided) = (self.target, 0, true);
            }
            (self.target, self.stood) = (target, 0);
        }
        let even = self.since - self.since.min(self.stood) > self.single;
        if even {
            self.interval = 0.0;
        }
        match even {
            _ if self.stood >= self.stands => HandMove::Stands,
            true => HandMove::Even,
            false => HandMove::Begins,
        }
    }

    /// How loud the moment under it still is.
    fn loudness(&self) -> f64 {
        let (stood, down) = (f64::from(self.stood), f64::from(self.down));
        let expected = (LATE * self.interval).min(0.7 * down);
        smooth((down - stood) / (down - expected))
    }
}

/// The head at a moment. All places are samples of the recording.
#[derive(Clone, Copy)]
struct Contact {
    /// Where x was, followed once, and once more.
    between: f64,
    place: f64,
    pace: f64,
    /// The pace to which it comes while x stands, or has only begun to move.
    cruise: f64,
    /// How far it is on the recording, in samples of ours.
    on: f64,
    /// How loud it is by its speed, which may change faster than sound may come and go.
    moves: f64,
}

impl Contact {
    /// Off the recording, above `target`.
    fn above(target: f64, cruise: f64) -> Self {
        Self { between: target, place: target, pace: cruise, cruise, on: 0.0, moves: 0.0 }
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
            hand: Hand::new(rate),
            contact: None,
            left: None,
        }
    }

    fn play(&mut self, x: f64, kernel: &Kernel, sound: &[f32]) -> f32 {
        let target = x * self.length;
        let Some(mut head) = self.contact else {
            self.hand.target = target;
            self.contact = Some(Contact::above(target, 0.0));
            return 0.0;
        };
        let moved = target - self.hand.target;
        let was_silent = self.hand.loudness() == 0.0;
        let hand = self.hand.follow(target);
        let fastest = FASTEST * self.ratio;
        if was_silent && hand == HandMove::Begins {
            // It comes back where it moves.
            head = self.lift(head, self.hand.start, 0.0);
        }
        // Off the recording it waits until it can go along.
        let leaps = moved.abs() > fastest;
        self.hand.leaps = leaps || (self.hand.leaps && self.hand.since > 0);
        let waits = head.on == 0.0 && (leaps || (hand == HandMove::Begins && self.hand.leaps));
        match hand {
            HandMove::Even if waits => head = Contact::above(target, 0.0),
            HandMove::Even => {
                let off = (target - head.place).abs() / self.rate;
                if off > FAR || (self.hand.undecided && off > NEAR) {
                    head = self.lift(head, target, 0.0);
                }
                self.hand.undecided = false;
                head = self.go_along(head, fastest);
                // While it stands after this it goes on as it went.
                follow(&mut head.cruise, head.pace, 0.5 * self.share);
            }
            HandMove::Begins if waits => head = Contact::above(self.hand.start, 0.0),
            // A step onwards, or one whose way is not gone: what it means is known when it is done.
            HandMove::Begins
                if self.hand.leaps || (self.hand.goes_on && (target - self.hand.start) * head.cruise > 0.0) =>
            {
                head = self.cruise(head);
            }
            HandMove::Begins => {
                if self.hand.goes_on && self.hand.since == 0 && head.cruise != 0.0 {
                    // It turns round, from where it stood.
                    head = self.lift(head, self.hand.start, 0.0);
                }
                head = self.go_along(head, self.ratio.max(head.pace.abs()).min(fastest));
            }
            HandMove::Stands => {
                if self.hand.undecided {
                    head = self.stop(head, target, fastest);
                }
                head = self.cruise(head);
            }
        }
        if !waits {
            head.on = (head.on + 1.0).min(self.fade);
        }
        let moves = (head.pace.abs() / (STILL * self.ratio)).min(1.0) * self.hand.loudness();
        head.moves += (moves - head.moves).clamp(-self.step, self.step);
        let mut heard = self.read(&mut head, kernel, sound);
        self.contact = Some(head);
        if let Some(mut left) = self.left {
            left.on -= 1.0;
            heard += self.read(&mut left, kernel, sound);
            self.left = (left.on > 0.0).then_some(left);
        }
        heard
    }

    /// What the recording sounds under it, one sample further on.
    fn read(&self, head: &mut Contact, kernel: &Kernel, sound: &[f32]) -> f32 {
        let edge = head.place.min(self.length - head.place) / (EDGE * self.rate);
        let gain = smooth(head.moves) * smooth(head.on / self.fade) * smooth(edge);
        // Less than the least sound of a recording at full scale is none.
        let heard = if gain > 1e-10 { gain as f32 * kernel.read(sound, head.place, head.pace) } else { 0.0 };
        head.place = (head.place + head.pace).clamp(0.0, self.length);
        heard
    }

    /// Sets it down elsewhere, unless it is still heard from where it was before.
    fn lift(&mut self, head: Contact, target: f64, cruise: f64) -> Contact {
        if self.left.is_some() {
            return head;
        }
        self.left = (head.on > 0.0 && head.moves > 0.0).then_some(head);
        Contact::above(target, cruise)
    }

    /// Follows x.
    fn go_along(&self, mut head: Contact, fastest: f64) -> Contact {
        follow(&mut head.between, self.hand.target, self.share);
        let left = head.between - head.place;
        head.pace = if left.abs() < NOTHING { left } else { (left * self.share).clamp(-fastest, fastest) };
        head
    }

    /// Goes on while x stands.
    fn cruise(&self, mut head: Contact) -> Contact {
        follow(&mut head.pace, head.cruise, self.share);
        // From here it can follow x again.
        head.between = head.place + head.pace / self.share;
        head
    }

    /// x has come to stand: where and at what pace it goes on.
    fn stop(&mut self, head: Contact, target: f64, fastest: f64) -> Contact {
        let Hand { start, interval, goes_on, .. } = self.hand;
        let (step, ahead) = (target - start, target - head.place);
        let pace = if goes_on { step / interval } else { self.ratio.copysign(step) };
        let far = if goes_on { (FAR * self.rate).max(2.0 * step.abs()) } else { FAR * self.rate };
        let even = interval == 0.0;
        if !even && (pace.abs() > fastest || ahead.abs() > far) {
            self.hand.undecided = self.left.is_some();
            return self.lift(head, target, self.ratio.copysign(step));
        }
        self.hand.undecided = false;
        if even {
            return head;
        }
        // It is there when the next step comes.
        let (slow, fast) = (0.5 * pace.abs(), (2.0 * pace.abs()).min(fastest));
        let due = if goes_on { ahead / interval } else { pace };
        Contact { cruise: (due * pace.signum()).clamp(slow.min(fast), fast).copysign(pace), ..head }
    }
}
