//! The law by which an input with a clock of its own is followed: how fast to read what it brings.
//!
//! A loop of second order with a proportional and an integral part, critically damped, as delay-locked loops for audio
//! have it (F. Adriaensen, "Using a DLL to filter time", Linux Audio Conference 2005; "Controlling adaptive resampling",
//! LAC 2012). It is told how late sound is beside what it should be, in seconds, on a time that runs on between blocks:
//! so the sizes of blocks do not reach it, and what jitter of the callbacks does is smoothed over seconds.
//!
//! Bounds, in parts of the true pitch. Reading departs from the loop's estimate of the drift by [`MOST_PULL`] at most, by
//! construction: 0.43 cents. When a drift of d sets in, the estimate errs by d at first and comes near without passing
//! beyond: 200 ppm together with the pull are 450 ppm or 0.78 cents, for some seconds; then there is what jitter leaves.
//! The delay departs by 4.6 d seconds at most: d / (e * width) is the critically damped loop's answer to a ramp, and the
//! smoothing adds a quarter. For 200 ppm that is 0.92 ms. The least difference of pitch that listeners tell is 0.2 % or 3.5
//! cents at 1 kHz (Wier, Jesteadt and Green, J. Acoust. Soc. Am. 61, 1977, from memory).

/// The loop's width in radians a second, at rest and when it begins; between, it falls as one over the time.
const WIDTH: (f64, f64) = (0.1, 0.5);
/// How much wider the two smoothing filters before the loop are: their lag costs it 23 degrees.
const SMOOTHER: f64 = 10.0;
/// How far reading may depart from the estimated drift in order to make the delay right.
pub(crate) const MOST_PULL: f64 = 250e-6;
/// The greatest drift that is followed. Crystals are within 100 ppm of their rate (common practice, no source).
const MOST_DRIFT: f64 = 5e-3;
/// Seconds, and looks, over which the median of the delay is found before sound is put in its place. Not the mean: after a
/// stall callbacks come in a rush.
const GATHER: (f64, usize) = (0.5, 8);
/// Looks of which it is the median at most.
const MOST_LOOKS: usize = 1024;
/// Seconds: what is less wrong is left to the loop.
const SMALL: f64 = 0.25e-3;
/// Seconds, at least and at most: what is more wrong than a block, within these, is put right at once, since the loop
/// would be off pitch for long.
const LIMIT: (f64, f64) = (0.5e-3, 2e-3);
/// Seconds after which the estimate of the drift may be told.
const KNOWN: f64 = 10.0;

/// How fast to read, from looks at how late it is.
#[derive(Debug)]
pub(crate) struct Steering {
    limit: f64,
    /// The time of the last look.
    last: Option<f64>,
    /// Seconds for which the loop has worked.
    worked: f64,
    /// Since when the delay is looked at anew, if it is.
    gathering: Option<Option<f64>>,
    looks: Vec<f64>,
    smooth: [f64; 2],
    drift: f64,
    pull: f64,
}

impl Steering {
    /// For blocks of so many seconds.
    pub fn new(block: f64) -> Self {
        let (limit, looks) = (block.clamp(LIMIT.0, LIMIT.1), Vec::with_capacity(MOST_LOOKS));
        Self { limit, last: None, worked: 0.0, gathering: Some(None), looks, smooth: [0.0; 2], drift: 0.0, pull: 0.0 }
    }

    /// How much faster than nominal to read, as a part of it: 1e-6 is a ppm.
    pub fn speed(&self) -> f64 {
        self.drift + self.pull
    }

    /// By how much the input's clock is faster than the output's, in ppm, once that is known.
    pub fn drift_ppm(&self) -> Option<f32> {
        (self.worked >= KNOWN).then_some((self.drift * 1e6) as f32)
    }

    /// Blocks are longer than was thought.
    pub fn longer(&mut self, block: f64) {
        self.limit = block.clamp(LIMIT.0, LIMIT.1);
        self.disturbed();
    }

