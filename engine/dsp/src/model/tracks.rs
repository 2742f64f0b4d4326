//! Peaks joined from frame to frame into partials, and told from noise by how well their phases go on.
//!
//! After McAulay and Quatieri, "Speech analysis/synthesis based on a sinusoidal representation", IEEE Trans. ASSP 34
//! (1986); what decides between partial and noise is the misfit of the phase that a frame measures with the one that the
//! frequencies of this frame and the last promise.

use super::lobe::Lobe;
use super::peaks::Peak;
use super::{AHEAD, BENT, Partial};
use std::f32::consts::{LN_2, TAU};

/// Tracks followed at once.
const TRACKS: usize = 128;
/// Frames that a track remembers: a power of two.
const KEPT: usize = 16;
/// Partials told of at once.
pub(super) const PARTIALS: usize = 64;

/// A frame by which it was followed: its number, its middle, its window.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Frame {
    pub number: u64,
    pub middle: u64,
    /// Samples of the window.
    pub window: usize,
    /// How many onsets lie before it.
    pub onsets: u64,
}

/// What a track was in one frame.
#[derive(Clone, Copy, Debug, Default)]
struct Moment {
    frame: u64,
    middle: u64,
    window: f32,
    bin: u16,
    frequency: f32,
    magnitude: f32,
    /// Unwrapped, turns.
    phase: f64,
    /// What the bend of the frequency and the decay within the window have added: octaves and turns.
    bend: (f32, f32),
    /// Turns squared; nothing at a birth.
    misfit: f32,
    prominence: f32,
}

#[derive(Clone, Copy, Debug)]
struct Track {
    id: u32,
    live: bool,
    /// The frames of its birth and of its last moment; none if `born > last`.
    born: u64,
    last: u64,
    accepted: bool,
    expected: f32,
    change: f32,
    moments: [Moment; KEPT],
}

const NONE: Track = Track {
    id: 0,
    live: false,
    born: 1,
    last: 0,
    accepted: false,
    expected: 0.0,
    change: 0.0,
    moments: [Moment {
        frame: u64::MAX,
        middle: 0,
        window: 0.0,
        bin: 0,
        frequency: 0.0,
        magnitude: 0.0,
        phase: 0.0,
        bend: (0.0, 0.0),
        misfit: 0.0,
        prominence: 0.0,
    }; KEPT],
};

impl Track {
    fn moment(&self, frame: u64) -> Option<&Moment> {
        self.moments.get(frame as usize % KEPT).filter(|moment| moment.frame == frame && frame <= self.last)
    }

    fn moment_mut(&mut self, frame: u64) -> Option<&mut Moment> {
        self.moments.get_mut(frame as usize % KEPT).filter(|moment| moment.frame == frame)
    }

    /// The moments around a frame: those at −2…2, as far as there are any.
    fn around(&self, frame: u64) -> [Option<&Moment>; 5] {
        std::array::from_fn(|i| {
            let number = (frame + i as u64).checked_sub(2)?;
            (number >= self.born).then(|| self.moment(number)).flatten()
        })
    }
}

/// See the module.
pub(super) struct Tracks {
    tracks: Box<[Track; TRACKS]>,
    /// Live tracks by expected frequency.
    order: [u8; TRACKS],
    live: usize,
    next: u32,
    accepted: usize,
    last: Frame,
}

impl Tracks {
    pub fn new() -> Self {
        Self {
            tracks: Box::new([NONE; TRACKS]),
            order: [0; TRACKS],
            live: 0,
            next: 0,
            accepted: 0,
            last: Frame::default(),
        }
    }

