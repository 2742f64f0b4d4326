//! Peaks joined from frame to frame into partials, and told from noise by how well their phases go on.
//!
//! After McAulay and Quatieri, "Speech analysis/synthesis based on a sinusoidal representation", IEEE Trans. ASSP 34
//! (1986); what decides between partial and noise is the misfit of the phase that a frame measures with the one that the
//! frequencies of this frame and the last promise.

use super::lobe::{Lobe, VARIANCE};
use super::peaks::{ModelPeak, at};
use super::{AHEAD, BENT, ModelPartial};
use crate::bytes::many;
use crate::prefault::prefaulted_one;
use realfft::num_complex::Complex32;
use std::f32::consts::{LN_2, TAU};

/// Tracks followed at once.
const TRACKS: usize = 192;
/// Frames that a track remembers: a power of two.
const KEPT: usize = 16;
/// Partials told of at once.
pub(super) const PARTIALS: usize = 128;

/// A misfit in turns beyond which a peak is doubted, and below which a track is steady.
const DOUBT: f64 = 0.08;
const STEADY: f32 = 0.03;
/// Frames in a row in which a track may be looked for.
const SOUGHT: u64 = 8;

/// A frame by which it was followed: its number, its middle, its window.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct TrackFrame {
    pub number: u64,
    pub middle: u64,
    /// Samples of the window.
    pub window: usize,
    /// How many onsets lie before it.
    pub onsets: u64,
}

/// What a track was in one frame.
#[derive(Clone, Copy, Debug, Default)]
struct TrackMoment {
    frame: u64,
    middle: u64,
    window: f32,
    frequency: f32,
    /// Below 0 where a beat has turned it over.
    amplitude: f32,
    /// Unwrapped, turns.
    phase: f64,
    /// What curves of amplitude and frequency within the window have added: amplitude and turns.
    bend: (f32, f32),
    /// Whether it was looked for where it was expected, for want of a peak.
    sought: bool,
    /// Turns squared; nothing at a birth.
    misfit: f32,
    prominence: f32,
}

#[derive(Clone, Copy, Debug)]
struct ModelTrack {
    id: u32,
    live: bool,
    /// The frames of its birth and of its last moment; none if `born > last`.
    born: u64,
    last: u64,
    accepted: bool,
    expected: f32,
    change: f32,
    moments: [TrackMoment; KEPT],
}

const NONE: ModelTrack = ModelTrack {
    id: 0,
    live: false,
    born: 1,
    last: 0,
    accepted: false,
    expected: 0.0,
    change: 0.0,
    moments: [TrackMoment {
        frame: u64::MAX,
        middle: 0,
        window: 0.0,
        frequency: 0.0,
        amplitude: 0.0,
        phase: 0.0,
        bend: (0.0, 0.0),
        sought: false,
        misfit: 0.0,
        prominence: 0.0,
    }; KEPT],
};

impl ModelTrack {
    fn moment(&self, frame: u64) -> Option<&TrackMoment> {
        self.moments.get(frame as usize % KEPT).filter(|moment| moment.frame == frame && frame <= self.last)
    }

    fn moment_mut(&mut self, frame: u64) -> Option<&mut TrackMoment> {
        self.moments.get_mut(frame as usize % KEPT).filter(|moment| moment.frame == frame)
    }

    /// The moments around a frame: those at −2…2, as far as there are any.
    fn around(&self, frame: u64) -> [Option<&TrackMoment>; 5] {
        std::array::from_fn(|i| {
            let number = (frame + i as u64).checked_sub(2)?;
            (number >= self.born).then(|| self.moment(number)).flatten()
        })
    }
}

/// See the module.
pub(super) struct Tracks {
    tracks: Box<[ModelTrack; TRACKS]>,
    /// Live tracks by expected frequency.
    order: [u8; TRACKS],
    live: usize,
    /// The places of peaks that no track goes on with.
    born: [u8; TRACKS],
    births: usize,
    next: u32,
    last: TrackFrame,
}

