//! Where things stand on the page, its title and its axis of time.

use std::fmt::Display;
use std::ops::Range;

use tenterhook_plan::Intonation;

use super::{Picture, strokes};
use crate::NotesError;
use crate::xml::Xml;

/// A4, landscape, in tenths of a millimetre.
pub(super) const SIZE: [f64; 2] = [2970.0, 2100.0];
/// What the sound fills of it.
pub(super) const LEFT: f64 = 330.0;
pub(super) const RIGHT: f64 = 2660.0;
pub(super) const TOP: f64 = 240.0;
pub(super) const BOTTOM: f64 = 1890.0;
/// Where the staves begin, and their clefs stand.
pub(super) const STAVES: f64 = LEFT - 150.0;
pub(super) const CLEF: f64 = LEFT - 74.0;
/// The notes that are always there: both staves and a third around them.
const LEAST: Range<f64> = 40.0..81.0;
/// Those that may be: from 16 Hz to 16 kHz.
const MOST: Range<f64> = 12.0..132.0;

/// The axes.
pub(super) struct PicturePage {
    pub(super) intonation: Intonation,
    pub(super) seconds: f64,
    /// The lowest and the highest note on it, MIDI numbers.
    pub(super) notes: Range<f64>,
}

impl PicturePage {
    pub(super) fn new(picture: &Picture<'_>) -> Result<Self, NotesError> {
        let Picture { study, intonation, .. } = *picture;
        let tuning_hz = intonation.tuning_hz;
        if !(tuning_hz.is_normal() && tuning_hz > 0.0) {
            return Err(NotesError::Tuning(tuning_hz));
        }
        if !(study.seconds.is_normal() && study.seconds > 0.0) {
            let why = format!("the sound lasts {} s", study.seconds);
            return Err(NotesError::Refused { what: "the picture", why, remedy: "give a sound that lasts a while" });
        }
        let points = strokes::shown(picture).flat_map(|track| &track.points);
        let notes = points.map(|point| intonation.note(point.hz)).filter(|note| note.is_finite());
        let mut shown = LEAST;
        for note in notes {
            shown = shown.start.min(note - 1.0)..shown.end.max(note + 1.0);
        }
        let notes = shown.start.max(MOST.start)..shown.end.min(MOST.end);
        Ok(Self { intonation, seconds: study.seconds, notes })
    }

    pub(super) fn x(&self, seconds: f64) -> f64 {
        LEFT + (RIGHT - LEFT) * (seconds / self.seconds)
    }

    pub(super) fn y(&self, note: f64) -> f64 {
        BOTTOM - self.semitone() * (note - self.notes.start)
    }

    /// How high a semitone is.
    pub(super) fn semitone(&self) -> f64 {
        (BOTTOM - TOP) / (self.notes.end - self.notes.start)
    }

    /// The title, seconds along the bottom, and frequencies along the right.
    pub(super) fn draw_axes(&self, xml: &mut Xml, picture: &Picture<'_>) {
        text(xml, [STAVES, 120.0], 64.0, "start", "#000", picture.title);
        let about = format!("a' = {} Hz · {:.2} s", self.intonation.tuning_hz, self.seconds);
        text(xml, [RIGHT, 120.0], 36.0, "end", "#333", about);
        let mut ticks = String::new();
        let step = step(self.seconds, 12.0);
        let places = (-step.log10().floor()).max(0.0) as usize;
        for n in 0..=(self.seconds / step + 1e-9) as u32 {
            let (at, x) = (f64::from(n) * step, self.x(f64::from(n) * step));
            ticks += &format!("M{x:.1} {:.0}v16", BOTTOM + 30.0);
            text(xml, [x, BOTTOM + 84.0], 34.0, "middle", "#000", format_args!("{at:.places$}"));
        }
        ticks += &format!("M{LEFT} {0}H{RIGHT}", BOTTOM + 30.0);
        text(xml, [RIGHT + 40.0, BOTTOM + 84.0], 34.0, "start", "#000", "s");
        for hz in [20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0] {
            let note = self.intonation.note(hz);
            if self.notes.contains(&note) {
                let y = self.y(note);
                ticks += &format!("M{RIGHT} {y:.1}h14");
                text(xml, [RIGHT + 20.0, y + 8.0], 22.0, "start", "#555", format_args!("{hz} Hz"));
            }
        }
        xml.empty("path", &[("d", &ticks), ("stroke", &"#000"), ("stroke-width", &2), ("fill", &"none")]);
        // Steady moments: bars between the sound and its time.
        let steady: String = picture
            .study
            .steady
            .iter()
            .map(|span| [span.start, span.end].map(|at| self.x(at.clamp(0.0, self.seconds))))
            .filter(|[from, to]| from < to)
            .map(|[from, to]| format!("M{from:.1} {:.0}H{to:.1}", BOTTOM + 18.0))
            .collect();
        if !steady.is_empty() {
            xml.empty("path", &[("d", &steady), ("stroke", &"#888"), ("stroke-width", &9), ("fill", &"none")]);
            text(xml, [RIGHT + 20.0, BOTTOM + 26.0], 22.0, "start", "#555", "steady");
        }
    }
}

/// The smallest of 1, 2, 5 times a power of ten that divides a length into no more than `most` parts.
fn step(length: f64, most: f64) -> f64 {
    let least = length / most;
    let power = 10f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|by| by * power).find(|step| *step >= least).unwrap_or(10.0 * power)
}

/// Text whose baseline starts, has its middle or ends at a place.
pub(super) fn text(xml: &mut Xml, [x, y]: [f64; 2], size: f64, anchor: &str, fill: &str, text: impl Display) {
    let (x, y) = (format!("{x:.1}"), format!("{y:.1}"));
    xml.leaf("text", &[("x", &x), ("y", &y), ("font-size", &size), ("text-anchor", &anchor), ("fill", &fill)], text);
}