    /// Step: joins a frame's peaks, strongest first, to the tracks.
    pub fn follow(&mut self, frame: Frame, peaks: &[Peak]) {
        let apart = (frame.middle - self.last.middle) as f64;
        let cut = frame.onsets != self.last.onsets || apart <= 0.0;
        self.sort(cut);
        let limit = 2.0 / frame.window as f32;
        let mut born = [0u8; TRACKS];
        let mut births = 0;
        for (place, peak) in peaks.iter().enumerate() {
            match self.nearest(peak.frequency, limit) {
                Some(index) => self.go_on(index, frame, peak, apart),
                None => {
                    if let Some(birth) = born.get_mut(births) {
                        *birth = place as u8;
                        births += 1;
                    }
                }
            }
        }
        for track in &mut self.tracks[..] {
            track.live &= track.last == frame.number;
        }
        let mut free = 0;
        for &place in born.iter().take(births) {
            let Some(peak) = peaks.get(usize::from(place)) else { continue };
            // A track that has ended is told of to its end first.
            while self.tracks.get(free).is_some_and(|track| track.live || track.last + KEPT as u64 - 4 > frame.number && track.born <= track.last) {
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
                track.expected = track.moments[track.last as usize % KEPT].frequency + 0.7 * track.change;
                self.order[self.live] = index as u8;
                self.live += 1;
            }
        }
        let tracks = &self.tracks;
        let order = &mut self.order[..self.live];
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
        let distance = |track: &Track| (track.expected - frequency).abs();
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

    fn go_on(&mut self, index: usize, frame: Frame, peak: &Peak, apart: f64) {
        let Some(track) = self.tracks.get_mut(index) else { return };
        let Some(&last) = track.moment(track.last) else { return };
        let promised = last.phase + apart * 0.5 * (f64::from(last.frequency) + f64::from(peak.frequency));
        let misfit = f64::from(peak.phase) - promised;
        let misfit = misfit - misfit.round();
        track.change = peak.frequency - last.frequency;
        track.last = frame.number;
        put(track, moment(frame, peak, promised + misfit, misfit as f32));
    }

    /// Step: what glide and decay within the window have added to the moments of frame `number`, of which the two frames
    /// after are known. For half of the tracks.
    pub fn bend(&mut self, number: u64, half: usize, lobe: &Lobe) {
        for track in self.tracks.iter_mut().skip(half * TRACKS / 2).take(TRACKS / 2) {
            if track.born > number || number > track.last {
                continue;
            }
            let around = track.around(number);
            let Some(&here) = around[2] else { continue };
            let mut glide = 0.0;
            let mut decay = 0.0;
            if let Some((a, b, c)) = three(&around) {
                glide = second(a, b, c, |moment| moment.phase) as f32;
                decay = first(a, b, c, here.middle, |moment| f64::from(moment.magnitude.ln())) as f32;
            }
            if let [Some(a), Some(b), Some(c), Some(d), Some(e)] = around
                && let Some(apart) = even(&around)
            {
                let sum = -a.phase + 16.0 * b.phase - 30.0 * c.phase + 16.0 * d.phase - e.phase;
                glide = (sum / (12.0 * apart * apart)) as f32;
            }
            let half_window = here.window * 0.5;
            let bend = lobe.bend(decay * half_window, TAU * 0.5 * glide * half_window * half_window);
            if let Some(moment) = track.moment_mut(number) {
                moment.bend = bend;
            }
        }
    }

    /// Step: the partials of the frame `number`, of which [`AHEAD`] frames after are known.
    pub fn tell(&mut self, number: u64, size: usize, lobe: &Lobe, mut each: impl FnMut(Partial)) {
        let mut told = 0;
        let mut accepted = 0;
        for (slot, track) in self.tracks.iter_mut().enumerate() {
            if track.born > number || number > track.last {
                if track.last < number {
                    track.accepted = false;
                }
                continue;
            }
            let was = track.accepted;
            track.accepted = judge(track, number) && (was || self.accepted < PARTIALS);
            if !track.accepted {
                continue;
            }
            accepted += 1;
            if told == PARTIALS {
                track.accepted = false;
                continue;
            }
            told += 1;
            let around = track.around(number);
            let Some(&here) = around[2] else { continue };
            let phase = |moment: &Moment| moment.phase - f64::from(moment.bend.1);
            let frequency = match (around, even(&around)) {
                ([Some(a), Some(b), Some(_), Some(d), Some(e)], Some(apart)) => {
                    (8.0 * (phase(d) - phase(b)) - (phase(e) - phase(a))) / (12.0 * apart)
                }
                _ => match three(&around) {
                    Some((a, b, c)) => first(a, b, c, here.middle, phase),
                    None => match (around[1], around[3]) {
                        (Some(a), _) => (phase(&here) - phase(a)) / (here.middle - a.middle).max(1) as f64,
                        (_, Some(c)) => (phase(c) - phase(&here)) / (c.middle - here.middle).max(1) as f64,
                        _ => f64::from(here.frequency),
                    },
                },
            };
            // Not farther from the peak than a bin: a slip of the phase is no leap of the pitch.
            let bin = 1.0 / f64::from(here.window);
            let measured = f64::from(here.frequency);
            let frequency = frequency.clamp(measured - bin, measured + bin) as f32;
            let bins = frequency * size as f32;
            let wide = size as f32 / here.window;
            let shape = lobe.shape((f32::from(here.bin) - bins) / wide).max(0.3);
            let amplitude = here.magnitude / shape;
            let octaves = amplitude.max(1e-9).log2() - here.bend.0;
            let turns = phase(&here);
            each(Partial {
                slot: slot as u8,
                id: track.id,
                turns: (turns - turns.floor()) as f32,
                frequency,
                level: octaves,
                slope: slope(track, number),
            });
        }
        self.accepted = accepted;
    }
}

fn moment(frame: Frame, peak: &Peak, phase: f64, misfit: f32) -> Moment {
    Moment {
        frame: frame.number,
        middle: frame.middle,
        window: frame.window as f32,
        bin: peak.bin,
        frequency: peak.frequency,
        magnitude: peak.magnitude.max(1e-9),
        phase,
        bend: (0.0, 0.0),
        misfit: misfit * misfit,
        prominence: peak.prominence,
    }
}

fn put(track: &mut Track, moment: Moment) {
    if let Some(place) = track.moments.get_mut(moment.frame as usize % KEPT) {
        *place = moment;
    }
}

/// The distance between five moments if it is the same between all.
fn even(around: &[Option<&Moment>; 5]) -> Option<f64> {
    let [Some(a), Some(b), Some(c), Some(d), Some(e)] = around else { return None };
    let apart = b.middle - a.middle;
    (c.middle - b.middle == apart && d.middle - c.middle == apart && e.middle - d.middle == apart)
        .then_some(apart as f64)
}

/// Three moments in a row that hold the middle one of five.
fn three<'a>(around: &[Option<&'a Moment>; 5]) -> Option<(&'a Moment, &'a Moment, &'a Moment)> {
    let at = |i: usize| around.get(i).copied().flatten();
    [1, 2, 0].iter().find_map(|&i| Some((at(i)?, at(i + 1)?, at(i + 2)?)))
}

