//! A singer: the pulses of the vocal folds and the noise of the air, through the resonances of the tract.

use crate::articulation::{FORMANTS, VowelFormant};
use crate::cycle::{Cycle, Phase};
use crate::filter::{Filter, smooth};
use crate::noise::Noise;
use crate::part::PartSound;
use crate::score::{Syllable, frequency, gain};
use std::f64::consts::{PI, TAU};

/// The RMS of a held vowel at level 0 dB.
const RMS: f64 = 0.105;
/// Seconds between a phrase's first sound, the breath taken in, and its first vowel.
const INTAKE: f64 = 0.9;
/// Syllables further apart than this are sung in two breaths.
const JOINED: f64 = 0.05;
/// Seconds over which the last vowel of a phrase is let go.
const RELEASE: f64 = 0.30;

/// The phrases that these syllables make, each with the sample at which it begins.
pub fn phrases(rate: u32, syllables: &[Syllable]) -> Vec<(u64, Phrase)> {
    syllables
        .chunk_by(|one, next| next.at - (one.at + one.lasts) < JOINED)
        .zip(0..)
        .map(|(phrase, number)| Phrase::new(rate, phrase, number))
        .collect()
}

/// Everything that moves, at one moment.
#[derive(Clone, Copy)]
struct VoiceState {
    formants: [VowelFormant; FORMANTS],
    voice: f64,
    breath: f64,
    hiss: f64,
    burst: f64,
}

impl VoiceState {
    const SILENT: [f64; 4] = [0.0; 4];

    fn new(formants: [VowelFormant; FORMANTS], [voice, breath, hiss, burst]: [f64; 4]) -> Self {
        Self { formants, voice, breath, hiss, burst }
    }

    fn towards(&self, to: &Self, t: f64) -> Self {
        let mix = |a: f64, b: f64| a + (b - a) * t;
        let mut formants = self.formants;
        for ((hz, width), (to_hz, to_width)) in formants.iter_mut().zip(to.formants) {
            *hz = mix(*hz, to_hz);
            *width = mix(*width, to_width);
        }
        Self::new(
            formants,
            [
                mix(self.voice, to.voice),
                mix(self.breath, to.breath),
                mix(self.hiss, to.hiss),
                mix(self.burst, to.burst),
            ],
        )
    }
}

/// What is wanted at which time; in between it moves smoothly.
struct VowelCourse<T> {
    points: Vec<(f64, T)>,
    place: usize,
}

impl<T> VowelCourse<T> {
    /// The points around a time and how far it is on the way from one to the other. Times may not go back.
    fn around(&mut self, t: f64) -> (&T, &T, f64) {
        while self.place + 2 < self.points.len() && self.points[self.place + 1].0 <= t {
            self.place += 1;
        }
        let (from, to) = (&self.points[self.place], &self.points[self.place + 1]);
        (&from.1, &to.1, smooth((t - from.0) / (to.0 - from.0).max(1e-6)))
    }
}

/// Harmonics of the flow's slope through the folds: it opens like half a cosine, closes in far less, and is shut
/// for the rest (Rosenberg 1971, JASA 49, 583, his trigonometric pulse; opening 42 %, closing 12 % of the cycle).
fn pulse(count: usize) -> Vec<(f64, f64)> {
    const OPENING: f64 = 0.42;
    const CLOSING: f64 = 0.12;
    const POINTS: usize = 4096;
    let slope = |t: f64| {
        if t < OPENING {
            0.5 * PI / OPENING * (PI * t / OPENING).sin()
        } else if t < OPENING + CLOSING {
            -0.5 * PI / CLOSING * (0.5 * PI * (t - OPENING) / CLOSING).sin()
        } else {
            0.0
        }
    };
    let circle: Vec<f64> = (0..POINTS).map(|i| (TAU * i as f64 / POINTS as f64).sin()).collect();
    let slopes: Vec<f64> = (0..POINTS).map(|i| slope((i as f64 + 0.5) / POINTS as f64)).collect();
    (1..=count)
        .map(|k| {
            let (mut cos, mut sin) = (0.0, 0.0);
            for (i, slope) in slopes.iter().enumerate() {
                cos += slope * circle[(i * k + POINTS / 4) % POINTS];
                sin += slope * circle[(i * k) % POINTS];
            }
            (cos * 2.0 / POINTS as f64, sin * 2.0 / POINTS as f64)
        })
        .collect()
}

