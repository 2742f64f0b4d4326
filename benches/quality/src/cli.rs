//! The command.

use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use clap::{Parser, ValueEnum};

use crate::report::{Row, hold_tables, tables, write_csv};
use crate::signals::{self, Signal};
use crate::{cost, curves, freeze, late_pedal, moving, reverse, stretch, subjects, wav};

/// How good the effects sound, against exact answers and published measures.
#[derive(Clone, Debug, Parser)]
#[command(name = "tenterhook-quality", version)]
pub struct Cli {
    /// What to judge; all if nothing is said.
    pub parts: Vec<Part>,
    /// Only these ratios of stretch.
    #[arg(long, value_delimiter = ',')]
    pub ratio: Vec<f64>,
    /// Only signals whose names contain one of these.
    #[arg(long, value_delimiter = ',')]
    pub signal: Vec<String>,
    /// Only subjects whose names contain one of these; ours is always there.
    #[arg(long, value_delimiter = ',')]
    pub subject: Vec<String>,
    /// The signals by which nothing is tuned, in place of the others.
    #[arg(long)]
    pub hold_out: bool,
    /// Writes every sound into this folder, to be listened to.
    #[arg(long, value_name = "FOLDER")]
    pub keep: Option<PathBuf>,
    /// Writes every value into this file.
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Draws how each effect answers a foot into this folder, and judges nothing.
    #[arg(long, value_name = "FOLDER")]
    pub curves: Option<PathBuf>,
    /// How many signals at once; as many as there are cores if nothing is said.
    #[arg(long)]
    pub jobs: Option<usize>,
}

/// A part of the whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Part {
    /// Stretch.
    Stretch,
    /// Freeze.
    Freeze,
    /// Reverse.
    Reverse,
    /// Freeze with a foot that is late or early.
    LatePedal,
    /// What a block of stretch costs.
    Cost,
}

impl Cli {
    fn has(&self, part: Part) -> bool {
        self.parts.is_empty() || self.parts.contains(&part)
    }

    fn wants(&self, name: &str) -> bool {
        self.signal.is_empty() || self.signal.iter().any(|part| name.contains(part))
    }

    /// Writes a sound if it is to be kept.
    fn keep(&self, name: &str, sound: &[f64]) {
        if let Some(folder) = &self.keep
            && let Err(why) = wav::write(&folder.join(name.replace([' ', '/'], "_") + ".wav"), sound)
        {
            eprintln!("{name}: {why}");
        }
    }

    /// Does all jobs, several at once, and returns what they gave in order.
    fn all<J: Sync, T: Send>(&self, jobs: &[J], work: impl Fn(&J) -> T + Sync) -> Vec<T> {
        let (next, done) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        std::thread::scope(|scope| {
            for _ in 0..self.jobs.unwrap_or(cores).clamp(1, jobs.len().max(1)) {
                scope.spawn(|| {
                    while let Some((place, job)) = {
                        let place = next.fetch_add(1, Ordering::Relaxed);
                        jobs.get(place).map(|job| (place, job))
                    } {
                        let result = work(job);
                        done.lock().expect("no job panics while it holds this").push((place, result));
                    }
                });
            }
        });
        let mut done = done.into_inner().expect("no job panics while it holds this");
        done.sort_by_key(|(place, _)| *place);
        done.into_iter().map(|(_, result)| result).collect()
    }

    fn stretch(&self) -> Vec<Row> {
        let mut signals: Vec<Signal> = if self.hold_out { signals::holdout::signals() } else { signals::modelled() };
        #[cfg(feature = "peers")]
        if !self.hold_out {
            signals.extend(signals::sampled::signals());
        }
        signals.retain(|signal| self.wants(&signal.name));
        let ratios = match (&self.ratio[..], self.hold_out) {
            ([], false) => &[1.5, 2.0, 4.0, 8.0][..],
            ([], true) => &[2.0, 4.0, 8.0],
            (ratios, _) => ratios,
        };
        let mut all = subjects::stretchers();
        all.retain(|s| {
            s.name == crate::report::OURS
                || self.subject.is_empty()
                || self.subject.iter().any(|part| s.name.contains(part))
        });
        let jobs: Vec<(f64, &Signal)> =
            ratios.iter().flat_map(|&ratio| signals.iter().map(move |signal| (ratio, signal))).collect();
        let rows = self.all(&jobs, |&(ratio, signal)| {
            stretch::rows(signal, ratio, &all, |subject, sound| {
                self.keep(&format!("stretch-{}-{ratio}-{subject}", signal.name), sound);
            })
        });
        rows.into_iter().flatten().collect()
    }
}

