//! An input whose clock is another than the output's, or whose rate is another than the engine's.
//!
//! The input's thread puts what it hears into a ring, with a mark of when; the output's thread takes all of it into a
//! history, and reads there at a place that [`Steering`] moves on. Where sound was lost or is late by more than a block,
//! the place leaps: sound from both places is cross-faded, rather than be wrong in pitch for minutes.

use super::converter::{Converter, delay};
use super::steering::Steering;
use crate::{Error, Stats};
use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};

/// Seconds of a cross-fade, and of fades where there is nothing to go over to.
const FADE: f64 = 0.005;
/// Seconds that the ring holds: as long may the output stand still before sound is thrown away.
const RING: f64 = 0.5;
/// Marks that may wait.
const MARKS: usize = 1024;
/// Seconds for which frames that have not come are not yet counted as missing.
const START: f64 = 0.5;

/// What an inlet is to carry.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Terms {
    pub channels: usize,
    /// The input's rate and the engine's, in Hz.
    pub from: u32,
    pub to: u32,
    /// The blocks, in seconds, of the input and of the output.
    pub blocks: (f64, f64),
    /// The most engine frames that are asked for at a time.
    pub most: usize,
}

impl Terms {
    /// The seconds by which sound is late when the block of the output in which it stands begins.
    pub fn latency(&self) -> f64 {
        wait(self.blocks, f64::from(self.from)) + delay(self.from, self.to)
    }

    /// The two ends.
    ///
    /// # Errors
    /// [`Error::Convert`]: the rates are none.
    pub fn ends(self) -> Result<(Intake, Inlet), Error> {
        let Terms { channels, from, to, blocks, most } = Terms { channels: self.channels.max(1), ..self };
        let rate = f64::from(from);
        let longest = blocks.0.max(blocks.1);
        let room = (RING.max(8.0 * longest) * rate).ceil() as usize;
        let (put, taken) = HeapRb::new(room * channels).split();
        let (mark, marks) = HeapRb::new(MARKS).split();
        let converter = Converter::new(from, to, channels, most)?;
        let planar = vec![vec![0.0; converter.most_taken()]; converter.channels()];
        let inlet = Inlet {
            ring: taken,
            marks,
            last: None,
            begun: None,
            rate,
            blocks,
            wait: wait(blocks, rate),
            // After a stall the whole ring comes on top of what waits.
            history: vec![0.0; 2 * room * channels],
            channels,
            arrived: 0,
            place: 0,
            short: false,
            hold: 0,
            fading: None,
            gain: 0.0,
            fade: 1.0 / (FADE * rate).max(1.0) as f32,
            steering: Steering::new(longest),
            converter,
            planar,
        };
        Ok((Intake { ring: put, marks: mark, channels, frames: 0, dropped: 0, longest: 0 }, inlet))
    }
}

/// Seconds for which sound should wait: a block of each side, since both come in blocks, one more of the longer in case
/// that a callback is late, and what the converter rounds up.
fn wait((input, output): (f64, f64), rate: f64) -> f64 {
    input + output + input.max(output) + 2.0 / rate
}

/// Frames that had come at a time.
#[derive(Clone, Copy, Debug)]
struct Mark {
    at: f64,
    frames: u64,
    dropped: u64,
    longest: usize,
}

/// The input's end.
pub(crate) struct Intake {
    ring: HeapProd<f32>,
    marks: HeapProd<Mark>,
    channels: usize,
    frames: u64,
    dropped: u64,
    longest: usize,
}

impl Intake {
    /// A block of `frames`, interleaved, that is whole at `now` seconds. Returns how many frames found no room. AUDIO
    /// THREAD of the input.
    pub fn put(&mut self, now: f64, frames: usize, samples: impl Iterator<Item = f32>) -> usize {
        let kept = frames.min(self.ring.vacant_len() / self.channels.max(1));
        self.ring.push_iter(samples.take(kept * self.channels));
        self.frames += kept as u64;
        self.dropped += (frames - kept) as u64;
        self.longest = self.longest.max(frames);
        let Self { frames: come, dropped, longest, .. } = *self;
        // Without room the next mark says as much.
        let _ = self.marks.try_push(Mark { at: now, frames: come, dropped, longest });
        frames - kept
    }
}

/// The output's end.
pub(crate) struct Inlet {
    ring: HeapCons<f32>,
    marks: HeapCons<Mark>,
    last: Option<Mark>,
    begun: Option<f64>,
    /// The input's, in Hz.
    rate: f64,
    blocks: (f64, f64),
    wait: f64,
    /// The last frames that came, interleaved: frame n stands at n modulo their number.
    history: Vec<f32>,
    channels: usize,
    /// Frames that have come into the history.
    arrived: i64,
    /// The frame that is read next; before frame 0 there is silence.
    place: i64,
    /// Whether frames had not come when they were due, and how many frames are waited for now, so that enough wait again.
    short: bool,
    hold: usize,
    /// The place from which sound fades over to `place`, and how far it has.
    fading: Option<(i64, f32)>,
    /// Fades in what begins, and out what ends.
    gain: f32,
    /// By how much a fade goes on in a frame.
    fade: f32,
    steering: Steering,
    converter: Converter,
    planar: Vec<Vec<f32>>,
}

