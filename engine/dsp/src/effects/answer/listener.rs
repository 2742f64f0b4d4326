//! Where a phrase begins and ends: levels of frames against a noise floor that is learnt, and against what may be the
//! answer's own sound in the mic.
//!
//! All numbers here are common practice, without a source; the tests hold them to dialogues whose ends are known.

use crate::CELL;
use crate::highpass::Highpass;
use crate::memory::Heard;

/// A frame in seconds. Levels are those of two frames.
const FRAME: f64 = 0.01;
/// Below this there is rumble, in Hz.
const CORNER: f64 = 80.0;
/// How far over the floor a phrase begins, and below what it has ended, in dB.
const BEGINS: f64 = 9.0;
const ENDS: f64 = 6.0;
/// Frames over the floor that make a beginning.
const SURE: u32 = 3;
/// The floor within which mics are, in dBFS; and what it is taken for at most by what sounds first, and by what comes out
/// of exact silence.
const FLOORS: (f64, f64) = (-90.0, -20.0);
const AT_FIRST: f64 = -40.0;
const FROM_SILENCE: f64 = -50.0;
/// The part of the way that the floor goes in a frame, down and up.
const FALLS: f64 = 0.03;
const CLIMBS: f64 = 0.005;
/// A sound that keeps within so many dB for so many seconds is no phrase but a floor.
const STANDS: f64 = 6.0;
const STANDS_FOR: f64 = 20.0;
const BINS: usize = 40;

/// The answer's own sound in the mic is this much below what it sounds, in dB, or less; it may come this many frames
/// late; and it falls by so many dB in a frame when the answer is over: a room of 1.5 s.
const SPILL: f64 = -6.0;
const LATE: usize = 10;
const DECAY: f64 = 0.4;

const SILENCE: f64 = -160.0;

/// Grid lines of the past that are heard at one line while it catches up.
const CATCH_UP: u64 = 24;

/// A phrase, in samples.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct HeardPhrase {
    pub start: u64,
    /// The sample after its last.
    pub end: u64,
}

/// The level of a sound, frame by frame.
struct PowerMeter {
    highpass: Highpass,
    corner: Highpass,
    samples: u64,
    energy: f64,
}

impl PowerMeter {
    fn new(rate: u32, samples: u64) -> Self {
        let highpass = Highpass::new(CORNER, rate);
        Self { highpass, corner: highpass, samples, energy: 0.0 }
    }

    fn clear(&mut self) {
        (self.highpass, self.energy) = (self.corner, 0.0);
    }

    /// Takes in sound, which it spoils.
    fn hear(&mut self, sound: &mut [f32]) {
        self.highpass.process(sound);
        for &x in &*sound {
            self.energy += f64::from(x) * f64::from(x);
        }
    }

    /// The mean power of the frame that ends.
    fn power(&mut self) -> f64 {
        std::mem::take(&mut self.energy) / self.samples as f64
    }
}

/// See the module.
pub(super) struct PhraseListener {
    frame: u64,
    mic: PowerMeter,
    own: PowerMeter,
    /// The sample up to which the mic is heard.
    heard: u64,
    begun: u64,
    /// The power of the last frame, and that of about a tenth of a second.
    power: f64,
    slow: f64,
    floor: Option<f64>,
    /// Whether there was exact silence.
    shut: bool,
    /// The least and greatest slow level in each of the last bins; the present one, and how many frames of it are done.
    bins: [(f64, f64); BINS],
    bin: usize,
    in_bin: u64,
    bin_frames: u64,
    /// The powers of the own sound's last frames, and the level at which its spill may be.
    own_powers: [f64; LATE],
    own_place: usize,
    spill: f64,
    /// Frames in a row over the floor.
    over: u32,
    phrase: Option<HeardPhrase>,
    longest_pause: u64,
}

impl PhraseListener {
    /// How far back of its beginning it listens, in seconds.
    pub const PAST: f64 = 22.0;

    /// For pauses up to this many seconds.
    pub fn new(rate: u32, longest_pause: f64) -> Self {
        let cells = ((FRAME * f64::from(rate) / CELL as f64).round() as u64).max(1);
        let frame = cells * CELL;
        let seconds = frame as f64 / f64::from(rate);
        Self {
            frame,
            mic: PowerMeter::new(rate, frame),
            own: PowerMeter::new(rate, frame),
            heard: 0,
            begun: 0,
            power: 0.0,
            slow: 0.0,
            floor: None,
            shut: false,
            bins: [(SILENCE, 0.0); BINS],
            bin: 0,
            in_bin: 0,
            bin_frames: ((STANDS_FOR / BINS as f64 / seconds).round() as u64).max(1),
            own_powers: [0.0; LATE],
            own_place: 0,
            spill: SILENCE,
            over: 0,
            phrase: None,
            longest_pause: (longest_pause * f64::from(rate)) as u64,
        }
    }

