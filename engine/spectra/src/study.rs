//! The whole way from samples to a study.

use realfft::RealFftPlanner;

use crate::frames::Frames;
use crate::partials::{self, Peak};
use crate::pitch::PitchListener;
use crate::rates::{self, RatedSound};
use crate::tracks::{TrackCourse, Tracker};
use crate::{Point, Study, Track, close, ground, steady, sureness};

/// From frame to frame, as near as whole samples come.
const HOP_SECONDS: f64 = 0.01;
/// The windows of the low, middle and high band: long for partials that lie close, short for such as move fast.
const WINDOWS: [f64; 3] = [0.160, 0.080, 0.055];
/// Where the middle and the high band begin.
const BORDERS: [f64; 2] = [600.0, 2000.0];
/// The lowest and the highest partial.
const PARTIALS: [f64; 2] = [30.0, 16_000.0];
/// The share of the rate up to which partials are looked for.
const BAND: f64 = 0.49;
/// A rate that suffices for the low band.
const SLOW_RATE: f64 = 3000.0;
/// At most so many partials in a frame.
const MOST: usize = 200;
/// Courses that never get surer than this are forgotten.
const UNSURE: f32 = 0.1;
/// As are courses of fewer frames.
const SHORTEST: usize = 4;
/// A lobe is at most so much broader than a steady sine's for its height to be made up for.
const BROADEST: f32 = 8.0;

/// What a study keeps beside what it shows.
#[derive(Clone, Debug, Default)]
pub struct Beneath {
    /// From frame to frame in seconds.
    pub hop: f64,
    /// The phase of each point of each track, in radians.
    pub phases: Vec<Vec<f32>>,
    /// The mean square of the sound around each frame.
    pub powers: Vec<f32>,
}

/// How long the window is that a partial is seen through.
pub fn window(hz: f32) -> f32 {
    let band = BORDERS.iter().filter(|&&border| f64::from(hz) >= border).count();
    WINDOWS[band] as f32
}

/// Takes a whole sound apart: any length, any rate, any content. Samples that are no numbers are silence; a rate of 0 is
/// taken for 1.
///
/// # Examples
/// ```
/// let rate = 48_000;
/// let sound: Vec<f32> = (0..rate).map(|n| 0.5 * (n as f32 * 440.0 * std::f32::consts::TAU / rate as f32).sin()).collect();
/// let study = tenterhook_spectra::study(&sound, rate);
/// let moment = study.moment(0.2..0.8);
/// assert!((moment.partials[0].hz - 440.0).abs() < 0.1);
/// assert!((moment.fundamental_hz.unwrap() - 440.0).abs() < 0.1);
/// ```
pub fn study(sound: &[f32], rate: u32) -> Study {
    let seconds = sound.len() as f64 / f64::from(rate.max(1));
    let whole = rates::ready(sound, rate);
    let audible = rates::audible(&whole);
    let sound = audible.as_ref().unwrap_or(&whole);
    let step = (HOP_SECONDS * sound.rate).round().max(1.0);
    let hop = step / sound.rate;
    let frames = if sound.samples.is_empty() { 0 } else { (sound.samples.len() - 1) / step as usize + 1 };

    let mut planner = RealFftPlanner::new();
    let slow = rates::slow(sound, SLOW_RATE);
    let slow = slow.as_ref().unwrap_or(sound);
    let mut long = Frames::new(&mut planner, slow.rate, close::WINDOW_SECONDS);
    let mut low = Frames::new(&mut planner, slow.rate, WINDOWS[0]);
    let mut middle = Frames::new(&mut planner, sound.rate, WINDOWS[1]);
    let mut high = Frames::new(&mut planner, sound.rate, WINDOWS[2]);
    let mut listener = PitchListener::new(&mut planner, sound.rate);
    let mut grid = ground::Gatherer::new(sound.rate, frames, hop, BORDERS);
    let (mut plain, mut fine) = (Tracker::new(), Tracker::new());
    let (mut courses, mut fine_courses) = (Vec::new(), Vec::new());
    let (mut peaks, mut fine_peaks) = (Vec::new(), Vec::new());
    let long_window = |_: f32| close::WINDOW_SECONDS as f32;

    for frame in 0..frames {
        let at = frame as f64 * hop;
        let lates = [low.take(slow, at), middle.take(sound, at), high.take(sound, at)];
        let late = long.take(slow, at);
        find([&low, &middle, &high], lates, sound.rate, &mut peaks);
        fine_peaks.clear();
        partials::find(&long, PARTIALS[0]..close::HIGHEST_HZ, late, partials::loudest(&long), &mut fine_peaks);
        plain.step(&peaks, window, |course| keep(course, hop, window, &mut courses));
        fine.step(&fine_peaks, long_window, |course| keep(course, hop, long_window, &mut fine_courses));
        listener.take(sound, at);
        grid.take([&low, &middle, &high]);
    }
    plain.finish(|course| keep(course, hop, window, &mut courses));
    fine.finish(|course| keep(course, hop, long_window, &mut fine_courses));
    let mut kept = close::resolve(courses, fine_courses, hop);
    kept.sort_by(|a, b| {
        a.course.first.cmp(&b.course.first).then(a.course.peaks[0].hz.total_cmp(&b.course.peaks[0].hz))
    });

    let powers = powers(&whole, frames, hop);
    let phases = kept.iter().map(|k| k.course.peaks.iter().map(|p| p.phase).collect()).collect();
    let tracks: Vec<Track> = kept.iter().map(|k| told(k, hop)).collect();
    let mut pitch = listener.finish(hop);
    if sound.rate < whole.rate {
        // What lies above what is heard is of the sound's power, too.
        for ((pitch, all), heard) in pitch.iter_mut().zip(&powers).zip(self::powers(sound, frames, hop)) {
            pitch.harmonicity *= f64::from(heard / all.max(f32::MIN_POSITIVE)).min(1.0);
        }
    }
    let steady = steady::find(&kept, &powers, hop, seconds);
    let ground = grid.finish();
    Study { rate, seconds, tracks, pitch, steady, ground, beneath: Beneath { hop, phases, powers } }
}

