//! Tables.

use std::fmt::Write;
use std::path::Path;

use crate::measures::measure;
use crate::metrics::spectra::{mean, median};

/// What one subject made of one signal, in one group (a ratio, a kind of hold …).
pub struct Row {
    /// The group.
    pub group: String,
    /// Who.
    pub subject: String,
    /// Of what.
    pub signal: String,
    /// What kind of signal that is.
    pub kind: &'static str,
    /// (Measure, value), or why there are none.
    pub values: Result<Vec<(&'static str, f64)>, String>,
}

/// The name of our own column, and of what the exact answer reads by itself.
pub const OURS: &str = "ours";
/// See [`OURS`].
pub const EXACT: &str = "exact";

/// In the order of their first appearance.
fn distinct<T: PartialEq>(values: impl Iterator<Item = T>) -> Vec<T> {
    let mut found = Vec::new();
    for value in values {
        if !found.contains(&value) {
            found.push(value);
        }
    }
    found
}

/// One line of a table: a measure of a kind or a signal, with the value of each subject.
struct Line {
    label: String,
    measure: &'static str,
    /// The value shown and the error, in the order of the subjects.
    cells: Vec<Option<(f64, f64)>>,
}

impl Line {
    fn of(label: &str, name: &'static str, rows: &[&Row], subjects: &[&str]) -> Self {
        let measure = measure(name);
        let cell = |subject: &&str| {
            let found = rows.iter().filter(|row| row.subject == *subject).filter_map(|row| row.values.as_ref().ok());
            let values: Vec<f64> =
                found.flatten().filter(|(known, _)| *known == name).map(|(_, value)| *value).collect();
            let errors: Vec<f64> = values.iter().map(|&value| measure.error(value)).collect();
            (!values.is_empty()).then(|| (mean(&values), mean(&errors)))
        };
        let mut cells: Vec<Option<(f64, f64)>> = subjects.iter().map(cell).collect();
        // Nothing is nearer to the ideal than the exact answer: what reads so is taken as like it.
        if let Some((_, least)) = subjects.iter().position(|s| *s == EXACT).and_then(|exact| cells[exact]) {
            cells.iter_mut().flatten().for_each(|(_, error)| *error = error.max(least));
        }
        Self { label: label.to_owned(), measure: name, cells }
    }

    fn error(&self, subject: usize) -> Option<f64> {
        self.cells[subject].map(|(_, error)| error)
    }

    /// The places of those with an error, ours and the exact answer left out.
    fn peers(&self, subjects: &[&str]) -> Vec<usize> {
        (0..subjects.len()).filter(|&s| ![OURS, EXACT].contains(&subjects[s]) && self.cells[s].is_some()).collect()
    }

    fn best(&self, among: impl Iterator<Item = usize>) -> Option<usize> {
        among
            .filter(|&s| self.error(s).is_some())
            .min_by(|&a, &b| self.error(a).unwrap_or(f64::MAX).total_cmp(&self.error(b).unwrap_or(f64::MAX)))
    }

    /// Won, tied or lost against the best peer.
    fn verdict(&self, subjects: &[&str]) -> Option<&'static str> {
        let ours = self.error(subjects.iter().position(|s| *s == OURS)?)?;
        let best = self.error(self.best(self.peers(subjects).into_iter())?)?;
        let tie = measure(self.measure).tie + 1e-9;
        Some(match ours - best {
            less if less < -tie => "won",
            more if more > tie => "lost",
            _ => "tied",
        })
    }

    /// Our error and the median peer's, if ours is worse by more than a tie.
    fn below_median(&self, subjects: &[&str]) -> Option<(f64, f64)> {
        let ours = self.error(subjects.iter().position(|s| *s == OURS)?)?;
        let peers: Vec<f64> = self.peers(subjects).into_iter().filter_map(|s| self.error(s)).collect();
        let middle = median(&peers);
        (!peers.is_empty() && ours > middle + measure(self.measure).tie + 1e-9).then_some((ours, middle))
    }
}