impl Tracks {
    /// Bytes that they take beside themselves.
    pub const fn bytes() -> usize {
        many::<ModelTrack>(TRACKS)
    }

    /// No track yet; allocates all that it needs.
    pub fn new() -> Self {
        Self {
            tracks: prefaulted_one([NONE; TRACKS]),
            order: [0; TRACKS],
            live: 0,
            born: [0; TRACKS],
            births: 0,
            next: 0,
            last: TrackFrame::default(),
        }
    }

    /// Step: joins a frame's peaks, strongest first, to the tracks that are expected there.
    pub fn follow(&mut self, frame: TrackFrame, peaks: &[ModelPeak], spectrum: &[Complex32]) {
        let apart = (frame.middle - self.last.middle) as f64;
        let cut = frame.onsets != self.last.onsets || apart <= 0.0;
        self.sort(cut);
        let limit = 2.0 / frame.window as f32;
        self.births = 0;
        for (place, peak) in peaks.iter().enumerate() {
            match self.nearest(peak.frequency, limit) {
                Some(index) => self.go_on(index, frame, peak, apart, spectrum),
                None => {
                    if let Some(birth) = self.born.get_mut(self.births) {
                        *birth = place as u8;
                        self.births += 1;
                    }
                }
            }
        }
    }

    /// Step: tracks without a peak are looked for or end, and peaks without a track begin one.
    pub fn begin(&mut self, frame: TrackFrame, peaks: &[ModelPeak], spectrum: &[Complex32]) {
        let apart = (frame.middle - self.last.middle) as f64;
        for track in self.tracks.iter_mut().filter(|track| track.live && track.last != frame.number) {
            match seek(track, frame, apart, spectrum) {
                Some(found) => {
                    track.last = frame.number;
                    put(track, found);
                }
                None => track.live = false,
            }
        }
        let mut free = 0;
        for &place in self.born.iter().take(self.births) {
            let Some(peak) = peaks.get(usize::from(place)) else { continue };
            // A track that has ended is told of to its end first.
            while self.tracks.get(free).is_some_and(|track| {
                track.live || track.last + KEPT as u64 - 4 > frame.number && track.born <= track.last
            }) {
                free += 1;
            }
            let Some(track) = self.tracks.get_mut(free) else { break };
            self.next = self.next.wrapping_add(1);
            track.id = self.next;
            track.live = true;
            track.accepted = false;
            (track.born, track.last) = (frame.number, frame.number);
            (track.expected, track.change) = (peak.frequency, 0.0);
            put(track, moment(frame, peak, f64::from(peak.phase), 0.0));
        }
        self.last = frame;
    }

    /// Puts the live tracks in the order of where they are expected; none go on across an onset.
    fn sort(&mut self, cut: bool) {
        self.live = 0;
        for (index, track) in self.tracks.iter_mut().enumerate() {
            track.live &= !cut;
            if track.live {
                let last = track.moments.get(track.last as usize % KEPT).map_or(0.0, |moment| moment.frequency);
                track.expected = last + 0.7 * track.change;
                if let Some(place) = self.order.get_mut(self.live) {
                    *place = index as u8;
                }
                self.live += 1;
            }
        }
        let tracks = &self.tracks;
        let order = self.order.get_mut(..self.live).unwrap_or_default();
        order.sort_unstable_by(|&a, &b| {
            let at = |i: u8| tracks.get(usize::from(i)).map_or(0.0, |track| track.expected);
            at(a).total_cmp(&at(b))
        });
    }

