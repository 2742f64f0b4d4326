//! Cross-fades from one sound to another that is more or less like it.

/// What two sounds are divided by, the new one of which has come up to `new`, 0…1, and the old one down to the rest, so that
/// their sum keeps its power: 1 for twins, the root of the sum of squares for strangers. `likeness` is their normalised
/// correlation; of opposites, which would need more than is there, a sum of almost nothing stays small.
pub(crate) fn loudness(new: f32, likeness: f32) -> f32 {
    let old = 1.0 - new;
    (new * new + old * old + 2.0 * likeness.max(-0.5) * new * old).sqrt()
}