fn lines(rows: &[&Row], subjects: &[&str], by_kind: bool) -> Vec<Line> {
    let label = |row: &Row| if by_kind { row.kind.to_owned() } else { row.signal.clone() };
    let mut lines = Vec::new();
    for of in distinct(rows.iter().map(|row| label(row))) {
        let of_this: Vec<&Row> = rows.iter().filter(|row| label(row) == of).copied().collect();
        let names =
            distinct(of_this.iter().filter_map(|row| row.values.as_ref().ok()).flatten().map(|(name, _)| *name));
        lines.extend(names.into_iter().map(|name| Line::of(&of, name, &of_this, subjects)));
    }
    lines
}

fn table(out: &mut String, title: &str, lines: &[Line], subjects: &[&str]) {
    let compared = subjects.iter().any(|s| ![OURS, EXACT].contains(s));
    let _ = write!(out, "\n{title}\n\n| {:22} | {:24} |", "signal", "measure");
    subjects.iter().for_each(|s| _ = write!(out, " {s:>9} |"));
    out.push_str(if compared { " best | ours |\n| --- | --- |" } else { "\n| --- | --- |" });
    subjects.iter().for_each(|_| out.push_str(" ---: |"));
    out.push_str(if compared { " --- | --- |\n" } else { "\n" });
    for line in lines {
        let _ = write!(out, "| {:22} | {:24} |", line.label, line.measure);
        for cell in &line.cells {
            // A correlation tells by what it lacks.
            let places = if line.measure == "correlation" { 4 } else { 2 };
            let text = cell.map_or(String::new(), |(value, _)| format!("{value:.places$}"));
            let _ = write!(out, " {text:>9} |");
        }
        if compared {
            let all = (0..subjects.len()).filter(|&s| subjects[s] != EXACT);
            let best = line.best(all).map_or("", |s| subjects[s]);
            let _ = write!(out, " {best} | {} |", line.verdict(subjects).unwrap_or(""));
        }
        out.push('\n');
    }
}

fn count(lines: &[Line], subjects: &[&str]) -> String {
    let of = |verdict| lines.iter().filter(|line| line.verdict(subjects) == Some(verdict)).count();
    format!("{} won, {} tied, {} lost", of("won"), of("tied"), of("lost"))
}

/// All tables of a subject's rows, group after group: the mean over each kind's signals if `means`, then each signal; who
/// was not to be had; at last what was won, tied and lost against the best peer of each line, and where ours is below the
/// median.
pub fn tables(title: &str, group: &str, rows: &[Row], means: bool) -> String {
    let mut out = format!("# {title}\n");
    let all = distinct(rows.iter().map(|row| row.subject.as_str()));
    let present = |s: &&str| rows.iter().any(|row| row.subject == *s && row.values.is_ok());
    let subjects: Vec<&str> = all.iter().copied().filter(present).collect();
    for row in rows.iter() {
        if let Err(why) = &row.values {
            let line = format!("\n{}: {}", row.subject, why.trim());
            if !out.contains(&line) {
                out.push_str(&line);
            }
        }
    }
    let mut last = String::new();
    for of in distinct(rows.iter().map(|row| row.group.as_str())) {
        let here: Vec<&Row> = rows.iter().filter(|row| row.group == of).collect();
        let (kinds, signals) = (lines(&here, &subjects, true), lines(&here, &subjects, false));
        if means {
            table(&mut out, &format!("## {group} {of}: means over the signals of a kind"), &kinds, &subjects);
        }
        table(&mut out, &format!("## {group} {of}: each signal"), &signals, &subjects);
        if subjects.iter().any(|s| ![OURS, EXACT].contains(s)) {
            let _ = writeln!(last, "| {of} | {} | {} |", count(&kinds, &subjects), count(&signals, &subjects));
            for line in kinds.iter() {
                if let Some((ours, middle)) = line.below_median(&subjects) {
                    let what = format!("{} {}", line.label, line.measure);
                    let _ = writeln!(
                        last,
                        "| {of} | {what}: error {ours:.2}, the median peer's {middle:.2} | below the median |"
                    );
                }
            }
        }
    }
    if !last.is_empty() {
        let _ = write!(
            out,
            "\n## Against the best peer of each line\n\n| {group} | by kind | by signal |\n| --- | --- | --- |\n{last}"
        );
    }
    out
}

