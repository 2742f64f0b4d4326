//! The engine's own times, in samples of its rate.

/// The times that are the same for every effect.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Timings {
    /// Samples a second.
    pub rate: u32,
    /// The shortest time in which a smoothed value follows its controller: 20 ms.
    pub glide: u32,
    /// The time in which an effect ends when its controller's `fall` says nothing: 30 ms.
    pub end: u32,
    /// The fade at the very beginning of a sound: 10 ms.
    pub attack: u32,
    /// The time in which whatever is in the way is faded out: 20 ms.
    pub hurry: u32,
    /// The time in which an effect that broke is let down from its last sample: 4 ms, inside the 5 ms that are promised.
    pub down: u32,
    /// The time in which the slope that it had then is gone: 0.5 ms.
    pub flat: u32,
    /// The time in which hush silences everything: 150 ms, inside the 200 ms that are promised.
    pub hush: u32,
    /// The greatest change of a level from one sample to the next: from nothing to all in 10 ms.
    pub level_step: f32,
    /// The least time between two actions of `next`, `back` or `hush`: 400 ms.
    pub again: u64,
    /// The time in which the contacts of a switch come to rest: 25 ms. Common practice, no source; measurements of many
    /// switches (Ganssle, A Guide to Debouncing, from memory) found under 10 ms for nearly all.
    pub bounce: u64,
    /// The time for which the greater part of a fine value waits for the other: 5 ms. On a MIDI cable (31,250 bits a
    /// second, MIDI 1.0) the next message takes 1 ms, and others may come between.
    pub pair: u64,
    /// Cells between two steps of a live level: a glide, rounded up.
    pub level_cells: u64,
    /// Cells between two meter readings: about 30 a second.
    pub reading_cells: u64,
}

impl Timings {
    /// Those at `rate` samples a second.
    pub fn new(rate: u32) -> Self {
        let samples = |seconds: f64| ((seconds * f64::from(rate)).round() as u32).max(1);
        Self {
            rate,
            glide: samples(0.020),
            end: samples(0.030),
            attack: samples(0.010),
            hurry: samples(0.020),
            down: samples(0.004),
            flat: samples(0.0005),
            hush: samples(0.150),
            level_step: 1.0 / samples(0.010) as f32,
            again: u64::from(samples(0.400)),
            bounce: u64::from(samples(0.025)),
            pair: u64::from(samples(0.005)),
            level_cells: u64::from(samples(0.020)).div_ceil(tenterhook_dsp::CELL),
            reading_cells: u64::from((rate / 30 / tenterhook_dsp::CELL as u32).max(1)),
        }
    }

    /// So many seconds in samples, at least 1.
    pub fn samples(&self, seconds: f64) -> u32 {
        (seconds * f64::from(self.rate)).round().clamp(1.0, f64::from(u32::MAX)) as u32
    }
}
