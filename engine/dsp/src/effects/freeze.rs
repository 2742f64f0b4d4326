//! freeze.

use super::{Effect, Processor, Settings};
use crate::CELL;
use crate::guard::settle;
use crate::memory::Heard;
use crate::random::even;
use crate::schedule::Schedule;
use crate::vocoder::Vocoder;
use crate::windows::scaled;
use tenterhook_plan::declare::{Declaration, Emits, Kind, Setting, SettingDeclaration, Unit};

pub(super) const EFFECT: Effect = Effect {
    declaration: Declaration {
        name: "freeze",
        help: "A moment of sound that hangs still.",
        x: "how loud the held sound is",
        settings: &[
            SettingDeclaration {
                name: "aim",
                help: "Which moment is held.",
                kind: Kind::Choice {
                    words: &[
                        ("steady", "the steadiest pitched moment near the gesture"),
                        ("now", "exactly what sounds at the gesture"),
                    ],
                    default: 0,
                },
            },
            SettingDeclaration {
                name: "spread",
                help: "How far apart the grains are taken: 0 hangs still, 1 swarms.",
                kind: Kind::Quantity { unit: Unit::Number, least: 0.0, most: 1.0, default: 0.0 },
            },
        ],
        emits: Emits::Audio,
    },
    level: |x| x,
    reach: |_| PAST + 0.35,
    wants_analysis: |settings| aim(settings) == Aim::Steady,
    lag: |_, _| 0.0,
    make: |settings| Box::new(Freeze::new(settings)),
};

/// How far before the gesture the held moment and what is taken around it may lie, in seconds, besides one window: the
/// steadiest moment's middle up to 0.25, `spread` up to 0.2.
const PAST: f64 = 0.45;

/// How far to both sides of the held moment grains are taken at `spread` 1, in seconds.
const SWARM: f64 = 0.2;

/// Steps of a frame: see [`Freeze::step`].
const STEPS: u64 = 10;

#[derive(Clone, Copy, PartialEq, Eq)]
enum Aim {
    Steady,
    Now,
}

fn aim(settings: &[Setting]) -> Aim {
    match settings.first() {
        Some(Setting::Choice(1)) => Aim::Now,
        _ => Aim::Steady,
    }
}

/// Holds a moment: reads plainly across it, then sounds it for ever by the vocoder, its peaks turning on, its noise
/// always fresh.
struct Freeze {
    vocoder: Vocoder,
    schedule: Schedule,
    stagger: u64,
    seed: u64,
    aim: Aim,
    /// How far from the held moment grains may be taken, in samples.
    swarm: u64,
    /// What was heard before the gesture, the last sample at its end: the source's memory goes on, the hold does not.
    past: Box<[f32]>,
    begun: u64,
    /// The grid line of the first step of all.
    first: u64,
    /// The middle of the held moment, as a place in the past.
    held: usize,
    /// The first place in the past that was sound at all.
    sounded: usize,
    /// The middle of the frame in work.
    place: usize,
}

impl Freeze {
    fn new(settings: &Settings<'_>) -> Self {
        let vocoder = Vocoder::new(scaled(4096, settings.rate));
        let schedule = Schedule::new(vocoder.hop(), STEPS);
        let length = settings.samples(PAST) + 2 * vocoder.size();
        // Written rather than zero-allocated, so that its pages are there before the audio thread needs them.
        let past = (0..length).map(|i| std::hint::black_box(i as f32 * 0.0)).collect();
        Self {
            stagger: schedule.stagger(settings.seed),
            schedule,
            vocoder,
            seed: settings.seed,
            aim: aim(settings.values),
            swarm: settings.samples(SWARM * settings.number(1, 0.0).clamp(0.0, 1.0)) as u64,
            past,
            begun: 0,
            first: 0,
            held: 0,
            sounded: 0,
            place: 0,
        }
    }

    /// The sample at which the first frame starts to sound.
    fn engaged(&self) -> u64 {
        self.first + self.schedule.lead()
    }