impl Cli {
    fn freeze(&self) -> Vec<Row> {
        let mut notes = if self.hold_out { signals::held::holdout() } else { signals::held::notes() };
        notes.retain(|note| self.wants(&note.name));
        let rows = self.all(&notes, |note| {
            freeze::rows(note, |subject, sound| self.keep(&format!("freeze-{}-{subject}", note.name), sound))
        });
        rows.into_iter().flatten().collect()
    }

    /// What only the hold-out has: a ratio that moves, and the slowest there is.
    fn other_stretches(&self) -> Vec<Row> {
        let chosen = |mut signals: Vec<Signal>| {
            signals.retain(|signal| self.wants(&signal.name));
            signals
        };
        let moving = self.all(&chosen(moving::signals()), |signal| {
            moving::rows(signal, |subject, sound| {
                self.keep(&format!("stretch-{}-moving-{subject}", signal.name), sound)
            })
        });
        let ours: Vec<_> = subjects::stretchers().into_iter().filter(|s| s.name == crate::report::OURS).collect();
        let slow = self.all(&chosen(moving::slow()), |signal| {
            stretch::rows(signal, 64.0, &ours, |subject, sound| {
                self.keep(&format!("stretch-{}-64-{subject}", signal.name), sound);
            })
        });
        moving.into_iter().chain(slow).flatten().collect()
    }

    fn reverse(&self) -> Vec<Row> {
        let mut signals = reverse::signals();
        signals.retain(|signal| self.wants(&signal.name));
        let jobs: Vec<(f64, &Signal)> =
            reverse::SPANS.iter().flat_map(|&span| signals.iter().map(move |signal| (span, signal))).collect();
        let rows = self.all(&jobs, |&(span, signal)| {
            reverse::rows(signal, span, |sound| self.keep(&format!("reverse-{}-{span}", signal.name), sound))
        });
        let attacks = self.all(&reverse::SPANS, |&span| reverse::attacks(span));
        rows.into_iter().flatten().chain(attacks).collect()
    }

    fn cost(&self) -> Vec<Row> {
        let mut signals = signals::modelled();
        signals.retain(|signal| self.wants(&signal.name));
        let ratios = if self.ratio.is_empty() { &[2.0, 8.0][..] } else { &self.ratio };
        // One after the other: two at once would measure each other.
        ratios.iter().flat_map(|&ratio| signals.iter().flat_map(move |signal| cost::rows(signal, ratio))).collect()
    }

    fn late_pedal(&self) -> Vec<Row> {
        self.all(&late_pedal::CASES, |&(name, when)| {
            late_pedal::row(name, when, |case, sound| self.keep(&format!("late-{name}-{case}"), sound))
        })
    }
}

/// Prints the tables asked for.
///
/// # Errors
/// What could not be written.
pub fn run(cli: &Cli) -> Result<(), String> {
    if let Some(folder) = &cli.curves {
        std::fs::create_dir_all(folder).map_err(|why| format!("{}: {why}", folder.display()))?;
        return curves::draw(folder);
    }
    if let Some(folder) = &cli.keep {
        std::fs::create_dir_all(folder).map_err(|why| format!("{}: {why}", folder.display()))?;
    }
    let mut parts: Vec<(&str, Vec<Row>)> = Vec::new();
    if cli.has(Part::Stretch) {
        let rows = cli.stretch();
        println!("{}", tables("Stretch", "ratio", &rows, true));
        parts.push(("stretch", rows));
    }
    if cli.has(Part::Freeze) {
        let rows = cli.freeze();
        println!("{}", hold_tables("Freeze", &rows, freeze::LIMITS));
        parts.push(("freeze", rows));
    }
    if cli.hold_out && cli.has(Part::Stretch) && cli.ratio.is_empty() {
        let rows = cli.other_stretches();
        println!("{}", tables("Stretch while x moves, and at 64", "ratio", &rows, false));
        parts.push(("stretch", rows));
    }
    if cli.has(Part::Reverse) {
        let rows = cli.reverse();
        println!("{}", tables("Reverse", "span", &rows, false));
        parts.push(("reverse", rows));
    }
    if cli.has(Part::LatePedal) {
        let rows = cli.late_pedal();
        println!("{}", tables("Freeze with a late or early foot", "cases", &rows, false));
        parts.push(("late-pedal", rows));
    }
    if cli.has(Part::Cost) {
        let rows = cli.cost();
        println!("{}", tables("Cost of stretch, blocks of 64", "ratio", &rows, false));
        parts.push(("cost", rows));
    }
    if let Some(file) = &cli.csv {
        let parts: Vec<(&str, &[Row])> = parts.iter().map(|(name, rows)| (*name, &rows[..])).collect();
        write_csv(file, &parts).map_err(|why| format!("{}: {why}", file.display()))?;
    }
    Ok(())
}
