//! How each effect answers a foot, drawn: `--curves FOLDER` writes a picture of each law.

use std::error::Error;
use std::f64::consts::TAU;
use std::ops::Range;
use std::path::Path;

use plotters::coord::Shift;
use plotters::prelude::*;
use tenterhook_dsp::effects::EFFECTS;
use tenterhook_plan::Recording;

use crate::RATE;
use crate::metrics::spectra::samples;
use crate::subjects::ours::Ours;

type Points = Vec<(f64, f64)>;

/// A family of curves in one picture.
struct Picture<'a> {
    file: &'a str,
    title: &'a str,
    x: (&'a str, Range<f64>),
    y: (&'a str, Range<f64>),
    curves: Vec<(String, Points)>,
}

impl Picture<'_> {
    fn draw(&self, folder: &Path) -> Result<(), Box<dyn Error>> {
        let path = folder.join(self.file);
        let area = SVGBackend::new(&path, (900, 540)).into_drawing_area();
        self.chart(&area)?;
        area.present()?;
        Ok(())
    }

    fn chart(&self, area: &DrawingArea<SVGBackend<'_>, Shift>) -> Result<(), Box<dyn Error>> {
        area.fill(&WHITE)?;
        let mut chart = ChartBuilder::on(area)
            .caption(self.title, ("serif", 22))
            .margin(12)
            .x_label_area_size(44)
            .y_label_area_size(64)
            .build_cartesian_2d(self.x.1.clone(), self.y.1.clone())?;
        chart.configure_mesh().x_desc(self.x.0).y_desc(self.y.0).light_line_style(WHITE).draw()?;
        for (n, (name, points)) in self.curves.iter().enumerate() {
            let colour = HSLColor(n as f64 / self.curves.len() as f64, 0.75, 0.4);
            chart
                .draw_series(LineSeries::new(points.iter().copied(), colour.stroke_width(2)))?
                .label(name)
                .legend(move |(x, y)| PathElement::new([(x, y), (x + 18, y)], colour.stroke_width(2)));
        }
        chart.configure_series_labels().background_style(WHITE).border_style(BLACK).draw()?;
        Ok(())
    }
}

fn decibels(sound: &[f64]) -> f64 {
    10.0 * (sound.iter().map(|x| x * x).sum::<f64>() / sound.len().max(1) as f64).max(1e-12).log10()
}

/// The level of each 20 ms, at its middle in seconds.
fn levels(sound: &[f64]) -> Points {
    let piece = samples(0.02);
    let at = |n: usize| (n as f64 + 0.5) * 0.02;
    sound.chunks_exact(piece).enumerate().map(|(n, piece)| (at(n), decibels(piece))).collect()
}

/// How loud each effect is over x.
fn loudness() -> Picture<'static> {
    let curve = |level: fn(f32) -> f32| {
        (1..=400).map(|n| n as f32 / 400.0).map(|x| (x.into(), 20.0 * f64::from(level(x).max(1e-4)).log10())).collect()
    };
    Picture {
        file: "level.svg",
        title: "How loud an effect is",
        x: ("x", 0.0..1.0),
        y: ("dB", -60.0..3.0),
        curves: EFFECTS.iter().map(|effect| (effect.declaration.name.to_owned(), curve(effect.level))).collect(),
    }
}

/// A sine an octave higher in ten seconds: its pitch tells of which moment it is.
fn clock(seconds: f64) -> Vec<f64> {
    let cycles = |t: f64| 200.0 * 10.0 / std::f64::consts::LN_2 * ((t / 10.0).exp2() - 1.0);
    (0..samples(seconds)).map(|i| 0.2 * (TAU * cycles(i as f64 / RATE)).sin()).collect()
}

/// Of which moment of [`clock`] a sound is, by its zero crossings in 60 ms.
fn moment(sound: &[f64]) -> Option<f64> {
    let crossings: Vec<f64> = (1..sound.len())
        .filter(|&i| sound[i - 1] < 0.0 && sound[i] >= 0.0)
        .map(|i| i as f64 - sound[i] / (sound[i] - sound[i - 1]))
        .collect();
    let (first, last) = (crossings.first()?, crossings.last()?);
    let hertz = RATE * (crossings.len() - 1) as f64 / (last - first);
    (crossings.len() > 4).then(|| 10.0 * (hertz / 200.0).log2())
}

