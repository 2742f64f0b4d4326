//! stretch.

use super::{Effect, Processor, Settings};
use crate::CELL;
use crate::bank::{Bank, Between, Late};
use crate::breath::{self, Breath};
use crate::guard::settle;
use crate::memory::Heard;
use crate::model::{Attack, Hue, Knot, Model, PARTIALS, Partial, decode, places};
use crate::schedule::Schedule;
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
    reach: |_| BACK + 0.16,
    wants_analysis: |_| false,
    wants_model: true,
    lag,
    make: |settings| Box::new(Stretch::new(settings)),
};

/// How long before the gesture the reading starts, in seconds: so long after a moment its knot is known.
const BACK: f64 = 0.165;

/// The reading begins so far back and goes at once at the pace that x asks for at the start of each cell.
fn lag(settings: &Settings<'_>, x: &[f32]) -> f64 {
    let octaves = settings.number(0, 8.0).max(1.0).log2();
    let pace = |x: f32| (-octaves * f64::from(x.clamp(0.0, 1.0))).exp2();
    let (mut left, mut since) = (settings.samples(BACK) as f64, 0.0);
    for cell in x.chunks(CELL as usize) {
        let pace = cell.first().copied().map_or(1.0, pace);
        let samples = cell.len() as f64;
        if pace * samples >= left {
            return since + left / pace;
        }
        left -= pace * samples;
        since += samples;
    }
    since + left / pace(x.last().copied().unwrap_or(0.0))
}

/// Attacks kept, per second of memory.
const ATTACKS: f64 = 12.0;

/// The moments that a voice has taken in, a number of its own, from 0 on: the source's model forgets them.
struct Record {
    middles: Box<[u64]>,
    onsets: Box<[Option<Onset>]>,
    starts: Box<[Option<u64>]>,
    counts: Box<[u8]>,
    partials: Box<[Partial]>,
    hues: Box<[u64]>,
    noise: Box<[u16]>,
    places: usize,
    hues_taken: usize,
    attacks: Box<[f32]>,
    /// Samples of an attack.
    attack: usize,
    taken: usize,
    attacks_taken: usize,
}

#[derive(Clone, Copy, Debug)]
struct Onset {
    at: u64,
    /// Its place among the attacks kept, if there was room.
    attack: Option<u32>,
}

impl Record {
    fn new(rate: u32, seconds: f64) -> Self {
        let samples = |seconds: f64| (seconds * f64::from(rate)).round() as usize;
        let knots = samples(seconds + BACK) / (scaled(2048, rate) / 4) + 8;
        let attack = Attack::new(rate).length;
        let places = places(rate);
        // Written rather than zero-allocated, so that its pages are there before the audio thread needs them.
        let touched = |i: usize| std::hint::black_box(i as u64 & 1);
        Self {
            middles: (0..knots).map(touched).collect(),
            onsets: (0..knots).map(|i| (touched(i) > 2).then_some(Onset { at: 0, attack: None })).collect(),
            starts: (0..knots).map(|i| (touched(i) > 2).then_some(0)).collect(),
            counts: (0..knots).map(|i| touched(i) as u8).collect(),
            partials: (0..knots * PARTIALS).map(|i| Partial { slot: touched(i) as u8, ..Partial::default() }).collect(),
            hues: (0..knots).map(touched).collect(),
            hues_taken: 0,
            noise: (0..knots * places).map(|i| touched(i) as u16).collect(),
            places,
            attacks: (0..attack * (seconds * ATTACKS).ceil() as usize).map(|i| touched(i) as f32).collect(),
            attack,
            taken: 0,
            attacks_taken: 0,
        }
    }

    fn take_in(&mut self, knot: &Knot, before: u64, heard: &Heard<'_>) {
        let place = self.taken;
        let (Some(middle), Some(onset), Some(count), Some(partials)) = (
            self.middles.get_mut(place),
            self.onsets.get_mut(place),
            self.counts.get_mut(place),
            self.partials.get_mut(place * PARTIALS..(place + 1) * PARTIALS),
        ) else {
            return;
        };
        *middle = knot.middle;
        if let Some(start) = self.starts.get_mut(place) {
            *start = knot.start;
        }
        *count = knot.partials().len() as u8;
        partials.iter_mut().zip(knot.partials()).for_each(|(to, from)| *to = *from);
        *onset = knot.onset.map(|at| {
            let number = self.attacks_taken;
            let attack = self.attacks.get_mut(number * self.attack..(number + 1) * self.attack).map(|sound| {
                heard.read(at as i64 - before as i64, sound);
                self.attacks_taken += 1;
                number as u32
            });
            Onset { at, attack }
        });
        self.taken += 1;
    }

