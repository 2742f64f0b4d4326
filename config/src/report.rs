//! Diagnostics: what is wrong, where, and what to write instead; for people and for programs.

use crate::kind::{Kind, Severity};
use crate::place::{Lines, Place, Text};
use crate::written::MendedText;
use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};
use serde_json::json;
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;
use tenterhook_plan::shown;

/// How many diagnostics people are shown at once.
const SHOWN: usize = 50;

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
    source: Arc<str>,
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
    /// remedy. With `color`, in the colours of a terminal (the caller knows whether it is one, and of `NO_COLOR`). What
    /// would work a terminal is spelled out. Of more than 50 there are some of each cause, and the others are counted.
    pub fn render(&self, color: bool) -> String {
        // Plain signs even in colour: not every stage laptop's terminal has the drawn ones.
        let renderer = if color { Renderer::styled() } else { Renderer::plain() }.decor_style(DecorStyle::Ascii);
        let mut out = String::new();
        let (told, left) = self.chosen();
        for diagnostic in told {
            out.push_str(&diagnostic.render(&renderer));
            out.push_str("\n\n");
        }
        if !left.is_empty() {
            let all: usize = left.values().sum();
            let causes: Vec<_> = left.iter().map(|(cause, count)| format!("{count} of {cause}")).collect();
            out.push_str(&format!("and {all} more: {}\n\n", causes.join(", ")));
        }
        out
    }

    /// The diagnostics that people are shown, in their order, and how many of each cause are left: errors come first,
    /// and no cause hides another.
    fn chosen(&self) -> (Vec<&Diagnostic>, BTreeMap<&'static str, usize>) {
        let mut causes: BTreeMap<(bool, &'static str), Vec<usize>> = BTreeMap::new();
        for (index, diagnostic) in self.diagnostics.iter().enumerate() {
            let grave = diagnostic.kind.severity() == Severity::Error;
            causes.entry((!grave, diagnostic.kind.name())).or_default().push(index);
        }
        let mut picked: Vec<usize> = Vec::new();
        for grave in [false, true] {
            let all = || causes.iter().filter(move |((mild, _), _)| *mild == grave).map(|(_, list)| list);
            let most = all().map(Vec::len).max().unwrap_or(0);
            let turns = (0..most).flat_map(|turn| all().filter_map(move |list| list.get(turn)));
            picked.extend(turns.take(SHOWN - picked.len()));
        }
        picked.sort_unstable();
        let mut left: BTreeMap<_, _> = causes.iter().map(|((_, cause), list)| (*cause, list.len())).collect();
        let told: Vec<_> = picked.into_iter().filter_map(|index| self.diagnostics.get(index)).collect();
        for diagnostic in &told {
            left.entry(diagnostic.kind.name()).and_modify(|count| *count -= 1);
        }
        left.retain(|_, count| *count > 0);
        (told, left)
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
        let title = level.primary_title(shown(&self.message));
        let (help, file) = (Level::HELP.message(shown(&self.remedy)), shown(&self.file));
        let group = match &self.position {
            Some(position) => {
                let (source, span) = position.shown();
                title
                    .element(
                        Snippet::source(source)
                            .path(file)
                            .line_start(position.line)
                            .annotation(AnnotationKind::Primary.span(span)),
                    )
                    .element(help)
            }
            None => title.element(annotate_snippets::Origin::path(file)).element(help),
        };
        renderer.render(&[group])
    }
}

impl Position {
    /// The line as people are shown it, and the bytes in it that are meant. Of a very long one there is what stands
    /// around them.
    fn shown(&self) -> (String, Range<usize>) {
        const AROUND: usize = 200;
        let meant = self.column - 1..self.column - 1 + self.length;
        let first = meant.start.saturating_sub(AROUND);
        let window =
            self.source.chars().enumerate().skip(first).take(meant.start - first + self.length.min(AROUND) + AROUND);
        let (mut line, mut start, mut end) = (String::new(), None, None);
        for (n, c) in window {
            if n == meant.start {
                start = Some(line.len());
            }
            if n == meant.end {
                end = Some(line.len());
            }
            match c {
                // The renderer knows how wide that is.
                '\t' => line.push(c),
                c => line.push_str(&shown(c.encode_utf8(&mut [0; 4]))),
            }
        }
        let (start, end) = (start.unwrap_or(line.len()), end.unwrap_or(line.len()));
        (line, start..end)
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

impl Finding {
    fn is(&self, other: &Finding) -> bool {
        (self.kind, self.place, &self.message) == (other.kind, other.place, &other.message)
    }
}

/// A text to report on: its name, and its words if it has any.
pub(crate) struct SourceText<'t> {
    pub name: &'t str,
    pub text: Option<&'t str>,
}

impl<'t> From<&'t Text> for SourceText<'t> {
    fn from(text: &'t Text) -> Self {
        Self { name: &text.name, text: Some(&text.text) }
    }
}