impl Inlet {
    /// Looks at what has come, once when a block of the output begins: at `now` seconds, `block` seconds long. AUDIO
    /// THREAD of the output.
    pub fn look(&mut self, now: f64, block: f64, stats: &Stats) {
        self.begun.get_or_insert(now);
        // The marks first: what they tell of is then in the ring.
        let newest = self.marks.pop_iter().last();
        self.collect(stats);
        let mut blocks = (self.blocks.0, self.blocks.1.max(block));
        if let Some(mark) = newest {
            blocks.0 = blocks.0.max(mark.longest as f64 / self.rate);
            if self.last.is_some_and(|last| last.dropped != mark.dropped) {
                self.steering.disturbed();
            }
        }
        if blocks != self.blocks {
            (self.blocks, self.wait) = (blocks, wait(blocks, self.rate));
            self.steering.longer(blocks.0.max(blocks.1));
        }
        if let Some(mark) = newest {
            // Nothing has been heard yet.
            if self.last.replace(mark).is_none() {
                self.place = (self.come(now, &mark) - self.wait * self.rate).round() as i64;
            }
        }
        // An input that stands still tells nothing of its clock.
        if let Some(mark) = self.last.filter(|mark| now - mark.at < 2.0 * self.wait) {
            let late = (self.come(now, &mark) - self.place as f64) / self.rate - self.wait;
            if std::mem::take(&mut self.short) {
                self.hold = (-late * self.rate).max(0.0) as usize;
            }
            if let Some(leap) = self.steering.look(now, late) {
                let earliest = self.arrived - self.frames();
                let to = self.place + (leap * self.rate).round() as i64;
                self.fading = Some((self.place, 0.0));
                self.place = to.clamp(earliest, self.arrived);
            }
        }
        self.converter.steer(self.steering.speed());
        stats.drift(self.steering.drift_ppm());
    }

    /// Frames that have come by `now`, as if they came one by one.
    fn come(&self, now: f64, mark: &Mark) -> f64 {
        mark.frames as f64 + (now - mark.at) * self.rate
    }

    /// By how many seconds too much sound waits when so many frames have come.
    #[cfg(test)]
    pub fn wait_of(&self, come: f64) -> f64 {
        (come - self.place as f64) / self.rate - self.wait
    }

    /// How many frames the history has.
    fn frames(&self) -> i64 {
        (self.history.len() / self.channels) as i64
    }

    /// Takes all that the ring has.
    fn collect(&mut self, stats: &Stats) {
        loop {
            let at = self.arrived.rem_euclid(self.frames()) as usize * self.channels;
            let got = self.ring.pop_slice(&mut self.history[at..]);
            self.arrived += (got / self.channels) as i64;
            if at + got < self.history.len() {
                break;
            }
        }
        let earliest = self.arrived - self.frames();
        if self.place < earliest && self.arrived > self.frames() {
            stats.dropped(earliest.abs_diff(self.place));
            self.place = earliest;
            self.steering.disturbed();
        }
    }

    /// The next `length` frames at the engine's rate, at most as many as were agreed. AUDIO THREAD of the output.
    pub fn pull(&mut self, now: f64, length: usize, output: &mut [Vec<f32>], stats: &Stats) {
        let needed = self.converter.needs(length);
        let missing = self.read(needed);
        self.converter.make(&self.planar, 0, output, 0);
        if missing > 0 {
            self.short = true;
            self.steering.shifted(missing as f64 / self.rate);
            if self.begun.is_some_and(|begun| now - begun > START) {
                stats.missing(missing as u64);
            }
        }
    }

    /// Reads frames for the converter: silence for those that have not come, of which the number is returned.
    fn read(&mut self, needed: usize) -> usize {
        let short = (needed - self.hold.min(needed)) as i64 > self.arrived - self.place;
        let mut missing = 0;
        for n in 0..needed {
            let left = self.arrived - self.place;
            if left <= 0 || self.hold > 0 {
                self.hold = self.hold.saturating_sub(1);
                (self.gain, self.fading) = (0.0, None);
                self.planar.iter_mut().for_each(|channel| channel[n] = 0.0);
                missing += 1;
                continue;
            }
            let goal = if short { (left as f32 * self.fade).min(1.0) } else { 1.0 };
            self.gain = (self.gain + self.fade).min(goal);
            let here = self.frame(self.place);
            let (there, part) = match self.fading {
                Some((place, part)) => (self.frame(place), part),
                None => (here, 1.0),
            };
            for (channel, to) in self.planar.iter_mut().enumerate() {
                let sample = |frame: Option<usize>| frame.map_or(0.0, |at| self.history[at + channel]);
                to[n] = self.gain * (part * sample(here) + (1.0 - part) * sample(there));
            }
            self.place += 1;
            self.fading =
                self.fading.map(|(place, part)| (place + 1, part + self.fade)).filter(|(_, part)| *part < 1.0);
        }
        missing
    }

    /// Where in the history a frame stands; `None`: it has not come, or is gone.
    fn frame(&self, place: i64) -> Option<usize> {
        let known = (self.arrived - self.frames()).max(0)..self.arrived;
        known.contains(&place).then(|| place.rem_euclid(self.frames()) as usize * self.channels)
    }
}
