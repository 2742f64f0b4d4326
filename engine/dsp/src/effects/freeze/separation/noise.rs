//! What of a span's spectrum is noise, and how much is left for the partials.

use super::{GROUP, Separation};

impl Separation {
    /// Sums the power outside the partials.
    pub(super) fn gather_noise(&mut self, from: usize) {
        let zone = self.zone;
        for cell in from..(from + 400).min(self.levels.len()) {
            let (low, high) = ((cell * GROUP) as f64 - 0.5, (cell * GROUP + GROUP) as f64 - 0.5);
            while self.lines.get(self.next).is_some_and(|l| self.next < self.count && l.place + zone < low) {
                self.next += 1;
            }
            let taken = self.next < self.count && self.lines.get(self.next).is_some_and(|l| l.place - zone < high);
            let bins = self.spectrum.power.get(cell * GROUP..).unwrap_or_default();
            let bins = bins.get(..GROUP.min(bins.len())).unwrap_or_default();
            let (sum, count) =
                if taken { (0.0, 0) } else { (bins.iter().map(|&p| f64::from(p)).sum(), bins.len() as u32) };
            let (before, bins) =
                (self.sums.get(cell).copied().unwrap_or(0.0), self.bins.get(cell).copied().unwrap_or(0));
            if let (Some(s), Some(b)) = (self.sums.get_mut(cell + 1), self.bins.get_mut(cell + 1)) {
                (*s, *b) = (before + sum, bins + count);
            }
        }
    }

    /// The noise's density around a place, in bins.
    fn density(&self, place: f64, reach: f64) -> f64 {
        let last = self.sums.len() - 1;
        let mut reach = reach / GROUP as f64;
        let place = place / GROUP as f64;
        for _ in 0..6 {
            let low = ((place - reach).max(0.0) as usize).min(last);
            let high = ((place + reach).max(0.0) as usize + 1).min(last);
            let of = |i: usize| (self.sums.get(i).copied().unwrap_or(0.0), self.bins.get(i).copied().unwrap_or(0));
            let (a, b) = (of(low), of(high));
            if b.1 >= a.1 + 2 * GROUP as u32 {
                return ((b.0 - a.0) / f64::from(b.1 - a.1)).max(0.0);
            }
            reach *= 2.0;
        }
        0.0
    }

    /// The noise's density at the bins of the hold's frames: the mean over a sixth of an octave, or 60 Hz to both sides.
    pub(super) fn shape_noise(&mut self, from: usize) {
        let last = (self.noise.len() - 1).max(1);
        let scale = self.spectrum.size() as f64 / (2 * last) as f64;
        let least = self.bins(60.0);
        let end = self.spectrum.power.len() as f64;
        for bin in from..(from + 205).min(last + 1) {
            let place = bin as f64 * scale;
            let density = if place < end { self.density(place, least.max(0.0595 * place)) } else { 0.0 };
            if let Some(noise) = self.noise.get_mut(bin) {
                *noise = if density < 1e-20 { 0.0 } else { density as f32 };
            }
        }
    }

    /// The power and the directions of the partials: all energy around them that is not the noise's.
    pub(super) fn weigh_partials(&mut self, from: usize) {
        let least = self.bins(60.0);
        for i in from..(from + 20).min(self.count) {
            let Some(&line) = self.lines.get(i) else { break };
            let at = |i: usize| self.lines.get(i).filter(|_| i < self.count).map(|line| line.place);
            let low = i.checked_sub(1).and_then(at).map_or(0.0, |other| (other + line.place) / 2.0);
            let high = at(i + 1).map_or(f64::MAX, |other| (other + line.place) / 2.0);
            let low = (line.place - self.zone).max(low).ceil().max(0.0) as usize;
            let high = ((line.place + self.zone).min(high).floor() as usize + 1).min(self.spectrum.power.len());
            let bins = self.spectrum.power.get(low..high).unwrap_or_default();
            let all = f64::from(bins.iter().sum::<f32>());
            let noise = self.density(line.place, least.max(0.0595 * line.place)) * bins.len() as f64;
            let power = if all > 2.0 * noise { all - noise } else { 0.0 };
            let direction = self.spectrum.direction(line.place.round() as usize);
            if let Some(line) = self.lines.get_mut(i) {
                line.power = power * 2.0 / self.spectrum.size() as f64;
                line.direction = direction;
            }
        }
    }
}
