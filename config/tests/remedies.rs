//! Whoever copies what a remedy shows gets what they meant, or what does no harm: over all quantities of the language
//! and many slips, what is shown is taken in its turn, and never louder or more extreme than what was written.

use proptest::prelude::*;
use tenterhook_config::{Checked, Kind, Report, Text, check};
use tenterhook_plan::declare::{self, Unit};

/// A key that takes a quantity: what stands before and after its value in a piece, or in a hall of this piece.
struct Place {
    what: String,
    unit: Unit,
    before: String,
    after: String,
    piece: Option<String>,
}

impl Place {
    /// What is said where this stands as the value.
    fn checked(&self, value: &str) -> Result<Checked, Report> {
        let text = format!("{}{value}{}", self.before, self.after);
        match &self.piece {
            None => check(&Text::new("piece.toml", text), None),
            Some(piece) => check(&Text::new("piece.toml", piece.as_str()), Some(&Text::new("hall.toml", text))),
        }
    }
}

/// All of them: those of a piece, those that only a hall has, and the settings of all effects.
fn places() -> Vec<Place> {
    let place = |what: &str, unit, before: &str, after: &str| Place {
        what: what.to_owned(),
        unit,
        before: before.to_owned(),
        after: after.to_owned(),
        piece: None,
    };
    let rest = "\n[outputs]\nleft = 1\n[controllers]\npedal = { cc = 64 }\n[[scene]]\nmark = \"A\"\n[scene.mic.voice]\n\
                freeze = { by = \"pedal\" }\n";
    let by_loudness = "mics.voice = 1\noutputs.left = 1\n[controllers]\npedal = { loudness = \"voice\", ";
    let scene = "[[scene]]\nmark = \"A\"\n[scene.mic.voice]\nfreeze = { by = \"pedal\" }\n";
    let effects = "mics.voice = 1\noutputs.left = 1\ncontrollers.pedal = { cc = 64 }\n[[scene]]\nmark = \"A\"\n";
    let mut places = vec![
        place("tuning", Unit::Hertz, "tuning = ", &format!("\n[mics]\nvoice = 1{rest}")),
        place("trim", Unit::Decibels, "[mics]\nvoice = { input = 1, trim = ", &format!(" }}{rest}")),
        place("highpass", Unit::Hertz, "[mics]\nvoice = { input = 1, highpass = ", &format!(" }}{rest}")),
        place(
            "ceiling",
            Unit::Decibels,
            "mics.voice = 1\noutputs.left = { output = 1, ceiling = ",
            &format!(" }}\n[controllers]\npedal = {{ cc = 64 }}\n{scene}"),
        ),
        place("from", Unit::Decibels, by_loudness, &format!(", to = \"-0.512 dB\" }}\n{scene}")),
        place("to", Unit::Decibels, by_loudness, &format!(", from = \"-119.5 dB\" }}\n{scene}")),
        place(
            "fade",
            Unit::Seconds,
            &format!("{effects}fade = "),
            "\n[scene.mic.voice]\nfreeze = { by = \"pedal\" }\n",
        ),
        place("level", Unit::Decibels, &format!("{effects}mic.voice.freeze = {{ by = \"pedal\", level = "), " }\n"),
        place(
            "send",
            Unit::Decibels,
            &format!("{effects}mic.voice.freeze = {{ by = \"pedal\", to = {{ left = "),
            " } }\n",
        ),
    ];
    for one in &mut places[4..6] {
        one.before.push_str(&format!("{} = ", one.what));
    }
    places.push(Place {
        piece: Some(format!("{effects}mic.voice.freeze = {{ by = \"pedal\" }}\n")),
        ..place("away", Unit::Metres, "outputs.left = { away = ", " }\n")
    });
    for effect in tenterhook_dsp::effects::EFFECTS {
        let name = effect.declaration.name;
        for setting in effect.declaration.settings {
            let declare::Kind::Quantity { unit, .. } = setting.kind else { continue };
            let need = |other: &&declare::SettingDeclaration| matches!(other.kind, declare::Kind::Tuning);
            let needed = effect.declaration.settings.iter().find(need);
            let beside = needed.map(|other| format!(", {} = \"D3 A3\"", other.name)).unwrap_or_default();
            let before = format!("{effects}mic.voice.{name} = {{ by = \"pedal\"{beside}, {} = ", setting.name);
            places.push(place(setting.name, unit, &before, " }\n"));
        }
    }
    places
}