    /// The live track that is expected nearest to a frequency and has not gone on yet.
    fn nearest(&self, frequency: f32, limit: f32) -> Option<usize> {
        let order = self.order.get(..self.live)?;
        let track = |&index: &u8| self.tracks.get(usize::from(index)).map(|track| (usize::from(index), track));
        let place = order.partition_point(|index| track(index).is_some_and(|(_, track)| track.expected < frequency));
        let (below, above) = order.split_at(place);
        let distance = |track: &ModelTrack| (track.expected - frequency).abs();
        let open = |side: &mut dyn Iterator<Item = &u8>| {
            side.filter_map(track)
                .take_while(|(_, track)| distance(track) < limit)
                .find(|(_, track)| track.last == self.last.number)
                .map(|(index, track)| (distance(track), index))
        };
        let (left, right) = (open(&mut below.iter().rev()), open(&mut above.iter()));
        match (left, right) {
            (Some(left), Some(right)) => Some(if left.0 <= right.0 { left.1 } else { right.1 }),
            (left, right) => left.or(right).map(|(_, index)| index),
        }
    }

    fn go_on(&mut self, index: usize, frame: TrackFrame, peak: &ModelPeak, apart: f64, spectrum: &[Complex32]) {
        let Some(track) = self.tracks.get_mut(index) else { return };
        let Some(&last) = track.moment(track.last) else { return };
        // A partial that had been turned over by a beat still is.
        let over = if last.amplitude < 0.0 { 0.5 } else { 0.0 };
        let promised = last.phase + apart * 0.5 * (f64::from(last.frequency) + f64::from(peak.frequency));
        let misfit = f64::from(peak.phase) - over - promised;
        let misfit = misfit - misfit.round();
        if (misfit.abs() > DOUBT || strays(track, frame, peak))
            && let Some(found) = seek(track, frame, apart, spectrum)
        {
            track.last = frame.number;
            put(track, found);
            return;
        }
        track.change = peak.frequency - last.frequency;
        track.last = frame.number;
        let mut moment = moment(frame, peak, promised + misfit, misfit as f32);
        moment.amplitude = moment.amplitude.copysign(last.amplitude);
        put(track, moment);
    }

    /// Step: what curves within the window have added to the moments of frame `number`, of which the two frames
    /// after are known. For half of the tracks.
    pub fn bend(&mut self, number: u64, half: usize, lobe: &Lobe) {
        for track in self.tracks.iter_mut().skip(half * TRACKS / 2).take(TRACKS / 2) {
            if track.born > number || number > track.last {
                continue;
            }
            let around = track.around(number);
            let Some(&here) = around[2] else { continue };
            let mut glide = 0.0;
            let mut curve = 0.0;
            let mut most = 0.0f32;
            if let Some((a, b, c)) = three(&around) {
                glide = second(a, b, c, |moment| moment.phase) as f32;
                curve = second(a, b, c, |moment| f64::from(moment.amplitude)) as f32;
                most = a.amplitude.abs().max(b.amplitude.abs()).max(c.amplitude.abs());
            }
            if let [Some(a), Some(b), Some(c), Some(d), Some(e)] = around
                && let Some(apart) = even(&around)
            {
                let sum = -a.phase + 16.0 * b.phase - 30.0 * c.phase + 16.0 * d.phase - e.phase;
                glide = (sum / (12.0 * apart * apart)) as f32;
            }
            let half_window = here.window * 0.5;
            let half_window = half_window * half_window;
            let (part, turns) = lobe.bend(TAU * 0.5 * glide * half_window);
            let more = (0.5 * VARIANCE * half_window * curve).clamp(-0.5 * most, 0.5 * most);
            let bend = (here.amplitude - (here.amplitude - more) / part, turns);
            if let Some(moment) = track.moment_mut(number) {
                moment.bend = bend;
            }
        }
    }

