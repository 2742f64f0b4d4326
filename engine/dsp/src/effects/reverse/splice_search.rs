//! Where a new reading of a sound takes over from an old one: the place at which both are most alike, so that the
//! cross-fade meets in phase, and at which it fades no note's beginning.
//!
//! Of all starts within a range those are tried that lie on a grid of about 12 kHz, on every so-manieth sample of both
//! sounds; the samples around the best are tried after them. The work is cut into cells of even cost.

use super::onsets::{BEFORE, SpliceOnsets};
use crate::bytes::many;
use crate::memory::Heard;
use crate::prefault::prefaulted;

/// How much a note's beginning in a splice weighs against likeness, which is −1…1: any start without one is better.
const WHOLE: f32 = 2.0;

/// Blocks of sound behind the splice's end that [`SpliceOnsets`] look at.
const BEYOND: usize = 8;

/// What is done one after the other.
#[derive(Clone, Copy)]
enum SearchWork {
    HearNew,
    HearLeft,
    HearOld,
    FindNew,
    FindLeft,
    Try,
    Refine,
    Weigh,
    Nothing,
}

/// What two readings do to a sound between them; both read backwards.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Readings {
    /// The sample that the old one comes to at the splice's beginning.
    pub old: i64,
    /// How far before its start the new one comes in the end: there it is faded out.
    pub span: i64,
    /// The sample before which the old one started.
    pub before: i64,
}

/// How long a splice is and where it may lie, in samples.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct SpliceExtent {
    /// Over so many both sound.
    pub length: usize,
    /// How many the first and last start may be apart.
    pub range: usize,
}

/// How much of everything a search needs.
#[derive(Clone, Copy, Debug)]
struct Sizes {
    /// From one sample of the coarse sound to the next, in samples.
    stride: usize,
    /// Samples of a block of [`SpliceOnsets`].
    block: usize,
    /// Samples of the coarse sound, and starts that are tried in it.
    coarse: usize,
    starts: usize,
    /// Blocks in which a splice may lie, and what is looked at before them.
    blocks: usize,
}

impl Sizes {
    fn new(rate: u32, SpliceExtent { length, range }: SpliceExtent) -> Self {
        let stride = ((f64::from(rate) / 12_000.0).round() as usize).max(1);
        let block = (rate as usize / 1000).max(1);
        Self {
            stride,
            block,
            coarse: (length / stride).max(1),
            starts: range / stride + 1,
            blocks: (range + length).div_ceil(block) + BEFORE,
        }
    }

    /// How many times each work is done, and about how many multiplications it takes.
    fn plan(&self, length: usize) -> [(SearchWork, usize, usize); 8] {
        let Self { stride, block, coarse, starts, blocks } = *self;
        [
            (SearchWork::HearNew, blocks, 3 * block),
            (SearchWork::HearLeft, blocks + BEYOND, 2 * block),
            (SearchWork::HearOld, length.div_ceil(block), 2 * block),
            (SearchWork::FindNew, blocks, 6 * BEFORE),
            (SearchWork::FindLeft, blocks + BEYOND, 6 * BEFORE),
            (SearchWork::Try, starts, coarse + 40),
            (SearchWork::Refine, 2 * stride - 1, 4 * coarse),
            (SearchWork::Weigh, stride, 8 * coarse),
        ]
    }
}

/// The search for one splice after another.
pub(crate) struct SpliceSearch {
    rate: u32,
    length: usize,
    range: usize,
    sizes: Sizes,
    plan: [(SearchWork, usize, usize); 8],
    /// Where in `plan` it is, and what it has cost so far.
    work: usize,
    turn: usize,
    spent: usize,
    readings: Readings,
    /// The grid line at which it began: no start is later.
    line: i64,
    old: Box<[f32]>,
    /// The last sound, and before it what tells whether a note begins in it.
    new: Box<[f32]>,
    old_coarse: Box<[f32]>,
    new_coarse: Box<[f32]>,
    /// The energy of `new_coarse` up to each place.
    new_energy: Box<[f64]>,
    old_energy: f64,
    heard: usize,
    block_sound: Box<[f32]>,
    new_onsets: SpliceOnsets,
    left_onsets: SpliceOnsets,
    /// The best start so far: samples after the first possible one.
    best: usize,
    score: f32,
    /// Products of both sounds and of each with itself.
    sums: [f32; 3],
}

