//! Staff lines at their notes' frequencies, the clefs and the names.

use tenterhook_plan::pitch;

use super::page::{LEFT, PicturePage, RIGHT, STAVES, text};
use super::signs;
use crate::xml::Xml;

/// Lines of the bass and of the treble staff.
const LINES: [[i32; 5]; 2] = [[43, 47, 50, 53, 57], [64, 67, 71, 74, 77]];

/// The notes on lines and ledger lines: every second letter from C0 on, so that the staves' lines are among them.
fn lines(page: &PicturePage) -> impl Iterator<Item = i32> {
    let letters = [0, 2, 4, 5, 7, 9, 11];
    let notes = (0..).step_by(2).map(move |place: usize| 12 * (1 + place as i32 / 7) + letters[place % 7]);
    notes.take_while(|&note| f64::from(note) < page.notes.end).filter(|&note| f64::from(note) >= page.notes.start)
}

pub(super) fn draw(xml: &mut Xml, page: &PicturePage) {
    let (mut staff, mut ledger) = (String::new(), String::new());
    for note in lines(page) {
        let y = page.y(f64::from(note));
        let of_staff = LINES.as_flattened().contains(&note);
        let (path, from) = if of_staff { (&mut staff, STAVES) } else { (&mut ledger, LEFT) };
        path.push_str(&format!("M{from} {y:.1}H{RIGHT}"));
        let (size, fill) = if of_staff { (30.0, "#000") } else { (26.0, "#666") };
        text(xml, [STAVES - 18.0, y + 0.35 * size], size, "end", fill, pitch::note_name(note));
    }
    let line = |xml: &mut Xml, d: &str, width: f64, dashes: &str| {
        let mut attributes: Vec<(&str, &dyn std::fmt::Display)> =
            vec![("d", &d), ("stroke", &"#000"), ("stroke-width", &width), ("fill", &"none")];
        if !dashes.is_empty() {
            attributes.push(("stroke-dasharray", &dashes));
        }
        xml.empty("path", &attributes);
    };
    line(xml, &ledger, 1.0, "4 12");
    line(xml, &staff, 2.0, "");
    for [low, .., high] in LINES {
        let (top, bottom) = (page.y(f64::from(high)), page.y(f64::from(low)));
        line(xml, &format!("M{STAVES} {top:.1}V{bottom:.1}M{RIGHT} {top:.1}V{bottom:.1}"), 2.0, "");
    }
    signs::clefs(xml, page);
}
