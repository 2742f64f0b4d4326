//! Which measures there are, what is good in each, and what counts as the same.

/// What a value should be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ideal {
    /// 0.
    Zero,
    /// 1.
    One,
    /// 1, and twice as bad as half.
    OneInOctaves,
    /// As low as may be.
    Lowest,
}

/// One measure of a table.
#[derive(Clone, Copy, Debug)]
pub struct Measure {
    /// Its name, with its unit.
    pub name: &'static str,
    /// What its values should be.
    pub ideal: Ideal,
    /// Errors that differ by no more are the same to the ear, or to what the measure resolves.
    pub tie: f64,
}

impl Measure {
    /// How far a value is from what it should be.
    pub fn error(&self, value: f64) -> f64 {
        match self.ideal {
            Ideal::Zero => value.abs(),
            Ideal::One => (value - 1.0).abs(),
            Ideal::OneInOctaves => value.max(1e-3).log2().abs(),
            Ideal::Lowest => value,
        }
    }
}

/// The measure of this name; one that is not listed is best at 0 and ties at nothing.
pub fn measure(name: &'static str) -> Measure {
    let find = MEASURES.iter().find(|(known, ..)| *known == name);
    let (ideal, tie) = find.map_or((Ideal::Zero, 0.0), |&(_, ideal, tie)| (ideal, tie));
    Measure { name, ideal, tie }
}

#[rustfmt::skip]
const MEASURES: &[(&str, Ideal, f64)] = &[
    ("duration_error_ms", Ideal::Zero, 5.0),
    ("loudness_error_db", Ideal::Zero, 0.1),
    ("lsd_db", Ideal::Zero, 0.05),
    ("lsd_beat_kept_db", Ideal::Zero, 0.05),
    ("consistency_db", Ideal::Lowest, 0.5),
    ("freq_error_cents", Ideal::Zero, 1.0),
    ("level_error_db", Ideal::Zero, 0.1),
    ("spurious_db", Ideal::Lowest, 0.5),
    ("ripple_db", Ideal::Zero, 0.1),
    ("ripple_pp_db", Ideal::Zero, 0.1),
    ("pitch_error_cents", Ideal::Zero, 1.0),
    // What the measure resolves: the exact answer reads as much.
    ("vibrato_rate_error_pct", Ideal::Zero, 0.5),
    ("vibrato_extent_error_pct", Ideal::Zero, 1.0),
    ("crest_error_db", Ideal::Zero, 0.3),
    ("spectrum_error_db", Ideal::Zero, 0.15),
    // Linear prediction follows the harmonics of a high note: less means nothing.
    ("formant_error_hz", Ideal::Zero, 20.0),
    ("roughness_db", Ideal::Zero, 0.5),
    ("noise_level_error_db", Ideal::Zero, 0.1),
    ("flatness_error_db", Ideal::Zero, 0.2),
    ("modulation_error_db", Ideal::Zero, 0.2),
    ("copied", Ideal::Lowest, 0.02),
    ("pre_echo_db", Ideal::Lowest, 0.5),
    ("pre_echo_aligned_db", Ideal::Lowest, 0.5),
    ("attack_ratio", Ideal::OneInOctaves, 0.1),
    ("onset_error_ms", Ideal::Zero, 1.0),
    ("onset_count", Ideal::One, 0.0),
];