    /// Step: the partials of the frame `number`, of which [`AHEAD`] frames after are known.
    pub fn tell(&mut self, number: u64, mut each: impl FnMut(ModelPartial)) {
        // Those that are partials, and how loud, with a lead for those that were told of before.
        let mut candidates = [(0u8, 0.0f32); TRACKS];
        let mut count = 0;
        for (slot, track) in self.tracks.iter_mut().enumerate() {
            let there = track.born <= number && number <= track.last;
            let lead = if track.accepted { 2.0 } else { 1.0 };
            track.accepted = there && judge(track, number);
            if track.accepted
                && let (Some(place), Some(moment)) = (candidates.get_mut(count), track.moment(number))
            {
                *place = (slot as u8, moment.amplitude.abs() * lead);
                count += 1;
            }
        }
        let candidates = candidates.get_mut(..count).unwrap_or_default();
        if count > PARTIALS {
            // The loudest.
            let (_, _, rest) = candidates.select_nth_unstable_by(PARTIALS - 1, |a, b| b.1.total_cmp(&a.1));
            for &mut (slot, _) in rest {
                if let Some(track) = self.tracks.get_mut(usize::from(slot)) {
                    track.accepted = false;
                }
            }
        }
        for (slot, track) in self.tracks.iter().enumerate().filter(|(_, track)| track.accepted) {
            let around = track.around(number);
            let Some(&here) = around[2] else { continue };
            let phase = |moment: &TrackMoment| moment.phase - f64::from(moment.bend.1);
            let (frequency, glide, offset) = match (around, even(&around)) {
                _ if number == track.born => outset(track, number, phase),
                ([Some(a), Some(b), Some(_), Some(d), Some(e)], Some(apart)) => {
                    ((8.0 * (phase(d) - phase(b)) - (phase(e) - phase(a))) / (12.0 * apart), 0.0, 0.0)
                }
                _ => match three(&around) {
                    Some((a, b, c)) => (first(a, b, c, here.middle, phase), 0.0, 0.0),
                    None => outset(track, number.saturating_sub(1).max(track.born), phase),
                },
            };
            // Not farther from the peak than a bin: a slip of the phase is no leap of the pitch.
            let bin = 1.0 / f64::from(here.window);
            let measured = f64::from(here.frequency);
            let frequency = frequency.clamp(measured - bin, measured + bin) as f32;
            let turns = phase(&here);
            each(ModelPartial {
                slot: slot as u8,
                id: track.id,
                turns: (turns - turns.floor()) as f32,
                frequency,
                glide: glide as f32,
                offset: offset as f32,
                amplitude: here.amplitude - here.bend.0,
                slope: slope(track, number),
            });
        }
    }
}

/// Whether a peak has left a track that grows faint: beside a null it lies off the partial's frequency.
fn strays(track: &ModelTrack, frame: TrackFrame, peak: &ModelPeak) -> bool {
    let (Some(last), Some(before)) =
        (track.moment(track.last), track.last.checked_sub(3).and_then(|b| track.moment(b)))
    else {
        return false;
    };
    let frequency = ((last.phase - before.phase) / (last.middle - before.middle).max(1) as f64) as f32;
    let loudest = (track.born.max(track.last.saturating_sub(10))..=track.last)
        .filter_map(|number| track.moment(number))
        .fold(0.0f32, |most, moment| most.max(moment.amplitude.abs()));
    peak.magnitude < 0.4 * loudest && (peak.frequency - frequency).abs() > 0.1 / frame.window as f32
}

/// A moment of a track that was steady so far, looked for where it should be: in the null of a beat the peak is not
/// there, and what is left of it may be turned over.
fn seek(track: &ModelTrack, frame: TrackFrame, apart: f64, spectrum: &[Complex32]) -> Option<TrackMoment> {
    let last = track.moment(track.last)?;
    let past = |back: u64| {
        track.last.checked_sub(back).filter(|&number| number >= track.born).and_then(|number| track.moment(number))
    };
    if (0..4).any(|back| past(back).is_none_or(|moment| moment.misfit > STEADY * STEADY))
        || (0..SOUGHT).all(|back| past(back).is_some_and(|moment| moment.sought))
    {
        return None;
    }
    // The mean frequency of the last steps, not the last: near a null a peak lies beside it.
    let before = past(3)?;
    let frequency = ((last.phase - before.phase) / (last.middle - before.middle).max(1) as f64) as f32;
    let (amplitude, turns) = at(spectrum, frequency)?;
    let promised = last.phase + apart * f64::from(frequency);
    let misfit = f64::from(turns) - promised;
    let misfit = misfit - (2.0 * misfit).round() * 0.5;
    if misfit.abs() > DOUBT || amplitude < 1e-6 {
        return None;
    }
    let phase = promised + misfit;
    let over = (f64::from(turns) - phase).rem_euclid(1.0);
    Some(TrackMoment {
        frame: frame.number,
        middle: frame.middle,
        window: frame.window as f32,
        frequency,
        amplitude: if (0.25..0.75).contains(&over) { -amplitude } else { amplitude },
        phase,
        bend: (0.0, 0.0),
        sought: true,
        misfit: (misfit * misfit) as f32,
        prominence: last.prominence,
    })
}

