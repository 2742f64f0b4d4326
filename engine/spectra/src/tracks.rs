//! Joining the peaks of successive spectra to partials.

use crate::partials::Peak;

/// So many frames in a row may lack a partial's peak before it is held to have ended.
const MISSES: u32 = 3;
/// A partial that goes on leaps by no more than this from where its course leads, as a ratio: a quarter of a semitone.
const LEAP: f32 = 0.0145;
/// Nor by more than this share of what the window tells apart (1 / its length), if that is more.
const BLUR: f32 = 0.6;
/// A leap of this many decibels counts as much as the farthest leap in frequency.
const LEAP_DB: f32 = 30.0;

/// The course of a peak: from which frame on, and what it was in each. Frames in which it was not found are filled in.
#[derive(Clone, Debug)]
pub struct TrackCourse {
    pub first: usize,
    pub peaks: Vec<Peak>,
}

impl TrackCourse {
    /// The frame after its last.
    pub fn end(&self) -> usize {
        self.first + self.peaks.len()
    }

    /// Where it leads: its last frequency, and how much it changes from frame to frame.
    fn heading(&self) -> (f32, f32) {
        let n = self.peaks.len();
        let last = self.peaks[n - 1].hz;
        let back = (n - 1).min(3);
        let slope = if back < 2 { 0.0 } else { (last - self.peaks[n - 1 - back].hz) / back as f32 };
        (last, slope)
    }
}

/// Joins peaks, frame by frame.
pub struct Tracker {
    live: Vec<Live>,
    frame: usize,
}

struct Live {
    course: TrackCourse,
    misses: u32,
}

impl Tracker {
    /// No track yet.
    pub fn new() -> Self {
        Self { live: Vec::new(), frame: 0 }
    }

    /// Takes the next frame's peaks, by rising frequency, and tells the courses that ended before it. `window` is how long
    /// the window at a frequency is.
    pub fn step(&mut self, peaks: &[Peak], window: impl Fn(f32) -> f32, mut ended: impl FnMut(TrackCourse)) {
        let mut taken = vec![false; peaks.len()];
        // The strongest choose first.
        self.live.sort_by(|a, b| strength(b).total_cmp(&strength(a)));
        for live in &mut self.live {
            let (last, slope) = live.course.heading();
            let gone = (live.misses + 1) as f32;
            let expected = last + slope * gone;
            let limit = (last * LEAP).max(BLUR / window(last)) * gone.sqrt();
            let level = live.course.peaks[live.course.peaks.len() - 1].amplitude;
            let from = peaks.partition_point(|p| p.hz < expected - limit);
            let best = (from..peaks.len())
                .take_while(|&i| peaks[i].hz <= expected + limit)
                .filter(|&i| !taken[i])
                .map(|i| {
                    let step_db = 20.0 * (peaks[i].amplitude / level).log10().abs();
                    (i, (peaks[i].hz - expected).abs() / limit + step_db / LEAP_DB)
                })
                .min_by(|a, b| a.1.total_cmp(&b.1));
            match best {
                Some((i, _)) => {
                    taken[i] = true;
                    live.join(peaks[i]);
                }
                None => live.misses += 1,
            }
        }
        self.live.retain_mut(|live| {
            if live.misses > MISSES {
                ended(std::mem::replace(&mut live.course, TrackCourse { first: 0, peaks: Vec::new() }));
            }
            live.misses <= MISSES
        });
        for (peak, _) in peaks.iter().zip(&taken).filter(|(_, taken)| !**taken) {
            self.live.push(Live { course: TrackCourse { first: self.frame, peaks: vec![*peak] }, misses: 0 });
        }
        self.frame += 1;
    }

    /// Tells the courses that still go on.
    pub fn finish(self, ended: impl FnMut(TrackCourse)) {
        self.live.into_iter().map(|live| live.course).for_each(ended);
    }
}

fn strength(live: &Live) -> f32 {
    live.course.peaks.last().map_or(0.0, |p| p.amplitude)
}

impl Live {
    /// Goes on with a peak, filling in the frames that lacked one.
    fn join(&mut self, peak: Peak) {
        let last = self.course.peaks[self.course.peaks.len() - 1];
        let steps = (self.misses + 1) as f32;
        for k in 1..=self.misses {
            let x = k as f32 / steps;
            self.course.peaks.push(Peak {
                hz: last.hz + x * (peak.hz - last.hz),
                amplitude: last.amplitude.powf(1.0 - x) * peak.amplitude.powf(x),
                // No phase was seen: the nearer neighbour's stands in, and sureness falls as it should.
                phase: if x < 0.5 { last.phase } else { peak.phase },
                broad: last.broad,
            });
        }
        self.course.peaks.push(peak);
        self.misses = 0;
    }
}
