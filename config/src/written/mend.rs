//! Reading on after an error of the syntax: what is broken is told and left out, so that the rest of the file can be
//! checked as well.

use super::quotes;
use crate::kind::Kind;
use crate::place::{Lines, Place};
use crate::report::Findings;
use std::borrow::Cow;
use std::ops::Range;
use toml::de::{DeTable, Error};

/// How many errors of the syntax are told of one text: whoever has more reads a file of another kind.
const MOST: usize = 20;

/// How many ways are tried to tell where something broken begins or ends.
const TRIALS: usize = 8;

/// From so many bytes on a text is read fewer times: no piece that somebody wrote comes near this.
const LONG: usize = 200_000;

/// A text that can be read as TOML, but for what was broken in it.
pub(crate) struct MendedText<'t> {
    file: usize,
    original: &'t str,
    text: Cow<'t, str>,
    /// Of each byte of the text where it was in the original; `None`: in the same place.
    origins: Option<Vec<usize>>,
    /// What was broken, in bytes of the original, in whole lines.
    broken: Vec<Range<usize>>,
    /// The beginnings of the lines, in the original, of which something has been told.
    told: Vec<usize>,
}

/// Finds the errors of a text's syntax.
pub(crate) fn mend<'t>(text: &'t str, file: usize, findings: &mut Findings) -> MendedText<'t> {
    let mut mended = MendedText {
        file,
        original: text,
        text: Cow::Borrowed(text),
        origins: None,
        broken: Vec::new(),
        told: Vec::new(),
    };
    for _ in 0..if text.len() < LONG { MOST } else { 2 } {
        let Some(error) = first_error(&mended.text) else { break };
        mended.repair(&error, findings);
    }
    mended
}

/// The first error by its place.
fn first_error(text: &str) -> Option<SyntaxTrouble> {
    let (_, errors) = DeTable::parse_recoverable(text);
    let unclosed =
        errors.iter().any(|error| error.message().contains("unclosed") || error.message().contains("multi-line"));
    let start = |error: &Error| error.span().map_or(text.len(), |span| span.start);
    let first = errors.into_iter().min_by_key(start)?;
    let span = first.span().unwrap_or(text.len()..text.len());
    Some(SyntaxTrouble { span, said: first.message().to_owned(), unclosed })
}

struct SyntaxTrouble {
    span: Range<usize>,
    said: String,
    /// Somewhere something that was opened is not closed.
    unclosed: bool,
}