    fn take_in_hue(&mut self, hue: &Hue) {
        let place = self.hues_taken;
        let noise = self.noise.get_mut(place * self.places..(place + 1) * self.places);
        if let (Some(middle), Some(noise)) = (self.hues.get_mut(place), noise) {
            *middle = hue.middle;
            noise.copy_from_slice(&hue.envelope);
            self.hues_taken += 1;
        }
    }

    fn hue(&self, number: usize) -> Option<u64> {
        (number < self.hues_taken).then(|| self.hues.get(number).copied()).flatten()
    }

    fn middle(&self, knot: usize) -> Option<u64> {
        (knot < self.taken).then(|| self.middles.get(knot).copied()).flatten()
    }

    fn start(&self, knot: usize) -> Option<u64> {
        (knot < self.taken).then(|| self.starts.get(knot).copied().flatten()).flatten()
    }

    fn onset(&self, knot: usize) -> Option<Onset> {
        (knot < self.taken).then(|| self.onsets.get(knot).copied().flatten()).flatten()
    }

    fn partials(&self, knot: usize) -> &[Partial] {
        let count = self.counts.get(knot).copied().unwrap_or(0) as usize;
        self.partials.get(knot * PARTIALS..knot * PARTIALS + count).unwrap_or_default()
    }

    fn noise(&self, hue: usize) -> &[u16] {
        let knot = if hue < self.hues_taken { hue } else { return &[] };
        self.noise.get(knot * self.places..(knot + 1) * self.places).unwrap_or_default()
    }
}

/// A part of the source that is read by one rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Part {
    /// Nothing has come yet.
    Nothing,
    /// From a knot to the next.
    Whole,
    /// From a knot to the onset before the next, and from there to it.
    ToOnset,
    FromOnset,
    /// Behind the last knot there is.
    Last,
}

/// An attack that sounds, or is about to: as many samples as its lead before the onset.
#[derive(Clone, Copy, Debug)]
struct Struck {
    attack: Option<u32>,
    /// Samples of it that have sounded.
    done: usize,
}

/// The first moments, read plainly until the noise that is made anew has come up: so the sound is there from its very
/// sample on. Partials have the same phases both ways.
#[derive(Clone, Copy, Debug, Default)]
struct Opening {
    /// How many samples after the beginning it is over at the latest: before an onset, which is to sound once.
    end: u64,
    /// Its sound in the cell in work, and the gain of that.
    sound: [f32; CELL as usize],
    gain: [f32; CELL as usize],
}

impl Opening {
    /// Samples over which it falls before an onset.
    const FALL: u64 = 128;

    /// The gain of what is read plainly, `since` samples after the beginning: what is left by noise of this power.
    fn gain(&self, since: u64, power: f32) -> f32 {
        let fall = self.end.saturating_sub(since).min(Self::FALL) as f32 / Self::FALL as f32;
        (1.0 - power).max(0.0).sqrt() * fall
    }
}

/// Reads a source slowly: takes in what its model tells, and makes the sound anew from it at its own pace.
struct Stretch {
    /// Octaves of slowness at x = 1.
    most: f32,
    /// How far before the gesture the reading starts.
    back: u64,
    attack: Attack,
    record: Record,
    /// Samples after the gesture up to which sound is taken in, and the last moment whose window lies within.
    memory: u64,
    last: u64,
    /// The number in the model of the next knot to take in; `None` until the model is there.
    next: Option<u64>,
    /// The same of hues.
    next_hue: Option<u64>,
    /// The hue that is read.
    hue: usize,
    /// Where the reading stands, in samples after `base`.
    base: u64,
    place: f64,
    /// What is read: the part, its knot on the left, its start and end.
    part: Part,
    left: usize,
    start: f64,
    end: f64,
    bank: Bank,
    /// Where what sounds has begun, and how many samples longer the reading took from there than the source.
    begun: f64,
    late: f64,
    /// How long after a beginning a partial may be found that has begun with it.
    together: f64,
    struck: Option<Struck>,
    breath: Breath,
    schedule: Schedule,
    first: u64,
    stagger: u64,
    opening: Opening,
    cell: [f32; CELL as usize],
    /// The sample up to which the cell is made, and from which on.
    made: u64,
    made_from: u64,
}

