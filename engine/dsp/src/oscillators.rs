//! Sines, summed over one cell.

use crate::CELL;
use crate::model::SLOTS;

/// The courses of sines over a cell: from `turns` on at `frequency` periods per sample, which changes by `2 × bend` per
/// sample; the amplitude changes by `slope` per sample.
#[derive(Clone, Debug)]
pub(crate) struct Courses {
    /// Phases of a cosine at the first sample, −1…1.
    pub turns: [f32; SLOTS],
    pub frequency: [f32; SLOTS],
    pub bend: [f32; SLOTS],
    pub amplitude: [f32; SLOTS],
    pub slope: [f32; SLOTS],
    pub count: usize,
}

impl Courses {
    pub fn new() -> Self {
        let nothing = [0.0; SLOTS];
        Self { turns: nothing, frequency: nothing, bend: nothing, amplitude: nothing, slope: nothing, count: 0 }
    }

    /// Adds all sines to a cell's sum.
    ///
    /// The sine is an odd polynomial of degree 9 over half a turn to either side, within −104 dB; there is no branch and
    /// no call in the loop, so that the compiler makes vectors of it.
    #[inline(always)]
    pub fn add(&self, sum: &mut [f32; CELL as usize]) {
        let mut all = *sum;
        for course in 0..self.count.min(SLOTS) {
            // A cosine is a sine a quarter turn on.
            let start = self.turns[course] + 0.25;
            let (frequency, bend) = (self.frequency[course], self.bend[course]);
            let (amplitude, slope) = (self.amplitude[course], self.slope[course]);
            for (i, sum) in all.iter_mut().enumerate() {
                let i = i as f32;
                *sum += sine(start + i * (frequency + i * bend)) * (amplitude + i * slope);
            }
        }
        *sum = all;
    }
}

/// sin(2π × turns), for turns of a few thousand at most.
#[inline(always)]
fn sine(turns: f32) -> f32 {
    // Adding and taking away 1.5 × 2^23 rounds to whole turns.
    const ROUND: f32 = 12_582_912.0;
    let x = turns - ((turns + ROUND) - ROUND);
    let y = x * x;
    let [a, b, c, d, e] = SINE;
    x * (a + y * (b + y * (c + y * (d + y * e))))
}

/// sin(2πx)/x over −1/2…1/2 as a polynomial in x², fitted for the least greatest error of the sine.
const SINE: [f32; 5] = [6.283_055_8, -41.331_215, 81.366_814, -74.478_004, 32.781_4];
