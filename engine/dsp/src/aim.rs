//! Which span of the past a hold takes, and how its pitch runs.
//!
//! A moment's worth is steadiness × loudness × harmonicity: a steady one of another instrument's spill is not loud, a
//! steady /s/ is not pitched, and a vowel's attack is not steady.

use crate::analysis::{AnalysedMoment, Moments};

/// The longest and the shortest span that is held, in seconds.
pub(crate) const LONGEST: f64 = 0.25;
const SHORTEST: f64 = 0.06;

/// A span stays so far clear of what a late gesture may already have let in, in seconds.
const CLEAR: f64 = 0.04;

/// How long before the gesture a good moment is looked for, in seconds.
const BEFORE: f64 = 0.17;

/// The worth from which on a moment that is past is good enough, and one that is waited for.
const GOOD: f32 = 0.45;
const BETTER: f32 = 0.6;

/// How harmonic and, in dB, how near to the loudest a moment is that has just begun and will do if no better comes.
const PITCHED: f32 = 0.75;
const NEAR: f32 = 10.0;

/// The most points of a pitch's course.
const POINTS: usize = 48;

/// From one vibrato rate that is tried to the next, in Hz, and how many are tried from the slowest on.
const RATES: (f64, f64, usize) = (3.8, 0.3, 15);
/// Rates tried in one step.
const A_STEP: usize = 3;
/// Steps of [`PitchCourse::fit`].
pub(crate) const FITS: u64 = RATES.2.div_ceil(A_STEP) as u64;

/// Samples of the source, from the first to before the last.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct HeldSpan {
    pub from: i64,
    pub to: i64,
}

impl HeldSpan {
    /// Samples.
    pub fn length(&self) -> u64 {
        (self.to - self.from).max(0) as u64
    }
}

/// A source's analysis as it is known at a sample.
#[derive(Clone, Copy)]
pub(crate) struct Aim<'a> {
    moments: Moments<'a>,
    /// How many hops back the newest moment is that is known.
    newest: u64,
    rate: f64,
}

impl<'a> Aim<'a> {
    /// What is known by these moments of a source at `rate` samples a second.
    pub fn new(moments: Moments<'a>, rate: u32) -> Self {
        let newest = (0..4).find(|&back| moments.get(back).is_some()).unwrap_or(0);
        Self { moments, newest, rate: f64::from(rate) }
    }

    fn samples(&self, seconds: f64) -> i64 {
        (seconds * self.rate) as i64
    }

    /// So many seconds in hops.
    fn hops(&self, seconds: f64) -> u64 {
        (self.samples(seconds) as u64) / self.moments.hop()
    }

