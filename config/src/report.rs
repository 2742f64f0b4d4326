//! Diagnostics: what is wrong, where, and what to write instead; for people and for programs.

use crate::kind::{Kind, Severity};
use crate::place::{Lines, Place, Text};
use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};
use serde_json::json;
use std::ops::Range;

/// One thing that is wrong, or worth a look.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Diagnostic {
    /// What it is about.
    pub kind: Kind,
    /// The name of the text it is in.
    pub file: String,
    /// Where in the text; `None`: the text has no lines, as a MIDI file has none.
    pub position: Option<Position>,
    /// What is wrong, in one sentence.
    pub message: String,
    /// What to write instead.
    pub remedy: String,
}

/// A place as people count it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Position {
    /// The line, counted from 1.
    pub line: usize,
    /// The column in characters, counted from 1.
    pub column: usize,
    /// How many characters of that line are meant.
    pub length: usize,
    /// The bytes that are meant in the whole text.
    pub span: Range<usize>,
    /// The line itself.
    source: String,
}

/// All diagnostics of one job, in the order of the files and of their lines.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Report {
    diagnostics: Vec<Diagnostic>,
}

impl Report {
    /// The diagnostics.
    pub fn diagnostics(&self) -> &[Diagnostic] {
        &self.diagnostics
    }

    /// Whether there is nothing to say.
    pub fn is_empty(&self) -> bool {
        self.diagnostics.is_empty()
    }

    /// How many diagnostics are of this severity.
    pub fn count(&self, severity: Severity) -> usize {
        self.diagnostics.iter().filter(|diagnostic| diagnostic.kind.severity() == severity).count()
    }

    /// For people: each diagnostic with its `file:line:column`, its line with the place underlined, the sentence and the
    /// remedy. With `color`, in the colours of a terminal (the caller knows whether it is one, and of `NO_COLOR`).
    pub fn render(&self, color: bool) -> String {
        // Plain signs even in colour: not every stage laptop's terminal has the drawn ones.
        let renderer = if color { Renderer::styled() } else { Renderer::plain() }.decor_style(DecorStyle::Ascii);
        let mut out = String::new();
        for diagnostic in &self.diagnostics {
            out.push_str(&diagnostic.render(&renderer));
            out.push_str("\n\n");
        }
        out
    }

    /// For programs: a list of objects with `severity`, `kind`, `file`, `line`, `column`, `length`, `message` and
    /// `remedy`. Where a file has no lines, the three numbers are null.
    pub fn to_json(&self) -> serde_json::Value {
        self.diagnostics
            .iter()
            .map(|diagnostic| {
                let position = diagnostic.position.as_ref();
                json!({
                    "severity": diagnostic.kind.severity().name(),
                    "kind": diagnostic.kind.name(),
                    "file": diagnostic.file,
                    "line": position.map(|position| position.line),
                    "column": position.map(|position| position.column),
                    "length": position.map(|position| position.length),
                    "message": diagnostic.message,
                    "remedy": diagnostic.remedy,
                })
            })
            .collect()
    }
}

impl Diagnostic {
    fn render(&self, renderer: &Renderer) -> String {
        let level = match self.kind.severity() {
            Severity::Error => Level::ERROR,
            Severity::Caution => Level::WARNING.with_name("caution"),
        };
        let title = level.primary_title(&self.message);
        let help = Level::HELP.message(&self.remedy);
        let group = match &self.position {
            Some(position) => {
                let indices = |column: usize| {
                    position.source.char_indices().nth(column).map_or(position.source.len(), |(at, _)| at)
                };
                let span = indices(position.column - 1)..indices(position.column - 1 + position.length);
                title
                    .element(
                        Snippet::source(&position.source)
                            .path(&self.file)
                            .line_start(position.line)
                            .annotation(AnnotationKind::Primary.span(span)),
                    )
                    .element(help)
            }
            None => title.element(annotate_snippets::Origin::path(&self.file)).element(help),
        };
        renderer.render(&[group])
    }
}

/// What a check has found so far.
#[derive(Default)]
pub(crate) struct Findings(Vec<Finding>);

struct Finding {
    kind: Kind,
    place: Place,
    message: String,
    remedy: String,
}

/// A text to report on: its name, and its words if it has any.
pub(crate) struct Source<'t> {
    pub name: &'t str,
    pub text: Option<&'t str>,
}

impl<'t> From<&'t Text> for Source<'t> {
    fn from(text: &'t Text) -> Self {
        Self { name: &text.name, text: Some(&text.text) }
    }
}

impl Findings {
    pub fn add(&mut self, kind: Kind, place: Place, message: impl Into<String>, remedy: impl Into<String>) {
        self.0.push(Finding { kind, place, message: message.into(), remedy: remedy.into() });
    }

    pub fn has_errors(&self) -> bool {
        self.0.iter().any(|finding| finding.kind.severity() == Severity::Error)
    }

    pub fn append(&mut self, mut later: Findings) {
        self.0.append(&mut later.0);
    }

    /// The report: sorted by place, with lines and columns. `sources` in the order of the places' files.
    pub fn report(mut self, sources: &[Source<'_>]) -> Report {
        self.0.sort_by_key(|finding| finding.place);
        let lines: Vec<_> = sources.iter().map(|source| source.text.map(Lines::new)).collect();
        let diagnostics = self
            .0
            .into_iter()
            .map(|finding| Diagnostic {
                kind: finding.kind,
                file: sources[finding.place.file].name.to_owned(),
                position: lines[finding.place.file].as_ref().map(|lines| position(lines, finding.place)),
                message: finding.message,
                remedy: finding.remedy,
            })
            .collect();
        Report { diagnostics }
    }
}

fn position(lines: &Lines<'_>, place: Place) -> Position {
    let span = lines.boundary(place.start)..lines.boundary(place.end.max(place.start));
    let number = lines.number(span.start);
    let (start, source) = (lines.start(number), lines.line(number));
    let from = (span.start - start).min(source.len());
    let to = (span.end - start).min(source.len());
    let count = |to: usize| source[..to].chars().count();
    Position { line: number, column: count(from) + 1, length: count(to) - count(from), span, source: source.to_owned() }
}
