//! stretch.

mod bank;
mod catch_up;
pub(crate) mod model;
mod news;
mod noise_synth;
mod opening;
mod oscillators;
mod record;

use super::settings::QuantitySetting;
use super::{EffectVoice, Given, Measured, samples};
use crate::CELL;
use crate::guard::settle;
use crate::memory::Heard;
use crate::ramp::Ramp;
use crate::schedule::Schedule;
use bank::{Bank, Between, Late};
use catch_up::{BEHIND, CatchUp, Crossing, Waits};
use model::{Attack, decode};
use news::{first_breakpoint, newest_before, news};
use noise_synth::NoiseSynth;
use opening::Opening;
use record::{Record, RecordExtent};
use tenterhook_plan::Lack;
use tenterhook_plan::declare::{Declaration, Emits, Unit};

const MOST: QuantitySetting = QuantitySetting {
    name: "most",
    help: "How many times slower the sound is read at x = 1.",
    unit: Unit::Number,
    least: 1.0,
    most: 64.0,
    default: 8.0,
};

const MEMORY: QuantitySetting = QuantitySetting {
    name: "memory",
    help: "How much sound is taken in; when it is full the stretch plays to its end and holds its last moment.",
    unit: Unit::Seconds,
    least: 1.0,
    most: 120.0,
    default: 30.0,
};

/// How long before the gesture the reading starts, in seconds: so long after a moment its breakpoint is known.
const BACK: f64 = 0.165;

/// Seconds in which the sound of a source comes up of which nothing was known where the reading began.
const COMES: f64 = 0.010;

/// A part of the source that is read by one rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum ReadPart {
    /// Nothing has come yet.
    Nothing,
    /// From a breakpoint to the next.
    Whole,
    /// From a breakpoint to the onset before the next, and from there to it.
    ToOnset,
    FromOnset,
    /// Behind the last breakpoint there is.
    Last,
}

/// An attack that sounds, or is about to: as many samples as its lead before the onset.
#[derive(Clone, Copy, Debug)]
struct Struck {
    /// The breakpoint after the onset.
    breakpoint: usize,
    attack: Option<u32>,
    /// Samples of it that have sounded.
    done: usize,
}

/// Reads a source slowly: takes in what its model tells, and makes the sound anew from it at its own pace.
pub(super) struct Stretch {
    /// Octaves of slowness at x = 1.
    most: f32,
    /// How far before the gesture, or behind a crossing, the reading starts.
    back: u64,
    usual_back: u64,
    catch_up: CatchUp,
    seed: u64,
    attack: Attack,
    record: Record,
    /// The last moment whose window lies within the memory, and whether it is past.
    last: u64,
    full: bool,
    /// The numbers in the model of the next breakpoint, noise frame and strength to take in.
    next: u64,
    next_noise_frame: u64,
    next_strength: u64,
    /// The noise frame that is read.
    noise_frame: usize,
    /// Where the reading stands, in samples after `base`.
    base: u64,
    place: f64,
    /// What is read: the part, its breakpoint on the left, its start and end.
    part: ReadPart,
    left: usize,
    start: f64,
    end: f64,
    bank: Bank,
    /// The level of the partials, and the samples in which it comes up.
    come: Ramp,
    comes: u32,
    /// Where what sounds has begun, and how many samples longer the reading took from there than the source.
    begun: f64,
    late: f64,
    /// How long after a beginning a partial may be found that has begun with it.
    together: f64,
    struck: Option<Struck>,
    noise_synth: NoiseSynth,
    /// The powers of its last frames.
    noises: [f32; 8],
    schedule: Schedule,
    first: u64,
    stagger: u64,
    opening: Opening,
    cell: [f32; CELL as usize],
    /// The sample up to which the cell is made, and from which on.
    made: u64,
    made_from: u64,
}

/// How slowly it reads, and how much it takes in.
pub(super) struct StretchSettings {
    /// Octaves of slowness at x = 1.
    octaves: f64,
    /// Samples after the gesture up to which sound is taken in.
    memory: u64,
    seconds: f64,
    record: RecordExtent,
}

impl Stretch {
    /// A sample of the source as a place.
    fn at(&self, sample: u64) -> f64 {
        sample as f64 - self.base as f64
    }

