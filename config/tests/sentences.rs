//! The errors that people meet, whole, as they see them; and that no sign in a file works their terminal.

use proptest::prelude::*;
use tenterhook_config::{Gestures, Report, Text, check, gestures};
use tenterhook_plan::is_hidden;

/// A piece without a fault.
const SOUND: &str = r#"title = "Dusk"
next = "step"

[mics]
voice = 1

[outputs]
left = 1

[controllers]
pedal = { cc = 64 }
step = { key = "n" }

[[scene]]
mark = "A"
[scene.mic.voice]
freeze = { by = "pedal" }
"#;

fn report(piece: &str) -> Report {
    check(&Text::new("dusk.toml", piece), None).map_or_else(|report| report, |checked| checked.cautions)
}

/// What a person sees of the sound piece with one slip in it.
#[track_caller]
fn is_seen(this: &str, that: &str, seen: &str) {
    assert!(SOUND.contains(this), "{this}");
    let told = report(&SOUND.replacen(this, that, 1)).render(false);
    assert_eq!(told.trim_end(), seen.trim_matches('\n'), "{told}");
}

#[test]
fn curly_quotes() {
    is_seen(
        "by = \"pedal\"",
        "by = “pedal”",
        r#"
error: these quotes are curly, and TOML knows straight ones only
  --> dusk.toml:17:17
   |
17 | freeze = { by = “pedal” }
   |                 ^^^^^^^
   |
   = help: write "pedal" with straight quotes, as a program for plain text does"#,
    );
}

#[test]
fn something_that_is_not_closed() {
    is_seen(
        "{ cc = 64 }",
        "{ cc = 64",
        r#"
error: this is not TOML: what is opened here is not closed
  --> dusk.toml:11:9
   |
11 | pedal = { cc = 64
   |         ^
   |
   = help: close it with }"#,
    );
}

