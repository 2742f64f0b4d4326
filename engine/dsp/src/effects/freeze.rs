//! freeze.

mod hold;
mod separation;
mod spectrum;

use super::settings::{ChoiceSetting, QuantitySetting};
use super::{EffectVoice, Given, Measured, loudness, samples};
use crate::CELL;
use crate::aim::{self, HeldSpan};
use crate::bytes::many;
use crate::guard::settle;
use crate::memory::Heard;
use crate::prefault::prefaulted;
use crate::random::{bits, even};
use crate::schedule::Schedule;
use crate::windows::{hann, scaled};
use hold::{Hold, HoldFrame};
use separation::Separation;
use std::ops::Range;
use tenterhook_plan::Lack;
use tenterhook_plan::declare::{Declaration, Emits, Unit};

/// Which moment is held.
#[derive(Clone, Copy, Default, PartialEq, Eq)]
enum FreezeAim {
    #[default]
    Steady,
    Now,
}

const AIM: ChoiceSetting<FreezeAim, 2> = ChoiceSetting {
    name: "aim",
    help: "Which moment is held.",
    words: [
        (FreezeAim::Steady, "steady", "the steadiest pitched moment near the gesture"),
        (FreezeAim::Now, "now", "exactly what sounds at the gesture"),
    ],
};

const SPREAD: QuantitySetting = QuantitySetting {
    name: "spread",
    help: "How much of the hold is a swarm of grains: 0 hangs still, 1 swarms.",
    unit: Unit::Number,
    least: 0.0,
    most: 1.0,
    default: 0.0,
};

/// How far back of the present the source is read, in seconds: the longest span, what lies between it and the gesture,
/// the waiting and the taking apart, and a moment's frame.
const PAST: f64 = 0.9;

/// How long after the gesture a better moment is waited for, in seconds.
const WAIT: f64 = 0.15;

/// The longest span that is waited for, and how much of it is enough, in seconds.
const AWAITED: f64 = 0.1;
const ENOUGH: f64 = 0.08;

/// The time in which the pitch of the moment goes over into the one that is held, in seconds.
const GLIDE: f64 = 0.1;

/// The swarm: how long a grain is, in seconds, how many sound together, and how far their pitches lie apart at most, in
/// cents to both sides.
const GRAIN: f64 = 0.08;
const GRAINS: u64 = 4;
const DETUNED: f64 = 15.0;

/// Where a hold is.
#[derive(Clone, Copy, PartialEq, Eq)]
enum FreezeState {
    /// Nothing good has sounded yet.
    Waiting,
    /// The span is known, and is taken apart.
    Taking,
    /// It sounds by itself, or is about to.
    Holding,
}

/// Holds a moment: reads plainly up to its middle, meanwhile takes it apart into steady partials and noise, and sounds
/// those for ever.
pub(super) struct Freeze {
    rate: u32,
    seed: u64,
    aim: FreezeAim,
    separation: Separation,
    hold: Hold,
    frames: Schedule,
    swarm: Option<Swarm>,
    stagger: u64,
    state: FreezeState,
    begun: u64,
    /// The grid line from which on steps are done.
    first: u64,
    span: HeldSpan,
    /// Nothing sounded in it.
    nothing: bool,
    /// The plain reading lies so many samples behind the present.
    behind: i64,
    /// The sample at which the hold begins to sound.
    engaged: u64,
    /// Whether the plain reading is at the span's middle when the hold takes over.
    meets: bool,
    /// Samples that the partials have turned by at the middle of the frame in work, and how fast they turn there.
    turned: f64,
    speed: f64,
    /// How fast they turned when the plain reading had gone.
    left: f64,
}

/// What is held, and how it hangs.
pub(super) struct FreezeSettings {
    aim: FreezeAim,
    spread: f64,
}

/// Samples of a frame.
fn size(rate: u32) -> usize {
    scaled(2048, rate).min(4096)
}

impl Freeze {
    fn samples(&self, seconds: f64) -> i64 {
        (seconds * f64::from(self.rate)) as i64
    }

    /// From the line at which the taking apart of a span begins to the middle of the cross-fade.
    fn takes(&self, length: u64) -> u64 {
        self.separation.steps(length) * CELL + self.frames.lead() + self.hold.hop() as u64 * 3 / 2
    }

