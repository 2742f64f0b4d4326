//! What a source has sounded so far.

use crate::CELL;
use crate::aim::Aim;
use crate::analysis::{Analysis, Moments};
use crate::bytes::many;
use crate::effects::stretch::model::{Model, ModelFindings};
use crate::levels::{KnownLevels, Levels};
use crate::prefault::prefaulted;
use std::fmt;

pub use tenterhook_plan::Insight;

/// The last seconds of one source: a ring, allocated and touched when it is made.
pub struct Memory {
    ring: Box<[f32]>,
    /// The sample after the last one written.
    written: u64,
    levels: Levels,
    analysis: Option<Box<Analysis>>,
    model: Option<Box<Model>>,
    /// Of analysis and model those that are not worked out any more.
    given_up: [bool; 2],
}

impl Memory {
    /// Room for at least `samples` samples of the past at `rate` samples a second.
    pub fn new(samples: usize, rate: u32) -> Self {
        let length = samples.max(2 * CELL as usize).next_power_of_two();
        Self {
            ring: prefaulted(0.0, length),
            written: 0,
            levels: Levels::new(rate, length),
            analysis: None,
            model: None,
            given_up: [false; 2],
        }
    }

    /// Room for at least `samples` samples of the past at `rate` samples a second, and the source's analysis, which
    /// [`EffectVoice::wants_analysis`](crate::effects::EffectVoice::wants_analysis) asks for. Its steps fall on grid lines that
    /// `stagger`, any number, moves: give every source another one.
    pub fn with_analysis(samples: usize, rate: u32, stagger: u64) -> Self {
        // A tenth of a second holds the analysis's frame at any rate.
        let room = samples.max(rate as usize / 10 + 2 * CELL as usize);
        Self { analysis: Some(Box::new(Analysis::new(rate, stagger))), ..Self::new(room, rate) }
    }

    /// The same memory, whose analysis also tells the source's pitch, see [`Heard::pitch`].
    pub fn pitched(mut self) -> Self {
        if let Some(analysis) = &mut self.analysis {
            analysis.tell_tones();
        }
        self
    }

    /// The same memory with its source's model, which
    /// [`Effect::wants_model`](crate::effects::Effect::wants_model) asks for; `stagger` as before.
    pub fn modelled(self, rate: u32, stagger: u64) -> Self {
        let room = self.ring.len().max(Model::reach(rate) + 2 * CELL as usize);
        let model = Some(Box::new(Model::new(rate, stagger)));
        if room > self.ring.len() {
            Self { analysis: self.analysis, model, ..Self::new(room, rate) }
        } else {
            Self { model, ..self }
        }
    }

    /// Bytes that one of so many samples takes beside itself, with these of its source worked out.
    pub fn bytes(samples: usize, rate: u32, analysis: bool, model: bool) -> usize {
        let mut room = samples;
        let mut bytes = 0;
        if analysis {
            room = room.max(rate as usize / 10 + 2 * CELL as usize);
            bytes += size_of::<Analysis>() + Analysis::bytes(rate);
        }
        if model {
            room = room.max(Model::reach(rate) + 2 * CELL as usize);
            bytes += size_of::<Model>() + Model::bytes(rate);
        }
        let length = room.max(2 * CELL as usize).next_power_of_two();
        many::<f32>(length) + Levels::bytes(rate, length) + bytes
    }

    /// A memory that has heard nothing yet begins at sample `at`: all before it is silence.
    pub fn start(&mut self, at: u64) {
        self.written = at;
    }

    /// Writes the sound from sample `from` on: the sample after the last one written, or any if nothing is written yet.
    /// Steps of the analysis and of the model that are due at grid lines within are done here.
    pub fn write(&mut self, from: u64, samples: &[f32]) {
        let mut rest = samples;
        let mut from = from;
        while !rest.is_empty() {
            // Up to the next grid line.
            let length = rest.len().min((CELL - from % CELL) as usize);
            let (piece, later) = rest.split_at(length);
            self.keep(from, piece);
            self.work_out(Insight::Model, from, piece);
            self.work_out(Insight::Analysis, from, piece);
            from += length as u64;
            rest = later;
        }
    }

    /// The first part of [`Memory::write`]: keeps a piece that no grid line cuts, and works nothing out of it.
    pub fn keep(&mut self, from: u64, piece: &[f32]) {
        // A cell never falls across the ring's end: its length is a power of two.
        let place = from as usize & (self.ring.len() - 1);
        if let Some(ring) = self.ring.get_mut(place..place + piece.len()) {
            ring.copy_from_slice(piece);
        }
        self.levels.take_in(from, piece);
        self.written = from + piece.len() as u64;
    }