/// What a slip says if it can be compared: a number with the unit of its place in some spelling, or a percentage.
fn compared(unit: Unit, number: f64, word: &str) -> Option<f64> {
    match (unit, word.trim().to_lowercase().as_str()) {
        (Unit::Decibels, "db" | "dbs" | "decibels")
        | (Unit::Hertz, "hz" | "hertz")
        | (Unit::Seconds, "s" | "sec" | "seconds") => Some(number),
        (Unit::Seconds, "ms" | "msec") => Some(number / 1000.0),
        (Unit::Seconds, "min") => Some(number * 60.0),
        (Unit::Hertz, "khz") => Some(number * 1000.0),
        (Unit::Metres, "m" | "metres") => Some(number),
        (Unit::Metres, "cm") => Some(number / 100.0),
        // A share of the amplitude.
        (Unit::Decibels, "%") if number >= 0.0 => Some((20.0 * (number / 100.0).log10()).max(-120.0)),
        (Unit::Decibels, "x") if number >= 0.0 => Some((20.0 * number.log10()).max(-120.0)),
        _ => None,
    }
}

/// The quantities that a remedy shows, as they would be copied.
fn shown(remedy: &str, place: &Place) -> Vec<String> {
    if place.unit != Unit::Number {
        return remedy.split('"').skip(1).step_by(2).map(|text| format!("\"{text}\"")).collect();
    }
    remedy.split([' ', ':', ',']).filter(|word| word.parse::<f64>().is_ok()).map(str::to_owned).collect()
}

fn value(text: &str) -> f64 {
    let text = text.trim_matches('"');
    let number: f64 = text.split(' ').next().unwrap_or_default().parse().unwrap_or(f64::NAN);
    if text.ends_with(" ms") { number / 1000.0 } else { number }
}

/// What is amiss with the remedy for a slip, whose value is `said` where it can be compared.
fn judge(place: &Place, slip: &str, said: Option<f64>) -> Result<(), String> {
    let Err(report) = place.checked(slip) else { return Ok(()) };
    let what = &place.what;
    let errors: Vec<_> = report.diagnostics().iter().filter(|one| one.kind.severity().name() == "error").collect();
    let [error] = errors.as_slice() else { return Err(format!("{what} = {slip}: {}", report.render(false))) };
    if error.kind == Kind::Syntax {
        return Ok(());
    }
    let shown = shown(&error.remedy, place);
    let fail = |why: &str| Err(format!("{what} = {slip}: {why}: {}", error.remedy));
    if shown.is_empty() {
        return fail("it shows nothing to copy");
    }
    for text in &shown {
        if let Err(report) = place.checked(text) {
            return fail(&format!("{text} is refused in turn: {}", report.render(false)));
        }
    }
    let Some(said) = said.filter(|said| said.is_finite()) else { return Ok(()) };
    let first = value(&shown[0]);
    let kept = (first - said).abs() <= 0.11 || (first / said - 1.0).abs() < 1e-9;
    // What the key does not take becomes the nearest that it does.
    let least = place.checked(&spelled(place.unit, said)).is_err();
    if !kept && !least {
        return fail(&format!("{said} was meant"));
    }
    // Of what lies under the range the least that there is can only be more.
    if place.unit == Unit::Decibels && first > said + 1e-9 && !(least && said < 0.0) {
        return fail(&format!("it is louder than {said} dB"));
    }
    Ok(())
}