impl Stretch {
    fn new(settings: &Settings<'_>) -> Self {
        let breath = Breath::new(settings.rate, settings.seed);
        let schedule = Schedule::new(breath.hop(), breath::STEPS + 1);
        Self {
            most: settings.number(0, 8.0).max(1.0).log2() as f32,
            back: settings.samples(BACK) as u64,
            attack: Attack::new(settings.rate),
            memory: settings.samples(settings.number(1, 30.0)) as u64,
            last: 0,
            record: Record::new(settings.rate, settings.number(1, 30.0)),
            next: None,
            next_hue: None,
            hue: 0,
            base: 0,
            place: 0.0,
            part: Part::Nothing,
            left: 0,
            start: 0.0,
            end: 0.0,
            bank: Bank::new(),
            begun: 0.0,
            late: 0.0,
            together: settings.samples(0.12) as f64,
            struck: None,
            stagger: schedule.stagger(settings.seed),
            breath,
            schedule,
            first: 0,
            opening: Opening::default(),
            cell: [0.0; CELL as usize],
            made: 0,
            made_from: 0,
        }
    }

    /// A sample of the source as a place.
    fn at(&self, sample: u64) -> f64 {
        sample as f64 - self.base as f64
    }

    /// Takes in what the model has come to know.
    fn listen(&mut self, heard: &Heard<'_>) {
        let Some(model) = heard.model() else { return };
        let known = model.known(heard.end());
        let mut next = self.next.unwrap_or(known).max(model.first());
        while next < known {
            if let Some(knot) = model.knot(next)
                && knot.middle <= self.last
            {
                self.record.take_in(knot, self.attack.before as u64, heard);
            }
            next += 1;
        }
        self.next = Some(next);
        let known = model.known_hues(heard.end());
        let mut next = self.next_hue.unwrap_or(known.saturating_sub(1)).max(model.first_hue());
        while next < known {
            if let Some(hue) = model.hue(next)
                && hue.middle <= self.last
            {
                self.record.take_in_hue(hue);
            }
            next += 1;
        }
        self.next_hue = Some(next);
    }

    /// Reads the opening's part of a cell.
    fn open(&mut self, from: u64, heard: &Heard<'_>) {
        let since = from.saturating_sub(self.base);
        self.opening.gain = [0.0; CELL as usize];
        if since < self.opening.end {
            let sounds = self.sounds();
            heard.read(from as i64 - self.back as i64, &mut self.opening.sound);
            for i in 0..self.opening.gain.len() {
                let power = (from + i as u64).checked_sub(sounds).map_or(0.0, |since| self.breath.power(since));
                self.opening.gain[i] = self.opening.gain(since + i as u64, power);
            }
        }
    }

    /// Makes the samples of one cell, or of its rest.
    fn make(&mut self, from: u64, x: f32) {
        let length = (CELL - from % CELL) as usize;
        let slowness = (self.most * x.clamp(0.0, 1.0)).exp2();
        let pace = 1.0 / f64::from(slowness);
        self.cell = [0.0; CELL as usize];
        let mut done = 0;
        // Each round reads to an end of the cell or of a part; more than a few parts are not in a cell.
        for _ in 0..16 {
            if done == length {
                break;
            }
            self.enter(pace);
            let left = (self.end - self.place) / pace;
            let until = match self.struck {
                // An onset falls where its attack says.
                Some(struck) if self.part == Part::ToOnset => {
                    (self.attack.before - struck.done.min(self.attack.before)) as f64
                }
                _ if self.part == Part::ToOnset => (left - self.attack.before as f64).max(0.0),
                _ => left,
            };
            if until < 0.5 {
                match (self.part, self.struck) {
                    (Part::ToOnset, None) => {
                        let attack = self.record.onset(self.left + 1).and_then(|onset| onset.attack);
                        self.struck = Some(Struck { attack, done: 0 });
                    }
                    _ => self.place = self.end,
                }
                continue;
            }
            let samples = ((until + 0.5) as usize).min(length - done).max(1);
            self.sound(done, samples, pace);
            done += samples;
        }
    }

