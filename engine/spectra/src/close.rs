//! Partials that lie closer than the plain windows tell apart.
//!
//! Such a pair beats. A long window shows it as two lines, but it shows a vibrato as lines as well, one on each side, and
//! a tremolo too. So two lines of the long window count as two partials only where the plain window's partial beats as
//! strongly as two partials of these levels do, and where no third line stands near. So three partials that lie so close
//! count as one that is modulated.

use crate::study::{Kept, window};

/// Long enough to tell lines 6 Hz apart.
pub const WINDOW_SECONDS: f64 = 0.64;
/// From here on the plain windows tell semitones apart.
pub const HIGHEST_HZ: f64 = 420.0;
/// Lines closer than this many times 1 / window are one lobe.
const NEAREST: f32 = 2.6;
/// A line so much weaker than the other makes no beat to speak of, as a ratio of amplitudes.
const WEAKEST: f32 = 0.05;
/// A line is looked at when it is so sure.
const SURE: f32 = 0.85;
/// So much of the beat that two lines would make must be there.
const BEAT: f32 = 0.5;
/// A third line so near, as a multiple of the pair's distance, and no weaker than this, as a ratio of amplitudes, makes them
/// a modulation.
const AROUND: f32 = 1.2;
const THIRD: f32 = 0.15;

/// What a course is on the whole.
struct CloseLine {
    hz: f32,
    amplitude: f32,
    first: usize,
    end: usize,
}

fn line(kept: &Kept) -> CloseLine {
    let peaks = &kept.course.peaks;
    let count = peaks.len() as f32;
    CloseLine {
        hz: peaks.iter().map(|p| p.hz).sum::<f32>() / count,
        amplitude: (peaks.iter().map(|p| p.amplitude * p.amplitude).sum::<f32>() / count).sqrt(),
        first: kept.course.first,
        end: kept.course.end(),
    }
}

/// Puts lines of the long window in the place of courses that are really pairs of them.
pub fn resolve(mut plain: Vec<Kept>, fine: Vec<Kept>, hop: f64) -> Vec<Kept> {
    let least = (WINDOW_SECONDS / hop) as usize;
    let sure = |k: &Kept| k.sure.iter().sum::<f32>() / k.sure.len() as f32 >= SURE;
    let all: Vec<CloseLine> = fine.iter().map(line).collect();
    let mut fine: Vec<Kept> = fine.into_iter().filter(|k| k.course.peaks.len() >= least && sure(k)).collect();
    fine.sort_by(|a, b| line(a).hz.total_cmp(&line(b).hz));
    let lines: Vec<CloseLine> = fine.iter().map(line).collect();
    let mut wanted = vec![false; fine.len()];
    for i in 0..lines.len() {
        for j in i + 1..lines.len() {
            if pair(&lines, &all, i, j, &plain, least) {
                (wanted[i], wanted[j]) = (true, true);
            }
        }
    }
    let chosen: Vec<&CloseLine> =
        lines.iter().zip(&wanted).filter(|(_, wanted)| **wanted).map(|(line, _)| line).collect();
    plain.retain(|kept| {
        let own = line(kept);
        let reach = 1.5 / window(own.hz);
        let near = chosen.iter().filter(|line| (line.hz - own.hz).abs() < reach);
        let replaced = near.map(|line| own.end.min(line.end).saturating_sub(own.first.max(line.first))).max();
        2 * replaced.unwrap_or(0) < own.end - own.first
    });
    plain.extend(fine.into_iter().zip(wanted).filter(|(_, wanted)| *wanted).map(|(kept, _)| kept));
    plain
}

/// Whether two lines are two partials that the plain window shows as one.
fn pair(lines: &[CloseLine], all: &[CloseLine], i: usize, j: usize, plain: &[Kept], least: usize) -> bool {
    let (a, b) = (&lines[i], &lines[j]);
    let apart = b.hz - a.hz;
    let (from, to) = (a.first.max(b.first), a.end.min(b.end));
    let ratio = (a.amplitude / b.amplitude).min(b.amplitude / a.amplitude);
    let seen = window(a.hz);
    if apart < NEAREST / WINDOW_SECONDS as f32 || apart > 4.0 / seen || from + least > to || ratio < WEAKEST {
        return false;
    }
    let weaker = a.amplitude.min(b.amplitude);
    let (low, high) = (a.hz - AROUND * apart, b.hz + AROUND * apart);
    let modulated = all.iter().any(|other| {
        let together = other.end.min(to).saturating_sub(other.first.max(from));
        let own = (other.hz - a.hz).abs() < 0.01 || (other.hz - b.hz).abs() < 0.01;
        !own && 2 * together > to - from && other.hz > low && other.hz < high && other.amplitude > THIRD * weaker
    });
    if modulated {
        return false;
    }
    let reach = 1.0 / seen;
    let mut amplitudes = vec![Vec::new(); to - from];
    for kept in plain {
        let (first, end) = (kept.course.first.max(from), kept.course.end().min(to));
        for frame in first..end {
            let peak = &kept.course.peaks[frame - kept.course.first];
            if peak.hz > a.hz - reach && peak.hz < b.hz + reach {
                amplitudes[frame - from].push(peak.amplitude);
            }
        }
    }
    let resolved = amplitudes.iter().filter(|a| a.len() >= 2).count();
    if 2 * resolved > to - from {
        return false;
    }
    let heard: Vec<f32> = amplitudes.iter().map(|a| a.iter().copied().fold(0.0, f32::max)).collect();
    let mean = heard.iter().sum::<f32>() / heard.len() as f32;
    let spread = (heard.iter().map(|x| (x - mean).powi(2)).sum::<f32>() / heard.len() as f32).sqrt();
    // Amplitudes 1 and r beat between 1 - r and 1 + r, so far as the window's lobe, which is nearly a Gaussian curve, takes
    // in the one with the other.
    let lobe = (-0.39 * (apart * seen).powi(2)).exp();
    mean <= 0.0 || 2f32.sqrt() * spread / mean >= BEAT * ratio * lobe
}