/// A table of holds: a line per subject, a column per measure.
fn holds(
    out: &mut String,
    title: &str,
    rows: &[&Row],
    columns: &[&'static str],
    cell: impl Fn(&str, &'static str) -> Option<f64>,
) {
    let _ = write!(out, "\n## {title}\n\n| {:15} |", "hold");
    columns.iter().for_each(|name| _ = write!(out, " {name:>12} |"));
    out.push_str("\n| --- |");
    columns.iter().for_each(|_| out.push_str(" ---: |"));
    out.push('\n');
    for subject in distinct(rows.iter().map(|row| row.subject.as_str())) {
        let _ = write!(out, "| {subject:15} |");
        for &name in columns {
            let text = cell(subject, name).map_or(String::new(), |value| format!("{value:.2}"));
            let _ = write!(out, " {text:>12} |");
        }
        out.push('\n');
    }
}

/// The tables of holds: medians of magnitudes over the single notes, the limits, then every note and chord by itself.
pub fn hold_tables(title: &str, rows: &[Row], limits: &[(&str, &str)]) -> String {
    let mut out = format!("# {title}\n");
    for row in rows {
        if let Err(why) = &row.values {
            let _ = writeln!(out, "\n{}, {}: {}", row.subject, row.signal, why.trim());
        }
    }
    let values = |row: &Row| row.values.clone().unwrap_or_default();
    let columns = distinct(rows.iter().flat_map(&values).map(|(name, _)| name).skip(4));
    let notes: Vec<&Row> = rows.iter().filter(|row| row.group == "notes").collect();
    let middle = |subject: &str, name: &'static str| {
        let found = notes.iter().filter(|row| row.subject == subject).flat_map(|row| values(row));
        let found: Vec<f64> = found.filter(|(known, _)| *known == name).map(|(_, value)| value.abs()).collect();
        (!found.is_empty()).then(|| median(&found))
    };
    if !notes.is_empty() {
        holds(&mut out, "Median magnitudes over the single notes", &notes, &columns, middle);
        let _ = write!(out, "| {:15} |", "at most");
        for name in &columns {
            let limit = limits.iter().find(|(of, _)| of == name).map_or("", |(_, limit)| limit);
            let _ = write!(out, " {limit:>12} |");
        }
        out.push('\n');
    }
    for signal in distinct(rows.iter().map(|row| row.signal.as_str())) {
        let here: Vec<&Row> = rows.iter().filter(|row| row.signal == signal).collect();
        let group = here.first().map_or("", |row| row.group.as_str());
        let cell = |subject: &str, name: &'static str| {
            let found = here.iter().filter(|row| row.subject == subject).flat_map(|row| values(row));
            found.filter(|(known, _)| *known == name).map(|(_, value)| value).next()
        };
        holds(&mut out, &format!("{signal} ({group})"), &here, &columns, cell);
    }
    out
}

/// Writes all rows, one value a line.
///
/// # Errors
/// What the file system says.
pub fn write_csv(file: &Path, rows: &[(&str, &[Row])]) -> Result<(), csv::Error> {
    let mut writer = csv::Writer::from_path(file)?;
    writer.write_record(["part", "group", "subject", "signal", "kind", "measure", "value"])?;
    for (part, rows) in rows {
        for row in *rows {
            for (name, value) in row.values.iter().flatten() {
                let value = value.to_string();
                writer.write_record([part, &row.group[..], &row.subject, &row.signal, row.kind, name, &value])?;
            }
        }
    }
    writer.flush()?;
    Ok(())
}
