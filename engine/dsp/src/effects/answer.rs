//! answer.
//!
//! It listens until a phrase has ended and a pause has gone by, and then replies with that phrase. A phrase that began
//! before the gesture counts too. "backwards" reads it from its end to its beginning; "slower" reads it at half its
//! speed, an octave lower, as a slowed tape would: every partial keeps its place among the others, and no sound, however
//! noisy, is harmed.
//!
//! A good partner yields: a player who begins again while the answer sounds is given way to in 200 ms, and what they play
//! is the next phrase. The answer's own sound in the mic is taken for no phrase as long as it comes back at least 6 dB
//! below what is sent: it listens over the level that its own sound of the last tenth of a second may have in the mic,
//! and over a room's decay of 1.5 s after it. So a player is heard who is louder than that. What the effect sounded before
//! it was last at rest it does not know of.

mod listener;

use super::settings::ChoiceSetting;
use super::{EffectVoice, Given, Measured, loudness, samples};
use crate::CELL;
use crate::guard::settle;
use crate::memory::Heard;
use listener::{HeardPhrase, PhraseListener};
use std::f64::consts::PI;
use tenterhook_plan::declare::{Declaration, Emits};

/// What a reply is.
#[derive(Clone, Copy, Default, PartialEq, Eq)]
pub(super) enum How {
    #[default]
    Backwards,
    Slower,
}

const HOW: ChoiceSetting<How, 2> = ChoiceSetting {
    name: "how",
    help: "What the reply is.",
    words: [
        (How::Backwards, "backwards", "the phrase from its end to its beginning"),
        (How::Slower, "slower", "the phrase at half its speed, an octave lower"),
    ],
};

/// The pause after which it replies, in seconds: at x near 0 and at x = 1, in a straight line between.
const LONGEST_PAUSE: f64 = 1.5;
const SHORTEST_PAUSE: f64 = 0.3;

/// Of a longer phrase only the last so many seconds are heard again.
const LONGEST: f64 = 20.0;
/// A shorter one is a knock.
const SHORTEST: f64 = 0.08;

/// What is heard again of the sound before and after a phrase, in seconds: a soft beginning, the last of the decay.
const BEFORE: f64 = 0.03;
const AFTER: f64 = 0.06;

/// How long a reply rises, falls, and yields, in seconds.
const RISE: f64 = 0.02;
const FALL: f64 = 0.06;
const YIELD: f64 = 0.2;

/// The samples from which one between two is made.
const TAPS: usize = 32;

fn pause(x: f32) -> f64 {
    LONGEST_PAUSE + (SHORTEST_PAUSE - LONGEST_PAUSE) * f64::from(x.clamp(0.0, 1.0))
}

/// A reply that sounds.
#[derive(Clone, Copy, Debug)]
struct Reply {
    /// What is read, from the first sample to before the last.
    from: u64,
    to: u64,
    begun: u64,
    /// Where it began to yield.
    yields: Option<u64>,
}

/// See the module.
pub(super) struct Answer {
    rate: f64,
    slower: bool,
    listener: PhraseListener,
    begun: u64,
    reply: Option<Reply>,
    rise: u64,
    fall: u64,
    give: u64,
    /// The weights of the samples around a place in the middle between two.
    between: [f32; TAPS],
    sound: [f32; CELL as usize + TAPS + 1],
}

impl Answer {
    fn samples(&self, seconds: f64) -> u64 {
        (seconds * self.rate) as u64
    }

    /// What is due at a grid line.
    fn advance(&mut self, line: u64, x: f32, heard: &Heard<'_>) {
        self.listener.advance(line, heard);
        if let Some(reply) = &mut self.reply {
            let yielded = reply.yields.is_some_and(|since| line >= since + self.give);
            if yielded || line >= reply.begun + length(*reply, self.slower) {
                self.reply = None;
            } else if reply.yields.is_none() && self.listener.hears_player(line) {
                reply.yields = Some(line);
            }
        }
        if self.reply.is_none()
            && let Some(phrase) = self.listener.ended(self.samples(pause(x)))
        {
            self.begin_reply(line, phrase);
        }
    }

    fn begin_reply(&mut self, line: u64, phrase: HeardPhrase) {
        if phrase.end - phrase.start < self.samples(SHORTEST) {
            return;
        }
        let start = phrase.start.max(phrase.end.saturating_sub(self.samples(LONGEST)));
        let from = start.saturating_sub(self.samples(BEFORE));
        let to = (phrase.end + self.samples(AFTER)).min(line);
        self.reply = Some(Reply { from, to, begun: line, yields: None });
    }

