//! When notes sound, in sixteenths, and how lengths are written in measures of four quarters.

use std::ops::Range;

use crate::NotesError;

/// How the times of chords become note values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Rhythm {
    /// Each chord is a whole note in a measure of its own.
    Held,
    /// The sound's own times, to the nearest sixteenth.
    Timed {
        /// Quarters a minute: 60 if nothing speaks for another.
        tempo: f64,
    },
}

/// Sixteenths in a measure.
pub(crate) const MEASURE: u32 = 16;
/// Sixteenths in a quarter.
pub(crate) const QUARTER: u32 = 4;
/// The longest sound that is written out, in seconds.
const LONGEST: f64 = 3600.0;

impl Rhythm {
    /// Quarters a minute.
    pub(crate) fn tempo(self) -> f64 {
        match self {
            Rhythm::Held => 60.0,
            Rhythm::Timed { tempo } => tempo,
        }
    }

    /// When each chord sounds, in sixteenths from the beginning.
    pub(crate) fn place(self, spans: &[Range<f64>]) -> Result<Vec<Range<u32>>, NotesError> {
        let tempo = match self {
            Rhythm::Held => return Ok((0..).map(|n| n * MEASURE..(n + 1) * MEASURE).take(spans.len()).collect()),
            Rhythm::Timed { tempo } if (10.0..=600.0).contains(&tempo) => tempo,
            Rhythm::Timed { tempo } => return Err(NotesError::Tempo(tempo)),
        };
        let per_second = tempo / 60.0 * f64::from(QUARTER);
        let mut placed: Vec<Range<u32>> = Vec::new();
        let mut ended = 0.0;
        for (moment, &Range { start: from, end: to }) in (1..).zip(spans) {
            if !(0.0 <= from && from < to && to <= LONGEST) {
                return Err(NotesError::Times { moment, from, to });
            }
            if from < ended {
                return Err(NotesError::Order { moment, seconds: from });
            }
            ended = to;
            let at = (from * per_second).round() as u32;
            let last = placed.last_mut();
            if let Some(last) = last {
                if at <= last.start {
                    return Err(NotesError::Crowded { moment, seconds: f64::from(at) / per_second, tempo });
                }
                last.end = last.end.min(at);
            }
            placed.push(at..((to * per_second).round() as u32).max(at + 1));
        }
        Ok(placed)
    }
}

/// One written value: where it begins and how many sixteenths it lasts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Value {
    pub(crate) at: u32,
    pub(crate) lasts: u32,
}

/// Values that can be written, in sixteenths: the standard's name, and whether it has a dot.
pub(crate) const VALUES: [(u32, &str, bool); 8] = [
    (16, "whole", false),
    (12, "half", true),
    (8, "half", false),
    (6, "quarter", true),
    (4, "quarter", false),
    (3, "eighth", true),
    (2, "eighth", false),
    (1, "16th", false),
];

/// The values that fill a span: none crosses a barline, what begins off a beat ends with it, and a rest has no dot and
/// begins on a multiple of itself.
pub(crate) fn values(span: Range<u32>, rest: bool) -> Vec<Value> {
    let mut values = Vec::new();
    let mut at = span.start;
    while at < span.end {
        let left = span.end - at;
        let to_beat = QUARTER - at % QUARTER;
        let room = if to_beat < QUARTER { to_beat } else { MEASURE - at % MEASURE };
        let fits = |(lasts, _, dot): &&(u32, &str, bool)| {
            *lasts <= left.min(room) && !(rest && (*dot || !at.is_multiple_of(*lasts)))
        };
        // The sixteenth always fits.
        let lasts = VALUES.iter().find(fits).map_or(1, |(lasts, ..)| *lasts);
        values.push(Value { at, lasts });
        at += lasts;
    }
    values
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_fill_their_span_and_cross_no_barline() {
        for (from, to, rest) in
            (0..20).flat_map(|from| (from + 1..60).flat_map(move |to| [(from, to, true), (from, to, false)]))
        {
            let mut at = from;
            for value in values(from..to, rest) {
                assert_eq!(value.at, at);
                at += value.lasts;
                assert_eq!(value.at / MEASURE, (at - 1) / MEASURE, "no barline within");
                assert!(VALUES.iter().any(|(lasts, ..)| *lasts == value.lasts));
            }
            assert_eq!(at, to);
        }
    }

    #[test]
    fn moments_go_to_their_nearest_sixteenth() {
        let timed = Rhythm::Timed { tempo: 60.0 };
        assert_eq!(timed.place(&[0.1..0.4, 0.4..1.0, 2.0..2.01]).unwrap(), [0..2, 2..4, 8..9]);
        let told = |spans: &[Range<f64>], rhythm: Rhythm| rhythm.place(spans).unwrap_err().to_string();
        assert!(
            told(&[0.0..0.1, 0.1..0.2], timed).starts_with("moments 1 and 2 both begin in the sixteenth at 0.000 s")
        );
        assert!(told(&[0.0..1.0, 0.5..2.0], timed).starts_with("moment 2, at 0.500 s, begins before"));
        assert!(told(&[1.0..f64::NAN], timed).starts_with("moment 1 goes from 1 s to NaN s"));
        assert!(told(&[], Rhythm::Timed { tempo: 0.0 }).starts_with("0 quarters a minute is no tempo"));
        assert_eq!(Rhythm::Held.place(&[5.0..6.0, 1.0..2.0]).unwrap(), [0..16, 16..32]);
    }
}
