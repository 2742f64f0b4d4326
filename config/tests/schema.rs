//! The schemas of pieces and halls: they know the keys that the parser knows, and an independent validator refuses by
//! them what can be refused without knowing names.

mod letters;
mod slips;

use jsonschema::{Validator, draft202012};
use letters::{LETTERS, any_hall, mutated};
use proptest::prelude::*;
use serde_json::Value;
use slips::In::{self, Hall, Piece, Whole};
use slips::{SOUND, cases, marked_piece, unmark};
use std::collections::BTreeSet;
use std::sync::LazyLock;
use tenterhook_config::{Kind, Report, SchemaText, Text, check, schema};
use tenterhook_dsp::effects::EFFECTS;

static PIECE: LazyLock<Validator> = LazyLock::new(|| draft202012::new(&schema(SchemaText::Piece)).unwrap());
static HALL: LazyLock<Validator> = LazyLock::new(|| draft202012::new(&schema(SchemaText::Hall)).unwrap());

/// A text as an editor hands it to a validator; `None`: it is not TOML.
fn json(text: &str) -> Option<Value> {
    toml::from_str(text).ok()
}

fn accepts(by: &Validator, text: &str) -> bool {
    json(text).is_some_and(|value| by.is_valid(&value))
}

/// Why a schema refuses a text, in words; empty: it does not.
fn refusal(by: &Validator, text: &str) -> String {
    by.iter_errors(&json(text).expect("TOML")).map(|error| format!("{}: {error}\n", error.instance_path())).collect()
}

fn found(piece: &str, hall: Option<&str>) -> Report {
    let hall = hall.map(|hall| Text::new("hall.toml", hall));
    check(&Text::new("piece.toml", piece), hall.as_ref()).map_or_else(|report| report, |_| Report::default())
}

#[test]
fn both_are_schemas_of_the_draft() {
    for of in [SchemaText::Piece, SchemaText::Hall] {
        let schema = schema(of);
        assert!(draft202012::meta::is_valid(&schema), "{:?}", draft202012::meta::validate(&schema));
    }
}

#[test]
fn what_is_right_is_accepted() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../scenes");
    let paths = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let bundled: Vec<_> = paths.filter(|path| path.extension().is_some_and(|ending| ending == "toml")).collect();
    assert!(bundled.len() > EFFECTS.len(), "the demo, and an étude for each effect");
    for path in bundled {
        let text = std::fs::read_to_string(&path).unwrap();
        assert_eq!(refusal(&PIECE, &text), "", "{}", path.display());
    }
    assert_eq!(refusal(&PIECE, LETTERS), "");
    assert_eq!(refusal(&PIECE, SOUND), "");
    assert_eq!(refusal(&HALL, ""), "");
    let hall = "mics.viol = 7\nmics.voice = { input = \"none\", trim = \"-3 dB\" }\noutputs.left = \"none\"\n\
        controllers.foot = { channel = 3 }\n[device]\nhost = \"clock\"\nrate = 48000\nblock = 64\ninput = \"Stage box\"\n";
    assert_eq!(refusal(&HALL, hall), "");
}

/// Kinds of errors that no schema of one file can know, and why.
const UNKNOWABLE: [(Kind, &str); 26] = [
    (Kind::Syntax, "it is no TOML at all"),
    (Kind::FileUnread, "what is in files"),
    (Kind::NameTwice, "names of mics beside names of groups"),
    (Kind::UnknownMic, "names"),
    (Kind::UnknownOutput, "names"),
    (Kind::UnknownController, "names"),
    (Kind::UnknownAfter, "names"),
    (Kind::UnknownLevel, "names"),
    (Kind::UnknownPlayer, "names"),
    (Kind::UnknownMark, "names"),
    (Kind::LikeOfLike, "names"),
    (Kind::EmptyRange, "numbers inside texts"),
    (Kind::GroupInGroup, "names"),
    (Kind::MicChannelTaken, "values beside one another"),
    (Kind::OutputChannelTaken, "values beside one another"),
    (Kind::PrivateShared, "values beside one another"),
    (Kind::AwayDiffers, "values beside one another"),
    (Kind::MessageReachesTwo, "values beside one another"),
    (Kind::MarkTwice, "values beside one another"),
    (Kind::SameEnds, "values beside one another"),
    (Kind::TooMany, "it counts what differs"),
    (Kind::ControllerWorksTwo, "names"),
    (Kind::CommandWorksEffect, "names"),
    (Kind::CommandByLoudness, "names"),
    (Kind::CommandShared, "names"),
    (Kind::AfterEachMixed, "names"),
];