fn moment(frame: TrackFrame, peak: &ModelPeak, phase: f64, misfit: f32) -> TrackMoment {
    TrackMoment {
        frame: frame.number,
        middle: frame.middle,
        window: frame.window as f32,
        frequency: peak.frequency,
        amplitude: peak.magnitude.max(1e-9),
        phase,
        bend: (0.0, 0.0),
        sought: false,
        misfit: misfit * misfit,
        prominence: peak.prominence,
    }
}

fn put(track: &mut ModelTrack, moment: TrackMoment) {
    if let Some(place) = track.moments.get_mut(moment.frame as usize % KEPT) {
        *place = moment;
    }
}

/// The distance between five moments if it is the same between all.
fn even(around: &[Option<&TrackMoment>; 5]) -> Option<f64> {
    let [Some(a), Some(b), Some(c), Some(d), Some(e)] = around else { return None };
    let apart = b.middle - a.middle;
    (c.middle - b.middle == apart && d.middle - c.middle == apart && e.middle - d.middle == apart)
        .then_some(apart as f64)
}

/// Three moments in a row that hold the middle one of five.
fn three<'a>(around: &[Option<&'a TrackMoment>; 5]) -> Option<(&'a TrackMoment, &'a TrackMoment, &'a TrackMoment)> {
    let at = |i: usize| around.get(i).copied().flatten();
    [1, 2, 0].iter().find_map(|&i| Some((at(i)?, at(i + 1)?, at(i + 2)?)))
}

/// The first derivative at `x` of the parabola through three moments, per sample.
fn first(a: &TrackMoment, b: &TrackMoment, c: &TrackMoment, x: u64, y: impl Fn(&TrackMoment) -> f64) -> f64 {
    let (p, q) = ((b.middle - a.middle).max(1) as f64, (c.middle - b.middle).max(1) as f64);
    let (one, two) = ((y(b) - y(a)) / p, (y(c) - y(b)) / q);
    let curve = (two - one) / (p + q);
    one + curve * (2.0 * x as f64 - a.middle as f64 - b.middle as f64)
}

/// The second derivative of the parabola through three moments.
fn second(a: &TrackMoment, b: &TrackMoment, c: &TrackMoment, y: impl Fn(&TrackMoment) -> f64) -> f64 {
    let (p, q) = ((b.middle - a.middle).max(1) as f64, (c.middle - b.middle).max(1) as f64);
    2.0 * ((y(c) - y(b)) / q - (y(b) - y(a)) / p) / (p + q)
}