/// A course and how sure each of its points is.
#[derive(Clone, Debug)]
pub struct Kept {
    pub course: TrackCourse,
    pub sure: Vec<f32>,
}

/// Keeps a course that ended, if it may be a partial.
fn keep(mut course: TrackCourse, hop: f64, window: impl Fn(f32) -> f32, kept: &mut Vec<Kept>) {
    if course.peaks.len() < SHORTEST {
        return;
    }
    let sure = sureness::of(&course, hop as f32, window);
    if sure.iter().all(|&sure| sure < UNSURE) {
        return;
    }
    raise(&mut course);
    course.peaks.shrink_to_fit();
    kept.push(Kept { course, sure });
}

/// Makes up for the height that a lobe loses when its frequency moves within the window: exactly so for a Gaussian window
/// and a straight glide, where height goes as the fourth root of the curvature (Marchand and Depalle, Digital Audio Effects
/// 2008, treat the general case).
fn raise(course: &mut TrackCourse) {
    let broad: Vec<f32> = course.peaks.iter().map(|p| p.broad.clamp(0.0, BROADEST)).collect();
    for (i, peak) in course.peaks.iter_mut().enumerate() {
        let around = &broad[i.saturating_sub(2)..(i + 3).min(broad.len())];
        peak.amplitude *= (around.iter().sum::<f32>() / around.len() as f32).max(1.0).powf(0.25);
    }
}

fn told(kept: &Kept, hop: f64) -> Track {
    let point = |(i, (peak, sure)): (usize, (&Peak, &f32))| Point {
        seconds: (kept.course.first + i) as f64 * hop,
        hz: f64::from(peak.hz),
        db: 20.0 * f64::from(peak.amplitude.max(1e-9)).log10(),
        confidence: f64::from(*sure),
    };
    Track { points: kept.course.peaks.iter().zip(&kept.sure).enumerate().map(point).collect() }
}

/// The peaks of a frame, each band's from its own spectrum, by rising frequency.
fn find(spectra: [&Frames; 3], lates: [f64; 3], rate: f64, peaks: &mut Vec<Peak>) {
    peaks.clear();
    let top = PARTIALS[1].min(rate * BAND);
    let edges = [PARTIALS[0], BORDERS[0].min(top), BORDERS[1].min(top), top];
    let loudest = spectra.iter().map(|s| partials::loudest(s)).fold(0.0, f32::max);
    for (band, (spectrum, late)) in spectra.iter().zip(lates).enumerate() {
        let before = peaks.len();
        if edges[band] < edges[band + 1] {
            partials::find(spectrum, edges[band]..edges[band + 1], late, loudest, peaks);
        }
        // A partial on the border may be seen from both sides of it.
        if before > 0
            && peaks.len() > before
            && peaks[before].hz - peaks[before - 1].hz < (0.5 / spectrum.seconds) as f32
        {
            peaks.remove(before);
        }
    }
    if peaks.len() > MOST {
        peaks.sort_by(|a, b| b.amplitude.total_cmp(&a.amplitude));
        peaks.truncate(MOST);
        peaks.sort_by(|a, b| a.hz.total_cmp(&b.hz));
    }
}

/// The mean square of what lies nearer to each frame than to any other.
fn powers(sound: &RatedSound, frames: usize, hop: f64) -> Vec<f32> {
    let sample = |frame: f64| ((frame * hop * sound.rate).round().max(0.0) as usize).min(sound.samples.len());
    (0..frames)
        .map(|frame| {
            let (from, to) = (sample(frame as f64 - 0.5), sample(frame as f64 + 0.5));
            let inside = &sound.samples[from..to];
            let sum: f64 = inside.iter().map(|&x| f64::from(x) * f64::from(x)).sum();
            (sum / inside.len().max(1) as f64) as f32
        })
        .collect()
}