/// What makes voice and breath through this tract as loud as an RMS of 1, from the power of each harmonic of `hz`.
fn levelling(tract: &[Filter], hz: f64, harmonics: &[f64], rate: u32) -> (f64, f64) {
    const BANDS: u32 = 48;
    let power = |hz: f64| tract.iter().map(|filter| filter.power(hz, rate)).product::<f64>();
    let voice: f64 = harmonics.iter().zip(1..).map(|(each, k)| each * power(f64::from(k) * hz)).sum();
    let noise: f64 = (0..BANDS).map(|i| power((f64::from(i) + 0.5) / f64::from(2 * BANDS) * f64::from(rate))).sum();
    // A third: the mean square of the noise.
    (1.0 / voice.sqrt(), 1.0 / (noise / f64::from(3 * BANDS)).sqrt())
}

/// One breath of singing.
pub struct Phrase {
    rate: u32,
    /// Samples between two changes of the tract; a fixed grid from the phrase's first sample.
    tick: u64,
    /// Seconds of the score at the phrase's first sample.
    origin: f64,
    samples: u64,
    at: u64,
    course: VowelCourse<VoiceState>,
    pitch: VowelCourse<f64>,
    onsets: Vec<f64>,
    state: VoiceState,
    step: VoiceState,
    midi: f64,
    midi_step: f64,
    depth: f64,
    jitter: f64,
    vibrato: Phase,
    phase: Phase,
    cycle: Cycle,
    /// The power of each harmonic of the cycle that counts.
    harmonics: Vec<f64>,
    noise: Noise,
    tract: [Filter; FORMANTS],
    teeth: [Filter; 3],
    tongue: Filter,
}

impl Phrase {
    fn new(rate: u32, syllables: &[Syllable], number: u64) -> (u64, Self) {
        let highest = syllables.iter().map(|s| s.pitch).fold(0.0, f64::max);
        let count = Cycle::harmonics_below(11_000.0, frequency(highest + 0.6), rate);
        let harmonics = pulse(count);
        let start = crate::sample(syllables.first().map_or(0.0, |first| first.at - INTAKE), rate);
        let end = syllables.last().map_or(0.0, |last| last.at + last.lasts);
        let origin = start as f64 / f64::from(rate);
        let states = states(syllables);
        let state = states[0].1;
        let pitches = pitches(syllables);
        let phrase = Self {
            rate,
            tick: u64::from((rate / 3000).max(1)),
            origin,
            samples: crate::sample(end - origin + 0.05, rate),
            at: 0,
            midi: pitches[0].1,
            midi_step: 0.0,
            course: VowelCourse { points: states, place: 0 },
            pitch: VowelCourse { points: pitches, place: 0 },
            onsets: syllables.iter().map(|s| s.at).collect(),
            step: VoiceState::new([(0.0, 0.0); FORMANTS], VoiceState::SILENT),
            tract: state.formants.map(|(hz, width)| Filter::formant(hz, width, rate)),
            state,
            depth: 0.0,
            jitter: 0.0,
            vibrato: Phase::default(),
            phase: Phase::default(),
            cycle: Cycle::new(&harmonics),
            harmonics: harmonics.iter().take(24).map(|(cos, sin)| 0.5 * (cos * cos + sin * sin)).collect(),
            noise: Noise::new(4, number),
            // The spectrum of /s/: little below 4 kHz, a broad hill near 7 kHz.
            teeth: [
                Filter::highpass(4300.0, rate),
                Filter::highpass(4300.0, rate),
                Filter::peak(7200.0, 1.2, 8.0, rate),
            ],
            tongue: Filter::bandpass(4200.0, 0.9, rate),
        };
        (start, phrase)
    }

    /// Sets the way to where everything is to be one tick from here.
    fn aim(&mut self) {
        let n = self.tick as f64;
        let seconds = n / f64::from(self.rate);
        let t = self.origin + (self.at as f64) / f64::from(self.rate) + seconds;
        let (from, to, way) = self.course.around(t);
        let goal = from.towards(to, way);
        for (filter, (hz, width)) in self.tract.iter_mut().zip(goal.formants) {
            filter.become_like(&Filter::formant(hz, width, self.rate));
        }
        // Vibrato of 5.4 Hz that grows to ±35 cents in a held note: usual is 5–6 Hz and 30–50 cents (common practice,
        // no source). The jitter is some 2 cents, fast enough to leave the note's mean alone.
        let onset = self.onsets.iter().rev().find(|onset| **onset <= t).copied().unwrap_or(t);
        let settle = |seconds_to: f64| 1.0 - (-seconds / seconds_to).exp();
        self.depth += (0.35 * smooth((t - onset - 0.35) / 1.1) - self.depth) * settle(0.06);
        self.jitter += (0.06 * self.noise.next() - self.jitter) * settle(0.004);
        let vibrato = (TAU * self.vibrato.next(5.4 * seconds)).sin();
        let (from, to, way) = self.pitch.around(t);
        let midi = from + (to - from) * way + self.depth * vibrato + self.jitter;
        let (voice, breath) = levelling(&self.tract, frequency(midi), &self.harmonics, self.rate);
        let step = |now: f64, goal: f64| (goal - now) / n;
        self.step = VoiceState::new(
            goal.formants,
            [
                step(self.state.voice, goal.voice * voice),
                step(self.state.breath, goal.breath * breath),
                step(self.state.hiss, goal.hiss),
                step(self.state.burst, goal.burst),
            ],
        );
        self.midi_step = step(self.midi, midi);
    }
}