    /// Sounds `samples` of the present part from place `done` of the cell on.
    fn sound(&mut self, done: usize, samples: usize, pace: f64) {
        let mut sum = [0.0; CELL as usize];
        self.bank.sound(self.place - self.start, pace, samples, &mut sum);
        self.place += pace * samples as f64;
        self.late += samples as f64 * (1.0 - pace);
        let sounds = self.sounds();
        if let Some(out) = self.cell.get_mut(done..done + samples) {
            let since = self.made_from + done as u64;
            let mut noise = [0.0; CELL as usize];
            if let (Some(since), Some(noise)) = (since.checked_sub(sounds), noise.get_mut(..samples)) {
                self.breath.sound(since, noise);
            }
            let opening = self.opening.sound.iter().zip(&self.opening.gain).skip(done);
            for (((out, &sum), &noise), (&plain, &gain)) in out.iter_mut().zip(&sum).zip(&noise).zip(opening) {
                *out = sum * (1.0 - gain) + noise + plain * gain;
            }
            if let Some(struck) = &mut self.struck {
                let length = self.record.attack;
                let sound = struck.attack.and_then(|number| {
                    self.record.attacks.get(number as usize * length..(number as usize + 1) * length)
                });
                for (out, place) in out.iter_mut().zip(struck.done..length) {
                    let gain = self.attack.gain(place);
                    let attack = sound.and_then(|sound| sound.get(place)).copied();
                    if let Some(attack) = attack {
                        *out = *out * (1.0 - gain) + attack * gain;
                    }
                }
                struck.done += samples;
                if struck.done >= length {
                    self.struck = None;
                }
            }
        }
    }

    /// Goes on to the next part if the present one is at its end.
    fn enter(&mut self, pace: f64) {
        loop {
            match self.part {
                Part::Nothing => {
                    // The last knot not behind the place.
                    let Some(first) = self.record.middle(0) else {
                        self.end = f64::MAX;
                        return;
                    };
                    if self.at(first) > self.place {
                        self.end = self.at(first);
                        if self.place < self.end {
                            return;
                        }
                    }
                    let mut left = 0;
                    while let Some(next) = self.record.middle(left + 1) {
                        if self.at(next) > self.place {
                            break;
                        }
                        left += 1;
                    }
                    self.left = left;
                    self.begin_at(left, pace);
                }
                Part::Last => {
                    if self.record.middle(self.left + 1).is_none() {
                        self.end = f64::MAX;
                        return;
                    }
                    self.begin_at(self.left, pace);
                }
                Part::ToOnset if self.place >= self.end => self.strike(pace),
                Part::Whole | Part::FromOnset if self.place >= self.end => self.begin_at(self.left + 1, pace),
                _ => return,
            }
        }
    }

    /// Begins to read behind the knot `left`.
    fn begin_at(&mut self, left: usize, pace: f64) {
        self.left = left;
        let Some(middle) = self.record.middle(left) else { return };
        let from = self.at(middle);
        let Some(next) = self.record.middle(left + 1) else {
            // Nothing more is known, or ever will be: what sounds here sounds on.
            self.change(Part::Last, from, f64::MAX, pace);
            return;
        };
        match self.record.onset(left + 1) {
            Some(onset) if onset.at >= middle => self.change(Part::ToOnset, from, self.at(onset.at), pace),
            _ => self.change(Part::Whole, from, self.at(next), pace),
        }
    }

    /// An onset has come.
    fn strike(&mut self, pace: f64) {
        let (onset, next) = (self.end, self.record.middle(self.left + 1).unwrap_or(0));
        self.change(Part::FromOnset, onset, self.at(next), pace);
    }

    /// Sets what sounds over a part.
    fn change(&mut self, part: Part, start: f64, end: f64, pace: f64) {
        (self.part, self.start, self.end) = (part, start, end);
        let between = match part {
            Part::Nothing => return,
            Part::Whole => Between::Knots,
            Part::ToOnset => Between::KnotAndOnset,
            Part::FromOnset => Between::OnsetAndKnot,
            Part::Last => Between::KnotAndNothing,
        };
        let (lefts, rights) = (self.record.partials(self.left), self.record.partials(self.left + 1));
        // An onset is a beginning, and so is where the sound has come out of silence, for a while.
        let late = match part {
            Part::FromOnset => {
                (self.late, self.begun) = (0.0, start);
                Some(Late { since: 0.0, late: 0.0, slower: 1.0 / pace - 1.0 })
            }
            _ => {
                // Windows reach ahead: what begins is found up to half of one before.
                if let Some(begun) = (1..5).find_map(|ahead| self.record.start(self.left + ahead)) {
                    self.begun = self.at(begun);
                    self.late = (self.place - self.begun) * (1.0 / pace - 1.0);
                }
                let since = self.place - self.begun;
                (since <= self.together).then_some(Late { since, late: self.late, slower: 1.0 / pace - 1.0 })
            }
        };
        self.bank.change(between, lefts, rights, end - start, self.place - start, late);
    }