    /// Takes in what the model has come to know.
    fn listen(&mut self, heard: &Heard<'_>) {
        let last = self.last;
        self.full = heard.end() > last;
        let Some(model) = heard.model() else { return };
        let before = self.attack.before as u64;
        news(model.breakpoints(), &mut self.next, 2, |breakpoint| {
            if breakpoint.middle <= last {
                self.record.take_in(breakpoint, before, heard);
            }
        });
        news(model.noise_frames(), &mut self.next_noise_frame, 2, |noise_frame| {
            if noise_frame.middle <= last {
                self.record.take_in_noise_frame(noise_frame);
            }
        });
        news(model.strengths(), &mut self.next_strength, 4, |strength| {
            if strength.start <= last {
                self.record.take_in_strength(strength);
            }
        });
    }

    /// Reads the opening's part of a cell.
    fn open(&mut self, from: u64, heard: &Heard<'_>) {
        let since = from.saturating_sub(self.base);
        self.opening.gain = [0.0; CELL as usize];
        if since < self.opening.end {
            let sounds = self.sounds();
            heard.read(from as i64 - self.back as i64, &mut self.opening.sound);
            self.opening.gain = std::array::from_fn(|i| {
                let power = (from + i as u64).checked_sub(sounds).map_or(0.0, |since| self.noise_synth.power(since));
                self.opening.gain(since + i as u64, power)
            });
        }
    }

    /// Makes the samples of one cell, or of its rest.
    fn make(&mut self, from: u64, pace: f64) {
        let length = (CELL - from % CELL) as usize;
        self.cell = [0.0; CELL as usize];
        let mut done = 0;
        // Each round reads to an end of the cell or of a part; more than a few parts are not in a cell.
        for _ in 0..16 {
            if done == length {
                break;
            }
            self.enter(pace);
            let left = (self.end - self.place) / pace;
            let samples = match self.struck.filter(|struck| struck.breakpoint == self.left + 1) {
                _ if self.part != ReadPart::ToOnset => left.ceil() as usize,
                // The attack begins on the nearest sample, and the onset falls where the attack says.
                None => (left - self.attack.before as f64).round() as usize,
                Some(struck) => self.attack.before.saturating_sub(struck.done),
            };
            if samples > 0 {
                let samples = samples.min(length - done);
                self.sound(done, samples, pace);
                done += samples;
            } else if self.struck.is_some_and(|struck| struck.breakpoint == self.left + 1) {
                self.strike(pace);
            } else {
                let attack = self.record.onset(self.left + 1).and_then(|onset| onset.attack);
                self.struck = Some(Struck { breakpoint: self.left + 1, attack, done: 0 });
            }
        }
    }

    /// How many samples the reading is behind at the sample `at`.
    fn lag(&self, at: u64) -> f64 {
        self.at(at) - self.place
    }

    /// The pace at which a cell is read.
    fn pace(&mut self, from: u64, x: f32) -> f64 {
        let x = x.clamp(0.0, 1.0);
        let pace = 1.0 / f64::from((self.most * x).exp2());
        // Once its memory is full it is to play to its end, however far behind.
        if self.full || !from.is_multiple_of(CELL) { pace } else { self.catch_up.pace(x, pace, self.lag(from)) }
    }

    /// Crosses to where the player nearly is, if that is due: what is read there plainly comes up over the cell.
    fn cross(&mut self, from: u64, pace: f64, heard: &Heard<'_>) {
        if self.catch_up.crossing.is_none() {
            if self.full || !from.is_multiple_of(CELL) {
                return;
            }
            match self.catch_up.waits(self.lag(from)) {
                Waits::No => return,
                Waits::ForGap if !self.is_gap(from, pace, heard) => return,
                Waits::ForGap | Waits::NoLonger => {}
            }
            self.catch_up.crossing = Some(Crossing::at(from));
        }
        let Some(crossing) = &mut self.catch_up.crossing else { return };
        let mut plain = [0.0; CELL as usize];
        heard.read(from as i64 - self.catch_up.behind as i64, &mut plain);
        crossing.mix(from, self.catch_up.length, &plain, &mut self.cell);
    }