impl MendedText<'_> {
    /// The text as a table; `None`: there was more wrong with it than is told.
    pub fn table(&self) -> Option<DeTable<'_>> {
        Some(DeTable::parse(&self.text).ok()?.into_inner())
    }

    /// Which text it is.
    pub fn file(&self) -> usize {
        self.file
    }

    /// Whether nothing was broken.
    pub fn is_whole(&self) -> bool {
        matches!(self.text, Cow::Borrowed(_))
    }

    /// Where a byte was in the original.
    pub fn origin(&self, at: usize) -> usize {
        match &self.origins {
            None => at,
            Some(_) if at == 0 => 0,
            Some(origins) => origins.get(at).copied().unwrap_or(self.original.len()),
        }
    }

    /// Whether what was found at a place, as a place of the original, comes of what is broken, here or in the piece that
    /// a hall is for.
    pub fn explains(&self, kind: Kind, place: Place) -> bool {
        let here = place.file == self.file;
        let within = |range: &Range<usize>| range.contains(&place.start);
        match kind {
            Kind::Syntax => false,
            Kind::NoMics => self.mentions("mics"),
            Kind::NoOutputs => self.mentions("outputs"),
            Kind::NoScenes => self.mentions("scene"),
            Kind::MissingKey | Kind::NoController | Kind::EmptyGroup => {
                // What stands under a header lacks nothing that may be among what is broken under it.
                let under_header = self.original[line_at(self.original, place.start)].trim_start().starts_with('[');
                let lacks = under_header && self.broken.iter().any(|range| within(&self.section(range)));
                here && (lacks || self.broken.iter().any(within))
            }
            _ => here && self.broken.iter().any(within),
        }
    }

    /// Whether a name stands in what is broken.
    pub fn mentions(&self, name: &str) -> bool {
        let word = |c: char| c.is_alphanumeric() || c == '_' || c == '-';
        let whole = |text: &str, (at, found): (usize, &str)| {
            !text[..at].ends_with(word) && !text[at + found.len()..].starts_with(word)
        };
        let names = |text: &str| !name.is_empty() && text.match_indices(name).any(|found| whole(text, found));
        self.broken.iter().any(|range| names(&self.original[range.clone()]))
    }

    /// The table, from its header to the next, in which something broken stands.
    fn section(&self, broken: &Range<usize>) -> Range<usize> {
        let header = |(_, line): &(usize, &str)| line.trim_start().starts_with('[');
        let lines = || line_starts(self.original);
        let start = lines().take_while(|(at, _)| *at <= broken.start).filter(header).last().map_or(0, |(at, _)| at);
        let end = lines().find(|(at, line)| *at >= broken.end && header(&(*at, line)));
        start..end.map_or(self.original.len(), |(at, _)| at)
    }

    fn repair(&mut self, error: &SyntaxTrouble, findings: &mut Findings) {
        let at = error.span.start.min(self.text.len());
        let line = line_at(&self.text, at);
        if let Some(curly) = quotes::curly(&self.text[line.clone()]) {
            let place = self.place(line.start + curly.quoted.start..line.start + curly.quoted.end);
            let remedy = format!("write \"{}\" with straight quotes, as a program for plain text does", curly.inner);
            findings.add(Kind::Syntax, place, "these quotes are curly, and TOML knows straight ones only", remedy);
            self.told.push(self.origin(line.start));
            self.text.to_mut().replace_range(line, &curly.straight);
            return;
        }
        let statement = self.statement(at);
        let begins = &self.text[statement.clone()];
        let start = self.origin(statement.start);
        let again = self.told.contains(&start) || self.broken.iter().any(|range| range.contains(&start));
        self.told.push(start);
        if again {
            // It has been told. What was put in its place does not do.
        } else if error.unclosed
            && statement.end <= at
            && let Some((opened, closing)) = opening(begins)
        {
            let place = self.place(statement.start + opened.start..statement.start + opened.end);
            let message = "this is not TOML: what is opened here is not closed";
            findings.add(Kind::Syntax, place, message, format!("close it with {closing}"));
        } else if let Some(mended) = header(begins) {
            let name = begins.trim();
            let place = self.place(self.trimmed(&statement));
            let message = format!("this is not TOML: {name} is no header of a table");
            findings.add(Kind::Syntax, place, message, format!("write {mended}"));
            let mended = format!("{mended}\n");
            self.replace(statement, &mended);
            return;
        } else if let Some(quoted) = quoted_key(begins).filter(|_| error.said.contains("unquoted key")) {
            let told = &self.text[error.span.clone()];
            findings.add(
                Kind::Syntax,
                self.place(error.span.clone()),
                format!("this is not TOML: {}", error.said),
                remedy(&error.said, told, ""),
            );
            self.replace(statement, &quoted);
            return;
        } else {
            let end = error.span.end.min(self.text.len());
            let (told, after) = (&self.text[error.span.start.min(self.text.len())..end], &self.text[end..]);
            let place = self.place(error.span.clone());
            let remedy = remedy(&error.said, told, after);
            findings.add(Kind::Syntax, place, format!("this is not TOML: {}", error.said), remedy);
        }
        let whole = self.extent(&statement, at);
        self.broken.push(self.origin(whole.start)..self.origin(whole.end));
        // What has a name keeps it, so that whoever names it finds it.
        let ends: String = self.text[whole.clone()].chars().filter(|c| *c == '\n').collect();
        if let Some(key) = key(&self.text[statement]) {
            let nameless = format!("{key} = 0{ends}");
            let rest = &self.text[whole.end..];
            let tried = [&self.text[..whole.start], &nameless, rest].concat();
            let stands = first_error(&nameless).is_none() && !again;
            if stands && first_error(&tried).is_none_or(|next| next.span.start >= whole.start + nameless.len()) {
                self.replace(whole, &nameless);
                return;
            }
        }
        self.replace(whole, &ends);
    }

    fn place(&self, span: Range<usize>) -> Place {
        Place::new(self.file, self.origin(span.start)..self.origin(span.end))
    }

    fn trimmed(&self, range: &Range<usize>) -> Range<usize> {
        let line = &self.text[range.clone()];
        range.start + line.len() - line.trim_start().len()..range.start + line.trim_end().len()
    }

    fn replace(&mut self, range: Range<usize>, by: &str) {
        let start = self.origin(range.start);
        let origins = self.origins.get_or_insert_with(|| (0..self.text.len()).collect());
        let last = origins.get(range.end.saturating_sub(1)).copied().unwrap_or(start);
        origins.splice(range.clone(), (0..by.len()).map(|n| (start + n).min(last)));
        self.text.to_mut().replace_range(range, by);
    }

    /// The first line of the statement in which something is wrong at a byte: the last before which all is well.
    fn statement(&self, at: usize) -> Range<usize> {
        let here = line_at(&self.text, at);
        let earlier: Vec<_> = line_starts(&self.text)
            .take_while(|(start, _)| *start < here.start)
            .filter(|(_, line)| may_begin(line))
            .map(|(start, _)| start)
            .collect();
        let sound = |start: &usize| first_error(&self.text[..*start]).is_none();
        let start = [here.start].into_iter().chain(earlier.into_iter().rev()).take(TRIALS).find(sound);
        line_at(&self.text, start.unwrap_or(here.start))
    }

    /// All of that statement: as few lines as can be left out so that nothing is wrong up to there.
    fn extent(&self, statement: &Range<usize>, at: usize) -> Range<usize> {
        let later = |line: &str| line.trim_start().starts_with('[');
        if later(&self.text[statement.clone()]) {
            // What stands below a header that is left out belongs to no table.
            let next = line_starts(&self.text).find(|(start, line)| *start >= statement.end && later(line));
            return statement.start..next.map_or(self.text.len(), |(start, _)| start);
        }
        let ends = line_starts(&self.text)
            .filter(|(start, line)| *start >= statement.end && may_begin(line))
            .map(|(start, _)| start);
        let well = |end: &usize| {
            let mut rest = self.text[..statement.start].to_owned();
            rest.extend(self.text[statement.start..*end].bytes().map(|b| if b == b'\n' { '\n' } else { ' ' }));
            rest.push_str(&self.text[*end..]);
            first_error(&rest).is_none_or(|next| next.span.start > at)
        };
        let end = ends.take(TRIALS).find(well).unwrap_or(self.text.len());
        // What was swallowed up to the error is not known to be what was meant.
        statement.start..end.max(line_at(&self.text, at).start)
    }
}