    /// The sample at which the first frame of noise starts to sound.
    fn sounds(&self) -> u64 {
        self.first + self.schedule.lead()
    }

    /// Does a step of a frame of noise.
    fn breathe(&mut self, frame: u64, step: u64, pace: f64) {
        let since = frame * self.schedule.hop();
        let Some(step) = step.checked_sub(1) else {
            // Where the reading will be in the middle of the frame.
            let middle = self.place + pace * (self.schedule.lead() + 2 * self.schedule.hop()) as f64;
            while self.record.hue(self.hue + 1).is_some_and(|next| self.at(next) <= middle) {
                self.hue += 1;
            }
            let (one, two) = (self.record.hue(self.hue), self.record.hue(self.hue + 1));
            let part = match (one, two) {
                (Some(one), Some(two)) => {
                    ((middle - self.at(one)) / (two.saturating_sub(one)).max(1) as f64).clamp(0.0, 1.0) as f32
                }
                _ => 0.0,
            };
            let (one, two) = (self.record.noise(self.hue), self.record.noise(self.hue + usize::from(part > 0.0)));
            if self.part == Part::Nothing || one.is_empty() || two.is_empty() {
                self.breath.envelope().fill(0.0);
            } else {
                for ((to, &one), &two) in self.breath.envelope().iter_mut().zip(one).zip(two) {
                    let (one, two) = (decode(one), decode(two));
                    *to = one + (two - one) * part;
                }
            }
            return;
        };
        self.breath.step(step, since, self.sounds() + since);
    }
}

impl Processor for Stretch {
    fn begin(&mut self, at: u64, heard: &Heard<'_>) {
        self.base = at;
        self.last = (at + self.memory).saturating_sub(4 * self.breath.hop() as u64);
        self.place = -(self.back as f64);
        (self.begun, self.late) = (self.place, 0.0);
        self.record.taken = 0;
        self.record.attacks_taken = 0;
        self.record.hues_taken = 0;
        (self.next_hue, self.hue) = (None, 0);
        self.next = heard.model().map(|model| first_knot(model, at.saturating_sub(self.back), heard.end()));
        (self.part, self.left, self.struck) = (Part::Nothing, 0, None);
        self.bank.clear();
        self.breath.clear();
        self.first = at.next_multiple_of(CELL) + self.stagger;
        self.made = at;
        // The longest it can take: the noise has come up a frame after its first begins.
        let longest = self.sounds() - at + self.breath.hop() as u64 * 3;
        let start = at.saturating_sub(self.back);
        let onset = heard.model().and_then(|model| model.onset(start));
        let until = onset.map_or(longest, |onset| (onset - start).saturating_sub(self.attack.before as u64));
        self.opening.end = longest.min(until);
    }

    fn render(&mut self, from: u64, _now: &[f32], x: &[f32], heard: &Heard<'_>, out: &mut [f32]) {
        if from >= self.made {
            let x = x.first().copied().unwrap_or(0.0);
            self.listen(heard);
            if from.is_multiple_of(CELL)
                && let Some(line) = from.checked_sub(self.first)
            {
                let pace = f64::from((-self.most * x.clamp(0.0, 1.0)).exp2());
                let (frame, due) = self.schedule.due(line);
                for step in due {
                    self.breathe(frame, step, pace);
                }
            }
            self.made_from = from;
            self.open(from, heard);
            self.make(from, x);
            self.made = from + CELL - from % CELL;
        }
        let offset = (from - self.made_from) as usize;
        for (out, sound) in out.iter_mut().zip(self.cell.iter().skip(offset)) {
            *out = settle(*sound);
        }
    }
}

/// The number of the last knot not after a sample, as far as the model still has it.
fn first_knot(model: &Model, sample: u64, end: u64) -> u64 {
    let known = model.known(end);
    let mut number = known;
    while let Some(before) = number.checked_sub(1)
        && let Some(knot) = model.knot(before)
    {
        number = before;
        if knot.middle <= sample {
            break;
        }
    }
    number
}