    /// Begins to take a span apart at a grid line.
    fn take(&mut self, span: HeldSpan, line: u64, heard: &Heard<'_>) {
        self.span = span;
        let ends = |sample: i64| u64::try_from(sample).unwrap_or(0);
        self.nothing = heard.levels().is_some_and(|levels| !levels.sounds(ends(span.from), ends(span.to)));
        self.state = FreezeState::Taking;
        self.first = line;
        self.engaged = line + self.separation.steps(span.length()) * CELL + self.frames.lead();
        self.separation.start(span);
        if let Some(swarm) = self.swarm.as_mut().filter(|swarm| swarm.spread > 0.0) {
            swarm.start(span);
        }
    }

    /// Looks whether what is waited for has come; when the wait is over, takes the best there is.
    fn wait(&mut self, line: u64, heard: &Heard<'_>) {
        let over = line >= self.begun + self.samples(WAIT) as u64;
        let found = heard.aim(self.rate).and_then(|aim| {
            let coming = aim.coming(self.begun, ENOUGH, AWAITED);
            if over { coming.or_else(|| aim.dawning(line, AWAITED)).or_else(|| aim.best(AWAITED)) } else { coming }
        });
        let span = match found {
            Some(span) => span,
            None if over => {
                let to = self.begun as i64;
                HeldSpan { from: to - self.samples(AWAITED), to }
            }
            None => return,
        };
        // The first step is done at the next line.
        let line = line + CELL;
        self.take(span, line, heard);
        let middle = (span.from + span.to) / 2;
        // The reading comes to the middle just then, or has it behind it.
        let meeting = middle + self.behind;
        let earliest = (line + self.takes(span.length())) as i64;
        self.meets = meeting >= earliest;
        if self.meets {
            let later = ((meeting - earliest) as u64).next_multiple_of(CELL);
            self.engaged += later;
        }
    }

    fn at_line(&mut self, line: u64, heard: &Heard<'_>) {
        if self.state == FreezeState::Waiting && line >= self.first {
            // A moment is known some lines after its end: looking at every other line is soon enough.
            if (line / CELL).is_multiple_of(2) {
                self.wait(line, heard);
            }
            return;
        }
        if self.state == FreezeState::Taking && line >= self.first {
            if let Some(swarm) = self.swarm.as_mut().filter(|swarm| swarm.spread > 0.0) {
                swarm.copy(heard);
            }
            self.separation.step(heard, &mut self.hold);
            if self.separation.is_done() {
                self.state = FreezeState::Holding;
            }
            return;
        }
        let Some(since) = (line + self.frames.lead()).checked_sub(self.engaged) else { return };
        let (frame, due) = self.frames.due(since);
        for &step in due.filter_map(|step| hold::STEPS.get(step as usize)) {
            if step == hold::HoldStep::LowNoise {
                self.turn(frame);
            }
            self.hold.step(step, frame, self.frame(frame), self.seed, self.engaged + frame * self.frames.hop());
        }
    }

    /// Where the partials are in the middle of a frame: while the plain reading is heard they follow its pitch, then they
    /// glide to the one that is held.
    fn turn(&mut self, frame: u64) {
        let hop = self.hold.hop() as f64;
        let meeting = self.separation.middle();
        let before = self.speed;
        // The fade's middle is one and a half hops after its beginning, the middle of the first frame two.
        let ahead = (frame as f64 + 0.5) * hop;
        if !self.meets {
            self.speed = 1.0;
        } else if frame < 3 {
            self.speed = self.separation.speed(meeting + ahead);
            self.left = self.speed;
        } else {
            let gone = ((ahead - 2.5 * hop) / self.samples(GLIDE) as f64).min(1.0);
            self.speed = 1.0 + (self.left - 1.0) * (1.0 - gone * gone * (3.0 - 2.0 * gone));
        }
        self.turned = if frame == 0 {
            0.5 * hop * self.separation.speed(meeting + ahead / 2.0)
        } else {
            self.turned + hop * 0.5 * (before + self.speed)
        };
    }

    fn frame(&self, frame: u64) -> HoldFrame {
        // The noise comes in with the roots of what makes its power and that of the plain reading's about 1.
        let noise = [1.162, 0.922].get(frame as usize).copied().unwrap_or(1.0);
        let partials = if self.meets { 1.0 } else { noise };
        HoldFrame { turned: self.turned, speed: self.speed, partials, noise }
    }
}

impl EffectVoice for Freeze {
    const DECLARATION: Declaration = Declaration {
        name: "freeze",
        help: "A moment of sound that hangs still.",
        x: "how loud the held sound is",
        x_is_loudness: true,
        settings: &[AIM.declare(&AIM.texts()), SPREAD.declare()],
        emits: Emits::Audio,
    };

