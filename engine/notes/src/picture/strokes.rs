//! Partials as strokes: the louder, the wider and the darker.

use tenterhook_spectra::{Point, Track};

use super::Picture;
use super::page::PicturePage;
use crate::xml::Xml;

/// What is weaker than the loudest by more than this is not drawn, in dB.
const RANGE: f64 = 66.0;
/// The widest and the narrowest stroke.
const WIDTH: [f64; 2] = [17.0, 1.4];
/// Greys by how far a stretch lies below the loudest, from light to dark, so that the loud is drawn last.
const GREYS: [(f64, &str); 5] = [(RANGE, "#999"), (46.0, "#6d6d6d"), (34.0, "#444"), (22.0, "#222"), (12.0, "#000")];
/// How far a simplified stroke may be from the true one.
const NEAR: f64 = 0.6;

/// The tracks surer than the picture's threshold.
pub(super) fn shown<'a>(picture: &Picture<'a>) -> impl Iterator<Item = &'a Track> {
    let threshold = picture.confidence;
    picture.study.tracks.iter().filter(move |track| {
        let sum: f64 = track.points.iter().map(|point| point.confidence).sum();
        !track.points.is_empty() && sum / track.points.len() as f64 >= threshold
    })
}

/// A place on a stroke: where, how wide, how far below the loudest in dB.
#[derive(Clone, Copy)]
struct StrokePlace {
    x: f64,
    y: f64,
    width: f64,
    below: f64,
}

pub(super) fn draw(xml: &mut Xml, page: &PicturePage, picture: &Picture<'_>) {
    let levels = shown(picture).flat_map(|track| &track.points).map(|point| point.db).filter(|db| db.is_finite());
    let loudest = levels.fold(f64::NEG_INFINITY, f64::max);
    let place = |point: &Point| {
        let (below, note) = (loudest - point.db, page.intonation.note(point.hz));
        let fits = (0.0..=page.seconds).contains(&point.seconds)
            && page.notes.contains(&note)
            && (0.0..=RANGE).contains(&below);
        let share = (1.0 - below / RANGE).powi(2);
        let width = WIDTH[1] + (WIDTH[0] - WIDTH[1]) * share;
        fits.then(|| StrokePlace { x: page.x(point.seconds), y: page.y(note), width, below })
    };
    let mut paths: [String; GREYS.len()] = Default::default();
    for track in shown(picture) {
        let places: Vec<_> = track.points.iter().map(place).collect();
        for stroke in places.split(Option::is_none) {
            let stroke: Vec<_> = simple(&stroke.iter().flatten().copied().collect::<Vec<_>>());
            let grey = |pair: &[StrokePlace]| {
                let below = (pair[0].below + pair[1].below) / 2.0;
                GREYS.iter().rposition(|(most, _)| below <= *most).unwrap_or(0)
            };
            let mut begins = 0;
            for end in 1..stroke.len() {
                let this = grey(&stroke[end - 1..=end]);
                if end + 1 == stroke.len() || grey(&stroke[end..=end + 1]) != this {
                    outline(&mut paths[this], &stroke[begins..=end]);
                    begins = end;
                }
            }
        }
    }
    for (path, (_, grey)) in paths.iter().zip(GREYS) {
        if !path.is_empty() {
            xml.empty("path", &[("d", path), ("fill", &grey)]);
        }
    }
}

/// The outline of a stroke, forth along its upper side and back along its lower.
fn outline(path: &mut String, stroke: &[StrokePlace]) {
    let upper = stroke.iter().map(|place| (place.x, place.y - place.width / 2.0));
    let lower = stroke.iter().rev().map(|place| (place.x, place.y + place.width / 2.0));
    let mut command = 'M';
    for (x, y) in upper.chain(lower) {
        path.push_str(&format!("{command}{x:.1} {y:.1}"));
        command = 'L';
    }
    path.push('Z');
}

/// The fewest places between which straight lines stay near all others (Ramer 1972, Douglas and Peucker 1973).
fn simple(places: &[StrokePlace]) -> Vec<StrokePlace> {
    let mut kept = vec![false; places.len()];
    let mut open = vec![(0, places.len().saturating_sub(1))];
    while let Some((from, to)) = open.pop() {
        if from >= places.len() {
            break;
        }
        (kept[from], kept[to]) = (true, true);
        let (one, other) = (places[from], places[to]);
        let far = |at: usize| {
            let share = if other.x > one.x { (places[at].x - one.x) / (other.x - one.x) } else { 0.0 };
            let off =
                |of: fn(&StrokePlace) -> f64| (of(&places[at]) - of(&one) - share * (of(&other) - of(&one))).abs();
            off(|place| place.y).max(off(|place| place.width))
        };
        let farthest = (from + 1..to).max_by(|&one, &other| far(one).total_cmp(&far(other)));
        if let Some(at) = farthest.filter(|&at| far(at) > NEAR) {
            open.extend([(from, at), (at, to)]);
        }
    }
    places.iter().zip(kept).filter_map(|(place, kept)| kept.then_some(*place)).collect()
}
