//! Which lines of a span's spectrum are its partials.

use super::{AT_ONCE, GROUP, LEVELS, Separation, SeparationPeak, SpectralLine};

/// How far over the floor a peak is surely a partial, and how far a harmonic's must be: 18 and 12 dB.
const CLEAR: f32 = 63.0;
const HARMONIC: f32 = 16.0;

impl Separation {
    /// The floor between the partials: the 30th percentile of the power over 1.2 times the pitch to both sides, which of
    /// noise lies at 0.357 of its mean.
    pub(super) fn find_floor(&mut self, from: usize) {
        let pitch = self.course.held() * self.spectrum.size() as f64;
        let reach = ((1.2 * pitch).max(self.bins(60.0)) / GROUP as f64) as usize;
        let last = self.levels.len();
        for place in from..(from + AT_ONCE).min(last) {
            let (enter, leave) = (place + reach, place.checked_sub(reach + 1));
            let entering = if place == 0 { 0..enter + 1 } else { enter..enter + 1 };
            for &level in self.levels.get(entering.start.min(last)..entering.end.min(last)).unwrap_or_default() {
                if let Some(count) = self.counts.get_mut(usize::from(level)) {
                    *count += 1;
                }
                self.counted += 1;
                self.below += u32::from(usize::from(level) < self.level);
            }
            if let Some(&level) = leave.and_then(|leave| self.levels.get(leave)) {
                if let Some(count) = self.counts.get_mut(usize::from(level)) {
                    *count = count.saturating_sub(1);
                }
                self.counted = self.counted.saturating_sub(1);
                self.below = self.below.saturating_sub(u32::from(usize::from(level) < self.level));
            }
            let wanted = self.counted * 3 / 10;
            let count = |level: usize| self.counts.get(level).copied().map_or(0, u32::from);
            while self.below > wanted && self.level > 0 {
                self.level -= 1;
                self.below -= count(self.level);
            }
            while self.below + count(self.level) <= wanted && self.level + 1 < LEVELS {
                self.below += count(self.level);
                self.level += 1;
            }
            if let Some(floor) = self.floor.get_mut(place) {
                *floor = power_of(self.level) / 0.357;
            }
        }
    }

    /// Peaks: local maxima 10 dB over the floor and less than 75 dB below the highest.
    pub(super) fn find_peaks(&mut self, from: usize) {
        let least = (self.top * 10f32.powf(-7.5)).max(1e-20);
        let power = &self.spectrum.power;
        for k in from.max(1)..(from + 1000).min(power.len().saturating_sub(1)) {
            let Some(&[a, b, c]) = power.get(k - 1..k + 2) else { break };
            if !((b > a) & (b >= c) & (b > least)) {
                continue;
            }
            let floor = self.floor.get(k / GROUP).copied().unwrap_or(f32::MAX).max(1e-24);
            if b < 10.0 * floor {
                continue;
            }
            let (a, l, c) = (a.max(1e-24).ln(), b.ln(), c.max(1e-24).ln());
            let bend = a - 2.0 * l + c;
            let shift = if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
            if let Some(peak) = self.peaks.get_mut(self.found) {
                *peak = SeparationPeak { place: k as f32 + shift, power: b, over: b / floor, gone: false };
                self.found += 1;
            }
        }
    }

    /// Half the main lobe of the window, in bins.
    fn lobe(&self) -> f64 {
        4.0 * self.spectrum.size() as f64 / self.length.max(1) as f64
    }

    /// A peak within a lobe of a higher one is its skirt.
    pub(super) fn prune(&mut self) {
        let near = (0.9 * self.lobe()) as f32;
        for i in 0..self.found {
            let Some(&peak) = self.peaks.get(i) else { break };
            let higher = |other: &SeparationPeak| other.power > peak.power && (other.place - peak.place).abs() < near;
            let close = |other: &&SeparationPeak| (other.place - peak.place).abs() < near;
            let after = self.peaks.iter().take(self.found).skip(i + 1).take_while(close).any(higher);
            let before = self.peaks.iter().take(i).rev().take_while(close).any(higher);
            if let Some(peak) = self.peaks.get_mut(i) {
                peak.gone = after || before;
            }
        }
        let mut kept = 0;
        for i in 0..self.found {
            if let Some(&peak) = self.peaks.get(i).filter(|peak| !peak.gone)
                && let Some(place) = self.peaks.get_mut(kept)
            {
                *place = peak;
                kept += 1;
            }
        }
        self.found = kept;
    }

