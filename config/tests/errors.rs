//! Every kind of error and caution: one slip in a sound piece, hall or gestures file gives exactly that diagnostic, at
//! exactly that place, with a remedy that shows the right spelling.

mod slips;

use slips::In::{Bytes, Csv, Hall, Lines, Piece, Whole};
use slips::{In, SOUND, cases, marked_piece, unmark};
use tenterhook_config::{Diagnostic, Kind, Report, Severity, Text, check, gestures};

/// What is said about a case, and the place that its marks enclose.
fn run(place: &In) -> (Report, Option<(usize, usize, usize)>) {
    let (piece, mut marks) = unmark(&marked_piece(place));
    let piece = Text::new("piece.toml", piece);
    let hall = match place {
        Hall(text) => {
            let (text, found) = unmark(text);
            marks = found;
            Some(Text::new("hall.toml", text))
        }
        _ => None,
    };
    let checked = check(&piece, hall.as_ref());
    let bytes = match place {
        Lines(lines) => format!("seconds,controller,value\n{lines}").into_bytes(),
        Csv(text) => (*text).to_owned().into_bytes(),
        Bytes(bytes) => bytes.clone(),
        Piece(..) | Whole(_) | Hall(_) => {
            return (checked.map_or_else(|report| report, |checked| checked.cautions), marks);
        }
    };
    let (bytes, marks) = match std::str::from_utf8(&bytes).map(unmark) {
        Ok((text, marks)) => (text.into_bytes(), marks),
        Err(_) => (bytes, None),
    };
    let plan = checked.expect("the piece itself is sound").plan;
    (gestures("lines.csv", &bytes, &plan).map_or_else(|report| report, |read| read.cautions), marks)
}

#[test]
fn the_sound_piece_is_sound() {
    let checked =
        check(&Text::new("piece.toml", SOUND), None).unwrap_or_else(|report| panic!("{}", report.render(false)));
    assert!(checked.cautions.is_empty(), "{}", checked.cautions.render(false));
}

/// What is amiss with the diagnostics of a case.
fn judge(kind: Kind, place: &In, remedy: &str) -> Result<(), String> {
    let (report, marks) = run(place);
    let rendered = report.render(false);
    let fail = |what: String| Err(format!("{kind:?}: {what}\n{rendered}"));
    let of_severity: Vec<&Diagnostic> =
        report.diagnostics().iter().filter(|one| one.kind.severity() == kind.severity()).collect();
    let kinds: Vec<_> = of_severity.iter().map(|one| one.kind).collect();
    if kind.severity() == Severity::Error && kinds != [kind] {
        return fail(format!("the errors are {kinds:?}"));
    }
    let position = |one: &Diagnostic| one.position.as_ref().map(|place| (place.line, place.column, place.length));
    let same = |one: &&&Diagnostic| one.kind == kind && (marks.is_none() || position(one) == marks);
    let Some(found) = of_severity.iter().find(same) else { return fail(format!("there is none at {marks:?}")) };
    if !found.remedy.contains(remedy) {
        return fail(format!("{remedy:?} is not in the remedy"));
    }
    if found.message.is_empty() || found.message.contains('\n') {
        return fail("the message is not one sentence".to_owned());
    }
    // What people see: the place, the sentence and the remedy.
    let place = match position(found) {
        Some((line, column, _)) => format!("{}:{line}:{column}", found.file),
        None => found.file.clone(),
    };
    if !rendered.contains(&place) || (found.position.is_some() && !rendered.contains('^')) {
        return fail(format!("{place} is not shown, or nothing is underlined"));
    }
    if !rendered.contains(&found.message) || !rendered.contains(&found.remedy) {
        return fail("the sentence or the remedy is not shown".to_owned());
    }
    Ok(())
}

#[test]
fn one_slip_gives_one_diagnostic_of_its_kind_at_its_place_with_its_remedy() {
    let amiss: Vec<_> = cases().iter().filter_map(|(kind, place, remedy)| judge(*kind, place, remedy).err()).collect();
    assert!(amiss.is_empty(), "{} cases:\n{}", amiss.len(), amiss.join("\n"));
}

#[test]
fn every_kind_has_a_case() {
    let cases = cases();
    for kind in Kind::ALL {
        assert!(cases.iter().any(|(of, ..)| of == kind), "{kind:?} has no case");
    }
}

#[test]
fn names_of_kinds_are_all_different() {
    for (index, kind) in Kind::ALL.iter().enumerate() {
        assert!(Kind::ALL[..index].iter().all(|other| other.name() != kind.name()), "{}", kind.name());
    }
}

