//! Gestures as CSV (RFC 4180), one a line.

use crate::kind::Kind;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use std::borrow::Cow;
use tenterhook_plan::{
    Address, ControllerId, Event, Gesture, LEAST_TRIM_DB, MOST_TRIM_DB, MicId, OutputId, Plan, SceneId, TrimId,
};

/// What to do about a file without its header.
const HEADER_REMEDY: &str = "begin the file with the line seconds,controller,value, with commas between the cells";

/// The highest level that a gesture may give an output, in dB.
pub const MOST_LEVEL_DB: f32 = tenterhook_plan::MOST_WRITTEN_LEVEL_DB;

/// The addresses that are no controllers.
const RESERVED: [&str; 6] = ["fire", "hush", "level", "level/OUTPUT", "level/MIC/EFFECT", "mute/MIC"];

const HEADER: [&str; 3] = ["seconds", "controller", "value"];

/// The gestures with their times, and the text in which the places of findings lie.
pub(super) fn read<'b>(
    bytes: &'b [u8],
    plan: &Plan,
    findings: &mut Findings,
) -> (Vec<(f64, Event)>, Option<Cow<'b, str>>) {
    let text = String::from_utf8_lossy(bytes);
    if let Err(error) = std::str::from_utf8(bytes) {
        // In the lossy text as well, everything before the first wrong byte is where it was.
        let at = error.valid_up_to();
        let remedy = "save it as UTF-8, or give a Standard MIDI File";
        findings.add(Kind::NotText, Place::new(0, at..at + 1), "this is not text in UTF-8", remedy);
        return (Vec::new(), Some(text));
    }
    let events = read_text(&text, plan, findings);
    (events, Some(text))
}

fn read_text(text: &str, plan: &Plan, findings: &mut Findings) -> Vec<(f64, Event)> {
    let body = text.strip_prefix('\u{feff}').unwrap_or(text);
    let offset = text.len() - body.len();
    let mut reader = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(body.as_bytes());
    let mut record = csv::StringRecord::new();
    let mut events = Vec::new();
    let mut header = false;
    let mut latest = 0.0;
    loop {
        match reader.read_record(&mut record) {
            Ok(true) => {}
            Ok(false) => break,
            Err(error) => {
                let at = error.position().map_or(body.len(), |position| position.byte() as usize) + offset;
                findings.add(
                    Kind::Syntax,
                    Place::new(0, at..at),
                    format!("this is not CSV: {error}"),
                    "put this line right",
                );
                break;
            }
        }
        let start = record.position().map_or(0, |position| position.byte() as usize);
        let line = CsvLine { record: &record, fields: fields(body, start, offset), whole: whole(body, start, offset) };
        if !header {
            header = true;
            if record.iter().ne(HEADER) {
                let remedy = HEADER_REMEDY;
                findings.add(Kind::BadHeader, line.whole, "this is not the header of a gestures file", remedy);
                break;
            }
            continue;
        }
        if record.len() != HEADER.len() {
            let message = format!("a gesture has three fields, and this line has {}", record.len());
            findings.add(Kind::BadRow, line.whole, message, "write seconds,controller,value, as in 1.5,pedal,1");
            continue;
        }
        let seconds = line.seconds(&mut latest, findings);
        let gesture = line.gesture(plan, findings);
        events.extend(seconds.zip(gesture.map(Event::written)));
    }
    if !header && !findings.has_errors() {
        let remedy = HEADER_REMEDY;
        findings.add(Kind::BadHeader, Place::beginning(0), "this gestures file is empty", remedy);
    }
    events
}

/// One line, read and where it stands.
struct CsvLine<'r> {
    record: &'r csv::StringRecord,
    fields: Vec<Place>,
    whole: Place,
}

