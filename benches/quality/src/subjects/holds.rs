//! Textbook ways to hold a sound.
