//! One slip hides no other: whatever is wrong in a piece, what is wrong elsewhere in it is told as well.

mod slips;

use slips::In::Piece;
use slips::{SOUND, cases, unmark};
use tenterhook_config::{Kind, Severity, Text, check};

/// The errors of a piece, with their remedies.
fn errors(text: &str) -> Vec<(Kind, String)> {
    let Err(report) = check(&Text::new("piece.toml", text), None) else { return Vec::new() };
    let errors = report.diagnostics().iter().filter(|one| one.kind.severity() == Severity::Error);
    errors.map(|one| (one.kind, one.remedy.clone())).collect()
}

/// Where a case replaces what, and by what.
struct Slip {
    kind: Kind,
    at: std::ops::Range<usize>,
    by: String,
    remedy: &'static str,
}

fn slips() -> Vec<Slip> {
    let slip = |(kind, place, remedy)| match place {
        Piece(this, that) if kind_is_error(kind) && !that.contains("PORTS") => {
            let at = SOUND.find(this)?;
            Some(Slip { kind, at: at..at + this.len(), by: unmark(that).0, remedy })
        }
        _ => None,
    };
    cases().into_iter().filter_map(slip).collect()
}

fn kind_is_error(kind: Kind) -> bool {
    kind.severity() == Severity::Error
}

/// The lines of the sound piece that a slip touches.
fn lines(slip: &Slip) -> std::ops::RangeInclusive<usize> {
    let line = |at: usize| SOUND[..at].matches('\n').count();
    line(slip.at.start)..=line(slip.at.end)
}

/// Kinds that say how two things stand to each other: a slip in the one may hide them in the other.
const BETWEEN_TWO: [Kind; 7] = [
    Kind::MessageReachesTwo,
    Kind::MicChannelTaken,
    Kind::MarkTwice,
    Kind::MissingKey,
    Kind::UselessKey,
    Kind::CommandByLoudness,
    Kind::CommandWorksEffect,
];

#[test]
fn any_two_slips_on_lines_of_their_own_are_both_told() {
    let slips = slips();
    let (mut hidden, mut between, mut pairs) = (Vec::new(), 0, 0);
    for first in &slips {
        for second in slips.iter().filter(|second| lines(first).end() < lines(second).start()) {
            let text = [
                &SOUND[..first.at.start],
                &first.by,
                &SOUND[first.at.end..second.at.start],
                &second.by,
                &SOUND[second.at.end..],
            ]
            .concat();
            let found = errors(&text);
            pairs += 1;
            for slip in [first, second] {
                if found.iter().any(|(kind, remedy)| *kind == slip.kind && remedy.contains(slip.remedy)) {
                    continue;
                }
                if BETWEEN_TWO.contains(&slip.kind) {
                    between += 1;
                } else {
                    hidden.push(format!("{:?} of {:?} and {:?}: {found:?}", slip.kind, first.by, second.by));
                }
            }
        }
    }
    println!("{pairs} pairs, in {between} of them what is between the two is hidden");
    assert!(hidden.is_empty(), "{} of {pairs}:\n{}", hidden.len(), hidden.join("\n"));
    assert!(pairs > 4000 && between < 25, "{pairs}, {between}");
}

#[test]
fn what_is_broken_brings_no_errors_of_its_own_in_a_hall_for_it() {
    let piece = Text::new("piece.toml", SOUND.replace("voice = 1", "voice ="));
    let hall = Text::new("hall.toml", "[mics]\nvoice = 3\nvoil = 4\n[outputs\nleft = 5\n");
    let report = check(&piece, Some(&hall)).unwrap_err();
    let found: Vec<_> = report.diagnostics().iter().map(|one| (one.file.as_str(), one.kind)).collect();
    let (p, h) = ("piece.toml", "hall.toml");
    assert_eq!(found, [(p, Kind::Syntax), (h, Kind::UnknownMic), (h, Kind::Syntax)]);
}

#[test]
fn several_broken_lines_are_all_told_and_what_stands_between_them_is_checked() {
    let text = "title = “Dusk”\nmics = { voice = 1, viol = 2\n[outputs]\nleft = 1\nright 2\n[controllers]\n\
        pedal = { cc = 640 }\nflöte = { cc = 3 }\n[[scene]\nmark = \"A\"\nmic.voice.freeze = { by = “pedal” }\n\
        mic.viol.reverb = { by = \"flöte\" }\n";
    let report = check(&Text::new("piece.toml", text), None).unwrap_err();
    let found: Vec<_> =
        report.diagnostics().iter().map(|one| (one.position.as_ref().map_or(0, |at| at.line), one.kind)).collect();
    use Kind::*;
    #[rustfmt::skip]
    let expected = [
        (1, Syntax), (2, Syntax), (5, Syntax), (7, OutOfRange), (8, Syntax), (9, Syntax), (11, Syntax), (12, UnknownEffect),
    ];
    assert_eq!(found, expected, "{}", report.render(false));
}

#[test]
fn fragments_are_told_once_each() {
    for text in
        ["\"=", "\"", "[", "[[", "]", "=", "a=[", "\"\"\"", "“", "[“]", "a.“=“", "a = 1\n'", "{\n[\n(", "a = {\n\nb"]
    {
        let report = check(&Text::new("piece.toml", text), None).unwrap_err();
        let places: Vec<_> = report
            .diagnostics()
            .iter()
            .filter(|one| one.kind == Kind::Syntax)
            .map(|one| one.position.clone())
            .collect();
        assert!(!places.is_empty() && places.len() <= 3, "{text:?}: {}", report.render(false));
        let lines: Vec<_> = places.iter().flatten().map(|place| place.line).collect();
        assert!(lines.windows(2).all(|pair| pair[0] < pair[1]), "{text:?}: {}", report.render(false));
    }
}