impl CsvLine<'_> {
    fn place(&self, field: usize) -> Place {
        self.fields.get(field).copied().unwrap_or(self.whole)
    }

    fn seconds(&self, latest: &mut f64, findings: &mut Findings) -> Option<f64> {
        let (text, place) = (&self.record[0], self.place(0));
        let seconds = text.parse().ok().filter(|seconds: &f64| seconds.is_finite() && *seconds >= 0.0);
        match seconds {
            None => {
                let message = format!("\"{text}\" is no time");
                findings.add(Kind::BadTime, place, message, "write seconds from the beginning, as in 1.5");
                None
            }
            Some(seconds) if seconds < *latest => {
                let message = format!("{text} s is before the {latest} s of an earlier line");
                findings.add(Kind::TimeGoesBack, place, message, "put the lines in the order of their times");
                None
            }
            Some(seconds) => {
                *latest = seconds;
                Some(seconds)
            }
        }
    }

    fn gesture(&self, plan: &Plan, findings: &mut Findings) -> Option<Gesture> {
        let (name, value) = (&self.record[1], &self.record[2]);
        match name.split_once('/') {
            None if name == "fire" => self.fire(value, plan, findings).map(Gesture::Fire),
            None if name == "hush" => self.flag(value, findings).map(Gesture::Hush),
            None if name == "level" => self.level(value, findings).map(|db| Gesture::Level { output: None, db }),
            // No name of a mic, a group or an output has a stroke in it.
            Some(("level", effect)) if effect.contains('/') => {
                let names: Vec<_> =
                    plan.trims.iter().map(|one| format!("{}/{}", plan.owner_name(one.owner), one.key)).collect();
                let names = || names.iter().map(String::as_str);
                let found = self.find((Kind::UnknownEffect, "effect"), effect, names, findings);
                let db = self.number(value, LEAST_TRIM_DB, MOST_TRIM_DB, findings);
                Some(Gesture::Trim { trim: TrimId::new(found?), db: db? })
            }
            Some(("level", output)) => {
                let names = || plan.outputs.iter().map(|output| output.name.as_str());
                let found = self.find((Kind::UnknownOutput, "output"), output, names, findings);
                let db = self.level(value, findings);
                let output = found.map(OutputId::new)?;
                Some(Gesture::Level { output: Some(output), db: db? })
            }
            Some(("mute", mic)) => {
                let names = || plan.mics.iter().map(|mic| mic.name.as_str());
                let found = self.find((Kind::UnknownMic, "mic"), mic, names, findings);
                let muted = self.flag(value, findings);
                Some(Gesture::Mute { mic: MicId::new(found?), muted: muted? })
            }
            _ => {
                let id = self.controller(name, plan, findings);
                let value = self.number(value, 0.0, 1.0, findings);
                Some(Gesture::Controller { id: id?, value: value? })
            }
        }
    }

    fn find<'p, N: Iterator<Item = &'p str>>(
        &self,
        (kind, what): (Kind, &str),
        name: &str,
        names: impl Fn() -> N,
        findings: &mut Findings,
    ) -> Option<usize> {
        let found = names().position(|other| other == name);
        if found.is_none() {
            let remedy = near::remedy(name, &format!("{what}s"), names());
            findings.add(kind, self.place(1), format!("the piece has no {what} \"{name}\""), remedy);
        }
        found
    }

    fn fire(&self, mark: &str, plan: &Plan, findings: &mut Findings) -> Option<SceneId> {
        let found = plan.scenes.iter().position(|scene| scene.mark == mark);
        if found.is_none() {
            let remedy = near::remedy(mark, "marks", plan.scenes.iter().map(|scene| scene.mark.as_str()));
            findings.add(Kind::UnknownMark, self.place(2), format!("no scene carries the mark \"{mark}\""), remedy);
        }
        found.map(SceneId::new)
    }

    fn controller(&self, name: &str, plan: &Plan, findings: &mut Findings) -> Option<ControllerId> {
        let Some(index) = plan.controllers.iter().position(|controller| controller.name == name) else {
            let names = plan.controllers.iter().map(|controller| controller.name.as_str());
            let remedy = near::remedy(name, "controllers and other addresses", names.chain(RESERVED));
            let message = format!("the piece has no controller \"{name}\"");
            findings.add(Kind::UnknownController, self.place(1), message, remedy);
            return None;
        };
        if let Address::Loudness { mic, .. } = plan.controllers[index].address {
            let mic = &plan.mics[mic.index()].name;
            let message = format!("\"{name}\" follows the loudness of \"{mic}\", which is computed and never written");
            findings.add(Kind::LoudnessWritten, self.place(1), message, "leave this line out");
            return None;
        }
        Some(ControllerId::new(index))
    }

    fn flag(&self, value: &str, findings: &mut Findings) -> Option<bool> {
        match value {
            "1" => Some(true),
            "0" => Some(false),
            _ => {
                let message = format!("\"{value}\" is neither 1 nor 0");
                findings.add(Kind::BadValue, self.place(2), message, "write 1 for yes, 0 for no");
                None
            }
        }
    }

    fn level(&self, value: &str, findings: &mut Findings) -> Option<f32> {
        self.number(value, f32::MIN, MOST_LEVEL_DB, findings)
    }

    fn number(&self, value: &str, least: f32, most: f32, findings: &mut Findings) -> Option<f32> {
        let range = match least {
            f32::MIN => format!("write a number of dB, {most} at most, as in -3"),
            _ => format!("write a number from {least} to {most}"),
        };
        match value.parse().ok().filter(|number: &f32| number.is_finite()) {
            None => {
                findings.add(Kind::BadValue, self.place(2), format!("\"{value}\" is no number"), range);
                None
            }
            Some(number) if !(least..=most).contains(&number) => {
                let message = format!("{value} is outside what \"{}\" takes", &self.record[1]);
                findings.add(Kind::OutOfRange, self.place(2), message, range);
                None
            }
            Some(number) => Some(number),
        }
    }
}

/// The end of the record that begins at a byte: the first end of line outside quotes.
fn end_of_record(body: &str, start: usize) -> usize {
    let mut quoted = false;
    let end = body[start..].bytes().position(|byte| {
        quoted ^= byte == b'"';
        !quoted && (byte == b'\n' || byte == b'\r')
    });
    end.map_or(body.len(), |end| start + end)
}

/// Where a record truly begins: the reader counts the ends of line before it in.
fn beginning(body: &str, start: usize) -> usize {
    let start = start.min(body.len());
    start + body[start..].bytes().take_while(|byte| b"\r\n".contains(byte)).count()
}

fn whole(body: &str, start: usize, offset: usize) -> Place {
    let start = beginning(body, start);
    Place::new(0, start + offset..end_of_record(body, start) + offset)
}

/// The places of the fields of a record, quotes included.
fn fields(body: &str, start: usize, offset: usize) -> Vec<Place> {
    let start = beginning(body, start);
    let end = end_of_record(body, start);
    let mut places = Vec::new();
    let mut from = start;
    let mut quoted = false;
    for (at, byte) in body[start..end].bytes().enumerate() {
        quoted ^= byte == b'"';
        if byte == b',' && !quoted {
            places.push(Place::new(0, from + offset..start + at + offset));
            from = start + at + 1;
        }
    }
    places.push(Place::new(0, from + offset..end + offset));
    places
}