    /// Reads what the reply sounds from sample `from` on, without its fades.
    fn read(&mut self, reply: Reply, from: u64, heard: &Heard<'_>, out: &mut [f32]) {
        let since = from - reply.begun;
        if self.slower {
            let place = since / 2;
            let first = (reply.from + place) as i64 - (TAPS as i64 / 2 - 1);
            heard.read(first, &mut self.sound);
            for (out, since) in out.iter_mut().zip(since..) {
                let at = (since / 2 - place) as usize;
                let Some(sound) = self.sound.get(at..at + TAPS) else { continue };
                *out = if since.is_multiple_of(2) {
                    sound.get(TAPS / 2 - 1).copied().unwrap_or(0.0)
                } else {
                    sound.iter().zip(&self.between).map(|(x, w)| x * w).sum()
                };
            }
        } else {
            for (out, since) in out.iter_mut().zip(since..) {
                *out = heard.at(reply.to as i64 - 1 - since as i64);
            }
        }
    }

    /// How loud a reply is at a sample.
    fn gain(&self, reply: Reply, at: u64) -> f32 {
        let since = at - reply.begun;
        let left = length(reply, self.slower).saturating_sub(since);
        let part = |samples: u64, of: u64| curve(samples as f64 / of as f64);
        let yields = reply.yields.map_or(1.0, |start| 1.0 - part(at - start, self.give));
        part(since, self.rise) * part(left, self.fall) * yields
    }
}

/// Samples that a reply sounds.
fn length(reply: Reply, slower: bool) -> u64 {
    (reply.to - reply.from) * if slower { 2 } else { 1 }
}

impl Measured for Answer {
    /// The sound of the gesture, if a phrase ends with it.
    fn lag(_: &How, rate: u32, x: &[f32]) -> f64 {
        pause(x.last().copied().unwrap_or(0.0)) * f64::from(rate)
    }
}

/// From 0 to 1 without a corner.
fn curve(part: f64) -> f32 {
    let part = part.clamp(0.0, 1.0);
    (part * part * (3.0 - 2.0 * part)) as f32
}

impl EffectVoice for Answer {
    const DECLARATION: Declaration = Declaration {
        name: "answer",
        help: "Waits until a phrase has ended, and replies with it.",
        x: "how loud the reply is, and how soon after the end it comes: 1.5 s near rest, 0.3 s at 1",
        x_is_loudness: true,
        settings: &[HOW.declare(&HOW.texts())],
        emits: Emits::Audio,
    };

    const HEEDS_ITS_PLAYER: bool = true;

    type Settings = How;

    fn settings(given: &Given<'_>) -> How {
        given.choice(&HOW)
    }

    fn level(x: f32) -> f32 {
        loudness(x)
    }

    /// A reply begins a pause after the phrase's end, and in the end it is as far from what it reads as it is long itself.
    fn reach(_: &How) -> f64 {
        LONGEST_PAUSE + 2.0 * (LONGEST + BEFORE + AFTER) + 0.2
    }

    fn bytes(_: u32, _: f64) -> usize {
        size_of::<Self>()
    }

    fn new(rate: u32, _: f64) -> Self {
        let at_least_one = |seconds: f64| samples(seconds, rate).max(1) as u64;
        // A sinc at the middle between two samples, under a Hann window.
        let tap = |i: usize| {
            let t = i as f64 - (TAPS as f64 - 1.0) / 2.0;
            (PI * t).sin() / (PI * t) * (0.5 + 0.5 * (2.0 * PI * t / TAPS as f64).cos())
        };
        let sum: f64 = (0..TAPS).map(tap).sum();
        Self {
            rate: rate.into(),
            slower: false,
            listener: PhraseListener::new(rate, LONGEST_PAUSE),
            begun: 0,
            reply: None,
            rise: at_least_one(RISE),
            fall: at_least_one(FALL),
            give: at_least_one(YIELD),
            between: std::array::from_fn(|i| (tap(i) / sum) as f32),
            sound: [0.0; CELL as usize + TAPS + 1],
        }
    }

    fn begin(&mut self, at: u64, _: &Heard<'_>, how: &How, _: u64) {
        self.slower = *how == How::Slower;
        self.listener.begin(at, self.samples(PhraseListener::PAST));
        self.begun = at;
        self.reply = None;
    }

    fn render(&mut self, from: u64, _: &[f32], x: &[f32], heard: &Heard<'_>, _: &How, out: &mut [f32]) {
        if from.is_multiple_of(CELL) && from > self.begun {
            self.advance(from, x.first().copied().unwrap_or(0.0), heard);
        }
        out.fill(0.0);
        if let Some(reply) = self.reply {
            self.read(reply, from, heard, out);
            for (out, at) in out.iter_mut().zip(from..) {
                *out = settle(*out * self.gain(reply, at));
            }
        }
        // What it hears of itself goes by what the engine makes of it.
        let mut own = [0.0; CELL as usize];
        for ((own, out), x) in own.iter_mut().zip(&*out).zip(x) {
            *own = settle(*out * Self::level(*x));
        }
        self.listener.own(own.get_mut(..out.len()).unwrap_or_default());
    }
}
