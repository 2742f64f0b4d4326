//! Energy over time and pitch.

use crate::frames::Frames;
use crate::{Ground, partials};

/// The middle of the lowest row.
const LOW_HZ: f64 = 30.0;
/// The middle of no row lies above this.
const HIGH_HZ: f64 = 16_000.0;
/// Rows in an octave.
const ROWS: u32 = 24;
/// At most so many columns.
const COLUMNS: usize = 2000;
/// What silence reads.
const FLOOR_DB: f32 = -140.0;

/// Gathers columns from the spectra of successive frames.
pub struct Gatherer {
    rows: Vec<GroundRow>,
    /// Frames in a column.
    frames: usize,
    /// Powers of the column that is being gathered, and of how many frames.
    sums: Vec<f64>,
    gathered: usize,
    ground: Ground,
}

/// A row: its edges, and which spectra it is read from, with shares that add up to 1.
struct GroundRow {
    low: f64,
    high: f64,
    from: [(usize, f64); 2],
}

impl Gatherer {
    /// `borders` are the frequencies at which the next spectrum takes over from the one before.
    pub fn new(rate: f64, frames: usize, hop: f64, borders: [f64; 2]) -> Self {
        let high = HIGH_HZ.min(rate / 2.0);
        let count = if high > LOW_HZ { ((high / LOW_HZ).log2() * f64::from(ROWS)).floor() as usize + 1 } else { 0 };
        let rows: Vec<GroundRow> = (0..count)
            .map(|row| {
                let hz = LOW_HZ * (row as f64 / f64::from(ROWS)).exp2();
                let half = (0.5 / f64::from(ROWS)).exp2();
                GroundRow { low: hz / half, high: hz * half, from: blend(hz, borders) }
            })
            .collect();
        let together = frames.div_ceil(COLUMNS).max(1);
        let ground = Ground {
            step_seconds: hop * together as f64,
            low_hz: LOW_HZ,
            rows_per_octave: ROWS,
            rows: rows.len(),
            db: Vec::with_capacity(frames.div_ceil(together) * rows.len()),
        };
        Self { sums: vec![0.0; rows.len()], rows, frames: together, gathered: 0, ground }
    }

    /// Takes the next frame's spectra, from the lowest to the highest band's.
    pub fn take(&mut self, spectra: [&Frames; 3]) {
        for (row, sum) in self.rows.iter().zip(&mut self.sums) {
            let power = |which: usize| highest(spectra[which], row.low, row.high).max(1e-14);
            let [(one, share), (other, rest)] = row.from;
            *sum += if rest == 0.0 { power(one) } else { power(one).powf(share) * power(other).powf(rest) };
        }
        self.gathered += 1;
        if self.gathered == self.frames {
            self.close();
        }
    }

    /// What all of it came to.
    pub fn finish(mut self) -> Ground {
        if self.gathered > 0 {
            self.close();
        }
        self.ground
    }

    fn close(&mut self) {
        for sum in &mut self.sums {
            self.ground.db.push((10.0 * (*sum / self.gathered as f64).log10()).max(f64::from(FLOOR_DB)) as f32);
            *sum = 0.0;
        }
        self.gathered = 0;
    }
}

/// Which spectra a frequency is read from: across a border one goes over into the next within two thirds of an octave.
fn blend(hz: f64, borders: [f64; 2]) -> [(usize, f64); 2] {
    for (which, border) in borders.into_iter().enumerate() {
        let x = (hz / border).log2() * 1.5 + 0.5;
        if x < 1.0 {
            let next = x.max(0.0);
            return [(which, 1.0 - next), (which + 1, next)];
        }
    }
    [(borders.len(), 1.0), (borders.len(), 0.0)]
}

/// The highest power between two frequencies.
fn highest(frames: &Frames, low: f64, high: f64) -> f64 {
    let last = frames.powers.len() - 1;
    let between = |hz: f64| {
        let x = hz / frames.bin_hz;
        let bin = x.floor() as usize;
        if bin >= last {
            return 0.0;
        }
        let share = x - bin as f64;
        (1.0 - share) * f64::from(frames.powers[bin]) + share * f64::from(frames.powers[bin + 1])
    };
    let (from, to) = ((low / frames.bin_hz).ceil() as usize, (high / frames.bin_hz).floor() as usize);
    let to = (to + 1).min(last + 1);
    let inside = if from < to { partials::highest(&frames.powers[from..to]) } else { 0.0 };
    f64::from(inside).max(between(low)).max(between(high))
}
