//! Real transforms whose lengths were fixed when they were made.
//!
//! Such a transform can fail in one way only: its slices have other lengths than its plan. Whoever made all of them for one
//! plan need not ask; should they ever differ, what comes of it is silence.

use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, FftError, RealToComplex};

/// The spectrum of a frame, which is used up.
#[inline]
pub(crate) fn forward(
    plan: &dyn RealToComplex<f32>,
    frame: &mut [f32],
    spectrum: &mut [Complex32],
    scratch: &mut [Complex32],
) {
    if plan.process_with_scratch(frame, spectrum, scratch).is_err() {
        spectrum.fill(Complex32::ZERO);
    }
}

/// The frame of a spectrum, which is used up. What its first and last bin hold beside the real axis is taken for 0.
#[inline]
pub(crate) fn inverse(
    plan: &dyn ComplexToReal<f32>,
    spectrum: &mut [Complex32],
    frame: &mut [f32],
    scratch: &mut [Complex32],
) {
    match plan.process_with_scratch(spectrum, frame, scratch) {
        // The frame is made all the same.
        Ok(()) | Err(FftError::InputValues(..)) => {}
        Err(_) => frame.fill(0.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use realfft::RealFftPlanner;

    #[test]
    fn there_and_back_a_frame_is_what_it_was_times_its_length() {
        let (there, back) = (RealFftPlanner::new().plan_fft_forward(64), RealFftPlanner::new().plan_fft_inverse(64));
        let (mut spectrum, mut scratch) = (there.make_output_vec(), vec![Complex32::ZERO; 256]);
        let sound: Vec<f32> = (0..64).map(|i| (i as f32 * 0.7).sin()).collect();
        let mut frame = sound.clone();
        forward(&*there, &mut frame, &mut spectrum, &mut scratch);
        // As a step of an effect may leave it.
        spectrum[0].im = 3.0;
        inverse(&*back, &mut spectrum, &mut frame, &mut scratch);
        assert!(frame.iter().zip(&sound).all(|(y, x)| (y / 64.0 - x).abs() < 1e-6), "{frame:?}");
    }

    #[test]
    fn of_other_lengths_nothing_sounds() {
        let (there, back) = (RealFftPlanner::new().plan_fft_forward(64), RealFftPlanner::new().plan_fft_inverse(64));
        let (mut spectrum, mut scratch) = (vec![Complex32::ONE; 33], vec![Complex32::ZERO; 256]);
        forward(&*there, &mut [1.0; 63], &mut spectrum, &mut scratch);
        assert_eq!(spectrum, vec![Complex32::ZERO; 33]);
        let mut frame = [1.0; 62];
        inverse(&*back, &mut spectrum, &mut frame, &mut scratch);
        assert_eq!(frame, [0.0; 62]);
    }
}