    type Settings = FreezeSettings;

    fn settings(given: &Given<'_>) -> FreezeSettings {
        FreezeSettings { aim: given.choice(&AIM), spread: given.number(&SPREAD).clamp(0.0, 1.0) }
    }

    fn level(x: f32) -> f32 {
        loudness(x)
    }

    fn reach(_: &FreezeSettings) -> f64 {
        PAST
    }

    fn wants_analysis(_: &FreezeSettings) -> bool {
        true
    }

    /// 1 if it swarms, else 0.
    fn room(settings: &FreezeSettings) -> f64 {
        if settings.spread > 0.0 { 1.0 } else { 0.0 }
    }

    fn bytes(rate: u32, room: f64) -> usize {
        let swarm = if room > 0.0 { many::<f32>(samples(aim::LONGEST, rate) + 1 + 1026) } else { 0 };
        size_of::<Self>() + Separation::bytes(aim::LONGEST, rate, size(rate)) + Hold::bytes(size(rate)) + swarm
    }

    fn new(rate: u32, room: f64) -> Self {
        let hold = Hold::new(size(rate));
        Self {
            rate,
            seed: 0,
            aim: FreezeAim::Steady,
            separation: Separation::new(aim::LONGEST, rate, size(rate)),
            frames: Schedule::new(hold.hop(), hold::STEPS.len() as u64),
            hold,
            stagger: 0,
            swarm: (room > 0.0).then(|| Swarm::new(rate)),
            state: FreezeState::Waiting,
            begun: 0,
            first: 0,
            span: HeldSpan::default(),
            nothing: false,
            behind: 0,
            engaged: 0,
            meets: true,
            turned: 0.0,
            speed: 1.0,
            left: 1.0,
        }
    }

    fn begin(&mut self, at: u64, heard: &Heard<'_>, settings: &FreezeSettings, seed: u64) {
        (self.aim, self.seed, self.stagger) = (settings.aim, seed, self.frames.delay(seed));
        if let Some(swarm) = &mut self.swarm {
            swarm.spread(settings.spread);
        }
        self.begun = at;
        self.state = FreezeState::Waiting;
        self.engaged = u64::MAX;
        self.nothing = false;
        self.meets = true;
        self.hold.count = 0;
        let line = at.next_multiple_of(CELL) + self.stagger;
        self.first = line;
        let aim = heard.aim(self.rate);
        let span = match (self.aim, &aim) {
            (FreezeAim::Steady, Some(aim)) => aim.past(),
            (FreezeAim::Now, Some(aim)) => Some(aim.here(at)),
            (_, None) => Some(HeldSpan { from: at as i64 - self.samples(AWAITED), to: at as i64 }),
        };
        match span {
            Some(span) => {
                self.take(span, line, heard);
                let meeting = line + self.takes(span.length());
                self.behind = meeting as i64 - (span.from + span.to) / 2;
            }
            // The middle of the longest span that is waited for is reached in time.
            None => {
                let length = self.samples(AWAITED) as u64;
                self.behind = (self.takes(length) + length / 2 + 12 * CELL) as i64;
            }
        }
    }

    fn render(&mut self, from: u64, _: &[f32], _: &[f32], heard: &Heard<'_>, _: &FreezeSettings, out: &mut [f32]) {
        if from.is_multiple_of(CELL) {
            self.at_line(from, heard);
        }
        let mut swarm = self.swarm.as_mut().filter(|swarm| swarm.spread > 0.0);
        let still = swarm.as_ref().map_or(1.0, |swarm| swarm.still);
        let faded = self.engaged.saturating_add(self.hold.size() as u64);
        if from < faded {
            heard.read(from as i64 - self.behind, out);
        }
        for (out, at) in out.iter_mut().zip(from..) {
            if let Some(since) = at.checked_sub(self.engaged) {
                let built = self.hold.built(since);
                let held = self.hold.sound(since) * still;
                let swarm = swarm.as_mut().map_or(0.0, |swarm| swarm.sound(since, built, self.seed));
                *out = if built < 1.0 { *out * (1.0 - built) + held + swarm } else { held + swarm };
            }
            *out = settle(*out);
        }
    }

    fn holds(&self) -> Option<Range<u64>> {
        let HeldSpan { from, to } = self.span;
        (self.state != FreezeState::Waiting).then(|| from.max(0) as u64..to.max(0) as u64)
    }