    /// Begins afresh; the past is heard at the next lines.
    pub fn begin(&mut self, at: u64, past: u64) {
        self.mic.clear();
        self.own.clear();
        self.begun = at;
        self.heard = at.saturating_sub(past) / self.frame * self.frame;
        (self.power, self.slow, self.floor, self.shut) = (0.0, 0.0, None, false);
        self.bins = [(SILENCE, 0.0); BINS];
        (self.bin, self.in_bin) = (0, 0);
        self.own_powers = [0.0; LATE];
        (self.own_place, self.spill) = (0, SILENCE);
        (self.over, self.phrase) = (0, None);
    }

    /// Takes in what the effect itself has sounded, which it spoils.
    pub fn own(&mut self, sound: &mut [f32]) {
        self.own.hear(sound);
    }

    /// What is due at a grid line.
    pub fn advance(&mut self, line: u64, heard: &Heard<'_>) {
        // What it sounded itself since the last frame ended, on the same grid.
        if line.is_multiple_of(self.frame) {
            let power = self.own.power();
            if let Some(place) = self.own_powers.get_mut(self.own_place) {
                *place = power;
            }
            self.own_place = (self.own_place + 1) % LATE;
            let most = self.own_powers.iter().copied().fold(0.0, f64::max);
            self.spill = (self.spill - DECAY).max(decibels(most) + SPILL);
        }
        let mut cell = [0.0; CELL as usize];
        for _ in 0..CATCH_UP {
            if self.heard + CELL > line {
                break;
            }
            heard.read(self.heard as i64, &mut cell);
            self.mic.hear(&mut cell);
            self.heard += CELL;
            if self.heard.is_multiple_of(self.frame) {
                let own = heard.levels().is_none_or(|levels| levels.is_own(self.heard));
                self.weigh(own);
            }
        }
    }

    /// The phrase that has ended, if the sound has been away for so many samples now.
    pub fn ended(&mut self, pause: u64) -> Option<HeardPhrase> {
        let phrase = self.phrase.filter(|phrase| self.heard - phrase.end >= pause && self.heard >= self.begun)?;
        self.phrase = None;
        Some(phrase)
    }

    /// Whether it hears all there is, and a player in it.
    pub fn hears_player(&self, line: u64) -> bool {
        self.phrase.is_some() && self.heard + self.frame >= line
    }

    /// Weighs the frame that has ended; `own`: what sounds in it is no neighbour.
    fn weigh(&mut self, own: bool) {
        let power = self.mic.power();
        let level = decibels((power + self.power) / 2.0);
        self.power = power;
        // Exact silence is a mic that is shut or a recording: it tells nothing of the room.
        if power == 0.0 {
            (self.slow, self.shut) = (0.0, true);
            self.floor = self.floor.map(|floor| floor.min(FROM_SILENCE));
        } else {
            self.slow += if self.slow > 0.0 { 0.1 } else { 1.0 } * (power - self.slow);
        }
        let slow = decibels(self.slow);
        let first = slow.min(if self.shut { FROM_SILENCE } else { AT_FIRST });
        let mut floor = match self.floor {
            None if power == 0.0 => return,
            floor => floor.unwrap_or(first),
        };
        let (begins, ends) = (floor + BEGINS, floor + ENDS);
        if power > 0.0 && slow < floor {
            floor += FALLS * (slow - floor);
        } else if self.phrase.is_none() && slow < begins {
            floor += CLIMBS * (slow - floor);
        }
        self.over = if own && level >= begins.max(self.spill) { self.over + 1 } else { 0 };
        match &mut self.phrase {
            None if self.over >= SURE => {
                let start = self.heard.saturating_sub((u64::from(SURE) + 1) * self.frame);
                self.phrase = Some(HeardPhrase { start, end: self.heard });
            }
            Some(phrase) if own && level >= ends.max(self.spill) => phrase.end = self.heard,
            Some(phrase) if self.heard < self.begun && self.heard - phrase.end > self.longest_pause => {
                self.phrase = None;
            }
            _ => {}
        }
        if let Some(bin) = self.bins.get_mut(self.bin) {
            *bin = if self.in_bin == 0 { (slow, slow) } else { (bin.0.min(slow), bin.1.max(slow)) };
        }
        self.in_bin += 1;
        if self.in_bin >= self.bin_frames {
            // Never so as long as not all bins are filled.
            let least = self.bins.iter().map(|bin| bin.0).fold(f64::MAX, f64::min);
            let most = self.bins.iter().map(|bin| bin.1).fold(f64::MIN, f64::max);
            if most - least < STANDS {
                floor = most;
                self.phrase = None;
            }
            (self.bin, self.in_bin) = ((self.bin + 1) % BINS, 0);
        }
        self.floor = Some(floor.clamp(FLOORS.0, FLOORS.1));
    }
}

fn decibels(power: f64) -> f64 {
    if power > 1e-16 { 10.0 * power.log10() } else { SILENCE }
}
