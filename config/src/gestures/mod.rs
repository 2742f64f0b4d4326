//! Written gestures: CSV lines of our own, or a Standard MIDI File.

mod csv_lines;
mod midi_file;
mod write;

pub use csv_lines::MOST_LEVEL_DB;
pub use write::{CSV_HEADER, WHO_HEADER, gesture_line, who_line, write_gestures};

use crate::report::{Findings, Report, SourceText};
use tenterhook_plan::{Event, Plan, Timed};

/// What a gestures file says, in its order: times never go back.
#[derive(Clone, Debug, PartialEq)]
pub struct Gestures {
    /// The events, each with its time in seconds.
    pub events: Vec<(f64, Event)>,
    /// What is worth a look.
    pub cautions: Report,
}

impl Gestures {
    /// The events at the samples of a rate: seconds × rate, rounded half up, in the order of the file.
    pub fn at_rate(&self, rate: u32) -> Vec<Timed<Event>> {
        self.events.iter().map(|&(seconds, what)| Timed { sample: sample_at(seconds, rate), what }).collect()
    }
}

/// The sample at which something written at a time happens: seconds × rate, rounded half up.
pub fn sample_at(seconds: f64, rate: u32) -> u64 {
    // Not floor(x + 0.5): the sum would round 0.49999999999999994 up. The times of gestures are never negative, for
    // which `round`'s halves away from zero are halves up. The cast saturates.
    (seconds * f64::from(rate)).round() as u64
}

/// Reads gestures for a piece: a Standard MIDI File if the bytes begin as one ("MThd"), else CSV with the header
/// `seconds,controller,value`.
///
/// A MIDI file's control changes and notes stay messages ([`Event::Midi`]), as if they came from every port at once: a
/// file names none. Its program change n fires the n-th scene, counted from 0.
///
/// # Errors
/// Everything that is wrong with the file.
pub fn gestures(name: &str, bytes: &[u8], plan: &Plan) -> Result<Gestures, Report> {
    let mut findings = Findings::default();
    let (events, text) = if bytes.starts_with(b"MThd") {
        (midi_file::read(bytes, plan, &mut findings), None)
    } else {
        csv_lines::read(bytes, plan, &mut findings)
    };
    let failed = findings.has_errors();
    let report = findings.report(&[SourceText { name, text: text.as_deref() }]);
    if failed { Err(report) } else { Ok(Gestures { events, cautions: report }) }
}