/// The frequency at a track's moment, its change per sample, and how far in turns the phase there lies beyond what this
/// moment and the next three agree on: by the parabola through their phases, the louder counting more, as the window of
/// the first may reach before the beginning.
fn outset(track: &ModelTrack, number: u64, phase: impl Fn(&TrackMoment) -> f64) -> (f64, f64, f64) {
    let Some(here) = track.moment(number) else { return (0.0, 0.0, 0.0) };
    // Normal equations of y = b·t + c·t² + a, with t in hops of the first two moments.
    let unit = track.moment(number + 1).map_or(1, |next| (next.middle - here.middle).max(1)) as f64;
    let mut sums = [0.0f64; 5];
    let mut sides = [0.0f64; 3];
    let mut count = 0;
    for moment in (number..number + 4).filter_map(|number| track.moment(number)) {
        let t = (moment.middle - here.middle) as f64 / unit;
        let y = phase(moment) - phase(here);
        let weight = f64::from(moment.amplitude / here.amplitude).powi(2).min(1e6);
        let mut power = weight;
        for (i, sum) in sums.iter_mut().enumerate() {
            *sum += power;
            if let Some(side) = sides.get_mut(i) {
                *side += power * y;
            }
            power *= t;
        }
        count += 1;
    }
    let [s0, s1, s2, s3, s4] = sums;
    let [y0, y1, y2] = sides;
    let determinant = s0 * (s2 * s4 - s3 * s3) - s1 * (s1 * s4 - s2 * s3) + s2 * (s1 * s3 - s2 * s2);
    if count < 3 || determinant.abs() < 1e-9 * s0 * s2 * s4 {
        let flat = s0 * s2 - s1 * s1;
        return if flat.abs() > 1e-9 * s0 * s2 {
            ((s0 * y1 - s1 * y0) / flat / unit, 0.0, 0.0)
        } else {
            (f64::from(here.frequency), 0.0, 0.0)
        };
    }
    let b = s0 * (y1 * s4 - y2 * s3) - y0 * (s1 * s4 - s2 * s3) + s2 * (s1 * y2 - s2 * y1);
    let c = s0 * (s2 * y2 - s3 * y1) - s1 * (s1 * y2 - s2 * y1) + y0 * (s1 * s3 - s2 * s2);
    let a = y0 * (s2 * s4 - s3 * s3) - s1 * (y1 * s4 - y2 * s3) + s2 * (y1 * s3 - y2 * s2);
    (b / determinant / unit, 2.0 * c / determinant / (unit * unit), -a / determinant)
}

/// Octaves of amplitude per sample around a moment, not the accident of two frames: the middle of up to three changes.
fn slope(track: &ModelTrack, number: u64) -> f32 {
    let change = |from: u64| -> Option<f32> {
        let (a, b) = (track.moment(from)?, track.moment(from + 1)?);
        let octaves = |moment: &TrackMoment| (moment.amplitude - moment.bend.0).abs().max(1e-9).log2();
        Some((octaves(b) - octaves(a)) / (b.middle - a.middle).max(1) as f32)
    };
    // At a birth the three to come, at an end the three before, else one before and two to come.
    let from = if number == track.born {
        number
    } else if number == track.last {
        number.saturating_sub(3).max(track.born)
    } else {
        number - 1
    };
    let mut found = [0.0f32; 3];
    let mut count = 0;
    for value in (from..from + 3).filter_map(change) {
        if let Some(place) = found.get_mut(count) {
            *place = value;
            count += 1;
        }
    }
    match (count, found) {
        (3, [a, b, c]) => a.min(b).max(a.max(b).min(c)),
        (2, [a, b, _]) => 0.5 * (a + b),
        (1, [a, ..]) => a,
        _ => 0.0,
    }
}

/// Whether a track is a partial at a frame, from the frames around it.
fn judge(track: &ModelTrack, number: u64) -> bool {
    let from = number.saturating_sub(2).max(track.born);
    let to = (number + AHEAD).min(track.last);
    let (mut misfit, mut prominence, mut count, mut misfits) = (0.0, 0.0, 0.0, 0.0);
    for moment in (from..=to).filter_map(|frame| track.moment(frame)) {
        if moment.frame > track.born {
            misfit += moment.misfit;
            misfits += 1.0;
        }
        prominence += moment.prominence;
        count += 1.0;
    }
    if misfits < 1.0 {
        return false;
    }
    let long = track.last - track.born + 1 >= 6;
    let error = TAU * (misfit / misfits).sqrt();
    let over = (prominence / count * LN_2).exp() / (1.0 + (error / 0.25).powi(2));
    if track.accepted {
        return error < 0.6 && (error < 0.05 || over > 2.5);
    }
    long && error < 0.4 && (error < 0.03 || over > 5.0)
}

const _: () = assert!(AHEAD as usize + 3 <= KEPT && BENT < AHEAD);
