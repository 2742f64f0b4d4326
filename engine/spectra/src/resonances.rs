//! Fitting a chain of resonances to levels at given frequencies.
//!
//! Level in dB = gain + tilt · octaves + rise · (f / top)² + the resonances. Tilt is the source's and the radiation's, the
//! rise that of all resonances above `top`. What is known of voices in general goes in as expectations, so that few levels
//! do not lead astray: that of a tube closed at one end (quarter-wave resonances), widths and tilt from Fant (1960) and from
//! Hawks and Miller (Journal of the Acoustical Society of America 97, 1995), rounded. The most likely fit is sought by
//! Levenberg and Marquardt's method from the best of many beginnings.

/// The level of a harmonic.
#[derive(Clone, Copy, Debug)]
pub struct HarmonicLevel {
    pub hz: f64,
    pub db: f64,
    /// Which one.
    pub harmonic: usize,
}

/// A resonance as it was fitted.
#[derive(Clone, Copy, Debug)]
pub struct Resonance {
    pub hz: f64,
    pub bandwidth_hz: f64,
    /// The standard deviation of the logarithm of its frequency.
    pub spread: f64,
}

/// Resonances in the chain.
const COUNT: usize = 4;
/// Gain, tilt, rise; then logarithms of frequencies; then of widths.
const SIZE: usize = 3 + 2 * COUNT;
type Parameters = [f64; SIZE];

/// Resonances of a man's tube, 17.5 cm long, and how far vowels move them: standard deviations of logarithms.
const TUBE_HZ: [f64; COUNT] = [500.0, 1500.0, 2500.0, 3500.0];
const TUBE_SPREAD: [f64; COUNT] = [0.45, 0.40, 0.22, 0.10];
/// The width of a resonance at 0 Hz, and how it grows; and its spread.
const WIDTH_HZ: f64 = 60.0;
const WIDTH_GROWTH: f64 = 0.03;
const WIDTH_SPREAD: f64 = 0.5;
/// In dB an octave: -12 of the source and 6 of the radiation.
const TILT: [f64; 2] = [-6.0, 4.0];
/// In dB at the top, and its spread.
const RISE: [f64; 2] = [8.0, 12.0];
/// How far levels stray from any such chain, in dB; those of the first two harmonics more, since sources differ there.
const STRAY_DB: [f64; 3] = [3.0, 2.0, 1.5];
/// Neighbours are at least so far apart, as a ratio.
const APART: f64 = 1.12;
/// Levels below which there is nothing to fit.
const FEWEST: usize = 5;

/// Where the fit ends: between the fourth and the fifth resonance of who sings at this fundamental.
pub fn top(fundamental: f64) -> f64 {
    4000.0 * scale(fundamental)
}

/// How much shorter than a man's the tube is likely to be: higher voices have shorter ones. From the mean fundamentals and
/// formants of Hillenbrand and others (Journal of the Acoustical Society of America 97, 1995): 130 Hz and 1, 220 Hz and
/// 1.17, 240 Hz and 1.25.
fn scale(fundamental: f64) -> f64 {
    (fundamental / 130.0).powf(0.33).clamp(0.95, 1.25)
}

/// Fits the chain; `None`: there are too few levels.
pub fn fit(levels: &[HarmonicLevel], fundamental: f64, top: f64) -> Option<Vec<Resonance>> {
    if levels.len() < FEWEST {
        return None;
    }
    let task = Task { levels, top, tube: TUBE_HZ.map(|hz| (hz * scale(fundamental)).ln()) };
    let mut best: Option<(f64, Parameters)> = None;
    for start in task.starts() {
        let (parameters, cost) = task.descend(start);
        if best.is_none_or(|(least, _)| cost < least) {
            best = Some((cost, parameters));
        }
    }
    let (_, parameters) = best?;
    let spreads = task.spreads(&parameters);
    let mut found: Vec<Resonance> = (0..COUNT)
        .map(|i| Resonance {
            hz: parameters[3 + i].exp(),
            bandwidth_hz: parameters[3 + COUNT + i].exp(),
            spread: spreads[i],
        })
        .collect();
    found.sort_by(|a, b| a.hz.total_cmp(&b.hz));
    Some(found)
}

struct Task<'a> {
    levels: &'a [HarmonicLevel],
    top: f64,
    tube: [f64; COUNT],
}

/// A resonance's level at a frequency in dB, and its derivatives by the logarithms of its frequency and width.
fn resonance(f: f64, hz: f64, width: f64) -> [f64; 3] {
    const DB: f64 = 10.0 / std::f64::consts::LN_10;
    let half = 0.5 * width;
    let square = half * half;
    let (near, far, own) = ((f - hz).powi(2) + square, (f + hz).powi(2) + square, hz * hz + square);
    let level = DB * (2.0 * own.ln() - near.ln() - far.ln());
    let by_hz = DB * hz * (4.0 * hz / own + 2.0 * (f - hz) / near - 2.0 * (f + hz) / far);
    let by_width = DB * 2.0 * square * (2.0 / own - 1.0 / near - 1.0 / far);
    [level, by_hz, by_width]
}

