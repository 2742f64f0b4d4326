//! The chosen moment: where it is, and its partials as notes with their names.

use tenterhook_spectra::Partial;

use super::Picture;
use super::page::{BOTTOM, PicturePage, RIGHT, TOP, text};
use crate::Step;
use crate::xml::Xml;

/// Half of a note's head in width and height.
const HEAD: [f64; 2] = [15.0, 10.0];
/// How near two names may stand, and how many notes are drawn.
const APART: f64 = 34.0;
const NOTES: usize = 32;

pub(super) fn draw(xml: &mut Xml, page: &PicturePage, picture: &Picture<'_>) {
    let Some(moment) = picture.chosen else { return };
    let (from, to) = (moment.span.start.clamp(0.0, page.seconds), moment.span.end.clamp(0.0, page.seconds));
    let (from, to) = (page.x(from), page.x(to));
    if from.is_nan() || to.is_nan() {
        return;
    }
    let bracket = format!("M{from:.1} {0:.0}V{1:.0}H{to:.1}V{0:.0}", TOP - 10.0, TOP - 30.0);
    xml.empty("path", &[("d", &bracket), ("stroke", &"#000"), ("stroke-width", &3), ("fill", &"none")]);
    let edges = format!("M{from:.1} {TOP}V{BOTTOM}M{to:.1} {TOP}V{BOTTOM}");
    xml.empty(
        "path",
        &[("d", &edges), ("stroke", &"#000"), ("stroke-width", &1.5), ("stroke-dasharray", &"10 8"), ("fill", &"none")],
    );
    let x = f64::midpoint(from, to);
    let times = format!("{:.2}–{:.2} s", moment.span.start, moment.span.end);
    text(xml, [x, TOP - 44.0], 28.0, "middle", "#000", times);
    let note = |partial: &Partial| page.intonation.note(partial.hz);
    let sure = moment.partials.iter().filter(|partial| partial.confidence > picture.confidence);
    let mut fit: Vec<_> = sure.filter(|partial| page.notes.contains(&note(partial))).take(NOTES).collect();
    // From below, as a chord is written: a note that would touch the one below it stands to the right of it.
    fit.sort_by(|one, other| one.hz.total_cmp(&other.hz));
    let mut below = (f64::INFINITY, false);
    for partial in &fit {
        let y = page.y(note(partial));
        let aside = below.0 - y < 2.2 * HEAD[1] && !below.1;
        below = (y, aside);
        let x = if aside { x + 2.0 * HEAD[0] } else { x };
        let turn = format!("rotate(-20 {x:.1} {y:.1})");
        let [rx, ry] = HEAD;
        let (x, y) = (format!("{x:.1}"), format!("{y:.1}"));
        let place: [(&str, &dyn std::fmt::Display); 5] =
            [("cx", &x), ("cy", &y), ("rx", &rx), ("ry", &ry), ("transform", &turn)];
        xml.empty("ellipse", &[&place[..], &[("fill", &"#fff"), ("stroke", &"#000"), ("stroke-width", &4)]].concat());
    }
    // Where names would touch, the stronger has its own.
    fit.sort_by(|one, other| other.db.total_cmp(&one.db));
    let mut named: Vec<f64> = Vec::new();
    for partial in fit {
        let y = page.y(note(partial));
        if named.iter().all(|other| (other - y).abs() >= APART) {
            named.push(y);
            let name = Step::Exact.write(note(partial), page.intonation).named(page.intonation).replace('-', "−");
            text(xml, [RIGHT + 120.0, y + 10.0], 30.0, "start", "#000", name);
        }
    }
}
