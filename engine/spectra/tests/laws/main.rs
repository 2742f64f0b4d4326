//! What a study tells, beside what is known of the sound.

mod formants;
mod frequencies;
mod signals;
mod voice;
