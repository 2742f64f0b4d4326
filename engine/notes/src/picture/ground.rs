//! The sound's energy, pale behind the notes: a few greys as plain shapes, so that it prints sharp and stays small.

use tenterhook_spectra::Ground;

use super::page::{LEFT, PicturePage, RIGHT};
use crate::xml::Xml;

/// Greys, the palest first, and how far below the loudest each begins, in dB.
const GREYS: [(f64, &str); 4] = [(52.0, "#f3f3f3"), (40.0, "#e8e8e8"), (28.0, "#dbdbdb"), (16.0, "#cccccc")];
/// How fine a cell may be, in tenths of a millimetre, from what is tried first on.
const CELLS: [f64; 4] = [6.0, 8.0, 12.0, 20.0];
/// How many bytes the ground may take.
const BYTES: usize = 220_000;

pub(super) fn draw(xml: &mut Xml, page: &PicturePage, ground: &Ground) {
    let made = CELLS.iter().map(|&cell| paths(page, ground, cell));
    let small = |paths: &[String; GREYS.len()]| paths.iter().map(String::len).sum::<usize>() <= BYTES;
    // The coarsest is taken whatever its size.
    let mut last = None;
    for (paths, height) in made {
        let done = small(&paths);
        last = Some((paths, height));
        if done {
            break;
        }
    }
    let Some((paths, height)) = last else { return };
    for (path, (_, grey)) in paths.iter().zip(GREYS) {
        if !path.is_empty() {
            // A little more, so that rounding leaves no seam.
            let height = format!("{:.2}", height + 1.0);
            xml.empty(
                "path",
                &[
                    ("d", path),
                    ("stroke", &grey),
                    ("stroke-width", &height),
                    ("fill", &"none"),
                    ("shape-rendering", &"crispEdges"),
                ],
            );
        }
    }
}

/// For each grey the runs of cells that are at least so loud, as lines of a row's height.
fn paths(page: &PicturePage, ground: &Ground, cell: f64) -> ([String; GREYS.len()], f64) {
    let mut paths: [String; GREYS.len()] = Default::default();
    let columns = ground.db.len().checked_div(ground.rows).unwrap_or(0);
    let positive = |number: f64| number.is_normal() && number > 0.0;
    let fits = positive(ground.step_seconds) && positive(ground.low_hz) && ground.rows_per_octave > 0;
    let loudest = ground.db.iter().copied().filter(|db| db.is_finite()).fold(f32::NEG_INFINITY, f32::max);
    let row_height = 12.0 * page.semitone() / f64::from(ground.rows_per_octave.max(1));
    // Several rows or columns in one cell where they are finer than it.
    let join = |size: f64| (cell / size).ceil().max(1.0) as usize;
    let (rows, wide) = (join(row_height), join((page.x(ground.step_seconds) - LEFT).max(0.01)));
    let height = row_height * rows as f64;
    if columns == 0 || !fits || loudest == f32::NEG_INFINITY {
        return (paths, height);
    }
    let power = |column: usize, row: usize| {
        let db = ground.db[column * ground.rows + row];
        if db.is_finite() { 10f64.powf(f64::from(db - loudest) / 10.0) } else { 0.0 }
    };
    for low in (0..ground.rows).step_by(rows) {
        let high = (low + rows).min(ground.rows);
        let middle = f64::from(low as u32) + (rows as f64 - 1.0) / 2.0;
        let hz = ground.low_hz * (middle / f64::from(ground.rows_per_octave)).exp2();
        let note = page.intonation.note(hz);
        if !page.notes.contains(&note) {
            continue;
        }
        let cells: Vec<f64> = (0..columns)
            .step_by(wide)
            .map(|from| {
                let to = (from + wide).min(columns);
                let sum: f64 = (from..to)
                    .flat_map(|column| (low..high).map(move |row| (column, row)))
                    .map(|(c, r)| power(c, r))
                    .sum();
                -10.0 * (sum / ((to - from) * (high - low)) as f64).log10()
            })
            .collect();
        let y = page.y(note);
        let edge = |cell: usize| page.x((cell * wide) as f64 * ground.step_seconds).min(RIGHT);
        for (path, (below, _)) in paths.iter_mut().zip(GREYS) {
            let mut at = 0;
            for run in cells.chunk_by(|one, other| (*one <= below) == (*other <= below)) {
                if run[0] <= below {
                    let (from, to) = (edge(at), edge(at + run.len()));
                    path.push_str(&format!("M{from:.0} {y:.1}h{:.0}", to.round() - from.round()));
                }
                at += run.len();
            }
        }
    }
    (paths, height)
}
