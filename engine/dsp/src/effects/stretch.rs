//! stretch.

use super::{Effect, Processor, Settings};
use crate::CELL;
use crate::guard::settle;
use crate::memory::Heard;
use crate::schedule::Schedule;
use crate::vocoder::Vocoder;
use crate::windows::scaled;
use tenterhook_plan::declare::{Declaration, Emits, Kind, SettingDeclaration, Unit};

pub(super) const EFFECT: Effect = Effect {
    declaration: Declaration {
        name: "stretch",
        help: "The sound of the mic read slowly, from a little before the gesture on.",
        x: "how slowly the sound is read: most^x; over its first tenth it also brings the sound up from nothing",
        settings: &[
            SettingDeclaration {
                name: "most",
                help: "How many times slower the sound is read at x = 1.",
                kind: Kind::Quantity { unit: Unit::Number, least: 1.0, most: 64.0, default: 8.0 },
            },
            SettingDeclaration {
                name: "memory",
                help: "How much sound is taken in; when it is full the stretch plays to its end and holds its last moment.",
                kind: Kind::Quantity { unit: Unit::Seconds, least: 1.0, most: 120.0, default: 30.0 },
            },
        ],
        emits: Emits::Audio,
    },
    level: |x| (10.0 * x).min(1.0),
    // Two frames of up to 64 ms besides what is read first.
    reach: |_| BACK + 0.16,
    wants_analysis: |_| false,
    lag,
    make: |settings| Box::new(Stretch::new(settings)),
};

/// How long before the gesture the reading starts, in seconds.
const BACK: f64 = 0.12;

/// Steps of a frame: see [`Stretch::step`].
const STEPS: u64 = 8;

/// The reading goes plainly until the middle of the first frame and from there at the speed that x asks for, which each
/// frame takes over as many samples late as it takes to make it.
fn lag(settings: &Settings<'_>, x: &[f32]) -> f64 {
    let size = scaled(2048, settings.rate);
    let schedule = Schedule::new(size / 4, STEPS);
    let first = schedule.stagger(settings.seed);
    let plain = (first + schedule.lead()) as f64 + size as f64 / 2.0;
    let mut left = settings.samples(BACK) as f64 - plain;
    if left <= 0.0 {
        return settings.samples(BACK) as f64;
    }
    let octaves = settings.number(0, 8.0).max(1.0).log2();
    let speed = |x: f32| (-octaves * f64::from(x.clamp(0.0, 1.0))).exp2();
    let mut since = plain;
    for speed in x.iter().skip(first as usize).map(|&x| speed(x)) {
        if speed >= left {
            return since + left / speed;
        }
        left -= speed;
        since += 1.0;
    }
    since + left / speed(x.last().copied().unwrap_or(0.0))
}

/// Takes the source in from the gesture on and reads it slowly: plainly at first, then by the vocoder.
struct Stretch {
    vocoder: Vocoder,
    schedule: Schedule,
    stagger: u64,
    seed: u64,
    /// Octaves of slowness at x = 1.
    most: f32,
    /// How far before the gesture the plain reading starts.
    back: u64,
    record: Box<[f32]>,
    taken: usize,
    begun: u64,
    /// The grid line of the first step of all.
    first: u64,
    /// The middle of the frame in work, as a place in the record.
    place: f64,
    /// How far the reading has moved since that frame's place was chosen.
    travel: f64,
    x: f32,
    speed: f64,
}

impl Stretch {
    fn new(settings: &Settings<'_>) -> Self {
        let vocoder = Vocoder::new(scaled(2048, settings.rate));
        let schedule = Schedule::new(vocoder.hop(), STEPS);
        let back = settings.samples(BACK);
        let length = vocoder.size() + back + settings.samples(settings.number(1, 30.0));
        // Written rather than zero-allocated, so that its pages are there before the audio thread needs them.
        let record = (0..length).map(|i| std::hint::black_box(i as f32 * 0.0)).collect();
        Self {
            stagger: schedule.stagger(settings.seed),
            schedule,
            vocoder,
            seed: settings.seed,
            most: settings.number(0, 8.0).max(1.0).log2() as f32,
            back: back as u64,
            record,
            taken: 0,
            begun: 0,
            first: 0,
            place: 0.0,
            travel: 0.0,
            x: 0.0,
            speed: 1.0,
        }
    }