    fn step(&mut self, frame: u64, step: u64) {
        // A hold that stands still is analysed once.
        let again = frame == 0 || self.swarm > 0;
        // The frame's own sample is what its random numbers come from.
        let sample = self.engaged() + frame * self.schedule.hop();
        match step {
            0 if again => {
                self.place = self.choose(frame, sample);
                self.load(self.vocoder.hop());
            }
            1 if again => self.vocoder.transform_before(),
            2 if again => self.load(0),
            3 if again => self.vocoder.transform_here(),
            4 if again => self.vocoder.find_peaks(),
            5 if again => self.vocoder.find_noise(),
            6 => self.vocoder.turn(frame == 0, 0, 2, self.seed, sample),
            7 => self.vocoder.turn(frame == 0, 1, 2, self.seed, sample),
            8 => self.vocoder.transform_back(),
            9 => self.vocoder.add(frame * self.schedule.hop()),
            _ => {}
        }
    }

    /// Where a frame is taken: the first at the held moment, the others swarm around it within what had sounded.
    fn choose(&self, frame: u64, sample: u64) -> usize {
        let half = self.vocoder.size() / 2;
        let last = self.past.len().saturating_sub(half);
        let low = self.held.saturating_sub(self.swarm as usize).max(self.sounded + half + self.vocoder.hop()).min(last);
        let high = self.held.saturating_add(self.swarm as usize).clamp(low, last);
        if frame == 0 || low >= high {
            return self.held;
        }
        low + (even(self.seed, sample, 0) * (high - low + 1) as f64) as usize
    }

    /// Takes the frame that lies `earlier` before the place into the vocoder.
    fn load(&mut self, earlier: usize) {
        let past = &self.past;
        let start = self.place.saturating_sub(self.vocoder.size() / 2 + earlier);
        self.vocoder.load(|frame| match past.get(start..start + frame.len()) {
            Some(sound) => frame.copy_from_slice(sound),
            None => frame.fill(0.0),
        });
    }

    /// What the plain reading gives at sample `at`: it comes to the held moment in the middle of the first frame.
    fn plain(&self, at: u64) -> f32 {
        let half = self.vocoder.size() as u64 / 2;
        let place = (self.held as u64 + at).checked_sub(self.engaged() + half);
        place.and_then(|place| self.past.get(place as usize)).copied().unwrap_or(0.0)
    }
}

impl Processor for Freeze {
    fn begin(&mut self, at: u64, heard: &Heard<'_>) {
        let length = self.past.len();
        heard.read(at as i64 - length as i64, &mut self.past);
        self.begun = at;
        self.first = at.next_multiple_of(CELL) + self.stagger;
        self.sounded = length.saturating_sub(usize::try_from(at).unwrap_or(length));
        let half = self.vocoder.size() / 2;
        let last = length.saturating_sub(half);
        let steadiest = match self.aim {
            Aim::Steady => heard.steadiest(),
            Aim::Now => None,
        };
        self.held = steadiest
            .and_then(|middle| length.checked_sub(at.checked_sub(middle)? as usize))
            // Room before it for the plain reading and the frame a hop before.
            .map_or(last, |middle| middle.clamp((3 * half).min(last), last));
    }

    fn render(&mut self, from: u64, _now: &[f32], _x: &[f32], _heard: &Heard<'_>, out: &mut [f32]) {
        if from.is_multiple_of(CELL)
            && let Some(line) = from.checked_sub(self.first)
        {
            let (frame, due) = self.schedule.due(line);
            for step in due {
                self.step(frame, step);
            }
        }
        for (out, at) in out.iter_mut().zip(from..) {
            *out = settle(match at.checked_sub(self.engaged()) {
                None => self.plain(at),
                Some(since) => match self.vocoder.built(since) {
                    1.0 => self.vocoder.sound(since),
                    built => self.vocoder.sound(since) + self.plain(at) * (1.0 - built),
                },
            });
        }
    }
}