#[test]
fn all_errors_come_at_once_and_in_the_order_of_the_file() {
    let text = SOUND
        .replace("title =", "titel =")
        .replace("voice = 1", "voice = 0")
        .replace("by = \"pedal\"", "by = \"pedel\"")
        .replace("by = \"foot\"", "by = \"foto\"");
    let report = check(&Text::new("piece.toml", text), None).expect_err("four slips");
    let found: Vec<_> = report.diagnostics().iter().map(|one| one.kind).collect();
    use Kind::*;
    assert_eq!(found, [UnknownKey, OutOfRange, UnknownController, UnknownController]);
    let lines: Vec<_> = report.diagnostics().iter().filter_map(|one| one.position.as_ref()).map(|at| at.line).collect();
    assert_eq!(lines, [2, 6, 24, 26]);
}

#[test]
fn a_name_that_needs_quotes_has_them_in_what_is_to_be_written() {
    let piece = SOUND.replace("right = { output = 2 }", "\"her own\" = { output = 2, private = true }");
    let hall = |text: String| check(&Text::new("piece.toml", piece.as_str()), Some(&Text::new("hall.toml", text)));
    let report = hall("[outputs]\n\"her own\" = 1\n".to_owned()).expect_err("all would hear it");
    let remedy = &report.diagnostics()[0].remedy;
    let (_, written) = remedy.split_once("write ").expect("it says what to write");
    let (written, _) = written.split_once(" in the hall").expect("and where");
    // Copied as it stands it does what was said.
    assert!(hall(format!("[outputs]\n{written}\n")).is_ok(), "{written}");
    let report = check(&Text::new("piece.toml", SOUND.replace("both = [", "\"the two\" = []\nboth = [")), None);
    let remedy = report.expect_err("it is empty").diagnostics()[0].remedy.clone();
    assert!(remedy.contains("write \"the two\" = [\"…\"]"), "{remedy}");
}

#[test]
fn errors_of_the_piece_and_of_the_hall_come_together() {
    let piece = Text::new("piece.toml", SOUND.replace("title =", "titel ="));
    let hall = Text::new("hall.toml", "[mics]\nvioce = 3\n");
    let report = check(&piece, Some(&hall)).expect_err("a slip in each");
    let files: Vec<_> = report.diagnostics().iter().map(|one| (one.file.as_str(), one.kind)).collect();
    assert_eq!(files, [("piece.toml", Kind::UnknownKey), ("hall.toml", Kind::UnknownMic)]);
}

#[test]
fn columns_count_characters_and_the_underline_stands_below_the_text() {
    let text = "title = \"Ré\"\nmics = { voix = 1, \"flûte\" = { input = 2, trim = 3 } }\n";
    let report = check(&Text::new("pièce.toml", text), None).expect_err("a bare number");
    let found = report.diagnostics().iter().find(|one| one.kind == Kind::MissingUnit).expect("a bare number");
    let position = found.position.as_ref().expect("it has a place");
    // Counted by hand: `mics = { voix = 1, "flûte" = { input = 2, trim = ` is 49 characters (and 50 bytes).
    assert_eq!((position.line, position.column, position.length), (2, 50, 1));
    assert_eq!(&text[position.span.clone()], "3");
    let rendered = report.render(false);
    let lines: Vec<_> = rendered.lines().collect();
    let at = lines.iter().position(|line| line.contains("pièce.toml:2:50")).expect("its place");
    let below = |sign: char, line: &str| line.chars().position(|c| c == sign);
    let shown = lines[at + 2];
    let column = shown.chars().count() - " } }".len() - 1;
    assert_eq!(below('^', lines[at + 3]), Some(column), "{rendered}");
}

#[test]
fn colour_is_there_only_when_asked_for() {
    let report = check(&Text::new("piece.toml", "titel = 1"), None).expect_err("a slip");
    assert!(!report.render(false).contains('\u{1b}'));
    assert!(report.render(true).contains('\u{1b}'));
}

#[test]
fn programs_read_the_same_as_people() {
    let text = SOUND.replace("title =", "titel =");
    let report = check(&Text::new("piece.toml", text), None).expect_err("a slip");
    let json = report.to_json();
    let one = &json[0];
    assert_eq!(json.as_array().map(Vec::len), Some(report.diagnostics().len()));
    assert_eq!(
        (&one["severity"], &one["kind"], &one["file"]),
        (&"error".into(), &"unknown-key".into(), &"piece.toml".into())
    );
    assert_eq!((&one["line"], &one["column"], &one["length"]), (&2.into(), &1.into(), &5.into()));
    assert_eq!(one["message"], report.diagnostics()[0].message);
    assert_eq!(one["remedy"], report.diagnostics()[0].remedy);
}
