//! Making a sound ready: what is no number becomes silence, a steady offset goes, and a rate higher than hearing needs is
//! halved.

/// How many taps the halving filter has on each side of its middle. With [`KAISER`] it passes up to 0.188 of the rate and
/// is 90 dB down from 0.312 on (Kaiser's design rule, as in Oppenheim and Schafer, Discrete-Time Signal Processing, 7.5).
const TAPS: usize = 23;
/// The shape of the filter's window.
const KAISER: f64 = 8.96;
/// Above this rate all that is heard fits into half of it.
const HIGH_RATE: f64 = 88_000.0;

/// Samples and how many of them there are in a second.
#[derive(Clone, Debug)]
pub struct RatedSound {
    pub samples: Vec<f32>,
    pub rate: f64,
}

/// The sound without offset and with silence for what is no number.
pub fn ready(samples: &[f32], rate: u32) -> RatedSound {
    let tame = |x: f32| if x.is_finite() { x.clamp(-1e6, 1e6) } else { 0.0 };
    let mean = samples.iter().map(|&x| f64::from(tame(x))).sum::<f64>() / samples.len().max(1) as f64;
    let samples = samples.iter().map(|&x| tame(x) - mean as f32).collect();
    RatedSound { samples, rate: f64::from(rate.max(1)) }
}

/// The sound at a rate below 88 kHz; `None`: it is at one.
pub fn audible(sound: &RatedSound) -> Option<RatedSound> {
    slow(sound, HIGH_RATE / 2.0)
}

/// The sound at the lowest rate, by halves, that is no lower than `least`; `None`: it is at that already.
pub fn slow(sound: &RatedSound, least: f64) -> Option<RatedSound> {
    let mut slow = (sound.rate / 2.0 >= least).then(|| halved(sound))?;
    while slow.rate / 2.0 >= least {
        slow = halved(&slow);
    }
    Some(slow)
}

/// Half the rate; sample `n` of it stands where sample `2n` stood.
fn halved(sound: &RatedSound) -> RatedSound {
    let taps = half_band();
    let x = &sound.samples;
    let at = |n: isize| usize::try_from(n).ok().and_then(|n| x.get(n)).map_or(0.0, |&x| f64::from(x));
    let samples = (0..x.len().div_ceil(2))
        .map(|n| {
            let n = 2 * n as isize;
            let odd: f64 = (0..taps.len())
                .map(|k| {
                    let far = 2 * k as isize + 1;
                    taps[k] * (at(n - far) + at(n + far))
                })
                .sum();
            (0.5 * at(n) + odd) as f32
        })
        .collect();
    RatedSound { samples, rate: sound.rate / 2.0 }
}

/// The odd taps of one side of a half-band filter (its even ones are 0 but for the middle, which is 1/2).
fn half_band() -> Vec<f64> {
    let odd = (1..=TAPS).step_by(2).map(|k| {
        let k = k as f64;
        let sinc = (std::f64::consts::FRAC_PI_2 * k).sin() / (std::f64::consts::PI * k);
        let r = k / (TAPS + 1) as f64;
        sinc * bessel((KAISER * (1.0 - r * r).sqrt()).abs()) / bessel(KAISER)
    });
    let taps: Vec<f64> = odd.collect();
    // A steady value passes as it is: both sides together make the other half.
    let sum: f64 = taps.iter().sum();
    taps.iter().map(|t| t * 0.25 / sum).collect()
}

/// The modified Bessel function of the first kind and order 0, by its series.
fn bessel(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..60 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
    }
    sum
}