    /// Whether no attack falls into a crossing that begins here, neither in what is read nor in what is to be.
    fn is_gap(&self, from: u64, pace: f64, heard: &Heard<'_>) -> bool {
        let (length, clear) = (self.catch_up.length, self.attack.length as u64);
        let until = self.place + pace * (length + clear) as f64;
        let ahead = (self.left + 1..).map_while(|place| Some((self.record.middle(place)?, self.record.onset(place))));
        let mut read = ahead.take_while(|&(middle, _)| self.at(middle) < until + clear as f64);
        let there = from.saturating_sub(self.catch_up.behind + clear);
        let coming = heard.model().and_then(|model| model.onset(there));
        self.struck.is_none()
            && read.all(|(_, onset)| onset.is_none_or(|onset| self.at(onset.at) > until))
            && coming.is_none_or(|onset| onset > there + 2 * clear + length)
    }

    /// Begins to read at the sample `at` what sounded `back` samples before it.
    fn start(&mut self, at: u64, back: u64, heard: &Heard<'_>, settings: &StretchSettings) {
        self.back = back;
        self.noise_synth.begin(self.seed);
        self.base = at;
        self.last = (at + settings.memory).saturating_sub(4 * self.noise_synth.hop() as u64);
        self.full = false;
        self.place = -(back as f64);
        (self.begun, self.late) = (self.place, 0.0);
        self.record.begin(settings.record);
        self.come = Ramp::at(1.0);
        self.noise_frame = 0;
        (self.next, self.next_noise_frame, self.next_strength) = heard.model().map_or((0, 0, 0), |model| {
            (
                first_breakpoint(model.breakpoints(), at.saturating_sub(back)),
                newest_before(model.noise_frames(), at.saturating_sub(back.saturating_sub(self.usual_back))),
                model.strengths().first(),
            )
        });
        (self.part, self.left, self.struck) = (ReadPart::Nothing, 0, None);
        self.bank.clear();
        self.noises = [0.0; 8];
        self.first = at.next_multiple_of(CELL) + self.stagger;
        // The longest it can take: the noise has come up a frame after its first begins.
        let longest = self.sounds() - at + self.noise_synth.hop() as u64 * 3;
        let start = at.saturating_sub(back);
        let onset = heard.model().and_then(|model| model.onset(start));
        let until = onset.map_or(longest, |onset| (onset - start).saturating_sub(self.attack.before as u64));
        self.opening.end = longest.min(until);
    }

