//! Sung vowels, made from a source and resonances.

use std::f64::consts::{PI, TAU};

/// A vowel: the fundamental that it was measured at, and its formants.
pub struct Vowel {
    pub name: &'static str,
    pub fundamental: f64,
    pub formants: [f64; 4],
}

/// Means of Hillenbrand, Getty, Clark and Wheeler, Journal of the Acoustical Society of America 97 (1995), steady state.
pub const MEN: [Vowel; 12] = vowels(
    [139., 136., 129., 127., 126., 127., 125., 130., 133., 144., 129., 131.],
    [
        [343., 2323., 3001., 3658.], [429., 2034., 2687., 3628.], [476., 2090., 2692., 3649.], [588., 1803., 2604., 3699.],
        [591., 1930., 2595., 3642.], [756., 1309., 2535., 3684.], [656., 1023., 2521., 3520.], [498., 910., 2459., 3384.],
        [469., 1123., 2435., 3401.], [380., 992., 2355., 3378.], [621., 1181., 2548., 3564.], [475., 1379., 1711., 3335.],
    ],
);
pub const WOMEN: [Vowel; 12] = vowels(
    [227., 225., 220., 213., 214., 212., 214., 218., 230., 236., 218., 218.],
    [
        [437., 2761., 3373., 4353.], [484., 2369., 3057., 4333.], [535., 2526., 3050., 4308.], [727., 2063., 2953., 4312.],
        [676., 2335., 2973., 4315.], [921., 1526., 2832., 4291.], [804., 1188., 2824., 3946.], [555., 1036., 2828., 3928.],
        [519., 1229., 2829., 4061.], [460., 1106., 2735., 4116.], [760., 1416., 2901., 4133.], [524., 1588., 1930., 3914.],
    ],
);
pub const CHILDREN: [Vowel; 12] = vowels(
    [246., 240., 238., 230., 229., 231., 232., 238., 242., 247., 234., 237.],
    [
        [452., 3082., 3702., 4572.], [513., 2556., 3409., 4569.], [565., 2649., 3323., 4420.], [740., 2279., 3297., 4651.],
        [718., 2497., 3289., 4429.], [992., 1689., 2937., 4279.], [836., 1303., 2951., 4017.], [599., 1140., 3006., 4187.],
        [571., 1506., 3076., 4305.], [493., 1404., 2992., 4268.], [738., 1538., 3126., 4301.], [586., 1721., 2154., 3794.],
    ],
);

const fn vowels(fundamentals: [f64; 12], formants: [[f64; 4]; 12]) -> [Vowel; 12] {
    const NAMES: [&str; 12] = ["iy", "ih", "ei", "eh", "ae", "ah", "aw", "oa", "oo", "uw", "uh", "er"];
    const NONE: Vowel = Vowel { name: "", fundamental: 0.0, formants: [0.0; 4] };
    let mut all = [NONE; 12];
    let mut i = 0;
    while i < 12 {
        all[i] = Vowel { name: NAMES[i], fundamental: fundamentals[i], formants: formants[i] };
        i += 1;
    }
    all
}

/// Sings a vowel: pulses of a glottis that is open for six tenths of a period (the derivative of t² - t³: Klatt and Klatt,
/// Journal of the Acoustical Society of America 87, 1990), softened by a pole at 2 kHz, through resonators in a chain (Klatt,
/// Journal of the Acoustical Society of America 67, 1980), of which two more stand above the measured ones.
pub fn sing(vowel: &[f64], seconds: f64, rate: u32, fundamental: impl Fn(f64) -> f64) -> Vec<f32> {
    // Pulses are made at four times the rate, since they close abruptly.
    const OVER: usize = 4;
    let fast = f64::from(rate) * OVER as f64;
    let mut phase = 0.0;
    let soft = (-TAU * 2000.0 / fast).exp();
    let mut level = 0.0;
    let pulses: Vec<f64> = (0..(seconds * fast) as usize)
        .map(|n| {
            phase = (phase + fundamental(n as f64 / fast) / fast) % 1.0;
            let t = phase / 0.6;
            let flow = if t < 1.0 { 2.0 * t - 3.0 * t * t } else { 0.0 };
            level = soft * level + (1.0 - soft) * flow;
            level
        })
        .collect();
    let spacing = 1.3 * vowel[vowel.len() - 1];
    let higher = [spacing, 1.28 * spacing];
    let mut sound: Vec<f64> = pulses;
    for &hz in vowel.iter().chain(&higher) {
        let width = 50.0 + hz / 25.0;
        let c = -(-2.0 * PI * width / fast).exp();
        let b = 2.0 * (-PI * width / fast).exp() * (TAU * hz / fast).cos();
        let a = 1.0 - b - c;
        let (mut y1, mut y2) = (0.0, 0.0);
        for x in &mut sound {
            let y = a * *x + b * y1 + c * y2;
            (y2, y1) = (y1, y);
            *x = y;
        }
    }
    let loudest = sound.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    // The resonators leave next to nothing above half of the rate.
    sound.iter().step_by(OVER).map(|x| (0.4 * x / loudest) as f32).collect()
}