    /// The peaks of harmonics, the strongest near each multiple of `pitch`: number, place, amplitude.
    fn harmonics(&self, pitch: f64) -> impl Iterator<Item = (f64, f64, f64)> + '_ {
        let number = move |peak: &SeparationPeak| (f64::from(peak.place) / pitch).round();
        let clear = move |peak: &&SeparationPeak| peak.over > CLEAR && number(peak) > 0.0;
        let mut peaks = self.peaks.iter().take(self.found).filter(clear).peekable();
        std::iter::from_fn(move || {
            let mut best = *peaks.next()?;
            while let Some(peak) = peaks.next_if(|peak| number(peak) == number(&best)) {
                if peak.power > best.power {
                    best = *peak;
                }
            }
            Some((number(&best), f64::from(best.place), f64::from(best.power).sqrt()))
        })
    }

    /// One note or several, and which partials.
    pub(super) fn decide(&mut self) {
        let lobe = self.lobe();
        let mut pitch = self.course.held() * self.spectrum.size() as f64;
        let mut one = pitch > 2.0 && self.course.harmonicity > 0.85;
        if one {
            for most in [6.0, 16.0, 40.0] {
                let (mut sum, mut squares) = (0.0, 0.0);
                for (number, place, amplitude) in self.harmonics(pitch) {
                    if number <= most && (place - number * pitch).abs() < 0.2 * pitch {
                        sum += amplitude * number * place;
                        squares += amplitude * number * number;
                    }
                }
                if squares > 0.0 {
                    pitch = sum / squares;
                }
            }
            let (mut off, mut all) = (0.0, 1e-30);
            for (number, place, amplitude) in self.harmonics(pitch) {
                off += amplitude * (place - number * pitch).abs() / pitch;
                all += amplitude;
            }
            one = off / all < 0.0065;
        }
        self.zone = lobe;
        self.pitch = 0.0;
        // Besides a note's harmonics only what is within 50 dB of the strongest, else within 65 dB.
        let least = if one { 1e-5 } else { 10f32.powf(-6.5) };
        let mut next = 1.0;
        if one {
            self.pitch = pitch;
            self.zone = lobe.max((pitch / 4.0).min(self.bins(50.0))).min(0.46 * pitch);
        }
        let end = self.spectrum.power.len() as f64 - lobe;
        self.count = 0;
        for i in 0..self.found {
            let Some(&peak) = self.peaks.get(i) else { break };
            let place = f64::from(peak.place);
            if place < 0.5 * lobe || place > end {
                continue;
            }
            if one {
                let number = (place / pitch).round();
                let off = (place - number * pitch).abs();
                if number >= next && off < self.zone && peak.over > HARMONIC {
                    // A harmonic has something of its own there.
                    self.push(number * pitch);
                    next = number + 1.0;
                    continue;
                }
                if off < self.zone.max(1.5 * lobe) {
                    continue;
                }
            }
            if peak.over > CLEAR && peak.power > least * self.top {
                self.push(place);
            }
        }
        let count = self.count;
        if let Some(lines) = self.lines.get_mut(..count) {
            lines.sort_unstable_by(|a, b| a.place.total_cmp(&b.place));
        }
    }

    fn push(&mut self, place: f64) {
        if let Some(line) = self.lines.get_mut(self.count) {
            *line = SpectralLine { place, ..SpectralLine::default() };
            self.count += 1;
        }
    }
}

pub(super) fn level_of(power: f32) -> u16 {
    ((rough_log2(power) + 80.0) * 4.0).clamp(0.0, (LEVELS - 1) as f32) as u16
}

fn power_of(level: usize) -> f32 {
    // The inverse of the rough logarithm.
    let log2 = level as f32 / 4.0 - 80.0 + 0.125;
    f32::from_bits(((log2 + 127.0).max(0.0) * (1 << 23) as f32) as u32)
}

/// The base-2 logarithm, within 0.09, from the number's own bits; about −127 for 0.
fn rough_log2(power: f32) -> f32 {
    power.to_bits() as f32 / (1 << 23) as f32 - 127.0
}
