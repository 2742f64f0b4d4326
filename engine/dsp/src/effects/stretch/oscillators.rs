//! Sines, summed over one cell.

use super::model::SLOTS;
use crate::CELL;
use pulp::Simd;

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
    /// Oscillators that stand still.
    pub fn new() -> Self {
        let nothing = [0.0; SLOTS];
        Self { turns: nothing, frequency: nothing, bend: nothing, amplitude: nothing, slope: nothing, count: 0 }
    }

    /// Adds all sines to a cell's sum.
    ///
    /// The sine is an odd polynomial of degree 9 over half a turn to either side, within −104 dB.
    #[inline(always)]
    pub fn add<S: Simd>(&self, simd: S, sum: &mut [f32; CELL as usize]) {
        let (sums, _) = S::as_mut_simd_f32s(sum);
        let (places, _) = S::as_simd_f32s(&PLACES);
        let splat = |x: f32| simd.splat_f32s(x);
        let [a, b, c, d, e] = SINE.map(splat);
        let round = splat(ROUND);
        let ways = self.turns.iter().zip(&self.frequency).zip(&self.bend);
        let courses = ways.zip(self.amplitude.iter().zip(&self.slope)).take(self.count);
        for (((&turns, &frequency), &bend), (&amplitude, &slope)) in courses {
            // A cosine is a sine a quarter turn on.
            let start = splat(turns + 0.25);
            let (frequency, bend) = (splat(frequency), splat(bend));
            let (amplitude, slope) = (splat(amplitude), splat(slope));
            for (sum, &i) in sums.iter_mut().zip(places) {
                let turns = simd.mul_add_e_f32s(i, simd.mul_add_e_f32s(i, bend, frequency), start);
                let whole = simd.sub_f32s(simd.add_f32s(turns, round), round);
                let x = simd.sub_f32s(turns, whole);
                let y = simd.mul_f32s(x, x);
                let p = simd.mul_add_e_f32s(y, e, d);
                let p = simd.mul_add_e_f32s(y, p, c);
                let p = simd.mul_add_e_f32s(y, p, b);
                let p = simd.mul_add_e_f32s(y, p, a);
                let x = simd.mul_f32s(x, simd.mul_add_e_f32s(i, slope, amplitude));
                *sum = simd.mul_add_e_f32s(p, x, *sum);
            }
        }
    }
}

/// The samples of a cell.
#[expect(clippy::indexing_slicing, reason = "the compiler works it out, and would say so")]
const PLACES: [f32; CELL as usize] = {
    let mut places = [0.0; CELL as usize];
    let mut i = 0;
    while i < CELL as usize {
        places[i] = i as f32;
        i += 1;
    }
    places
};

/// Adding and taking away 1.5 × 2^23 rounds to whole turns.
const ROUND: f32 = 12_582_912.0;

/// sin(2πx)/x over −1/2…1/2 as a polynomial in x², fitted for the least greatest error of the sine.
const SINE: [f32; 5] = [6.283_056, -41.331_215, 81.366_81, -74.478_004, 32.781_4];
