//! Sines, summed over one cell.

use crate::CELL;
use pulp::{Arch, Simd, WithSimd};

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

impl Course {
    /// Silence.
    pub const NONE: Self = Self { turns: 0.0, frequency: 0.0, bend: 0.0, amplitude: 0.0, slope: 0.0 };
}

/// Sums sines by the widest vectors that the processor has.
///
/// The sine is an odd polynomial of degree 9 over half a turn to either side, within −104 dB; there is no branch and no
/// call in the loop, so that the compiler makes vectors of it, for each kind of processor by itself.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Oscillators {
    arch: Arch,
}

impl Oscillators {
    pub fn new() -> Self {
        Self { arch: Arch::new() }
    }

    /// Adds all courses to a cell's sum.
    pub fn add(&self, courses: &[Course], sum: &mut [f32; CELL as usize]) {
        self.arch.dispatch(Add { courses, sum });
    }
}

struct Add<'a> {
    courses: &'a [Course],
    sum: &'a mut [f32; CELL as usize],
}

impl WithSimd for Add<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _simd: S) {
        let mut sum = *self.sum;
        for course in self.courses {
            // A cosine is a sine a quarter turn on.
            let start = course.turns + 0.25;
            for (i, sum) in sum.iter_mut().enumerate() {
                let i = i as f32;
                let turns = start + i * (course.frequency + i * course.bend);
                *sum += sine(turns) * (course.amplitude + i * course.slope);
            }
        }
        *self.sum = sum;
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