/// The lines with the bytes at which they begin.
fn line_starts(text: &str) -> impl Iterator<Item = (usize, &str)> {
    text.split_inclusive('\n').scan(0, |next, line| {
        let start = *next;
        *next += line.len();
        Some((start, line))
    })
}

/// The line around a byte, with its end.
fn line_at(text: &str, at: usize) -> Range<usize> {
    let lines = Lines::new(text);
    let start = lines.start(lines.number(lines.boundary(at)));
    let end = text[start..].find('\n').map_or(text.len(), |end| start + end + 1);
    start..end
}

/// Whether a line may be the first of a statement.
fn may_begin(line: &str) -> bool {
    line.trim_start().starts_with('[') || key(line).is_some()
}

/// The key with which a line begins, if it begins with one.
fn key(line: &str) -> Option<&str> {
    let (key, _) = line.split_once('=')?;
    let key = key.trim();
    (!key.is_empty() && !key.contains(['{', '}', '[', ']', ',', '#'])).then_some(key)
}

/// A line whose key has letters that stand in quotes, with these quotes.
fn quoted_key(line: &str) -> Option<String> {
    let key = key(line).filter(|key| !key.contains(['"', '\'', '.', '\\']))?;
    Some(line.replacen(key, &format!("\"{key}\""), 1))
}

/// The last sign of a line that opens something, and what closes it.
fn opening(line: &str) -> Option<(Range<usize>, &'static str)> {
    let signs = [("{", "}"), ("[", "]"), ("\"\"\"", "\"\"\""), ("'''", "'''")];
    let last = signs.into_iter().filter_map(|(sign, closing)| Some((line.rfind(sign)?, sign, closing)));
    last.max_by_key(|(at, ..)| *at).map(|(at, sign, closing)| (at..at + sign.len(), closing))
}

/// What was most likely meant by a line that should be the header of a table and is none.
fn header(line: &str) -> Option<String> {
    let line = line.split('#').next()?.trim();
    let inner = line.strip_prefix('[')?;
    let many = inner.starts_with('[') || line.ends_with("]]") || inner.trim_matches(['[', ']']).trim() == "scene";
    let name = inner.trim_matches(['[', ']']).trim();
    let plain = !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || "_-.\"".contains(c));
    let mended = if many { format!("[[{name}]]") } else { format!("[{name}]") };
    (plain && mended != line && first_error(&mended).is_none()).then_some(mended)
}

/// What to do about an error of the syntax at `told`, behind which `after` stands.
fn remedy(said: &str, told: &str, after: &str) -> String {
    let told = told.trim();
    if said.contains("unquoted key") {
        "a name with other letters than a-z stands in quotes: \"Flöte\" = 1".to_owned()
    } else if said.contains("duplicate key") {
        "leave one of the two out, or give it another name".to_owned()
    } else if said.contains("missing comma") {
        "put a comma before this, between it and what comes before".to_owned()
    } else if said.contains("must be quoted")
        && let Some((value, _)) = told.rsplit_once(char::is_whitespace)
        && after.trim_start().starts_with('=')
    {
        format!("put a comma after {}", value.trim_end())
    } else if said.contains("basic string") && said.ends_with("expected `\"`") {
        "close it with \" on the same line".to_owned()
    } else if said.contains("literal string") && said.ends_with("expected `'`") {
        "close it with ' on the same line".to_owned()
    } else if said.contains("must be quoted") && told.is_empty() {
        "write a value after the =".to_owned()
    } else if said.contains("must be quoted") && !told.contains('"') {
        format!("write \"{told}\" in quotes")
    } else {
        "put this line right, as in title = \"Dusk\", voice = 1 or [mics]; what it says is not read".to_owned()
    }
}