/// Slips of kinds that a schema mostly knows, by the words of their remedy, and why it does not know these.
const UNKNOWN: [(Kind, &str, &str); 16] = [
    (Kind::OutOfRange, "from \"1 s\" to \"120 s\"", "numbers inside texts"),
    (Kind::UselessKey, "acts at once", "which controller gives orders: names"),
    (Kind::UselessKey, "only a group", "which names are groups"),
    (Kind::UselessKey, "leave it out", "the piece's own words"),
    (Kind::OutOfRange, "\"100 m\"", "numbers inside texts"),
    (Kind::OutOfRange, "\"-24 dB\"", "numbers inside texts"),
    (Kind::OutOfRange, "\"6 dB\"", "numbers inside texts"),
    (Kind::UselessKey, "one of them", "two ways to say one name"),
    (Kind::UselessKey, "a name of your own", "names"),
    (Kind::UselessKey, "like = \"…\" below [[scene]]", "keys beside one another"),
    (Kind::UselessKey, "name a line of \"A\"", "names"),
    (Kind::BadName, "parts the names", "a comma is the player's alone"),
    (Kind::BadTuning, "at most 100 cents", "numbers inside texts"),
    (Kind::BadTuning, "\"220 Hz\"", "numbers inside texts"),
    (Kind::UselessKey, "no curve bends those", "names"),
    (Kind::AfterRing, "leave `after` out", "names"),
];

fn is_unknowable(kind: Kind, remedy: &str) -> bool {
    UNKNOWABLE.iter().any(|(unknowable, _)| *unknowable == kind)
        || UNKNOWN.iter().any(|(of, words, _)| *of == kind && *words == remedy)
}

#[test]
fn a_slip_is_refused_unless_no_schema_can_know_it() {
    let mut refused = 0;
    for (kind, place, remedy) in cases().into_iter().filter(|(kind, ..)| kind.severity().name() == "error") {
        let (by, text): (&Validator, String) = match &place {
            Hall(text) => (&HALL, unmark(text).0),
            Piece(..) | Whole(_) => (&PIECE, unmark(&marked_piece(&place)).0),
            In::Lines(_) | In::Csv(_) | In::Bytes(_) => continue,
        };
        let knowable = !is_unknowable(kind, remedy);
        assert_eq!(accepts(by, &text), !knowable && kind != Kind::Syntax, "{kind:?}, {remedy}:\n{text}");
        refused += u32::from(knowable);
    }
    assert!(refused > 50, "{refused}");
}

/// A table of a schema: where it stands there, and how a file comes to it. `{}` is a key with its value.
struct Table {
    of: SchemaText,
    pointer: String,
    file: String,
}

fn tables() -> Vec<Table> {
    let scene = "/properties/scene/items";
    let piece = |pointer: &str, file: &str| Table { of: SchemaText::Piece, pointer: pointer.into(), file: file.into() };
    let hall = |pointer: &str, file: &str| Table { of: SchemaText::Hall, pointer: pointer.into(), file: file.into() };
    let mut tables = vec![
        piece("", "{}\n"),
        piece("/properties/mics/additionalProperties", "[mics.a]\n{}\n"),
        piece("/properties/outputs/additionalProperties", "[outputs.a]\n{}\n"),
        piece("/properties/controllers/additionalProperties", "[controllers.a]\n{}\n"),
        piece("/properties/players/additionalProperties", "[players.a]\n{}\n"),
        piece(scene, "[[scene]]\n{}\n"),
        hall("", "{}\n"),
        hall("/properties/mics/additionalProperties", "[mics.a]\n{}\n"),
        hall("/properties/outputs/additionalProperties", "[outputs.a]\n{}\n"),
        hall("/properties/controllers/additionalProperties", "[controllers.a]\n{}\n"),
        hall("/properties/device", "[device]\n{}\n"),
    ];
    for (place, effect) in EFFECTS.iter().enumerate() {
        let (effects, name) = (format!("{scene}/properties/mic/additionalProperties"), effect.declaration.name);
        tables
            .push(piece(&format!("{effects}/properties/{name}"), &format!("[[scene]]\n[scene.mic.a.{name}]\n{{}}\n")));
        tables.push(piece(
            &format!("{effects}/additionalProperties/then/allOf/{place}/then"),
            &format!("[[scene]]\n[scene.mic.a.mine]\neffect = \"{name}\"\n{{}}\n"),
        ));
    }
    tables
}

impl Table {
    fn keys(&self) -> BTreeSet<String> {
        let schema = schema(self.of);
        let table = schema.pointer(&self.pointer).unwrap_or_else(|| panic!("no {}", self.pointer));
        assert_eq!(table["additionalProperties"], false, "{}: any other key is refused", self.pointer);
        table["properties"].as_object().unwrap().keys().cloned().collect()
    }

