//! Sines, summed over one cell.

use crate::CELL;

/// One sine's course over a cell: from `turns` on at `frequency` periods per sample, which changes by `2 × bend` per
/// sample; its amplitude goes evenly from `from` to `to`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Course {
    /// Phase of a cosine at the first sample, −1…1.
    pub turns: f32,
    pub frequency: f32,
    pub bend: f32,
    /// Amplitude at the first sample, and its change per sample.
    pub amplitude: f32,
    pub slope: f32,
}

/// Adds a sine to a cell's sum.
///
/// The sine is an odd polynomial of degree 9 over half a turn to either side, within −104 dB; no branch and no call, so
/// the compiler makes vectors of it.
#[inline]
pub(crate) fn add(course: Course, sum: &mut [f32; CELL as usize]) {
    // A cosine is a sine a quarter turn on.
    let start = course.turns + 0.25;
    for (i, sum) in sum.iter_mut().enumerate() {
        let i = i as f32;
        let turns = start + i * (course.frequency + i * course.bend);
        *sum += sine(turns) * (course.amplitude + i * course.slope);
    }
}

/// sin(2π × turns), for turns of a few thousand at most.
#[inline]
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