fn usual_width(hz: f64) -> f64 {
    (WIDTH_HZ + WIDTH_GROWTH * hz).ln()
}

impl Task<'_> {
    fn stray(level: &HarmonicLevel) -> f64 {
        STRAY_DB[level.harmonic.clamp(1, STRAY_DB.len()) - 1]
    }

    /// The normal equations at a point: cost, gradient and curvature.
    fn normal(&self, p: &Parameters) -> (f64, Parameters, [[f64; SIZE]; SIZE]) {
        let (mut cost, mut gradient, mut curvature) = (0.0, [0.0; SIZE], [[0.0; SIZE]; SIZE]);
        for level in self.levels {
            let octaves = (level.hz / 1000.0).log2();
            let above = (level.hz / self.top).powi(2);
            let mut row = [0.0; SIZE];
            (row[0], row[1], row[2]) = (1.0, octaves, above);
            let mut value = p[0] + p[1] * octaves + p[2] * above;
            for i in 0..COUNT {
                let [db, by_hz, by_width] = resonance(level.hz, p[3 + i].exp(), p[3 + COUNT + i].exp());
                value += db;
                (row[3 + i], row[3 + COUNT + i]) = (by_hz, by_width);
            }
            let weight = 1.0 / Self::stray(level);
            let rest = (value - level.db) * weight;
            cost += rest * rest;
            let row = row.map(|x| x * weight);
            for (a, &x) in row.iter().enumerate() {
                gradient[a] += x * rest;
                for (sum, y) in curvature[a].iter_mut().zip(&row) {
                    *sum += x * y;
                }
            }
        }
        let mut expect = |index: usize, value: f64, spread: f64| {
            let rest = (p[index] - value) / spread;
            cost += rest * rest;
            gradient[index] += rest / spread;
            curvature[index][index] += 1.0 / (spread * spread);
        };
        expect(1, TILT[0], TILT[1]);
        expect(2, RISE[0], RISE[1]);
        for i in 0..COUNT {
            expect(3 + i, self.tube[i], TUBE_SPREAD[i]);
            expect(3 + COUNT + i, usual_width(p[3 + i].exp()), WIDTH_SPREAD);
        }
        for i in 1..COUNT {
            // Neighbours that come nearer than they may push each other away.
            let close = APART.ln() - (p[3 + i] - p[2 + i]);
            if close > 0.0 {
                let stiff = 1.0 / 0.03;
                cost += (close * stiff).powi(2);
                gradient[3 + i] -= close * stiff * stiff;
                gradient[2 + i] += close * stiff * stiff;
                curvature[3 + i][3 + i] += stiff * stiff;
                curvature[2 + i][2 + i] += stiff * stiff;
                curvature[3 + i][2 + i] -= stiff * stiff;
                curvature[2 + i][3 + i] -= stiff * stiff;
            }
        }
        (cost, gradient, curvature)
    }

    /// Beginnings: of a grid of frequencies those from which the levels are nearest.
    fn starts(&self) -> Vec<Parameters> {
        let at = |i: usize, x: f64| self.tube[i] + x * TUBE_SPREAD[i];
        let steps = |count: usize, reach: f64| {
            (0..count).map(move |n| reach * (2.0 * n as f64 / (count as f64 - 1.0) - 1.0)).collect::<Vec<_>>()
        };
        let mut starts: Vec<(f64, Parameters)> = Vec::new();
        for &a in &steps(9, 1.8) {
            for &b in &steps(11, 2.0) {
                for &c in &steps(7, 2.0) {
                    let mut p = [0.0; SIZE];
                    (p[3], p[4], p[5], p[6]) = (at(0, a), at(1, b), at(2, c), at(3, 0.0));
                    if p[4] - p[3] < APART.ln() || p[5] - p[4] < APART.ln() || p[6] - p[5] < 0.05 {
                        continue;
                    }
                    for i in 0..COUNT {
                        p[3 + COUNT + i] = usual_width(p[3 + i].exp());
                    }
                    let cost = self.level_out(&mut p);
                    starts.push((cost, p));
                }
            }
        }
        starts.sort_by(|a, b| a.0.total_cmp(&b.0));
        starts.truncate(12);
        starts.into_iter().map(|(_, p)| p).collect()
    }

    /// Sets gain, tilt and rise as they fit best with the resonances as they are, and tells the cost.
    fn level_out(&self, p: &mut Parameters) -> f64 {
        let mut matrix = [[0.0; 3]; 3];
        let mut right = [0.0; 3];
        let mut rests = Vec::with_capacity(self.levels.len());
        for level in self.levels {
            let weight = 1.0 / Self::stray(level);
            let row = [1.0, (level.hz / 1000.0).log2(), (level.hz / self.top).powi(2)].map(|x| x * weight);
            let chain: f64 = (0..COUNT).map(|i| resonance(level.hz, p[3 + i].exp(), p[3 + COUNT + i].exp())[0]).sum();
            let rest = (level.db - chain) * weight;
            for a in 0..3 {
                right[a] += row[a] * rest;
                for b in 0..3 {
                    matrix[a][b] += row[a] * row[b];
                }
            }
            rests.push((row, rest));
        }
        for (index, [value, spread]) in [(1, TILT), (2, RISE)] {
            matrix[index][index] += 1.0 / (spread * spread);
            right[index] += value / (spread * spread);
        }
        let Some(lower) = cholesky(&matrix) else { return f64::INFINITY };
        let solution = solve(&lower, right);
        p[..3].copy_from_slice(&solution);
        let misfit: f64 = rests
            .iter()
            .map(|(row, rest)| (row.iter().zip(&solution).map(|(r, s)| r * s).sum::<f64>() - rest).powi(2))
            .sum();
        let unusual: f64 = (0..COUNT).map(|i| ((p[3 + i] - self.tube[i]) / TUBE_SPREAD[i]).powi(2)).sum();
        misfit + unusual + ((solution[1] - TILT[0]) / TILT[1]).powi(2) + ((solution[2] - RISE[0]) / RISE[1]).powi(2)
    }

    /// Goes down to the nearest least cost.
    fn descend(&self, start: Parameters) -> (Parameters, f64) {
        let mut here = start;
        let (mut cost, mut gradient, mut curvature) = self.normal(&here);
        let mut damping = 0.03;
        for _ in 0..40 {
            let mut damped = curvature;
            for (i, row) in damped.iter_mut().enumerate() {
                row[i] *= 1.0 + damping;
            }
            let Some(lower) = cholesky(&damped) else { break };
            let step = solve(&lower, gradient);
            let mut next = here;
            for i in 0..SIZE {
                // No step in frequency or width goes farther than a fifth.
                let most = if i < 3 { f64::INFINITY } else { 0.2 };
                next[i] -= step[i].clamp(-most, most);
            }
            let (other, next_gradient, next_curvature) = self.normal(&next);
            if other < cost {
                let gained = cost - other;
                (here, cost, gradient, curvature) = (next, other, next_gradient, next_curvature);
                damping = (damping * 0.3).max(1e-6);
                if gained < 1e-6 * (1.0 + cost) {
                    break;
                }
            } else {
                damping *= 5.0;
                if damping > 1e6 {
                    break;
                }
            }
        }
        (here, cost)
    }

    /// The standard deviations of the logarithms of the frequencies, from the curvature at the least cost; larger where the
    /// levels stray more than expected.
    fn spreads(&self, p: &Parameters) -> [f64; COUNT] {
        let (cost, _, curvature) = self.normal(p);
        let astray = (cost / self.levels.len() as f64).max(1.0).sqrt();
        let Some(lower) = cholesky(&curvature) else { return [f64::INFINITY; COUNT] };
        std::array::from_fn(|i| {
            let mut unit = [0.0; SIZE];
            unit[3 + i] = 1.0;
            solve(&lower, unit)[3 + i].max(0.0).sqrt() * astray
        })
    }
}

/// The lower triangle whose square a matrix is; `None` if it has none.
fn cholesky<const N: usize>(matrix: &[[f64; N]; N]) -> Option<[[f64; N]; N]> {
    let mut lower = [[0.0; N]; N];
    for i in 0..N {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|k| lower[i][k] * lower[j][k]).sum();
            let rest = matrix[i][j] - sum;
            if i == j {
                if rest.is_nan() || rest <= 0.0 {
                    return None;
                }
                lower[i][i] = rest.sqrt();
            } else {
                lower[i][j] = rest / lower[j][j];
            }
        }
    }
    Some(lower)
}

/// Solves for the right side by the triangle and its mirror.
fn solve<const N: usize>(lower: &[[f64; N]; N], mut x: [f64; N]) -> [f64; N] {
    for i in 0..N {
        let sum: f64 = (0..i).map(|k| lower[i][k] * x[k]).sum();
        x[i] = (x[i] - sum) / lower[i][i];
    }
    for i in (0..N).rev() {
        let sum: f64 = (i + 1..N).map(|k| lower[k][i] * x[k]).sum();
        x[i] = (x[i] - sum) / lower[i][i];
    }
    x
}