/// The first derivative at `x` of the parabola through three moments, per sample.
fn first(a: &Moment, b: &Moment, c: &Moment, x: u64, y: impl Fn(&Moment) -> f64) -> f64 {
    let (p, q) = ((b.middle - a.middle).max(1) as f64, (c.middle - b.middle).max(1) as f64);
    let (one, two) = ((y(b) - y(a)) / p, (y(c) - y(b)) / q);
    let curve = (two - one) / (p + q);
    one + curve * (2.0 * x as f64 - a.middle as f64 - b.middle as f64)
}

/// The second derivative of the parabola through three moments.
fn second(a: &Moment, b: &Moment, c: &Moment, y: impl Fn(&Moment) -> f64) -> f64 {
    let (p, q) = ((b.middle - a.middle).max(1) as f64, (c.middle - b.middle).max(1) as f64);
    2.0 * ((y(c) - y(b)) / q - (y(b) - y(a)) / p) / (p + q)
}

/// Octaves of amplitude per sample around a moment, not the accident of two frames: the middle of up to three changes.
fn slope(track: &Track  , number: u64) -> f32 {
    let change = |from: u64| -> Option<f32> {
        let (a, b) = (track.moment(from)?, track.moment(from + 1)?);
        let octaves = |moment: &Moment| moment.magnitude.log2() - moment.bend.0;
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
fn judge(track: &Track, number: u64) -> bool {
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