    /// The power of the frame of 10 ms that ends at a sample and that of the source's noise, as mean squares; `None`: no
    /// frame ends there. A frame is of [`level_frame`] samples.
    pub fn level(&self, end: u64) -> Option<(f32, f32)> {
        self.levels.frame(end).map(|frame| (frame.power, frame.noise))
    }

    /// The power of the last whole cell, as a mean square.
    pub fn cell_power(&self) -> f32 {
        self.levels.cell()
    }

    /// So much of the power of the frame that ends at a sample, the last written, comes from neighbours: what is less than
    /// 6 dB louder is none of this source's own sound.
    pub fn explain(&mut self, end: u64, power: f32) {
        self.levels.explain(end, power);
    }

    /// The other parts of [`Memory::write`], first the model, then the analysis: works out of a piece that was just kept
    /// what is due.
    pub fn work_out(&mut self, insight: Insight, from: u64, piece: &[f32]) {
        if self.has_given_up(insight) {
            return;
        }
        let end = from + piece.len() as u64;
        let heard = Self::sound(&self.ring, end);
        match insight {
            Insight::Model => {
                if let Some(model) = &mut self.model {
                    let read = |at: i64, out: &mut [f32]| heard.read(at, out);
                    model.feed(from, piece, read);
                    if end.is_multiple_of(CELL) {
                        model.advance(end, read);
                    }
                }
            }
            Insight::Analysis => {
                if let Some(analysis) = &mut self.analysis
                    && end.is_multiple_of(CELL)
                {
                    analysis.advance(end, |frame| heard.read(end as i64 - frame.len() as i64, frame));
                }
            }
        }
    }

    /// From now on this is neither worked out nor told any more. It is kept where it is, and freed with the memory.
    pub fn give_up(&mut self, insight: Insight) {
        let [analysis, model] = &mut self.given_up;
        *match insight {
            Insight::Analysis => analysis,
            Insight::Model => model,
        } = true;
    }

    /// Whether it was given up.
    pub fn has_given_up(&self, insight: Insight) -> bool {
        let [analysis, model] = self.given_up;
        match insight {
            Insight::Analysis => analysis,
            Insight::Model => model,
        }
    }

    /// What is told to those who read.
    fn told<'a, T>(&self, insight: Insight, what: &'a Option<T>) -> Option<&'a T> {
        what.as_ref().filter(|_| !self.has_given_up(insight))
    }

    /// Whether it has it, given up or not.
    pub fn has(&self, insight: Insight) -> bool {
        match insight {
            Insight::Analysis => self.analysis.is_some(),
            Insight::Model => self.model.is_some(),
        }
    }

    /// The past as it may be read for the samples of one cell: everything before the sample `end`, which lies a cell
    /// before the last sample written at most.
    pub fn heard(&self, end: u64) -> Heard<'_> {
        let end = end.min(self.written);
        // What has been written over is not there, however early the end.
        let first =
            end.saturating_sub(self.ring.len() as u64 - CELL).max(self.written.saturating_sub(self.ring.len() as u64));
        Heard {
            ring: &self.ring,
            first,
            end,
            levels: Some(self.levels.until(first, end)),
            analysis: self.told(Insight::Analysis, &self.analysis).map(|analysis| analysis.until(end)),
            model: self.told(Insight::Model, &self.model).map(|model| model.until(end)),
        }
    }

    /// The plain sound before the sample `end`, which is the last written, for what listens to the source itself.
    fn sound(ring: &[f32], end: u64) -> Heard<'_> {
        Heard {
            ring,
            first: end.saturating_sub(ring.len() as u64 - CELL),
            end,
            levels: None,
            analysis: None,
            model: None,
        }
    }

    /// How many samples it holds.
    pub fn capacity(&self) -> usize {
        self.ring.len()
    }
}

impl fmt::Debug for Memory {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Memory").field("capacity", &self.ring.len()).field("written", &self.written).finish()
    }
}

/// Samples of a frame of [`Memory::level`], 10 ms to the nearest grid line.
pub fn level_frame(rate: u32) -> u64 {
    Levels::length(rate)
}

/// How much louder than what neighbours explain a sound is that is a source's own, as a power: 6 dB.
pub const OWN: f32 = crate::levels::OWN;

/// How a source is pitched.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SourcePitch {
    /// The fundamental, 62…2500 Hz; 0: nothing is pitched.
    pub hz: f32,
    /// How periodic the sound is, 0…1.
    pub confidence: f32,
}

/// A source's past up to a sample, which lies at a place that no block size moves: the start of the present cell, or
/// the beginning of the effect that reads. So an effect can neither read the future nor read differently when the
/// device's blocks differ.
#[derive(Clone, Copy)]
pub struct Heard<'a> {
    ring: &'a [f32],
    /// The first sample that may be read.
    first: u64,
    end: u64,
    levels: Option<KnownLevels<'a>>,
    analysis: Option<Moments<'a>>,
    model: Option<ModelFindings<'a>>,
}

