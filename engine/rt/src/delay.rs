//! An output's delay: the nearer loudspeakers wait for the farthest.

use tenterhook_dsp::CELL;
use tenterhook_dsp::prefault::prefaulted;
use tenterhook_dsp::ramp::Ramp;

use crate::timings::Timings;

/// The longest delay, in seconds: more than sound takes for the 100 m that a hall may say.
const MOST: f64 = 0.3;

/// The line in which an output's sound waits.
pub(crate) struct Delay {
    /// The last samples, each at the place of its number. All lines of a rate are of one length, so that a changed hall's
    /// output goes on with the line that it had. Empty: nothing waits here.
    line: Box<[f32]>,
    samples: usize,
    /// The delay before, from which it crosses over to `samples`.
    before: usize,
    crossing: Ramp,
    cut: Option<Cut>,
}

/// Where what waits is not heard any more.
#[derive(Clone, Copy)]
struct Cut {
    /// The sample at which it begins to fade, and how open the way was then.
    at: u64,
    from: f32,
    /// What came in from this sample on is heard.
    opened: Option<u64>,
}

/// Samples that a line holds.
fn length(rate: u32) -> usize {
    ((MOST * f64::from(rate)).ceil() as usize + CELL as usize).next_multiple_of(CELL as usize)
}

impl Delay {
    /// A silent line for so many seconds, at most [`MOST`]; `None`: nothing will ever wait.
    pub fn new(seconds: Option<f64>, rate: u32) -> Self {
        let line = prefaulted(0.0, seconds.map_or(0, |_| length(rate)));
        let samples = (seconds.unwrap_or(0.0).clamp(0.0, MOST) * f64::from(rate)).round() as usize;
        Self { line, samples, before: samples, crossing: Ramp::at(1.0), cut: None }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(seconds: Option<f64>, rate: u32) -> usize {
        seconds.map_or(0, |_| length(rate) * size_of::<f32>())
    }

    /// What came in so many samples before sample `at`.
    fn waited(&self, at: u64, samples: usize) -> f32 {
        let length = self.line.len();
        let place = (at % length as u64) as usize + length - samples;
        self.line.get(place % length).copied().unwrap_or(0.0)
    }

    /// How open the way is at sample `at` for what came in so many samples before.
    fn opening(&self, at: u64, samples: usize, timings: Timings) -> f32 {
        let Some(cut) = self.cut.filter(|_| samples > 0) else { return 1.0 };
        let part = |since: u64, of: u32| (since as f32 / of as f32).min(1.0);
        let left = cut.from * (1.0 - part(at - cut.at, timings.hush));
        let came = at.checked_sub(samples as u64);
        let fresh = came.zip(cut.opened).and_then(|(came, opened)| came.checked_sub(opened));
        left.max(fresh.map_or(0.0, |since| part(since, timings.glide)))
    }

    /// Makes the sound from sample `from` on, all in one cell, into what has waited.
    pub fn process(&mut self, from: u64, sound: &mut [f32], timings: Timings) {
        if self.line.is_empty() {
            return;
        }
        // A cell never falls across the line's end: its length is a multiple of it.
        let place = (from % self.line.len() as u64) as usize;
        if let Some(line) = self.line.get_mut(place..place + sound.len()) {
            line.copy_from_slice(sound);
        }
        for (at, out) in (from..).zip(sound) {
            let heard = |samples: usize| {
                // Its corners are rounded, as those of a voice's fade.
                let open = self.opening(at, samples, timings);
                self.waited(at, samples) * (open * open * (3.0 - 2.0 * open))
            };
            *out = heard(self.samples);
            if self.crossing.left() > 0 {
                let before = heard(self.before);
                *out = before + (*out - before) * self.crossing.advance();
            }
        }
    }

    /// What waits fades within the time of a hush, and is never heard again.
    pub fn hush(&mut self, at: u64, timings: Timings) {
        self.cut = Some(Cut { at, from: self.opening(at, self.samples, timings), opened: None });
    }

    /// What comes from sample `at` on is heard again; what comes while the hush still fades belongs to that.
    pub fn release(&mut self, at: u64, timings: Timings) {
        let opened = |cut: Cut| at.max(cut.at + u64::from(timings.hush));
        self.cut = self.cut.map(|cut| Cut { opened: Some(opened(cut)), ..cut });
    }

    /// At sample `at`: goes on with the line of the same output in the piece before, and crosses over to its own delay. A
    /// piece takes over no sooner than a glide after the one before it, so nothing is crossing then.
    pub fn carry(&mut self, old: &mut Self, at: u64, timings: Timings) {
        self.cut = old.cut;
        if !old.line.is_empty() {
            std::mem::swap(&mut self.line, &mut old.line);
        } else {
            // Nothing has waited yet: what comes now begins, unless a hush holds.
            let cut = old.cut.unwrap_or(Cut { at, from: 0.0, opened: Some(at) });
            self.cut = Some(Cut { from: 0.0, opened: cut.opened.map(|opened| opened.max(at)), ..cut });
        }
        (self.before, self.crossing) = (old.samples, Ramp::at(0.0));
        self.crossing.go(1.0, timings.glide);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 48_000;

    /// What comes out over so many samples from `from` on, of a sound that is 1 in `on` and 0 outside.
    fn pass(delay: &mut Delay, from: u64, samples: u64, on: std::ops::Range<u64>) -> Vec<f32> {
        let mut out = Vec::new();
        for cell in (from..from + samples).step_by(CELL as usize) {
            let mut sound: Vec<f32> = (cell..cell + CELL).map(|at| if on.contains(&at) { 1.0 } else { 0.0 }).collect();
            delay.process(cell, &mut sound, Timings::new(RATE));
            out.extend(sound);
        }
        out
    }

    #[test]
    fn what_came_while_a_hush_still_faded_belongs_to_it_however_soon_it_is_released() {
        let timings = Timings::new(RATE);
        let mut delay = Delay::new(Some(0.25), RATE);
        delay.hush(3_200, timings);
        delay.release(3_520, timings);
        // Something that came after the release, and before the hush had faded.
        let out = pass(&mut delay, 3_200, 48_000, 4_000..3_200 + u64::from(timings.hush));
        assert!(out.iter().all(|&y| y == 0.0));
        let out = pass(&mut delay, 51_200, 48_000, 0..96_000);
        assert_eq!(out.last(), Some(&1.0));
    }

    #[test]
    fn an_output_that_comes_to_wait_in_a_changed_hall_makes_no_step() {
        let timings = Timings::new(RATE);
        for seconds in [0.004, 0.03, 0.1, 0.25] {
            let (mut before, mut after) = (Delay::new(None, RATE), Delay::new(Some(seconds), RATE));
            pass(&mut before, 0, 3_200, 0..96_000);
            after.carry(&mut before, 3_200, timings);
            let out = pass(&mut after, 3_200, 32_000, 0..96_000);
            let step = out.windows(2).map(|two| (two[1] - two[0]).abs()).fold(1.0 - out[0], f32::max);
            // The corners of a fade in a glide are rounded: at most one and a half times as steep as a straight one.
            assert!(step < 3.0 / timings.glide as f32, "{seconds} s: {step}");
            assert_eq!(out.last(), Some(&1.0));
        }
    }
}