    fn moment(&self, back: u64) -> Option<&'a AnalysedMoment> {
        self.moments.get(self.newest + back)
    }

    /// How loud a moment should be: as the loudest of the last second, and not much less than the source's pitched sound
    /// usually is.
    fn loudest(&self) -> f32 {
        let mut moments = (0..self.hops(1.0)).filter_map(|back| self.moment(back)).peekable();
        let usual = moments.peek().map_or(f32::MIN, |moment| moment.usual);
        moments.map(|moment| moment.level).fold(usual - 6.0, f32::max)
    }

    /// The worth of so many moments, 0…1; `scale` is that of [`Aim::scale`].
    fn worth(&self, back: u64, moments: u64, scale: f32) -> Option<f32> {
        let mut sum = 0.0;
        for back in back..back + moments {
            sum += self.moment(back)?.weight;
        }
        Some(sum * scale / moments as f32)
    }

    /// What makes a moment's weight its worth.
    fn scale(&self) -> f32 {
        10f32.powf(-self.loudest() / 25.0)
    }

    /// The latest of the good moments just past, if there is one.
    pub fn past(&self) -> Option<HeldSpan> {
        let scale = self.scale();
        let moments = self.hops(0.06).max(1);
        let places = || (0..self.hops(BEFORE)).filter_map(|back| Some((back, self.worth(back, moments, scale)?)));
        let best = places().map(|(_, worth)| worth).fold(0.0, f32::max);
        if best < GOOD {
            return None;
        }
        let (back, _) = places().find(|&(_, worth)| worth >= best - 0.05)?;
        let to = self.moment(back)?.end as i64 - self.samples(CLEAR);
        Some(self.back_from(to, back + 1, LONGEST))
    }

    /// The moment that has just come, if it is one worth waiting for and there is enough of it.
    pub fn coming(&self, gesture: u64, enough: f64, longest: f64) -> Option<HeldSpan> {
        let newest = self.moment(0)?;
        if newest.end < gesture || self.worth(0, 3, self.scale())? < BETTER {
            return None;
        }
        let span = self.back_from(newest.end as i64, 0, longest);
        (span.length() as i64 >= self.samples(enough)).then_some(span)
    }

    /// What has begun just now and is clearly pitched already, if not yet steady: up to `to`.
    pub fn dawning(&self, to: u64, longest: f64) -> Option<HeldSpan> {
        let newest = self.moment(0)?;
        let rises = self.moment(1).is_none_or(|before| newest.level > before.level - 1.0);
        let pitched = newest.harmonicity > PITCHED && newest.level > self.loudest() - NEAR && rises;
        let half = self.moments.size() as i64 / 2;
        let of_it = |moment: &&AnalysedMoment| moment.harmonicity > PITCHED && moment.level > newest.level - 3.0;
        let first = (0..self.hops(longest)).map_while(|back| self.moment(back)).take_while(of_it).last();
        let (earliest, latest) = (to as i64 - self.samples(longest), to as i64 - self.samples(SHORTEST));
        let from = first.map_or(latest, |first| first.end as i64 - half);
        pitched.then(|| HeldSpan { from: from.clamp(earliest, latest), to: to as i64 })
    }

    /// What is best of all that is known, if anything is pitched at all.
    pub fn best(&self, longest: f64) -> Option<HeldSpan> {
        let scale = self.scale();
        let places = (0..self.hops(0.3)).filter_map(|back| Some((back, self.worth(back, 3, scale)?)));
        let (back, worth) = places.max_by(|a, b| a.1.total_cmp(&b.1))?;
        (worth > 0.2).then(|| self.back_from(self.moment(back).map_or(0, |m| m.end as i64), back, longest))
    }

    /// What sounds until `to`.
    pub fn here(&self, to: u64) -> HeldSpan {
        self.back_from(to as i64, 0, LONGEST)
    }

    /// The span that ends at `to` and reaches back as long as the sound stays alike that of the moment `back`.
    fn back_from(&self, to: i64, back: u64, longest: f64) -> HeldSpan {
        let half = self.moments.size() as i64 / 2;
        let (earliest, latest) = (to - self.samples(longest), to - self.samples(SHORTEST));
        let mut from = latest;
        if let Some(first) = self.moment(back) {
            let mut last = first;
            for moment in (back..back + self.hops(0.4)).map_while(|back| self.moment(back)) {
                if from <= earliest || !alike(moment, first, last) {
                    break;
                }
                // Half a frame before the earliest frame that is alike may still be, but its start may not.
                from = from.min(moment.end as i64 - half);
                last = moment;
            }
        }
        HeldSpan { from: from.clamp(earliest, latest), to }
    }

    /// How the pitch runs within the span, and what it is.
    pub fn course(&self, span: HeldSpan) -> PitchCourse {
        let half = self.moments.size() as i64 / 2;
        let middle = |moment: &AnalysedMoment| moment.end as i64 - half;
        let mut course = PitchCourse::default();
        let hop = self.moments.hop() as f64;
        let mut inside = [0.0f32; POINTS];
        let mut harmonicity = [0.0f32; POINTS];
        let (mut count, mut pitched) = (0, 0);
        let earliest = span.from - self.samples(0.2);
        let moments = || {
            (0..self.hops(0.9))
                .filter_map(|back| self.moment(back))
                .skip_while(|m| middle(m) >= span.to)
                .take_while(|m| middle(m) >= earliest)
                .take(POINTS)
        };
        // A span shorter than the frames has at least the moment at its middle.
        let within = |m: &AnalysedMoment| middle(m) >= span.from - self.moments.hop() as i64;
        for moment in moments().filter(|m| within(m)) {
            if let (Some(h), Some(p)) = (harmonicity.get_mut(count), inside.get_mut(pitched)) {
                (*h, *p) = (moment.harmonicity, moment.period);
                count += 1;
                pitched += usize::from(moment.harmonicity > 0.6 && moment.period > 0.0);
            }
        }
        course.harmonicity = median(harmonicity.get_mut(..count).unwrap_or_default());
        let reference = median(inside.get_mut(..pitched).unwrap_or_default());
        if reference <= 0.0 || course.harmonicity < 0.5 {
            return course;
        }
        course.pitch = 1.0 / f64::from(reference);
        course.hop = hop;
        // From the newest backwards, as long as the pitch runs on; gaps within the span are bridged.
        let mut gap = 0;
        for moment in moments() {
            let octaves = if moment.harmonicity > 0.6 { same(moment.period, reference) } else { None };
            let Some(place) = course.octaves.get_mut(course.count) else { break };
            match octaves {
                Some(octaves) => {
                    let step = if course.count > 0 { (octaves - course.last).abs() } else { 0.0 };
                    if step > 0.05 && !within(moment) {
                        break;
                    }
                    *place = octaves;
                    course.last = octaves;
                    gap = 0;
                }
                None if within(moment) => {
                    *place = course.last;
                    gap += 1;
                    if gap > 3 {
                        course.count = 0;
                        return course;
                    }
                }
                None => break,
            }
            if course.count == 0 {
                course.newest = middle(moment) as f64;
            }
            course.count += 1;
            course.inside += usize::from(within(moment));
        }
        course.sharpen();
        let points = course.octaves.get(..course.inside).unwrap_or_default();
        course.centre = points.iter().sum::<f32>() / points.len().max(1) as f32;
        course.middle = (span.from + span.to) as f64 / 2.0;
        course
    }
}

