//! Clefs, drawn here.

use super::page::{CLEF, PicturePage};
use crate::xml::Xml;

/// A clef: the note of the line that it names, and its shapes in units of the mean distance of staff lines around that line,
/// to the right and down: what is drawn with a pen of 0.15, and what is filled.
struct Sign {
    note: f64,
    pen: &'static str,
    filled: &'static str,
}

const SIGNS: [Sign; 2] = [
    // The G of the treble staff: a spiral round its line, a loop above, a stem with a curl below.
    Sign {
        note: 67.0,
        pen: "M.2 .42C-.3 .4-.42-.42.18-.52C.95-.6 1.15.4.7.74C.2 1.12-1.02 1-1.1-.08C-1.15-1.3.5-1.9.58-3.3C.62-4-.02-4.1-.02-2.9\
              L.42 1.5C.52 2.2-.2 2.4-.46 2.1",
        filled: "M-.62 1.85a.22.22 0 1 0 .44 0a.22.22 0 1 0-.44 0Z\
                 M-1.18-.08C-1.15.45-.95.75-.6.9C-.85.65-1-.3-.98-.1ZM1-.05C1.1.35.95.6.62.8C.8.6.82.2.75-.1Z",
    },
    // The F of the bass staff: a dot on its line, a bow, two dots around the line.
    Sign {
        note: 53.0,
        pen: "",
        filled: "M-.85 0a.26.26 0 1 0 .52 0a.26.26 0 1 0-.52 0Z\
                 M-.85 0C-.88-.85.9-1.35.9.05C.9 1.1.1 1.85-.85 2.3L-.88 2.22C.05 1.65.45 1 .45.05C.45-1-.55-.95-.68-.2Z\
                 M1.1-.5a.14.14 0 1 0 .28 0a.14.14 0 1 0-.28 0ZM1.1.5a.14.14 0 1 0 .28 0a.14.14 0 1 0-.28 0Z",
    },
];

/// The clefs of both staves.
pub(super) fn clefs(xml: &mut Xml, page: &PicturePage) {
    // Both staves have four spaces in 13 and 14 semitones. A little less leaves room around a clef, and with few octaves on
    // the page it grows no wider than its place.
    let space = (0.85 * 13.5 / 4.0 * page.semitone()).min(54.0);
    for Sign { note, pen, filled } in SIGNS {
        let place = format!("translate({CLEF} {:.1}) scale({space:.2})", page.y(note));
        xml.within("g", &[("transform", &place)], |xml| {
            if !pen.is_empty() {
                let stroke: [(&str, &dyn std::fmt::Display); 6] = [
                    ("d", &pen),
                    ("fill", &"none"),
                    ("stroke", &"#000"),
                    ("stroke-width", &0.15),
                    ("stroke-linecap", &"round"),
                    ("stroke-linejoin", &"round"),
                ];
                xml.empty("path", &stroke);
            }
            xml.empty("path", &[("d", &filled)]);
        });
    }
}