    /// Sounds `samples` of the present part from place `done` of the cell on.
    fn sound(&mut self, done: usize, samples: usize, pace: f64) {
        let mut sum = [0.0; CELL as usize];
        self.bank.sound(self.place - self.start, pace, samples, &mut sum);
        let loudest = self.noises.iter().copied().fold(0.0, f32::max);
        let gains = |place: f64| self.record.gains(place + self.base as f64, loudest);
        let (mut partials, mut rest) = gains(self.place);
        self.place += pace * samples as f64;
        let then = gains(self.place);
        let steps = ((then.0 - partials) / samples as f32, (then.1 - rest) / samples as f32);
        self.late += samples as f64 * (1.0 - pace);
        let sounds = self.sounds();
        if let Some(out) = self.cell.get_mut(done..done + samples) {
            let since = self.made_from + done as u64;
            let mut noise = [0.0; CELL as usize];
            if let (Some(since), Some(noise)) = (since.checked_sub(sounds), noise.get_mut(..samples)) {
                self.noise_synth.sound(since, noise);
            }
            let opening = self.opening.sound.iter().zip(&self.opening.gain).skip(done);
            for (((out, &sum), &noise), (&plain, &gain)) in out.iter_mut().zip(&sum).zip(&noise).zip(opening) {
                *out = sum * (1.0 - gain) * partials * self.come.advance() + noise * rest + plain * gain;
                partials += steps.0;
                rest += steps.1;
            }
            if let Some(struck) = &mut self.struck {
                let length = self.attack.length;
                let sound = struck.attack.and_then(|number| self.record.attack_sound(number));
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
                ReadPart::Nothing => {
                    // The last breakpoint not behind the place.
                    // A source that has only just begun is known from its first breakpoint on: out of nothing it comes up.
                    let Some(first) = self.record.middle(0) else {
                        (self.end, self.come) = (f64::MAX, Ramp::at(0.0));
                        return;
                    };
                    if self.at(first) > self.place {
                        (self.end, self.come) = (self.at(first), Ramp::at(0.0));
                        return;
                    }
                    if self.come.value() < 1.0 {
                        self.come.go(1.0, self.comes);
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
                ReadPart::Last => {
                    if self.record.middle(self.left + 1).is_none() {
                        self.end = f64::MAX;
                        return;
                    }
                    self.begin_at(self.left, pace);
                }
                ReadPart::Whole | ReadPart::FromOnset if self.place >= self.end => self.begin_at(self.left + 1, pace),
                _ => return,
            }
        }
    }

    /// Begins to read behind the breakpoint `left`.
    fn begin_at(&mut self, left: usize, pace: f64) {
        self.left = left;
        let Some(middle) = self.record.middle(left) else { return };
        let from = self.at(middle);
        let Some(next) = self.record.middle(left + 1) else {
            // Nothing more is known, or ever will be: what sounds here sounds on.
            self.change(ReadPart::Last, from, f64::MAX, pace);
            return;
        };
        match self.record.onset(left + 1) {
            Some(onset) if onset.at >= middle => self.change(ReadPart::ToOnset, from, self.at(onset.at), pace),
            _ => self.change(ReadPart::Whole, from, self.at(next), pace),
        }
    }

    /// An onset has come.
    fn strike(&mut self, pace: f64) {
        let (onset, next) = (self.end, self.record.middle(self.left + 1).unwrap_or(0));
        // Not the nearest sample but the place: roundings are not to add up.
        self.place = self.place.clamp(onset - pace, onset + pace);
        self.change(ReadPart::FromOnset, onset, self.at(next), pace);
    }

    /// Sets what sounds over a part.
    fn change(&mut self, part: ReadPart, start: f64, end: f64, pace: f64) {
        (self.part, self.start, self.end) = (part, start, end);
        let between = match part {
            ReadPart::Nothing => return,
            ReadPart::Whole => Between::Breakpoints,
            ReadPart::ToOnset => Between::BreakpointAndOnset,
            ReadPart::FromOnset => Between::OnsetAndBreakpoint,
            ReadPart::Last => Between::BreakpointAndNothing,
        };
        let (lefts, rights) = (self.record.partials(self.left), self.record.partials(self.left + 1));
        // An onset is a beginning, and so is where the sound has come out of silence, for a while.
        let late = match part {
            ReadPart::FromOnset => {
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
    fn make_noise(&mut self, frame: u64, step: noise_synth::NoiseStep, pace: f64) {
        let since = frame * self.schedule.hop();
        if step == noise_synth::NoiseStep::Envelope {
            // Where the reading will be in the middle of the frame.
            let middle = self.place + pace * (self.schedule.lead() + 2 * self.schedule.hop()) as f64;
            while self.record.noise_frame(self.noise_frame + 1).is_some_and(|next| self.at(next) <= middle) {
                self.noise_frame += 1;
            }
            let (one, two) = (self.record.noise_frame(self.noise_frame), self.record.noise_frame(self.noise_frame + 1));
            let part = match (one, two) {
                (Some(one), Some(two)) => {
                    ((middle - self.at(one)) / (two.saturating_sub(one)).max(1) as f64).clamp(0.0, 1.0) as f32
                }
                _ => 0.0,
            };
            let (one, two) =
                (self.record.noise(self.noise_frame), self.record.noise(self.noise_frame + usize::from(part > 0.0)));
            let mut power = 0.0;
            if self.part == ReadPart::Nothing || one.is_empty() || two.is_empty() {
                self.noise_synth.envelope().fill(0.0);
            } else {
                for ((to, &one), &two) in self.noise_synth.envelope().iter_mut().zip(one).zip(two) {
                    let (one, two) = (decode(one), decode(two));
                    *to = one + (two - one) * part;
                    power += *to * *to;
                }
                power /= one.len() as f32;
            }
            if let Some(place) = self.noises.get_mut(frame as usize % 8) {
                *place = power;
            }
        }
        self.noise_synth.step(step, since, self.sounds() + since);
    }
}

impl EffectVoice for Stretch {
    const DECLARATION: Declaration = Declaration {
        name: "stretch",
        help: "The sound of the mic read slowly, from a little before the gesture on.",
        x: "how slowly the sound is read: most^x; over its first third it also brings the sound up from nothing, and coming back \
            it hurries after the player",
        x_is_loudness: false,
        settings: &[MOST.declare(), MEMORY.declare()],
        emits: Emits::Audio,
    };

    const WANTS_MODEL: bool = true;

    type Settings = StretchSettings;

    fn settings(given: &Given<'_>) -> StretchSettings {
        let seconds = given.number(&MEMORY);
        StretchSettings {
            octaves: given.number(&MOST).max(1.0).log2(),
            memory: samples(seconds, given.rate) as u64,
            seconds,
            record: RecordExtent::new(given.rate, seconds + BEHIND),
        }
    }

    fn level(x: f32) -> f32 {
        let up = (3.0 * x).min(1.0);
        up * up * up
    }

    fn reach(_: &StretchSettings) -> f64 {
        BACK + 0.16
    }

    /// The seconds of its memory.
    fn room(settings: &StretchSettings) -> f64 {
        settings.seconds
    }

    fn bytes(rate: u32, room: f64) -> usize {
        size_of::<Self>()
            + Record::bytes(RecordExtent::new(rate, room + BEHIND))
            + Bank::bytes()
            + NoiseSynth::bytes(rate)
    }

    fn new(rate: u32, room: f64) -> Self {
        let noise_synth = NoiseSynth::new(rate);
        Self {
            most: 0.0,
            back: 0,
            usual_back: samples(BACK, rate) as u64,
            catch_up: CatchUp::new(rate),
            seed: 0,
            attack: Attack::new(rate),
            last: 0,
            full: false,
            record: Record::new(RecordExtent::new(rate, room + BEHIND)),
            next: 0,
            next_noise_frame: 0,
            next_strength: 0,
            noise_frame: 0,
            base: 0,
            place: 0.0,
            part: ReadPart::Nothing,
            left: 0,
            start: 0.0,
            end: 0.0,
            bank: Bank::new(),
            come: Ramp::at(1.0),
            comes: samples(COMES, rate) as u32,
            begun: 0.0,
            late: 0.0,
            together: samples(0.12, rate) as f64,
            struck: None,
            stagger: 0,
            schedule: Schedule::new(noise_synth.hop(), noise_synth::STEPS.len() as u64),
            noise_synth,
            noises: [0.0; 8],
            first: 0,
            opening: Opening::default(),
            cell: [0.0; CELL as usize],
            made: 0,
            made_from: 0,
        }
    }

    fn begin(&mut self, at: u64, heard: &Heard<'_>, settings: &StretchSettings, seed: u64) {
        self.most = settings.octaves as f32;
        self.seed = seed;
        self.stagger = self.schedule.delay(seed);
        self.catch_up.begin();
        self.start(at, self.usual_back, heard, settings);
        self.made = at;
    }

    fn render(
        &mut self,
        from: u64,
        _: &[f32],
        x: &[f32],
        heard: &Heard<'_>,
        settings: &StretchSettings,
        out: &mut [f32],
    ) {
        if from >= self.made {
            if self.catch_up.crossing.is_some_and(|crossing| from >= crossing.begun + self.catch_up.length) {
                self.catch_up.crossing = None;
                self.start(from, self.catch_up.behind, heard, settings);
            }
            self.listen(heard);
            let pace = self.pace(from, x.first().copied().unwrap_or(0.0));
            if from.is_multiple_of(CELL)
                && let Some(line) = from.checked_sub(self.first)
            {
                let (frame, due) = self.schedule.due(line);
                for &step in due.filter_map(|step| noise_synth::STEPS.get(step as usize)) {
                    self.make_noise(frame, step, pace);
                }
            }
            self.made_from = from;
            self.open(from, heard);
            self.make(from, pace);
            self.cross(from, pace, heard);
            self.made = from + CELL - from % CELL;
        }
        let offset = (from - self.made_from) as usize;
        for (out, sound) in out.iter_mut().zip(self.cell.iter().skip(offset)) {
            *out = settle(*sound);
        }
    }

    fn lacks(&self) -> Option<Lack> {
        self.full.then_some(Lack::MemoryFull)
    }
}

impl Measured for Stretch {
    /// The reading begins so far back and goes at once at the pace that x asks for at the start of each cell.
    fn lag(settings: &StretchSettings, rate: u32, x: &[f32]) -> f64 {
        let pace = |x: f32| (-settings.octaves * f64::from(x.clamp(0.0, 1.0))).exp2();
        let (mut left, mut since) = (samples(BACK, rate) as f64, 0.0);
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
}