impl Findings {
    /// One more error, at its place and with its remedy.
    pub fn add(&mut self, kind: Kind, place: Place, message: impl Into<String>, remedy: impl Into<String>) {
        self.0.push(Finding { kind, place, message: message.into(), remedy: remedy.into() });
    }

    /// How many errors and cautions there are.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether a key has been found below where it belongs, since there were so many findings.
    pub fn have_moved(&self, key: &str, since: usize) -> bool {
        let named = format!("\"{key}\" ");
        let mut later = self.0.iter().skip(since);
        later.any(|finding| finding.kind == Kind::KeyBelongsAbove && finding.message.starts_with(&named))
    }

    /// Whether one of them is an error: cautions alone stop nothing.
    pub fn has_errors(&self) -> bool {
        self.0.iter().any(|finding| finding.kind.severity() == Severity::Error)
    }

    /// Those of a scene that is like another. What lies outside `own` lies in what it takes over: it is told at `like`, unless
    /// it was found there too.
    pub fn append_like(&mut self, later: Findings, own: &Range<Place>, like: Place) {
        for mut finding in later.0 {
            if !own.contains(&finding.place) {
                if self.0.iter().any(|known| known.is(&finding)) {
                    continue;
                }
                finding.place = like;
                finding.message = format!("of what is taken over here: {}", finding.message);
                finding.remedy.push_str(" (write that line anew here, or take it away with \"none\")");
            }
            self.0.push(finding);
        }
    }

    /// Leaves out all that is not at one of these places.
    pub fn keep_at(&mut self, places: &[Place]) {
        self.0.retain(|finding| places.contains(&finding.place));
    }

    /// Leaves out that an effect follows none that is there, or is heard nowhere.
    pub fn forget_what_lacks(&mut self) {
        self.0.retain(|finding| !matches!(finding.kind, Kind::UnknownAfter | Kind::NeverHeard));
    }

    /// Those of a later step, behind these.
    pub fn append(&mut self, mut later: Findings) {
        self.0.append(&mut later.0);
    }

    /// Brings what was found in texts that were mended back to what was written, and leaves out what comes only of what
    /// is broken in them. The first of them is `text`.
    pub fn put_back(&mut self, text: &str, mended: &[&MendedText<'_>]) {
        let Some(own) = mended.first().filter(|_| mended.iter().any(|one| !one.is_whole())) else { return };
        let file = own.file();
        for finding in self.0.iter_mut().filter(|finding| finding.place.file == file && finding.kind != Kind::Syntax) {
            finding.place = Place::new(file, own.origin(finding.place.start)..own.origin(finding.place.end));
        }
        self.0.retain(|finding| {
            let named = text.get(finding.place.start..finding.place.end).unwrap_or_default();
            let named = named.trim_matches(['"', '\'']);
            let unknown = finding.place.file == file && finding.kind.is_of_a_name();
            finding.kind == Kind::Syntax
                || !mended.iter().any(|one| one.explains(finding.kind, finding.place) || unknown && one.mentions(named))
        });
    }

    /// The report: sorted by place, with lines and columns. `sources` in the order of the places' files.
    pub fn report(mut self, sources: &[SourceText<'_>]) -> Report {
        self.0.sort_by_key(|finding| finding.place);
        let mut lines: Vec<_> = sources.iter().map(|source| source.text.map(CountedFindings::new)).collect();
        let diagnostics = self
            .0
            .into_iter()
            .map(|finding| Diagnostic {
                kind: finding.kind,
                file: sources[finding.place.file].name.to_owned(),
                position: lines[finding.place.file].as_mut().map(|lines| lines.position(finding.place)),
                message: finding.message,
                remedy: finding.remedy,
            })
            .collect();
        Report { diagnostics }
    }
}

/// A text in which places are counted out, each after the one before.
struct CountedFindings<'t> {
    lines: Lines<'t>,
    /// The last line that was asked for, its number and text; and in it a byte and the characters before that.
    last: Option<(usize, Arc<str>, usize, usize)>,
}

impl<'t> CountedFindings<'t> {
    fn new(text: &'t str) -> Self {
        Self { lines: Lines::new(text), last: None }
    }

    fn position(&mut self, place: Place) -> Position {
        let lines = &self.lines;
        let span = lines.boundary(place.start)..lines.boundary(place.end.max(place.start));
        let number = lines.number(span.start);
        let start = lines.start(number);
        let (source, at, characters) = match self.last.take() {
            Some((last, source, at, characters)) if last == number && start + at <= span.start => {
                (source, at, characters)
            }
            _ => (lines.line(number).into(), 0, 0),
        };
        let from = (span.start - start).min(source.len());
        let to = (span.end - start).min(source.len());
        let column = characters + source[at.min(from)..from].chars().count() + 1;
        let length = source[from..to].chars().count();
        self.last = Some((number, Arc::clone(&source), from, column - 1));
        Position { line: number, column, length, span, source }
    }
}