impl SpliceSearch {
    /// Splices of this extent or a smaller one, at `rate` samples a second.
    pub fn new(rate: u32, extent: SpliceExtent) -> Self {
        let SpliceExtent { length, range } = extent;
        let sizes = Sizes::new(rate, extent);
        let Sizes { block, coarse, starts, blocks, .. } = sizes;
        let silence = |samples: usize| prefaulted(0.0f32, samples);
        Self {
            rate,
            length,
            range,
            sizes,
            plan: sizes.plan(length),
            work: 0,
            turn: 0,
            spent: 0,
            readings: Readings::default(),
            line: 0,
            old: silence(length),
            new: silence(blocks * block),
            old_coarse: silence(coarse),
            new_coarse: silence(starts + coarse),
            new_energy: prefaulted(0.0, starts + coarse + 1),
            old_energy: 0.0,
            heard: 0,
            block_sound: silence(block),
            new_onsets: SpliceOnsets::new(blocks),
            left_onsets: SpliceOnsets::new(blocks + BEYOND),
            best: range,
            score: f32::MIN,
            sums: [0.0; 3],
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(rate: u32, extent: SpliceExtent) -> usize {
        let Sizes { block, coarse, starts, blocks, .. } = Sizes::new(rate, extent);
        many::<f32>(extent.length + (blocks + 1) * block + 2 * coarse + starts)
            + many::<f64>(starts + coarse + 1)
            + SpliceOnsets::bytes(blocks)
            + SpliceOnsets::bytes(blocks + BEYOND)
    }

    /// From here on splices have this extent, for which there is room.
    pub fn resize(&mut self, extent: SpliceExtent) {
        (self.length, self.range) = (extent.length, extent.range);
        self.sizes = Sizes::new(self.rate, extent);
        self.plan = self.sizes.plan(extent.length);
        self.new_onsets.resize(self.sizes.blocks);
        self.left_onsets.resize(self.sizes.blocks + BEYOND);
    }

    /// The sounds in work.
    fn old(&self) -> &[f32] {
        self.old.get(..self.length).unwrap_or_default()
    }

    fn new_length(&self) -> usize {
        self.sizes.blocks * self.sizes.block
    }

    fn new_from(&self, place: usize) -> &[f32] {
        self.new.get(place..self.new_length()).unwrap_or_default()
    }

    fn old_coarse(&self) -> &[f32] {
        self.old_coarse.get(..self.sizes.coarse).unwrap_or_default()
    }

    fn new_coarse_from(&self, place: usize) -> &[f32] {
        self.new_coarse.get(place..self.sizes.starts + self.sizes.coarse).unwrap_or_default()
    }

    /// Begins a search at a grid line, with the sound that ends there.
    pub fn begin(&mut self, line: u64, readings: Readings) {
        self.line = line as i64;
        self.readings = readings;
        (self.work, self.turn, self.spent, self.heard) = (0, 0, 0, 0);
        (self.best, self.score) = (self.range, f32::MIN);
        (self.old_energy, self.sums) = (0.0, [0.0; 3]);
    }

    /// Does the part that is due in the cell `cell` of `cells`.
    pub fn advance(&mut self, cell: u64, cells: u64, heard: &Heard<'_>) {
        let whole: usize = self.plan.iter().map(|(_, turns, cost)| turns * cost).sum();
        let due = (whole as u64 * (cell + 1)).div_ceil(cells.max(1)) as usize;
        while self.spent < due {
            let (work, turns, cost) = self.plan.get(self.work).copied().unwrap_or((SearchWork::Nothing, 1, whole));
            self.step(work, heard);
            self.spent += cost;
            self.turn += 1;
            if self.turn >= turns {
                (self.work, self.turn) = (self.work + 1, 0);
            }
        }
    }

    /// What was found: the sample before which the new reading starts, and how alike both are through the splice, −1…1.
    pub fn found(&self) -> (i64, f32) {
        (self.start(self.best), likeness(self.sums.map(f64::from)))
    }

    fn start(&self, place: usize) -> i64 {
        self.line - self.range as i64 + place as i64
    }

    /// The first sample of `new` that belongs to a splice, as a place in it.
    fn base(&self) -> usize {
        self.new_length().saturating_sub(self.range + self.length)
    }

    fn step(&mut self, work: SearchWork, heard: &Heard<'_>) {
        let (turn, block) = (self.turn, self.sizes.block);
        match work {
            SearchWork::HearNew => {
                let places = turn * block..(turn + 1) * block;
                let from = self.line - self.new_length() as i64 + places.start as i64;
                if let Some(sound) = self.new.get_mut(places) {
                    heard.read(from, sound);
                    self.new_onsets.hear(turn, sound);
                }
                self.thin(turn);
            }
            SearchWork::HearLeft => {
                heard.read(self.left() + (turn * block) as i64, &mut self.block_sound);
                self.left_onsets.hear(turn, &self.block_sound);
            }
            SearchWork::HearOld => {
                let places = turn * block..((turn + 1) * block).min(self.length);
                let from = self.readings.old + 1 - self.length as i64 + places.start as i64;
                if let Some(sound) = self.old.get_mut(places.clone()) {
                    heard.read(from, sound);
                }
                for place in places.filter(|place| place.is_multiple_of(self.sizes.stride)) {
                    let coarse = place / self.sizes.stride;
                    if coarse >= self.sizes.coarse {
                        break;
                    }
                    if let (Some(coarse), Some(&sound)) = (self.old_coarse.get_mut(coarse), self.old.get(place)) {
                        *coarse = sound;
                        self.old_energy += f64::from(sound * sound);
                    }
                }
            }
            SearchWork::FindNew => self.new_onsets.weigh(turn),
            SearchWork::FindLeft => self.left_onsets.weigh(turn),
            SearchWork::Try => self.try_start((self.range / self.sizes.stride).saturating_sub(turn)),
            SearchWork::Refine => self.refine(turn),
            SearchWork::Weigh => self.weigh(turn),
            SearchWork::Nothing => {}
        }
    }

    /// Takes what is needed of the block just heard into the coarse sound.
    fn thin(&mut self, block: usize) {
        let (base, end) = (self.base(), (block + 1) * self.sizes.block);
        while base + self.heard * self.sizes.stride < end {
            let sound = self.new.get(base + self.heard * self.sizes.stride).copied().unwrap_or(0.0);
            let energy = self.new_energy.get(self.heard).copied().unwrap_or(0.0) + f64::from(sound * sound);
            if let Some(place) = self.new_coarse.get_mut(self.heard) {
                *place = sound;
            }
            self.heard += 1;
            if let Some(place) = self.new_energy.get_mut(self.heard) {
                *place = energy;
            }
        }
    }

    /// The first sample that `left_onsets` hear.
    fn left(&self) -> i64 {
        self.line - self.readings.span - ((self.left_onsets.blocks() - BEYOND) * self.sizes.block) as i64
    }

    /// Tries the start at this place of the coarse sound.
    fn try_start(&mut self, coarse: usize) {
        let energy = |place: usize| self.new_energy.get(place).copied().unwrap_or(0.0);
        let new = energy(coarse + self.sizes.coarse) - energy(coarse);
        let product = product(self.old_coarse(), self.new_coarse_from(coarse));
        let place = coarse * self.sizes.stride;
        let score = likeness([product.into(), self.old_energy, new]) - WHOLE * self.cut(self.start(place));
        if score > self.score {
            (self.best, self.score) = (place, score);
        }
    }

    /// How clearly notes begin where this start would fade, leave out or repeat them: a weight for the splice itself, and
    /// one for what lies between this reading's end and the old one's start.
    fn cut(&self, start: i64) -> f32 {
        let (length, block) = (self.length as i64, self.sizes.block as i64);
        let among = |onsets: &SpliceOnsets, origin: i64, low: i64, high: i64| {
            let place = |sample: i64| usize::try_from(sample / block).unwrap_or(0);
            onsets.among(place(low - origin + block - 1)..=place(high - origin))
        };
        let end = start - self.readings.span;
        let (low, high) = ((end - length).min(self.readings.before), end.max(self.readings.before - length));
        among(&self.new_onsets, self.line - self.new_length() as i64, start - length, start)
            + among(&self.left_onsets, self.left(), low, high)
    }

    /// Tries the next sample around the best start, which the first turn finds.
    fn refine(&mut self, turn: usize) {
        if turn == 0 {
            // The place is kept while the best moves within its neighbourhood.
            self.heard = self.best;
            self.score = f32::MIN;
        }
        let place = (self.heard + turn).saturating_sub(self.sizes.stride - 1).min(self.range);
        let new = self.new_from(self.base() + place);
        let mut sums = [0.0; 3];
        for (&old, &new) in self.old_coarse().iter().zip(new.iter().step_by(self.sizes.stride)) {
            add(&mut sums, 1.0, old, new);
        }
        let score = likeness(sums.map(f64::from));
        if score > self.score {
            (self.best, self.score) = (place, score);
        }
    }

    /// Takes a part of the splice into its likeness, as much as both sound at each sample.
    fn weigh(&mut self, turn: usize) {
        let (mut sums, new) = (self.sums, self.new_from(self.base() + self.best));
        let samples = self.old().iter().zip(new).enumerate();
        for (i, (&old, &new)) in samples.skip(turn).step_by(self.sizes.stride) {
            let share = (i as f32 + 0.5) / self.length as f32;
            add(&mut sums, share * (1.0 - share), old, new);
        }
        self.sums = sums;
    }
}

fn add(sums: &mut [f32; 3], weight: f32, one: f32, two: f32) {
    let [products, ones, twos] = sums;
    *products += weight * one * two;
    *ones += weight * one * one;
    *twos += weight * two * two;
}

/// The normalised correlation from the sums of products of both and of each with itself; 0 where there is silence.
fn likeness([product, one, two]: [f64; 3]) -> f32 {
    if one > 1e-12 && two > 1e-12 { (product / (one * two).sqrt()) as f32 } else { 0.0 }
}

/// The sum of products over the first sound, up to seven samples less.
fn product(one: &[f32], two: &[f32]) -> f32 {
    // Sums side by side, which the compiler makes vectors of.
    let mut sums = [0.0f32; 8];
    for (one, two) in one.chunks_exact(8).zip(two.chunks_exact(8)) {
        for ((sum, one), two) in sums.iter_mut().zip(one).zip(two) {
            *sum += one * two;
        }
    }
    sums.iter().sum()
}
