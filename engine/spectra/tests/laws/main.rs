//! What a study tells, beside what is known of the sound.

mod frequencies;
mod signals;
