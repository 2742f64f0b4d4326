//! Recursive filters: Butterworth by the bilinear transform, run as second-order sections.
//!
//! Oppenheim and Schafer, "Discrete-Time Signal Processing", on Butterworth filters and the bilinear transform.

use std::f64::consts::PI;
use std::ops::{Add, Mul, Sub};

use rustfft::num_complex::Complex64;

use crate::RATE;

/// What a filter lets pass, in Hz.
#[derive(Clone, Copy, Debug)]
pub enum Pass {
    /// All below.
    Low(f64),
    /// All above.
    High(f64),
    /// All between.
    Band(f64, f64),
}

/// One second-order section: three coefficients over three, the first of the latter being 1.
#[derive(Clone, Copy, Debug)]
pub struct Section {
    /// Of the input, newest first.
    pub b: [f64; 3],
    /// Of the output before, newest first.
    pub a: [f64; 2],
}

/// A Butterworth filter of this order (a band has twice as many poles) at [`RATE`].
pub fn butterworth(order: usize, pass: Pass) -> Vec<Section> {
    let warp = |hz: f64| 2.0 * RATE * (PI * hz / RATE).tan();
    let prototype =
        (0..order).map(|k| Complex64::from_polar(1.0, PI * (2 * k + order + 1) as f64 / (2 * order) as f64));
    let (poles, reference): (Vec<Complex64>, f64) = match pass {
        Pass::Low(hz) => (prototype.map(|p| p * warp(hz)).collect(), 0.0),
        Pass::High(hz) => (prototype.map(|p| warp(hz) / p).collect(), RATE / 2.0),
        Pass::Band(low, high) => {
            let (low, high) = (warp(low), warp(high));
            let (width, square) = (high - low, low * high);
            let split = |p: Complex64| {
                let half = p * width / 2.0;
                let root = (half * half - square).sqrt();
                [half + root, half - root]
            };
            (prototype.flat_map(split).collect(), (square.sqrt() / (2.0 * RATE)).atan() * RATE / PI)
        }
    };
    let digital: Vec<Complex64> = poles.iter().map(|p| (2.0 * RATE + p) / (2.0 * RATE - p)).collect();
    // Poles come in conjugate pairs, but for one or two real ones.
    let mut sections: Vec<Section> = Vec::new();
    let zeros = |count: usize| match (pass, count) {
        (Pass::Low(_), 2) => [1.0, 2.0, 1.0],
        (Pass::Low(_), _) => [1.0, 1.0, 0.0],
        (Pass::High(_), 2) => [1.0, -2.0, 1.0],
        (Pass::High(_), _) => [1.0, -1.0, 0.0],
        (Pass::Band(..), _) => [1.0, 0.0, -1.0],
    };
    for p in digital.iter().filter(|p| p.im > 1e-12) {
        sections.push(Section { b: zeros(2), a: [-2.0 * p.re, p.norm_sqr()] });
    }
    let real: Vec<f64> = digital.iter().filter(|p| p.im.abs() <= 1e-12).map(|p| p.re).collect();
    for pair in real.chunks(2) {
        sections.push(match *pair {
            [p, q] => Section { b: zeros(2), a: [-p - q, p * q] },
            _ => Section { b: zeros(1), a: [-pair[0], 0.0] },
        });
    }
    // Gain 1 where it passes most.
    for section in &mut sections {
        let gain = response(&[*section], reference).norm();
        section.b.iter_mut().for_each(|b| *b /= gain);
    }
    sections
}

/// What a filter makes of a sine of this frequency (Hz).
pub fn response(sections: &[Section], hz: f64) -> Complex64 {
    let z = Complex64::from_polar(1.0, -2.0 * PI * hz / RATE);
    let one = |s: &Section| (s.b[0] + z * (s.b[1] + z * s.b[2])) / (1.0 + z * (s.a[0] + z * s.a[1]));
    sections.iter().map(one).product()
}

/// The filtered sound, from rest. Real or complex.
pub fn filter<T>(sections: &[Section], x: &[T]) -> Vec<T>
where
    T: Copy + Default + Add<Output = T> + Sub<Output = T> + Mul<f64, Output = T>,
{
    let mut out = x.to_vec();
    for Section { b, a } in sections {
        let (mut one, mut two) = (T::default(), T::default());
        for x in &mut out {
            let y = *x * b[0] + one;
            one = *x * b[1] - y * a[0] + two;
            two = *x * b[2] - y * a[1];
            *x = y;
        }
    }
    out
}

/// Filtered forwards and backwards, so without delay. `pad` samples at each end are continued by turning them round the
/// end's value, as much as the filter rings.
pub fn both_ways(sections: &[Section], x: &[Complex64], pad: usize) -> Vec<Complex64> {
    let pad = pad.min(x.len().saturating_sub(1));
    let (Some(&first), Some(&last)) = (x.first(), x.last()) else { return Vec::new() };
    let before = x[1..=pad].iter().rev().map(|&x| first * 2.0 - x);
    let after = x[x.len() - 1 - pad..x.len() - 1].iter().rev().map(|&x| last * 2.0 - x);
    let long: Vec<_> = before.chain(x.iter().copied()).chain(after).collect();
    let mut out = filter(sections, &long);
    out.reverse();
    out = filter(sections, &out);
    out.reverse();
    out[pad..pad + x.len()].to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition of Butterworth: half the power at each edge, 1 in the pass band, and the order's slope.
    #[test]
    fn half_the_power_passes_at_the_edges() {
        for order in 1..=5 {
            for (pass, edges, inside) in [
                (Pass::Low(30.0), vec![30.0], 0.0),
                (Pass::High(4000.0), vec![4000.0], 24_000.0),
                (Pass::Band(900.0, 1100.0), vec![900.0, 1100.0], 995.0),
            ] {
                let filter = butterworth(order, pass);
                for edge in edges {
                    assert!((response(&filter, edge).norm() - 0.5f64.sqrt()).abs() < 1e-6, "{order} {pass:?} {edge}");
                }
                assert!((response(&filter, inside).norm() - 1.0).abs() < 1e-3, "{order} {pass:?}");
            }
        }
    }

    #[test]
    fn what_is_run_is_what_the_response_says() {
        let filter = butterworth(3, Pass::Band(500.0, 2000.0));
        let sine: Vec<f64> = (0..9600).map(|i| (2.0 * PI * 700.0 * i as f64 / RATE).sin()).collect();
        let out = super::filter(&filter, &sine);
        let peak = out[4800..].iter().fold(0.0f64, |most, x| most.max(x.abs()));
        assert!((peak - response(&filter, 700.0).norm()).abs() < 2e-3);
    }
}