    /// Whether the parser knows a key here, whatever it makes of its value.
    fn parser_knows(&self, key: &str) -> bool {
        let text = self.file.replace("{}", &format!("{key} = 1979-05-27"));
        let report = match self.of {
            SchemaText::Piece => found(&text, None),
            SchemaText::Hall => found(SOUND, Some(&text)),
        };
        assert!(report.diagnostics().iter().all(|one| one.kind != Kind::Syntax), "{text}");
        // A key of the table above is none of this one.
        report.diagnostics().iter().all(|one| !matches!(one.kind, Kind::UnknownKey | Kind::KeyBelongsAbove))
    }
}

#[test]
fn the_schema_knows_exactly_the_keys_that_the_parser_knows() {
    let tables = tables();
    let mut every: BTreeSet<String> = tables.iter().flat_map(Table::keys).collect();
    assert!(every.len() > 40, "{every:?}");
    every.insert("stranger".to_owned());
    for table in &tables {
        let keys = table.keys();
        // The parser knows `effect` in every effect, so as to say why it does nothing under an effect's own name.
        for key in every.iter().filter(|key| *key != "effect") {
            assert_eq!(keys.contains(key), table.parser_knows(key), "{key} in {}", table.file);
        }
    }
}

/// All schemas of keys, by their names.
fn properties<'s>(schema: &'s Value, found: &mut Vec<(&'s str, &'s Value)>) {
    match schema {
        Value::Object(map) => {
            for (key, value) in map {
                match (key.as_str(), value) {
                    ("properties", Value::Object(properties)) => {
                        let real = properties.iter().filter(|(_, schema)| schema.get("description").is_some());
                        found.extend(real.map(|(key, schema)| (key.as_str(), schema)));
                        properties.values().for_each(|schema| self::properties(schema, found));
                    }
                    _ => self::properties(value, found),
                }
            }
        }
        Value::Array(list) => list.iter().for_each(|schema| properties(schema, found)),
        _ => {}
    }
}

#[test]
fn what_declarations_say_is_in_the_schema_and_every_default_is_allowed() {
    let whole = schema(SchemaText::Piece);
    let mut all = Vec::new();
    properties(&whole, &mut all);
    let mut defaults = 0;
    for (key, schema) in &all {
        let Some(default) = schema.get("default") else { continue };
        let mut alone = (*schema).clone();
        alone["$defs"] = whole["$defs"].clone();
        assert!(draft202012::is_valid(&alone, default), "{key}: {default}");
        defaults += 1;
    }
    assert!(defaults > 10, "{defaults}");
    for effect in &EFFECTS {
        for setting in effect.declaration.settings {
            let told = |(key, schema): &(&str, &Value)| {
                *key == setting.name
                    && schema["description"].as_str().is_some_and(|text| text.starts_with(setting.help))
            };
            // Under the effect's own name, and under any other.
            assert!(all.iter().filter(|one| told(one)).count() >= 2, "{}", setting.name);
        }
    }
}

/// Kinds of errors that a schema always knows in a piece.
const KNOWN: [Kind; 21] = [
    Kind::UnknownKey,
    Kind::MissingKey,
    Kind::WrongType,
    Kind::MissingUnit,
    Kind::WrongUnit,
    Kind::NotANumber,
    Kind::UnknownWord,
    Kind::BadName,
    Kind::ReservedName,
    Kind::NoMics,
    Kind::NoOutputs,
    Kind::NoScenes,
    Kind::UnknownEffect,
    Kind::UnknownKeyName,
    Kind::EmptyGroup,
    Kind::MicTwice,
    Kind::OutputTwice,
    Kind::NoneInPiece,
    Kind::SeveralAddresses,
    Kind::BadOscAddress,
    Kind::NoController,
];

/// Whether a report has an error of which a schema must know. JSON has no infinity, and knows 1.0 as a whole number.
fn has_known(report: &Report, text: &str) -> bool {
    report.diagnostics().iter().any(|one| {
        KNOWN.contains(&one.kind)
            && !(one.kind == Kind::NotANumber && text.contains("1e999"))
            && !(one.kind == Kind::WrongType && one.message.contains("a whole number"))
    })
}

/// The words of a piece: texts in quotes, numbers, keys; where each stands.
fn words(text: &str) -> Vec<std::ops::Range<usize>> {
    let mut words = Vec::new();
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        let code = line.split('#').next().unwrap_or_default();
        let mut at = 0;
        while let Some(found) = code[at..].find(|c: char| c.is_alphanumeric() || c == '"') {
            let from = at + found;
            let rest = &code[from..];
            let length = match rest.strip_prefix('"') {
                Some(inside) => inside.find('"').map_or(rest.len(), |end| end + 2),
                None => rest.find(|c: char| !c.is_alphanumeric()).unwrap_or(rest.len()),
            };
            words.push(start + from..start + from + length);
            at = from + length;
        }
        start += line.len();
    }
    words
}