    /// Where in the record the plain reading starts: before it is only what the first frame needs.
    fn start(&self) -> usize {
        self.vocoder.size()
    }

    /// The sample at which the first frame starts to sound.
    fn engaged(&self) -> u64 {
        self.first + self.schedule.lead()
    }

    fn step(&mut self, frame: u64, step: u64) {
        let size = self.vocoder.size();
        match step {
            0 => {
                self.place = if frame == 0 {
                    // Where the plain reading will be in the middle of the first frame.
                    (self.start() as u64 + self.engaged() - self.begun) as f64 + (size / 2) as f64
                } else {
                    self.place + self.travel
                };
                self.travel = 0.0;
                // Never past what has been taken in: when that is all, the last moment is held.
                self.place = self.place.min(self.taken.saturating_sub(size / 2) as f64);
                self.load(self.vocoder.hop());
            }
            1 => self.vocoder.transform_before(),
            2 => self.load(0),
            3 => self.vocoder.transform_here(),
            4 => self.vocoder.find_peaks(),
            5 => self.vocoder.turn(frame == 0, 0, 1, self.seed, 0),
            6 => self.vocoder.transform_back(),
            _ => self.vocoder.add(frame * self.schedule.hop()),
        }
    }

    /// Takes the frame that lies `earlier` before the place into the vocoder.
    fn load(&mut self, earlier: usize) {
        let start = (self.place.round() as usize).saturating_sub(self.vocoder.size() / 2 + earlier);
        let record = &self.record;
        self.vocoder.load(|frame| match record.get(start..start + frame.len()) {
            Some(sound) => frame.copy_from_slice(sound),
            None => frame.fill(0.0),
        });
    }

    fn speed(&mut self, x: f32) -> f64 {
        if x != self.x {
            self.x = x;
            self.speed = f64::from((-self.most * x.clamp(0.0, 1.0)).exp2());
        }
        self.speed
    }
}

impl Processor for Stretch {
    fn begin(&mut self, at: u64, heard: &Heard<'_>) {
        let length = self.start() + self.back as usize;
        if let Some(history) = self.record.get_mut(..length) {
            heard.read(at as i64 - length as i64, history);
            self.taken = length;
        }
        self.begun = at;
        self.first = at.next_multiple_of(CELL) + self.stagger;
        self.travel = 0.0;
    }

    fn render(&mut self, from: u64, now: &[f32], x: &[f32], _heard: &Heard<'_>, out: &mut [f32]) {
        if from.is_multiple_of(CELL)
            && let Some(line) = from.checked_sub(self.first)
        {
            let (frame, due) = self.schedule.due(line);
            for step in due {
                self.step(frame, step);
            }
        }
        for (((out, &now), &x), at) in out.iter_mut().zip(now).zip(x).zip(from..) {
            if let Some(place) = self.record.get_mut(self.taken) {
                *place = now;
                self.taken += 1;
            }
            self.travel += self.speed(x);
            let plainly = |place: u64| self.record.get(place as usize).copied().unwrap_or(0.0);
            let plain = |gain: f32| plainly(self.start() as u64 + at.saturating_sub(self.begun)) * gain;
            *out = settle(match at.checked_sub(self.engaged()) {
                None => plain(1.0),
                Some(since) => match self.vocoder.built(since) {
                    1.0 => self.vocoder.sound(since),
                    built => self.vocoder.sound(since) + plain(1.0 - built),
                },
            });
        }
    }
}