fn spelled(unit: Unit, value: f64) -> String {
    match unit {
        Unit::Number => format!("{value}"),
        Unit::Seconds => format!("\"{value} s\""),
        Unit::Decibels => format!("\"{value} dB\""),
        Unit::Hertz => format!("\"{value} Hz\""),
        Unit::Metres => format!("\"{value} m\""),
    }
}

const WORDS: [&str; 25] = [
    "",
    " dB",
    " db",
    "dBs",
    " decibels",
    " s",
    " sec",
    " S",
    " ms",
    " msec",
    " min",
    " Hz",
    " hz",
    " hertz",
    " kHz",
    " %",
    "%",
    " x",
    " beats",
    " dB less",
    " semitones",
    " V",
    " m",
    " metres",
    " cm",
];
const BEFORE: [&str; 12] = ["", "", "", "", "a=", "a = ", "ca. ", "minus ", "= ", "~", "2-", "- "];

fn number() -> impl Strategy<Value = f64> {
    let round = |steps: f64| move |value: f64| (value * steps).round() / steps;
    prop_oneof![
        (-150.0..150.0).prop_map(round(10.0)),
        (-2.0..2.0).prop_map(round(100.0)),
        (0.0..20_000.0).prop_map(round(1.0)),
        prop::sample::select(vec![0.0, 10.0, 50.0, 100.0, 415.0, 0.415, 1.5, 24.0, -120.0, 1e9, -1e9]),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 4000, ..Default::default() })]

    #[test]
    fn a_remedy_is_taken_and_never_more_than_what_was_written(
        place in 0usize..1000,
        number in number(),
        word in prop::sample::select(WORDS.to_vec()),
        before in prop::sample::select(BEFORE.to_vec()),
        sign in prop::sample::select(vec!["-", "\u{2212}", "\u{2013}"]),
        comma in any::<bool>(),
        bare in prop::bool::weighted(0.15),
    ) {
        let places = places();
        let place = &places[place % places.len()];
        let mut written = number.to_string();
        if bare {
            let said = if place.unit == Unit::Number { Some(number) } else { None };
            if let Err(why) = judge(place, &written, said) {
                prop_assert!(false, "{}", why);
            }
            return Ok(());
        }
        let thousands = written.split('.').nth(1).is_some_and(|decimals| decimals.len() == 3);
        if comma && !thousands {
            written = written.replace('.', ",");
        }
        let slip = format!("\"{before}{}{word}\"", written.replace('-', sign));
        let said = if before.is_empty() { compared(place.unit, number, word) } else { None };
        if let Err(why) = judge(place, &slip, said) {
            prop_assert!(false, "{}", why);
        }
    }
}

#[test]
fn words_and_other_things_get_a_remedy_that_is_taken() {
    for place in places() {
        for slip in
            ["\"\"", "\"loud\"", "\"10 %\"", "\"a=415\"", "true", "[]", "{}", "1979-05-27", "\"∞ dB\"", "\"1e999 s\""]
        {
            judge(&place, slip, None).unwrap_or_else(|why| panic!("{why}"));
        }
    }
}

/// Two that were seen: each was once told a value that is loud, or absurd.
#[test]
fn ten_percent_is_not_ten_decibels_and_415_not_2_hertz() {
    let remedy = |what: &str, slip: &str| {
        let places = places();
        let place = places.iter().find(|place| place.what == what).expect("a place");
        place.checked(slip).expect_err("a slip").diagnostics()[0].remedy.clone()
    };
    assert_eq!(remedy("send", "\"10 %\""), "write \"-20 dB\"");
    assert_eq!(remedy("tuning", "\"a=415\""), "write \"415 Hz\"");
    assert_eq!(remedy("send", "10"), "write a level with its unit, as in \"0 dB\"");
    assert_eq!(remedy("send", "\"200 dB\""), "write \"24 dB\": it takes from \"-120 dB\" to \"24 dB\"");
}