#[test]
fn a_header_without_its_bracket() {
    is_seen(
        "[[scene]]",
        "[[scene]",
        r#"
error: this is not TOML: [[scene] is no header of a table
  --> dusk.toml:14:1
   |
14 | [[scene]
   | ^^^^^^^^
   |
   = help: write [[scene]]"#,
    );
}

#[test]
fn one_controller_works_one_effect() {
    is_seen(
        "by = \"pedal\"",
        "by = [\"pedal\", \"step\"]",
        r#"
error: "by" takes one name, and this is a list: one controller works one effect
  --> dusk.toml:17:17
   |
17 | freeze = { by = ["pedal", "step"] }
   |                 ^^^^^^^^^^^^^^^^^
   |
   = help: write by = "pedal", and let "step" work an effect of its own, with a key of your own and effect = "…" beside it"#,
    );
    is_seen(
        "\"step\"",
        "[\"step\"]",
        r#"
error: "next" takes one name, and this is a list
 --> dusk.toml:2:8
  |
2 | next = ["step"]
  |        ^^^^^^^^
  |
  = help: write next = "step""#,
    );
}

#[test]
fn an_interval_without_a_unit() {
    is_seen(
        "freeze = {",
        "double = { interval = -7,",
        r#"
error: "interval" is an interval, and -7 has no unit
  --> dusk.toml:17:23
   |
17 | double = { interval = -7, by = "pedal" }
   |                       ^^
   |
   = help: write "-700 cents" if semitones are meant ("fifth down" is the pure one), "-7 cents" if cents are"#,
    );
    is_seen(
        "freeze = {",
        "double = { interval = \"3 semitones\",",
        r#"
error: "interval" is an interval, and "3 semitones" is none
  --> dusk.toml:17:23
   |
17 | double = { interval = "3 semitones", by = "pedal" }
   |                       ^^^^^^^^^^^^^
   |
   = help: write "300 cents" if semitones are meant ("minor third" is the pure one), "3 cents" if cents are"#,
    );
}

#[test]
fn a_key_that_belongs_above_the_table_it_stands_in() {
    is_seen(
        "step = { key",
        "back = \"step\"\nstep = { key",
        r#"
error: "back" belongs to the piece, and stands in the table [controllers]
  --> dusk.toml:12:1
   |
12 | back = "step"
   | ^^^^
   |
   = help: write this line above the first [table]: what stands below the header of a table belongs to that table"#,
    );
    is_seen(
        "mark = \"A\"\n[scene.mic.voice]\n",
        "[scene.mic.voice]\nmark = \"A\"\n",
        r#"
error: "mark" belongs to the scene, and stands in the effects of a mic or group
  --> dusk.toml:16:1
   |
16 | mark = "A"
   | ^^^^
   |
   = help: write this line directly below [[scene]]: what stands below the header of a table belongs to that table"#,
    );
}

#[test]
fn what_is_the_mixing_desks_work() {
    is_seen(
        "freeze = {",
        "reverb = {",
        r#"
error: "reverb" is no effect of a piece: it is the mixing desk's work
  --> dusk.toml:17:1
   |
17 | reverb = { by = "pedal" }
   | ^^^^^^
   |
   = help: leave it out, and let the desk add it to the outputs; the effects are "stretch", "reverse", "freeze", "sympathetic", "double", "tape", "answer", "direct""#,
    );
}

#[test]
fn signs_that_work_a_terminal_are_spelled_out_in_the_sentence_and_in_the_line() {
    is_seen(
        "mark = \"A\"",
        "mark = \"A\u{9b}2J\"",
        r#"
error: a mark has a character in it that cannot be printed
  --> dusk.toml:15:8
   |
15 | mark = "A\u009b2J"
   |        ^^^^^^^^^^^
   |
   = help: leave that character out"#,
    );
    is_seen(
        "by = \"pedal\"",
        "by = \"pe\\u001b]0;dal\"",
        r#"
error: there is no controller "pe\u001b]0;dal"
  --> dusk.toml:17:17
   |
17 | freeze = { by = "pe\u001b]0;dal" }
   |                 ^^^^^^^^^^^^^^^^
   |
   = help: the controllers are "pedal", "step", "scene""#,
    );
}

/// A text with a sign in it that does something to a terminal, and how TOML spells that sign.
fn hidden() -> impl Strategy<Value = (String, String)> {
    let signs: Vec<char> = ('\0'..='\u{ffff}').filter(|c| is_hidden(*c)).collect();
    ("[a-z ]{0,3}", prop::sample::select(signs), "[a-z\\[;]{0,3}").prop_map(|(before, sign, after)| {
        (format!("{before}{sign}{after}"), format!("{before}\\u{:04x}{after}", u32::from(sign)))
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn no_sign_of_a_name_or_of_a_line_reaches_a_terminal_raw((raw, spelled) in hidden(), place in 0usize..9, broken: bool) {
        let (this, that) = [
            ("voice = 1", "\"#\" = 1"),
            ("left = 1", "\"#\" = 1"),
            ("pedal = {", "\"#\" = {"),
            ("\"pedal\"", "\"#\""),
            ("freeze =", "\"#\" ="),
            ("mark = \"A\"", "mark = \"#\""),
            ("mark = \"A\"", "mark = \"A\"\n\"#\" = 1"),
            ("title = \"Dusk\"", "\"#\" = \"Dusk\""),
            ("cc = 64", "cc = 64, port = \"#\", \"#\" = 1"),
        ][place];
        let name = if broken { &raw } else { &spelled };
        let piece = SOUND.replacen(this, &that.replace('#', name), 1);
        let file = format!("{raw}.toml");
        let told = check(&Text::new(file, piece), None).map_or_else(|report| report, |checked| checked.cautions);
        for line in told.render(false).lines() {
            prop_assert!(!line.contains(is_hidden), "{line:?}");
        }
        // In colour there are the renderer's own sequences, and no others.
        let coloured = told.render(true);
        let plain: String = coloured.split("\u{1b}[").enumerate().map(|(n, part)| match n {
            0 => part,
            _ => part.trim_start_matches(|c: char| c.is_ascii_digit() || c == ';').strip_prefix('m').unwrap_or("\u{1b}"),
        }).collect();
        prop_assert!(!plain.lines().any(|line| line.contains(is_hidden)), "{plain:?}");
    }

    #[test]
    fn nor_do_those_of_a_gestures_file((raw, _) in hidden(), field in 0usize..3) {
        let plan = check(&Text::new("dusk.toml", SOUND), None).unwrap().plan;
        let mut fields = ["1", "pedal", "1"].map(str::to_owned);
        fields[field] = format!("\"{}\"", raw.replace('"', "\"\""));
        let lines = format!("seconds,controller,value\n{}\n", fields.join(","));
        let told = gestures(&raw, lines.as_bytes(), &plan).map_or_else(|report| report, |Gestures { cautions, .. }| cautions);
        prop_assert!(!told.render(false).lines().any(|line| line.contains(is_hidden)), "{:?}", told.render(false));
    }
}

#[test]
fn of_very_many_errors_fifty_are_shown_no_cause_hides_another_and_the_rest_is_counted() {
    let mut piece = SOUND.to_owned();
    for n in 0..20_000 {
        piece += &format!("effect{n} = {{ by = \"scene\" }}\n");
    }
    let at = piece.len();
    piece += "reverse = { by = \"pedel\" }\n[[scene]]\nfade = 2\n";
    let report = report(&piece);
    assert_eq!(report.diagnostics().len(), 20_003);
    assert_eq!(report.to_json().as_array().map(Vec::len), Some(20_003), "programs get all of them");
    let told = report.render(false);
    assert_eq!(told.matches("error: ").count(), 50);
    for rare in ["there is no controller \"pedel\"", "\"fade\" is a time and needs its unit", "this scene has no mark"]
    {
        assert!(told.contains(rare), "{rare}: {told}");
    }
    assert!(told.trim_end().ends_with("and 19953 more: 19953 of unknown-effect"), "{told}");
    assert!(report.diagnostics().iter().any(|one| one.position.as_ref().is_some_and(|place| place.span.start >= at)));
}

#[test]
fn a_very_long_line_is_shown_around_the_place() {
    let many: String = (0..20_000).map(|n| format!("m{n} = 0, ")).collect();
    let piece = format!("mics = {{ {many} }}\noutputs = {{ left = 1 }}\n[[scene]]\nmark = \"A\"\n");
    let told = report(&piece).render(false);
    assert!(told.len() < 50 * 1000, "{} bytes", told.len());
    assert!(told.contains("dusk.toml:1:15") && told.contains("write a number from 1 to 1024"), "{told}");
}