/// The whole piece with one or two of its words in the place of others, or other words there: mostly TOML still.
fn exchanged() -> impl Strategy<Value = String> {
    let places = words(LETTERS);
    let own = places.iter().map(|place| &LETTERS[place.clone()]);
    let others =
        ["\"none\"", "0", "-1.5", "{}", "[]", "true", "\"\"", "\"2 s\"", "\"2\"", "\"fire\"", "fire", "effect"];
    let words: Vec<_> = own.chain(others).map(str::to_owned).collect();
    let exchange = (prop::sample::select(places), prop::sample::select(words));
    prop::collection::vec(exchange, 1..3).prop_map(|mut exchanges| {
        exchanges.sort_by_key(|(place, _)| std::cmp::Reverse(place.start));
        exchanges.dedup_by_key(|(place, _)| place.start);
        let mut text = LETTERS.to_owned();
        exchanges.into_iter().for_each(|(place, word)| text.replace_range(place, &word));
        text
    })
}

/// Some of these words, in any order of theirs, between braces.
fn some_of(words: &'static [&'static str]) -> impl Strategy<Value = String> {
    prop::sample::subsequence(words, 0..6).prop_map(|words| format!("{{ {} }}", words.join(", ")))
}

#[rustfmt::skip]
const CONTROLLER: &[&str] = &[
    "cc = 64", "cc = 11", "cc = 128", "note = 3", "key = \"m\"", "key = \"mm\"", "osc = \"/a\"", "osc = \"a\"",
    "loudness = \"voice\"", "from = 0", "from = \"-50 dB\"", "from = \"0 s\"", "to = 1", "to = \"-12 dB\"",
    "channel = 1", "channel = 0", "port = \"Foot\"", "port = \"\"", "switch = true", "switch = false",
    "curve = \"slow\"", "curve = 1", "latch = true", "latch = false", "rise = \"1 s\"", "fall = 1", "other = 1",
];

#[rustfmt::skip]
const EFFECT: &[&str] = &[
    "by = \"lever\"", "by = \"scene\"", "by = 1", "effect = \"freeze\"", "effect = \"stretch\"", "effect = \"other\"",
    "to = []", "to = [\"left\"]", "to = [\"left\", \"left\"]", "to = {}", "to = { left = \"0 dB\" }", "to = { left = 0 }",
    "level = \"1 dB\"", "each = true", "each = 1", "most = 6", "most = 65", "memory = \"10 s\"", "memory = \"10 Hz\"",
    "aim = \"now\"", "aim = \"then\"", "spread = 0.5", "spread = \"0.5\"", "span = \"1 s\"",
];

proptest! {
    #![proptest_config(ProptestConfig { cases: 1000, failure_persistence: None, ..ProptestConfig::default() })]

    /// A schema that cried wolf would be switched off.
    #[test]
    fn of_a_piece_that_is_right_nothing_is_refused_and_what_is_known_to_be_wrong_is(
        text in prop_oneof![3 => exchanged(), 1 => mutated()],
    ) {
        if json(&text).is_some() {
            let report = found(&text, None);
            prop_assert!(!report.is_empty() || accepts(&PIECE, &text), "{}", refusal(&PIECE, &text));
            prop_assert!(!has_known(&report, &text) || !accepts(&PIECE, &text), "{}", report.render(false));
        }
    }

    #[test]
    fn of_a_hall_that_is_right_nothing_is_refused(text in any_hall()) {
        prop_assert!(!found(LETTERS, Some(&text)).is_empty() || accepts(&HALL, &text), "{text}");
    }

    /// None of these words needs a name, so that a schema knows all.
    #[test]
    fn of_one_controller_the_schema_knows_all_that_the_parser_knows(words in some_of(CONTROLLER)) {
        let text = SOUND.replace("foot  = { cc = 11 }", &format!("foot = {words}")).replace("{ cc = 64 }", "{}");
        prop_assume!(json(&text).is_some());
        let report = found(&text, None);
        prop_assert_eq!(report.is_empty(), accepts(&PIECE, &text), "{}{}", report.render(false), refusal(&PIECE, &text));
    }

    #[test]
    fn of_one_effect_the_schema_knows_all_that_the_parser_knows(
        key in prop::sample::select(vec!["stretch", "freeze", "reverse", "direct", "mine", "\"\"", "\" mine\"", "\"a/b\""]),
        words in some_of(EFFECT),
    ) {
        let text = SOUND.replace("stretch = { by = \"foot\" }", &format!("{key} = {words}"));
        let text = text.replace("[controllers]", "[controllers]\nlever = {}");
        prop_assume!(json(&text).is_some());
        let report = found(&text, None);
        prop_assert_eq!(report.is_empty(), accepts(&PIECE, &text), "{}{}", report.render(false), refusal(&PIECE, &text));
    }
}
