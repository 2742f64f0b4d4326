//! Partials written out for players: shared out among them, as MusicXML, MIDI, a table, a spectrum file, a picture.
//!
//! Texts and bytes come out; nothing here touches a file or a device.
//!
//! ```
//! use tenterhook_notes::{Chord, Rhythm, Score, Step, Tone, ensemble, share};
//!
//! let tones = vec![Tone { hz: 207.5, db: -12.0 }, Tone { hz: 312.0, db: -18.0 }];
//! let chords = [Chord { span: 0.4..0.6, tones }];
//! let shared = share(&chords, &ensemble(&["violin", "viol"], &[])?, Step::QuarterTone, 415.0, false)?;
//! assert!(shared.unplayed.is_empty());
//! let score = Score::new("Salt", &chords, &shared, Rhythm::Held)?;
//! assert!(score.musicxml().contains("<part-name>Viol</part-name>"));
//! # Ok::<(), tenterhook_notes::NotesError>(())
//! ```

mod assignment;
mod error;
mod midi;
mod musicxml;
pub mod picture;
mod players;
mod rhythm;
mod score;
mod step;
mod tables;
mod xml;

pub use assignment::{Chord, Note, PlayerPart, SharedOut, Unplayed, Why, share};
pub use error::NotesError;
pub use players::{ensemble, player};
pub use rhythm::Rhythm;
pub use score::{Dynamic, Score};
pub use step::{Spelling, Step, Written};
pub use tables::spectrum_file;
pub use tenterhook_plan::Partial as Tone;
pub use tenterhook_plan::players::{Clef, Instrument, Player, instruments};