/// How far behind the player a stretch is while the foot goes down, stands, and comes back.
fn stretch() -> Result<Picture<'static>, String> {
    let mut curves = Vec::new();
    for back in [0.3, 1.0, 2.0, 4.0, 8.0] {
        let ours = Ours::stretch(8.0, 0.02)?;
        let (down, total) = (3.0, 13.0);
        let x = |t: f64| (t / 0.5).min(1.0).min((1.0 - (t - down) / back).max(0.06));
        let gestures: Vec<(usize, f32)> = (0..1300).map(|n| (n * 480, x(f64::from(n as u32) / 100.0) as f32)).collect();
        let sound = ours.play(&[], &clock(total), &gestures, samples(total));
        let lag = |n: usize| {
            let t = n as f64 * 0.02;
            Some((t, t + 0.03 - moment(sound.get(samples(t)..samples(t + 0.06))?)?))
        };
        let points: Points = (10..640).filter_map(lag).filter(|&(_, lag)| (0.0..10.0).contains(&lag)).collect();
        curves.push((format!("back to 0.06 in {back} s"), points));
    }
    Ok(Picture {
        file: "stretch.svg",
        title: "stretch: how far behind the player, a foot that comes back after 3 s",
        x: ("seconds", 0.0..13.0),
        y: ("seconds behind", 0.0..7.0),
        curves,
    })
}

/// How long nothing is heard after a late gesture.
fn reverse() -> Result<Picture<'static>, String> {
    let mut curves = Vec::new();
    for span in [0.3, 1.5, 4.0] {
        let ours = Ours::new("reverse", &format!("span = \"{span} s\""), 0.0)?;
        let points = (0..46).map(|n| {
            let late = f64::from(n) * 0.1;
            let mut sound: Vec<f64> = (0..samples(5.0)).map(|i| 0.2 * (TAU * 330.0 * i as f64 / RATE).sin()).collect();
            sound.resize(samples(5.0 + late), 0.0);
            let out = ours.play(&sound, &[], &[(0, 1.0)], samples(5.0));
            let heard = levels(&out).into_iter().find(|&(_, db)| db > -40.0).map_or(5.0, |(at, _)| at);
            (late, heard)
        });
        curves.push((format!("span = {span} s"), points.collect()));
    }
    Ok(Picture {
        file: "reverse.svg",
        title: "reverse: silence after a gesture that is late",
        x: ("seconds late", 0.0..4.5),
        y: ("seconds of silence", 0.0..5.2),
        curves,
    })
}

/// How loud a string rings for a note beside its pitch.
fn strings() -> Result<Picture<'static>, String> {
    let mut curves = Vec::new();
    for (name, times) in [("its own pitch", 1.0), ("its octave", 2.0), ("its third overtone", 4.0)] {
        let ours = Ours::new("sympathetic", "tuned = \"D4\"", 0.0)?;
        let ring = |cents: i32| {
            let hertz = times * 440.0 * f64::exp2(-7.0 / 12.0 + f64::from(cents) / 1200.0);
            let note: Vec<f64> = (0..samples(1.0))
                .map(|i| 0.2 * (TAU * hertz * i as f64 / RATE).sin() * (i as f64 / 960.0).min(1.0))
                .collect();
            let out = ours.play(&[], &note, &[(0, 1.0)], samples(1.0));
            (f64::from(cents), decibels(&out[samples(0.9)..]) - decibels(&note[samples(0.9)..]))
        };
        curves.push((name.to_owned(), (-60..=60).map(ring).collect()));
    }
    Ok(Picture {
        file: "strings.svg",
        title: "sympathetic: the ring of d' after a note of a second",
        x: ("cents", -60.0..60.0),
        y: ("dB re the note", -42.0..4.0),
        curves,
    })
}

/// What is heard of a minute under a fader of 127 steps, and after it has come to stand.
fn tape() -> Result<Picture<'static>, String> {
    let mut curves = Vec::new();
    for steps in [1.5, 3.8, 6.0] {
        let samples_of = |i: usize| (0.2 * (TAU * 500.0 * i as f64 / 16_000.0).sin()) as f32;
        let recording = Recording {
            path: "minute.wav".to_owned(),
            rate: 16_000,
            tuned: 1.0,
            samples: (0..60 * 16_000).map(samples_of).collect(),
        };
        let ours = Ours::tape(recording)?;
        let moves = (1..).map(|n| f64::from(n) / steps).take_while(|at| *at < 4.0).enumerate();
        let gestures: Vec<(usize, f32)> = std::iter::once((0, 20.0 / 127.0))
            .chain(moves.map(|(n, at)| (samples(at), (21.0 + n as f32) / 127.0)))
            .collect();
        let out = ours.play(&[], &[], &gestures, samples(7.0));
        curves.push((format!("{steps} steps a second"), levels(&out)));
    }
    Ok(Picture {
        file: "tape.svg",
        title: "tape by place: a fader of 127 steps over a minute, up to 4 s",
        x: ("seconds", 0.0..7.0),
        y: ("dBFS", -70.0..0.0),
        curves,
    })
}

/// Writes all pictures into a folder.
///
/// # Errors
/// What could not be written.
pub fn draw(folder: &Path) -> Result<(), String> {
    for picture in [loudness(), stretch()?, reverse()?, strings()?, tape()?] {
        picture.draw(folder).map_err(|why| format!("{}: {why}", folder.join(picture.file).display()))?;
        println!("{}", folder.join(picture.file).display());
    }
    Ok(())
}