/// Whether a moment sounds as the first one did; its pitch may move away little by little.
fn alike(moment: &AnalysedMoment, first: &AnalysedMoment, last: &AnalysedMoment) -> bool {
    let difference = moment.bands.iter().zip(first.bands).map(|(a, b)| (a - b).powi(2)).sum::<f32>();
    let difference = (difference / moment.bands.len() as f32).sqrt();
    let pitched = first.harmonicity > 0.7;
    difference < if pitched { 9.0 } else { 6.0 }
        && (moment.level - first.level).abs() < 9.0
        && (!pitched || moment.harmonicity > 0.6 && same(moment.period, last.period).is_some_and(|o| o.abs() < 0.07))
}

/// How many octaves a pitch lies above another, if that is little once octaves and twelfths taken for it are undone.
fn same(period: f32, reference: f32) -> Option<f32> {
    let ratio = reference / period.max(1.0);
    [1.0, 2.0, 0.5, 3.0, 1.0 / 3.0].iter().map(|times| (ratio * times).log2()).find(|octaves| octaves.abs() < 0.12)
}

fn median(values: &mut [f32]) -> f32 {
    values.sort_unstable_by(f32::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

/// A pitch's course through a span.
#[derive(Clone, Copy)]
pub(crate) struct PitchCourse {
    /// How periodic the span is, 0…1.
    pub harmonicity: f32,
    /// The reference pitch in cycles a sample; 0 if there is none.
    pub pitch: f64,
    /// The course at the moments in the span and a little before it, the newest first, in octaves above the reference.
    octaves: [f32; POINTS],
    count: usize,
    /// So many of them lie within the span.
    inside: usize,
    /// The sample of the newest, and samples from one to the next.
    newest: f64,
    hop: f64,
    /// The same as speeds, as a share of the pitch that is held.
    speeds: [f32; POINTS],
    /// The pitch that is held, in octaves above the reference.
    centre: f32,
    /// The span's middle.
    middle: f64,
    last: f32,
    /// What the best fit of a vibrato leaves so far.
    left: f64,
}

impl Default for PitchCourse {
    fn default() -> Self {
        Self {
            harmonicity: 0.0,
            pitch: 0.0,
            octaves: [0.0; POINTS],
            count: 0,
            inside: 0,
            newest: 0.0,
            hop: 1.0,
            speeds: [1.0; POINTS],
            centre: 0.0,
            middle: 0.0,
            last: 0.0,
            left: f64::MAX,
        }
    }
}

impl PitchCourse {
    /// Undoes what a frame's length takes from a vibrato of some 5.5 Hz: the Hann window of 43 ms leaves 0.966 of it.
    fn sharpen(&mut self) {
        let points = self.octaves;
        let at = |i: usize| points.get(i.min(self.count.saturating_sub(1))).copied().unwrap_or(0.0);
        for (i, point) in self.octaves.iter_mut().take(self.count).enumerate() {
            *point -= 0.25 * (at(i.saturating_sub(1)) - 2.0 * at(i) + at(i + 1));
        }
    }

    /// Step: tries some rates of a vibrato. If one leaves little of the course unexplained the pitch is its centre: the
    /// mean over a span that is no whole number of its periods would not be.
    pub fn fit(&mut self, step: u64) {
        let points = self.octaves.get(..self.count).unwrap_or_default();
        if points.len() < 14 {
            return;
        }
        let mean = points.iter().sum::<f32>() / points.len() as f32;
        let all = points.iter().map(|p| f64::from(p - mean).powi(2)).sum::<f64>();
        // Less than 3 cents is not worth it.
        if all < points.len() as f64 * (3.0f64 / 1200.0).powi(2) {
            return;
        }
        let first = step as usize * A_STEP;
        for hertz in (first..(first + A_STEP).min(RATES.2)).map(|i| RATES.0 + RATES.1 * i as f64) {
            // The rate is not known here: the hop is a 93.75th of a second at 48 kHz, and near it at other rates.
            let turn = std::f64::consts::TAU * hertz * self.hop / self.second();
            let (sin, cos) = turn.sin_cos();
            let (mut s, mut c) = (0.0f64, 1.0f64);
            let mut normal = [[0.0f64; 5]; 4];
            for (i, &point) in points.iter().enumerate() {
                // Time runs backwards from the newest, and in units of the whole.
                let t = i as f64 / points.len() as f64 - 0.5;
                let row = [1.0, t, c, s, f64::from(point)];
                for (sums, a) in normal.iter_mut().zip(row) {
                    sums.iter_mut().zip(row).for_each(|(sum, b)| *sum += a * b);
                }
                (c, s) = (c * cos - s * sin, s * cos + c * sin);
            }
            let squares = points.iter().map(|&p| f64::from(p).powi(2)).sum::<f64>();
            let explained = normal.map(|row| row[4]);
            let Some(found) = solve(normal) else { continue };
            let left = squares - found.iter().zip(explained).map(|(a, b)| a * b).sum::<f64>();
            if left < self.left {
                self.left = left;
                if left < 0.16 * all {
                    let place = (self.newest - self.middle) / self.hop;
                    self.centre = (found[0] + found[1] * (place / points.len() as f64 - 0.5)) as f32;
                }
            }
        }
    }

    /// Samples a second, near enough for a vibrato: hops are alike in all rates within an octave, see
    /// [`scaled`](crate::windows::scaled).
    fn second(&self) -> f64 {
        self.hop * 46_000.0 / 512.0
    }

    /// The pitch that is held, in cycles a sample; 0 if there is none.
    pub fn held(&self) -> f64 {
        self.pitch * f64::from(self.centre).exp2()
    }

    /// Step, after the fit: what [`PitchCourse::speed`] needs.
    pub fn settle(&mut self) {
        for (speed, octaves) in self.speeds.iter_mut().zip(&self.octaves).take(self.count) {
            // Within what can be read at a time.
            *speed = (octaves - self.centre).exp2().clamp(0.85, 1.18);
        }
    }

    /// How much faster than when held the source turns at a sample.
    pub fn speed(&self, sample: f64) -> f64 {
        if self.count < 2 {
            return 1.0;
        }
        let place = ((self.newest - sample) / self.hop).clamp(0.0, (self.count - 1) as f64);
        let (i, t) = (place as usize, place.fract());
        let at = |i: usize| self.speeds.get(i.min(self.count - 1)).map_or(1.0, |&speed| f64::from(speed));
        // Catmull-Rom.
        let (a, b, c, d) = (at(i.saturating_sub(1)), at(i), at(i + 1), at(i + 2));
        b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
    }
}

/// Gaussian elimination with pivots.
#[expect(clippy::indexing_slicing, reason = "rows and columns are counted to the lengths of the arrays")]
fn solve(mut m: [[f64; 5]; 4]) -> Option<[f64; 4]> {
    for i in 0..4 {
        let pivot = (i..4).max_by(|&a, &b| m[a][i].abs().total_cmp(&m[b][i].abs()))?;
        m.swap(i, pivot);
        if m[i][i].abs() < 1e-9 {
            return None;
        }
        let row = m[i];
        for (j, other) in m.iter_mut().enumerate() {
            if j != i {
                let times = other[i] / row[i];
                other.iter_mut().zip(row).for_each(|(a, b)| *a -= times * b);
            }
        }
    }
    Some(std::array::from_fn(|i| m[i][4] / m[i][i]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::memory::Memory;
    use crate::random;
    use std::f64::consts::TAU;

    const SECOND: usize = 48_000;

    /// A tone with ten harmonics.
    fn tone(hertz: f64, amplitude: f64, samples: usize) -> Vec<f32> {
        let value =
            |i: usize| (1..=10).map(|k| (TAU * hertz * (k * i) as f64 / 48_000.0).sin() / k as f64).sum::<f64>();
        (0..samples).map(|i| (amplitude * value(i)) as f32).collect()
    }

    fn noise(amplitude: f64, samples: usize) -> Vec<f32> {
        (0..samples).map(|i| (amplitude * (2.0 * random::even(1, i as u64, 0) - 1.0)) as f32).collect()
    }

    fn span(memory: &Memory, end: u64) -> Option<HeldSpan> {
        memory.heard(end).aim(48_000)?.past()
    }

    /// How long before the end of the sound the middle of its steadiest moment lies, in milliseconds, for every stagger alike.
    fn steadiest(sound: &[f32]) -> Option<f64> {
        let found: Vec<_> = (0..20)
            .map(|stagger| {
                let mut memory = Memory::with_analysis(SECOND, 48_000, stagger);
                memory.write(0, sound);
                let end = sound.len() as u64;
                span(&memory, end).map(|span| (end as i64 - (span.from + span.to) / 2) as f64 / 48.0)
            })
            .collect();
        let (least, most) = found.iter().fold((f64::MAX, f64::MIN), |(least, most), found| {
            let found = found.unwrap_or(-1.0);
            (least.min(found), most.max(found))
        });
        assert!(most - least <= 16.0, "{found:?}");
        found[0]
    }

    #[test]
    fn of_a_steady_tone_it_is_the_latest_moment_clear_of_the_gesture() {
        for hertz in [98.0, 220.0, 440.0, 784.0] {
            // 40 ms clear, half of the longest span, and what the analysis is behind: at most a hop of 10.7 ms and its
            // ten lines of 0.67 ms.
            let found = steadiest(&tone(hertz, 0.1, SECOND)).expect("a moment");
            assert!((165.0..183.0).contains(&found), "{hertz}: {found} ms");
        }
    }

    #[test]
    fn a_consonant_after_the_vowel_is_passed_over() {
        for late in [30, 60, 100] {
            let mut sound = tone(220.0, 0.1, SECOND);
            sound.extend(noise(0.2, late * 48));
            let found = steadiest(&sound).expect("the vowel");
            let before = found - late as f64;
            assert!((130.0..210.0).contains(&before), "{before} ms before the vowel's end, {late} ms late");
        }
    }

    #[test]
    fn another_instruments_spill_after_the_note_is_passed_over() {
        let mut sound = tone(220.0, 0.2, SECOND);
        sound.extend(tone(330.0, 0.004, 80 * 48));
        let found = steadiest(&sound).expect("the note");
        // All of the span lies before the note's end.
        assert!(found > 80.0 + 125.0, "{found} ms");
        // On its own it would do.
        assert!(steadiest(&tone(330.0, 0.004, SECOND)).is_some());
    }

    #[test]
    fn noise_and_silence_have_no_steady_moment() {
        assert_eq!(steadiest(&noise(0.3, SECOND)), None);
        assert_eq!(steadiest(&vec![0.0; SECOND]), None);
        let mut memory = Memory::new(SECOND, 48_000);
        memory.write(0, &tone(220.0, 0.1, SECOND));
        assert_eq!(span(&memory, SECOND as u64), None, "nobody asked for its analysis");
    }

    #[test]
    fn what_is_written_ahead_is_not_known() {
        let mut sound = tone(220.0, 0.1, SECOND);
        let mut memory = Memory::with_analysis(SECOND, 48_000, 5);
        memory.write(0, &sound);
        let alone = span(&memory, SECOND as u64);
        sound.extend(noise(0.2, 512));
        let mut ahead = Memory::with_analysis(SECOND, 48_000, 5);
        sound.chunks(77).zip(0..).for_each(|(piece, i)| ahead.write(77 * i, piece));
        assert_eq!(span(&ahead, SECOND as u64), alone);
        assert!(alone.is_some());
    }
}
