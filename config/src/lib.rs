//! From text to what it means: pieces, halls and written gestures become a checked [`Plan`] and a list of events, or a
//! [`Report`] that says where each error is and what to write instead.
//!
//! This crate takes names and texts. It touches no file, no device and no thread.
//!
//! ```
//! use tenterhook_config::{Text, check};
//!
//! let piece = Text::new("dusk.toml", r#"
//!     mics        = { voice = 1 }
//!     outputs     = { left = 1, right = 2 }
//!     controllers = { pedal = { cc = 64 } }
//!     [[scene]]
//!     mark = "A"
//!     mic.voice.freeze = { by = "pedal" }
//! "#);
//! let checked = check(&piece, None).expect("nothing is wrong with it");
//! assert_eq!(checked.plan.scenes.len(), 1);
//! ```

mod files;
mod gestures;
mod interval;
mod keys;
mod kind;
mod meaning;
mod meant;
mod near;
mod notes;
mod place;
mod report;
mod schema;
mod spectrum_file;
mod unit;
mod written;

pub use files::{Files, NoFiles};
pub use gestures::{
    CSV_HEADER, Gestures, MOST_LEVEL_DB, WHO_HEADER, gesture_line, gestures, sample_at, who_line, write_gestures,
};
pub use kind::{Kind, Severity};
pub use place::Text;
pub use report::{Diagnostic, Position, Report};
pub use schema::{SchemaText, schema};
pub use spectrum_file::read_spectrum;
pub use unit::{seconds, seconds_to};
pub use written::{DeviceWish, Host};

use meaning::Rules;
use report::{Findings, SourceText};
use tenterhook_plan::Plan;

/// A piece in which no error was found, in one hall or in none.
#[derive(Clone, Debug, PartialEq)]
pub struct Checked {
    /// What it means.
    pub plan: Plan,
    /// What its hall asks of the machine.
    pub device: DeviceWish,
    /// What is worth a look all the same.
    pub cautions: Report,
}

/// Checks a piece that needs no files beside it, and the hall that it is to be played in.
///
/// # Errors
/// As [`check_with`].
pub fn check(piece: &Text, hall: Option<&Text>) -> Result<Checked, Report> {
    check_with(piece, hall, &NoFiles)
}

/// Checks a piece, and the hall that it is to be played in. What the piece names beside it is read by `files`.
///
/// # Errors
/// All errors of both texts, in their order, and the cautions between them. What a hall means can only be judged when
/// the piece by itself is right; until then only its own words are.
pub fn check_with(piece: &Text, hall: Option<&Text>, files: &dyn Files) -> Result<Checked, Report> {
    let mut sources = vec![SourceText::from(piece)];
    sources.extend(hall.map(SourceText::from));
    let mut findings = Findings::default();
    match check_texts(piece, hall, files, &mut findings) {
        Some((plan, device)) => Ok(Checked { plan, device, cautions: findings.report(&sources) }),
        None => Err(findings.report(&sources)),
    }
}

fn check_texts(
    piece: &Text,
    hall: Option<&Text>,
    files: &dyn Files,
    findings: &mut Findings,
) -> Option<(Plan, DeviceWish)> {
    let mended = written::mend(&piece.text, 0, findings);
    let table = mended.table();
    let written_piece = table.as_ref().map(|table| written::WrittenPiece::read(table, 0, findings));
    let plan = written_piece.as_ref().and_then(|piece| meaning::resolve(piece, Rules::Piece, files, findings));
    findings.put_back(&piece.text, &[&mended]);
    let Some(hall) = hall else { return Some((plan?, DeviceWish::default())) };

    let mut in_hall = Findings::default();
    let mended_hall = written::mend(&hall.text, 1, &mut in_hall);
    let table = mended_hall.table();
    let written_hall = table.as_ref().map(|table| written::Hall::read(table, 1, &mut in_hall));
    let together = written_hall.zip(written_piece).and_then(|(hall, mut piece)| {
        hall.override_piece(&mut piece, &mut in_hall);
        // Of a piece that is wrong by itself the same errors would only be found again.
        plan?;
        meaning::resolve(&piece, Rules::Hall, files, &mut in_hall).map(|plan| (plan, hall.device))
    });
    in_hall.put_back(&hall.text, &[&mended_hall, &mended]);
    if !findings.has_errors() {
        // The cautions of the piece by itself are found again, as far as they still hold in the hall.
        *findings = Findings::default();
    }
    findings.append(in_hall);
    together
}