impl<'a> Heard<'a> {
    /// The sample after the last one that may be read.
    pub fn end(&self) -> u64 {
        self.end
    }

    /// The sound at one sample: silence before the beginning, beyond the memory's reach and after [`Heard::end`].
    pub fn at(&self, sample: i64) -> f32 {
        match u64::try_from(sample) {
            Ok(sample) if sample >= self.first && sample < self.end => {
                self.ring.get(sample as usize & (self.ring.len() - 1)).copied().unwrap_or(0.0)
            }
            _ => 0.0,
        }
    }

    /// Fills `out` with the sound from sample `from` on, as [`Heard::at`] gives it.
    pub fn read(&self, from: i64, out: &mut [f32]) {
        let clamp = |sample: i64| u64::try_from(sample).unwrap_or(0).clamp(self.first.min(self.end), self.end);
        let (low, high) = (clamp(from), clamp(from.saturating_add_unsigned(out.len() as u64)));
        let before = ((low as i64).saturating_sub(from).max(0) as usize).min(out.len());
        let (silent, out) = out.split_at_mut(before);
        silent.fill(0.0);
        let (out, after) = out.split_at_mut(((high - low) as usize).min(out.len()));
        after.fill(0.0);
        // The ring's end may fall into it.
        let place = low as usize & (self.ring.len() - 1);
        let (one, two) = out.split_at_mut((self.ring.len() - place).min(out.len()));
        for (out, start) in [(one, place), (two, 0)] {
            match self.ring.get(start..start + out.len()) {
                Some(sound) => out.copy_from_slice(sound),
                None => out.fill(0.0),
            }
        }
    }

    /// How loud the source was, as far as that is known at [`Heard::end`].
    pub(crate) fn levels(&self) -> Option<KnownLevels<'a>> {
        self.levels
    }

    /// What is known at [`Heard::end`] of what the source is made of, if anybody asked for it.
    pub(crate) fn model(&self) -> Option<ModelFindings<'a>> {
        self.model
    }

    #[cfg(test)]
    fn moments(&self) -> Option<Moments<'a>> {
        self.analysis
    }

    /// The pitch of the newest moment that the source's analysis knows at [`Heard::end`], a frame of 43 ms; `None`: there
    /// is no analysis, or nothing is known yet. It has one only in a memory that is [`Memory::pitched`].
    pub fn pitch(&self, rate: u32) -> Option<SourcePitch> {
        let moments = self.analysis?;
        let moment = (0..4).find_map(|back| moments.get(back))?;
        let hz = if moment.tone > 0.0 { rate as f32 / moment.tone } else { 0.0 };
        Some(SourcePitch { hz, confidence: moment.harmonicity })
    }

    /// What the source's analysis knows at [`Heard::end`], if the source has one.
    pub(crate) fn aim(&self, rate: u32) -> Option<Aim<'a>> {
        self.analysis.map(|moments| Aim::new(moments, rate))
    }
}

