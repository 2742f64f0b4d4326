//! Sung vowels, made from a source and resonances.

use std::f64::consts::{PI, TAU};

/// A vowel: the fundamental that it was measured at, and its formants.
pub struct Vowel {
    pub fundamental: f64,
    pub formants: [f64; 4],
}

/// Means of Hillenbrand, Getty, Clark and Wheeler, Journal of the Acoustical Society of America 97 (1995), steady
/// state, in the order iy ih ei eh ae ah aw oa oo uw uh er.
#[rustfmt::skip]
pub const MEN: [Vowel; 12] = vowels(
    [139., 136., 129., 127., 126., 127., 125., 130., 133., 144., 129., 131.],
    [
        [343., 2323., 3001., 3658.], [429., 2034., 2687., 3628.], [476., 2090., 2692., 3649.], [588., 1803., 2604., 3699.],
        [591., 1930., 2595., 3642.], [756., 1309., 2535., 3684.], [656., 1023., 2521., 3520.], [498., 910., 2459., 3384.],
        [469., 1123., 2435., 3401.], [380., 992., 2355., 3378.], [621., 1181., 2548., 3564.], [475., 1379., 1711., 3335.],
    ],
);
#[rustfmt::skip]
pub const WOMEN: [Vowel; 12] = vowels(
    [227., 225., 220., 213., 214., 212., 214., 218., 230., 236., 218., 218.],
    [
        [437., 2761., 3373., 4353.], [484., 2369., 3057., 4333.], [535., 2526., 3050., 4308.], [727., 2063., 2953., 4312.],
        [676., 2335., 2973., 4315.], [921., 1526., 2832., 4291.], [804., 1188., 2824., 3946.], [555., 1036., 2828., 3928.],
        [519., 1229., 2829., 4061.], [460., 1106., 2735., 4116.], [760., 1416., 2901., 4133.], [524., 1588., 1930., 3914.],
    ],
);
#[rustfmt::skip]
pub const CHILDREN: [Vowel; 12] = vowels(
    [246., 240., 238., 230., 229., 231., 232., 238., 242., 247., 234., 237.],
    [
        [452., 3082., 3702., 4572.], [513., 2556., 3409., 4569.], [565., 2649., 3323., 4420.], [740., 2279., 3297., 4651.],
        [718., 2497., 3289., 4429.], [992., 1689., 2937., 4279.], [836., 1303., 2951., 4017.], [599., 1140., 3006., 4187.],
        [571., 1506., 3076., 4305.], [493., 1404., 2992., 4268.], [738., 1538., 3126., 4301.], [586., 1721., 2154., 3794.],
    ],
);

const fn vowels(fundamentals: [f64; 12], formants: [[f64; 4]; 12]) -> [Vowel; 12] {
    const NONE: Vowel = Vowel { fundamental: 0.0, formants: [0.0; 4] };
    let mut all = [NONE; 12];
    let mut i = 0;
    while i < 12 {
        all[i] = Vowel { fundamental: fundamentals[i], formants: formants[i] };
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

/// The fundamental and the formants of ten vowels.
type Measured = [(f64, [f64; 3]); 10];

/// A fourth formant, which was not measured (about the mean of those above), and fundamentals and formants of Peterson and
/// Barney, Journal of the Acoustical Society of America 24 (1952), Table II (the children's from copies that were not
/// compared with the print), in the order iy ih eh ae aa ao uh uw ah er.
#[rustfmt::skip]
pub const PETERSON_BARNEY: [(&str, f64, Measured); 3] = [
    ("men of 1952",
        3500.0, [
        (136., [270., 2290., 3010.]), (136., [390., 1990., 2550.]), (128., [530., 1840., 2480.]), (125., [660., 1720., 2410.]),
        (124., [730., 1090., 2440.]), (127., [570., 840., 2410.]), (136., [440., 1020., 2240.]), (139., [300., 870., 2240.]),
        (129., [640., 1190., 2390.]), (133., [490., 1350., 1690.]),
    ]),
    ("women of 1952",
        4200.0, [
        (231., [310., 2790., 3310.]), (232., [430., 2480., 3070.]), (220., [610., 2330., 2990.]), (208., [860., 2050., 2850.]),
        (212., [850., 1220., 2810.]), (217., [590., 920., 2710.]), (234., [470., 1160., 2680.]), (235., [370., 950., 2670.]),
        (223., [760., 1400., 2780.]), (219., [500., 1640., 1960.]),
    ]),
    ("children of 1952",
        4400.0, [
        (270., [370., 3200., 3730.]), (270., [530., 2730., 3600.]), (259., [690., 2610., 3570.]), (248., [1010., 2320., 3320.]),
        (258., [1030., 1370., 3170.]), (259., [680., 1060., 3180.]), (273., [560., 1410., 3310.]), (278., [430., 1170., 3260.]),
        (263., [850., 1590., 3360.]), (264., [560., 1820., 2160.]),
    ]),
];
