//! What a study tells, beside what is known of the sound.

mod anything;
mod formants;
mod frequencies;
mod fundamental;
mod ground;
mod mixtures;
mod moments;
mod signals;
mod tracking;
mod voice;