impl fmt::Debug for Heard<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Heard").field("first", &self.first).field("end", &self.end).finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// All that an effect can come to see of a source, as numbers.
    fn shown(heard: &Heard<'_>) -> Vec<u64> {
        let mut all = vec![heard.end()];
        let mut sound = vec![0.0; 700];
        heard.read(heard.end() as i64 - 600, &mut sound);
        all.extend(sound.iter().map(|x| u64::from(x.to_bits())));
        let pitch = heard.pitch(48_000).unwrap_or_default();
        all.extend([pitch.hz, pitch.confidence].map(|x| u64::from(x.to_bits())));
        let moments = heard.moments().expect("it was asked for");
        for back in 0..200 {
            let Some(moment) = moments.get(back) else { continue };
            let numbers = [moment.level, moment.usual, moment.weight, moment.harmonicity, moment.period, moment.tone];
            all.push(moment.end);
            all.extend(numbers.iter().chain(&moment.bands).map(|x| u64::from(x.to_bits())));
        }
        let model = heard.model().expect("it was asked for");
        let (breakpoints, noise_frames, strengths) = (model.breakpoints(), model.noise_frames(), model.strengths());
        all.extend([
            breakpoints.first(),
            breakpoints.after(),
            noise_frames.first(),
            noise_frames.after(),
            strengths.first(),
            strengths.after(),
        ]);
        // More numbers than there are: what lies beyond is not to be had either.
        for breakpoint in (breakpoints.first().saturating_sub(4)..breakpoints.after() + 4)
            .filter_map(|number| breakpoints.get(number))
        {
            all.extend([breakpoint.middle, breakpoint.onset.unwrap_or(0), breakpoint.start.unwrap_or(0)]);
            all.extend(
                breakpoint.partials().iter().map(|one| u64::from(one.amplitude.to_bits()) << 32 | u64::from(one.id)),
            );
        }
        for noise_frame in (noise_frames.first().saturating_sub(4)..noise_frames.after() + 4)
            .filter_map(|number| noise_frames.get(number))
        {
            all.extend([noise_frame.middle, u64::from(noise_frame.envelope[7])]);
        }
        let numbers = strengths.first().saturating_sub(4)..strengths.after() + 4;
        for strength in numbers.filter_map(|number| strengths.get(number)) {
            all.extend([strength.start, u64::from(strength.rest.to_bits()), u64::from(strength.partials.to_bits())]);
        }
        all.extend((0..heard.end() + 200).step_by(100).map(|from| model.onset(from).unwrap_or(0)));
        all
    }

    #[test]
    fn what_is_shown_at_a_sample_is_the_same_however_far_the_source_has_been_heard() {
        // Strokes of sixteen partials that die away, each in a sound that still rings.
        let stroke = |since: f32, hz: f32| {
            let partial = |k: f32| (-since * k.sqrt() / 0.1).exp() / k * (std::f32::consts::TAU * hz * k * since).sin();
            (1..17).map(|k| partial(k as f32)).sum::<f32>()
        };
        let sound: Vec<f32> = (0..60_000)
            .map(|i| {
                let of =
                    |every: usize, hz: f32| stroke((i % every) as f32 / 48_000.0, hz + (i / every * 31 % 97) as f32);
                0.1 * (of(7_919, 220.0) + of(12_007, 330.0))
            })
            .collect();
        let mut memory = Memory::with_analysis(20_000, 48_000, 3).pitched().modelled(48_000, 3);
        let (mut alike, mut onsets, mut told) = (0, 0, Vec::new());
        for cell in 0..sound.len() / 32 {
            // Every sample of every seventh cell, as seven has no factor in common with any hop; and of all in which a stroke
            // may come to be known.
            let struck = [7_919, 12_007].iter().any(|every| cell * 32 % every < 2_000);
            let looked = cell > 300 && (cell % 7 == 0 || struck);
            let shown_at: Vec<_> = (0..32)
                .filter_map(|i| {
                    let at = cell * 32 + i;
                    let before = looked.then(|| shown(&memory.heard(at as u64)));
                    memory.write(at as u64, &sound[at..=at]);
                    before.map(|before| (at as u64, before))
                })
                .collect();
            for (at, before) in shown_at {
                assert!(shown(&memory.heard(at)) == before, "at {at}");
                alike += 1;
            }
            let after = memory.heard((cell * 32 + 32) as u64);
            let model = after.model().expect("it was asked for");
            onsets += usize::from(model.onset(0) != model.onset(after.end().saturating_sub(2_000)));
            told.push(model.strengths().after());
        }
        assert!(alike > 6_000 && onsets > 100, "{alike} ends, {onsets} cells after an onset");
        assert!(told.windows(2).all(|two| two[1] - two[0] <= 2) && told.last() > Some(&600), "{:?}", told.last());
    }

    #[test]
    fn what_has_been_written_over_is_not_heard_at_an_early_end() {
        let mut memory = Memory::new(128, 48_000);
        memory.write(0, &(0..1000).map(|i| i as f32 + 1.0).collect::<Vec<_>>());
        let heard = memory.heard(900);
        for sample in 0..1100i64 {
            let expected = if (872..900).contains(&sample) { sample as f32 + 1.0 } else { 0.0 };
            assert_eq!(heard.at(sample), expected, "{sample}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

        #[test]
        fn a_slice_is_read_as_sample_by_sample(
            written in 1u64..400, end in 0u64..450, from in -100i64..500, length in 0usize..300,
        ) {
            let mut memory = Memory::new(128, 48_000);
            let sound: Vec<f32> = (1..=written).map(|i| i as f32).collect();
            memory.write(0, &sound);
            let heard = memory.heard(end);
            let mut slice = vec![f32::NAN; length];
            heard.read(from, &mut slice);
            for (i, &x) in slice.iter().enumerate() {
                prop_assert_eq!(x, heard.at(from + i as i64));
            }
        }

        #[test]
        fn nothing_is_heard_before_the_beginning_beyond_the_reach_or_after_the_end(ahead in 0u64..32) {
            let mut memory = Memory::new(128, 48_000);
            let sound: Vec<f32> = (0..1000).map(|i| i as f32 + 1.0).collect();
            memory.write(0, &sound[..640 + ahead as usize]);
            let heard = memory.heard(640);
            for sample in -10i64..1000 {
                let expected = if (640 - 96..640).contains(&sample) { sample as f32 + 1.0 } else { 0.0 };
                prop_assert_eq!(heard.at(sample), expected);
            }
        }
    }
}