impl PartSound for Phrase {
    fn next(&mut self) -> Option<f64> {
        if self.at >= self.samples {
            return None;
        }
        if self.at.is_multiple_of(self.tick) {
            self.aim();
        }
        self.at += 1;
        let VoiceState { voice, breath, hiss, burst, .. } = &mut self.state;
        *voice += self.step.voice;
        *breath += self.step.breath;
        *hiss += self.step.hiss;
        *burst += self.step.burst;
        self.midi += self.midi_step;
        let phase = self.phase.next(frequency(self.midi) / f64::from(self.rate));
        let noise = self.noise.next();
        // Air hisses through the folds while they stand open, in the first part of the cycle.
        let open = if *voice > 0.0 { 0.5 + (PI * phase.min(0.6) / 0.6).sin() } else { 1.0 };
        let source = *voice * self.cycle.at(phase) + *breath * open * noise;
        let sung = self.tract.iter_mut().fold(source, |x, filter| filter.next(x));
        let hissed = self.teeth.iter_mut().fold(noise * *hiss, |x, filter| filter.next(x));
        Some(sung + hissed + self.tongue.next(noise * *burst))
    }
}

/// The way of the tract and of the four sources through a phrase.
fn states(syllables: &[Syllable]) -> Vec<(f64, VoiceState)> {
    let mut states: Vec<(f64, VoiceState)> = Vec::new();
    for (i, syllable) in syllables.iter().enumerate() {
        let hz = frequency(syllable.pitch);
        let loud = RMS * gain(syllable.level);
        let vowel = syllable.vowel.sung_at(hz);
        let levelled = |formants: [VowelFormant; FORMANTS], [voice, breath, hiss, burst]: [f64; 4]| {
            VoiceState::new(formants, [voice, breath, 2.0 * hiss, 2.0 * burst].map(|x| loud * x))
        };
        let held = |voice: f64| levelled(vowel, [voice, 0.022 * voice, 0.0, 0.0]);
        let postures = syllable.consonant.postures();
        let lead = postures.first().map_or(0.0, |posture| posture.at);
        if i == 0 {
            // The breath taken in, then a moment of stillness.
            let first = postures.first().and_then(|posture| posture.formants).unwrap_or(vowel);
            let start = syllable.at + lead;
            states.push((start - 0.70, levelled(first, VoiceState::SILENT)));
            states.push((start - 0.35, levelled(first, [0.0, 0.045, 0.0, 0.0])));
            states.push((start - 0.10, levelled(first, VoiceState::SILENT)));
            states.push((start - 0.05, levelled(first, VoiceState::SILENT)));
        }
        for p in postures {
            let state = levelled(p.formants.unwrap_or(vowel), [p.voice, p.breath, p.hiss, p.burst]);
            states.push((syllable.at + p.at, state));
        }
        states.push((syllable.at + 0.05, held(0.82)));
        let end = syllable.at + syllable.lasts;
        match syllables.get(i + 1) {
            Some(next) => {
                let turn = next.at + next.consonant.postures().first().map_or(0.0, |posture| posture.at) - 0.05;
                states.push((syllable.at + 0.4 * (turn - syllable.at).max(0.2), held(1.0)));
                states.push((turn, held(0.9)));
            }
            None => {
                states.push((syllable.at + 0.4 * syllable.lasts, held(1.0)));
                states.push((end - RELEASE, held(0.85)));
                states.push((end, levelled(vowel, VoiceState::SILENT)));
            }
        }
    }
    // Syllables shorter than a mouth can move are slurred: no state comes before the one it follows.
    let mut last = f64::NEG_INFINITY;
    for (t, _) in &mut states {
        *t = t.max(last);
        last = *t;
    }
    states
}

/// The way of the pitch, in MIDI notes: a soft scoop into the first, a glide of 90 ms between the others.
fn pitches(syllables: &[Syllable]) -> Vec<(f64, f64)> {
    let mut pitches: Vec<(f64, f64)> = Vec::new();
    for syllable in syllables {
        let pitch = syllable.pitch;
        let from = pitches.last().map_or(pitch - 0.4, |(_, before)| *before);
        pitches.push((syllable.at - 0.05, from));
        pitches.push((syllable.at + 0.04, pitch));
    }
    pitches
}