    fn lacks(&self) -> Option<Lack> {
        self.nothing.then_some(Lack::NothingSounded)
    }
}

impl Measured for Freeze {}

/// Grains of the span: windowed pieces of it, [`GRAINS`] at any moment, each from a place of its own and in a pitch of
/// its own.
///
/// At `spread` s the swarm has the share s of the hold's power and the still sound 1 − s. Grains are taken evenly from
/// the middle s of the span, detuned evenly by up to ±15 s cents.
struct Swarm {
    /// The amplitudes of the still sound and of the swarm.
    still: f32,
    gain: f32,
    spread: f64,
    span: HeldSpan,
    copied: usize,
    past: Box<[f32]>,
    window: Box<[f32]>,
    longest: u64,
    size: u64,
    grains: [SwarmGrain; GRAINS as usize],
}

#[derive(Clone, Copy, Default)]
struct SwarmGrain {
    start: f64,
    speed: f64,
}

impl Swarm {
    fn new(rate: u32) -> Self {
        let longest = samples(GRAIN, rate) as u64 / GRAINS * GRAINS;
        Self {
            still: 1.0,
            gain: 0.0,
            spread: 0.0,
            span: HeldSpan::default(),
            copied: 0,
            past: prefaulted(0.0, samples(aim::LONGEST, rate) + 1),
            window: hann(1024).into_iter().chain([0.0, 0.0]).collect(),
            longest,
            size: longest,
            grains: [SwarmGrain::default(); GRAINS as usize],
        }
    }

    /// From here on it has so much of the hold.
    fn spread(&mut self, spread: f64) {
        self.spread = spread;
        self.still = (1.0 - spread).sqrt() as f32;
        // Squares of Hann at a quarter of its length add up to 3/2.
        self.gain = (spread / 1.5).sqrt() as f32;
    }

    fn start(&mut self, span: HeldSpan) {
        self.span = span;
        self.copied = 0;
        self.size = self.longest.min(span.length() / 2 / GRAINS * GRAINS).max(GRAINS);
    }

    /// Step: copies a piece of the span.
    fn copy(&mut self, heard: &Heard<'_>) {
        let length = (self.span.length() as usize).min(self.past.len());
        let to = (self.copied + 1024).min(length);
        if let Some(piece) = self.past.get_mut(self.copied..to) {
            heard.read(self.span.from + self.copied as i64, piece);
        }
        self.copied = to;
    }

    /// The sound `since` samples after the beginning, of which so much is there.
    fn sound(&mut self, since: u64, built: f32, seed: u64) -> f32 {
        let (hop, size) = (self.size / GRAINS, self.size);
        if since.is_multiple_of(hop) {
            let number = since / hop;
            // Like the rest, it has always been there when it comes in.
            let from = if number == 0 { 0 } else { number + GRAINS - 1 };
            for number in from..number + GRAINS {
                let grain = self.grain(number, seed);
                if let Some(place) = self.grains.get_mut((number % GRAINS) as usize) {
                    *place = grain;
                }
            }
        }
        let newest = since / hop + GRAINS - 1;
        let mut sum = 0.0;
        for back in 0..GRAINS {
            let number = newest - back;
            let Some(grain) = self.grains.get((number % GRAINS) as usize) else { continue };
            let age = since % hop + back * hop;
            let window = age as f32 / size as f32 * 1024.0;
            let w = match self.window.get(window as usize..window as usize + 2) {
                Some(&[a, b]) => a + (b - a) * window.fract(),
                _ => 0.0,
            };
            let place = grain.start + grain.speed * age as f64;
            let t = place.fract() as f32;
            if let Some(&[a, b]) = self.past.get(place as usize..place as usize + 2) {
                sum += w * (a + (b - a) * t);
            }
        }
        sum * self.gain * built
    }

    fn grain(&self, number: u64, seed: u64) -> SwarmGrain {
        // Apart from the numbers of the noise.
        let seed = bits(seed, 0, 1);
        let speed = (DETUNED / 1200.0 * self.spread * (2.0 * even(seed, number, 0) - 1.0)).exp2();
        let length = self.span.length() as f64;
        let room = (length - 2.0 - self.size as f64 * speed).max(0.0);
        let start = room * (0.5 + self.spread * (even(seed, number, 1) - 0.5));
        SwarmGrain { start, speed }
    }
}