    /// Reading went back by so many seconds, or, if negative, forward, beside what this asked for.
    pub fn shifted(&mut self, seconds: f64) {
        // So little leaves true what was seen before it, and may happen again and again.
        if self.gathering.is_some() && seconds.abs() < LIMIT.0 {
            self.looks.iter_mut().for_each(|late| *late += seconds);
        } else {
            self.disturbed();
        }
    }

    /// The delay is not what it was: sound was lost, or came late.
    pub fn disturbed(&mut self) {
        self.gathering = Some(None);
        self.looks.clear();
        self.pull = 0.0;
    }

    /// At `now` seconds sound is `late` seconds later than it should be. Returns by how many seconds reading is to go
    /// forward at once, or, if negative, back.
    pub fn look(&mut self, now: f64, late: f64) -> Option<f64> {
        let passed = self.last.map_or(0.0, |last| (now - last).clamp(0.0, 0.5));
        self.last = Some(now);
        match &mut self.gathering {
            Some(begun) => {
                let begun = *begun.get_or_insert(now);
                if self.looks.len() < MOST_LOOKS {
                    self.looks.push(late);
                }
                if now - begun < GATHER.0 || self.looks.len() < GATHER.1 {
                    return None;
                }
                let middle = self.looks.len() / 2;
                let (_, median, _) = self.looks.select_nth_unstable_by(middle, f64::total_cmp);
                let (median, leap) = (*median, Some(*median).filter(|late| late.abs() > SMALL));
                self.gathering = None;
                self.smooth = [median - leap.unwrap_or(0.0); 2];
                leap
            }
            None => {
                self.follow(passed, late);
                if self.smooth[0].abs() > self.limit {
                    self.disturbed();
                }
                None
            }
        }
    }

    fn follow(&mut self, passed: f64, late: f64) {
        self.worked += passed;
        let width = (1.0 / (self.worked + 1.0 / WIDTH.1)).max(WIDTH.0);
        let part = 1.0 - (-passed * width * SMOOTHER).exp();
        self.smooth[0] += part * (late - self.smooth[0]);
        self.smooth[1] += part * (self.smooth[0] - self.smooth[1]);
        let error = self.smooth[1];
        self.drift = (self.drift + width * width * error * passed).clamp(-MOST_DRIFT, MOST_DRIFT);
        self.pull = (2.0 * width * error).clamp(-MOST_PULL, MOST_PULL);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Looks without jitter, 188 a second, at a drift that sets in when the loop has long been at rest.
    #[test]
    fn its_answer_to_a_drift_is_as_stated() {
        for drift in [50e-6f64, -50e-6, 200e-6, -200e-6] {
            let (mut steering, mut late, mut worst, mut most) = (Steering::new(0.005), 0.0f64, 0.0f64, 0.0f64);
            for look in 0..56_000 {
                let now = f64::from(look) * 256.0 / 48_000.0;
                assert_eq!(steering.look(now, late), None, "nothing is so wrong that it leaps");
                let drift = if now < 100.0 { 0.0 } else { drift };
                let speed = steering.speed();
                assert!((speed - steering.drift).abs() <= MOST_PULL);
                assert!(steering.drift.abs() <= drift.abs() * 1.000_1, "it does not pass beyond");
                late += (drift - speed) * 256.0 / 48_000.0;
                (worst, most) = (worst.max(late.abs()), most.max(speed.abs()));
            }
            assert!(worst < 4.6 * drift.abs() && most < 1.25 * drift.abs(), "{worst} s, {most}");
            assert!((steering.speed() - drift).abs() < 1e-6);
        }
    }

    #[test]
    fn what_is_far_too_late_is_put_right_at_once_and_once() {
        let mut steering = Steering::new(0.005);
        let mut late = 0.02f64;
        let leaps: Vec<f64> = (0..400)
            .filter_map(|look| {
                let leap = steering.look(f64::from(look) * 0.005, late);
                late -= leap.unwrap_or(0.0);
                leap
            })
            .collect();
        assert_eq!(leaps, [0.02]);
        assert_eq!(steering.speed(), 0.0);
    }
}
