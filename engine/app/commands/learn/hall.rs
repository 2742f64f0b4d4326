//! What was learned, and the levels of the night, in the words of a hall file: only one controller's address, or those
//! levels, are changed there, and all else stays as it was written, comments, order and spaces.

use toml_edit::{DocumentMut, InlineTable, Item, Key, Table, TableLike, Value};

/// The keys that say by what a controller is reached; whatever else is said of it stays.
const ADDRESS: [&str; 12] =
    ["cc", "note", "key", "osc", "loudness", "like", "from", "to", "channel", "port", "switch", "fine"];
const POLARITY: &str = "polarity";

/// A key and what it says.
pub type Entry = (&'static str, Value);

fn is_address(key: &str) -> bool {
    ADDRESS.contains(&key) || key == POLARITY
}

fn is_blank(text: &str) -> bool {
    text.trim().is_empty()
}

/// The hall `text` with these entries, at least one, as the address of a controller. An error says why there is no place
/// for them.
pub fn with_address(text: &str, controller: &str, entries: &[Entry]) -> Result<String, String> {
    let mut hall: DocumentMut = text.parse().map_err(|why| format!("this is not TOML: {why}"))?;
    let no_table = |what: &str| format!("{what} is no table in the hall file");
    if !hall.contains_key("controllers") {
        if !text.is_empty() && !text.ends_with('\n') {
            // What is added begins on a line of its own.
            return with_address(&format!("{text}\n"), controller, entries);
        }
        let mut table = Table::new();
        if !hall.is_empty() {
            table.decor_mut().set_prefix("\n");
        }
        hall.insert("controllers", Item::Table(table));
    }
    let controllers = hall["controllers"].as_table_like_mut().ok_or_else(|| no_table("controllers"))?;
    match controllers.get_mut(controller) {
        Some(known) => change(known.as_table_like_mut().ok_or_else(|| no_table(controller))?, entries),
        None => {
            let mut table = InlineTable::new();
            for (key, value) in entries {
                table.insert(*key, value.clone());
            }
            controllers.insert(controller, Item::Value(Value::InlineTable(table)));
        }
    }
    Ok(hall.to_string())
}

/// One entry of a hall, as it is written on a line.
pub fn line(controller: &str, entries: &[Entry]) -> String {
    let said: Vec<_> = entries.iter().map(|(key, value)| format!("{key} = {}", value.to_string().trim())).collect();
    format!("{} = {{ {} }}", Key::new(controller), said.join(", "))
}

/// The level of the effects of one name, in tenths of a dB: finer nobody hears or wants to read.
pub struct Level {
    /// The name of their mic or group, and their key there.
    pub owner: String,
    pub key: String,
    pub tenths: i32,
    /// What the hall says of it so far.
    pub said: i32,
}

/// A level in tenths of a dB.
pub fn tenths(db: f32) -> i32 {
    (db * 10.0).round() as i32
}

impl Level {
    fn name(&self) -> String {
        format!("{}.{}", self.owner, self.key)
    }

    fn value(&self) -> Value {
        format!("{} dB", f64::from(self.tenths) / 10.0).into()
    }
}

/// A level of a hall, as it is written on a line.
pub fn level_line(level: &Level) -> String {
    format!("{} = {}", Key::new(level.name()), level.value())
}

/// The hall `text` with these levels. An error says why there is no place for them.
pub fn with_levels(text: &str, levels: &[Level]) -> Result<String, String> {
    const LEVELS: &str = "levels";
    let mut hall: DocumentMut = text.parse().map_err(|why| format!("this is not TOML: {why}"))?;
    if !hall.contains_key(LEVELS) {
        if !text.is_empty() && !text.ends_with('\n') {
            return with_levels(&format!("{text}\n"), levels);
        }
        let mut table = Table::new();
        if !hall.is_empty() {
            table.decor_mut().set_prefix("\n");
        }
        hall.insert(LEVELS, Item::Table(table));
    }
    let table = hall[LEVELS].as_table_like_mut().ok_or("levels is no table in the hall file")?;
    for level in levels {
        let name = level.name();
        // It may be written in quotes, or as a table of its mic or group.
        let known = if table.contains_key(&name) {
            table.get_mut(&name)
        } else {
            table.get_mut(&level.owner).and_then(|effects| effects.as_table_like_mut()?.get_mut(&level.key))
        };
        match known.and_then(Item::as_value_mut) {
            Some(known) => {
                let decor = known.decor().clone();
                *known = level.value();
                *known.decor_mut() = decor;
            }
            None => drop(table.insert(&name, Item::Value(level.value()))),
        }
    }
    Ok(hall.to_string())
}

/// Changes the address in a controller's table. What stands beside a key that goes, goes to the first that comes.
fn change(table: &mut dyn TableLike, entries: &[Entry]) {
    let old: Vec<String> = table.iter().map(|(key, _)| key.to_owned()).filter(|key| is_address(key)).collect();
    let mut before = String::new();
    let mut after = String::new();
    for key in old.iter().filter(|key| entries.iter().all(|(kept, _)| kept != key)) {
        let prefix = table.key(key).and_then(|key| key.leaf_decor().prefix()?.as_str().map(str::to_owned));
        before += &prefix.filter(|prefix| prefix.contains('#')).unwrap_or_default();
        let suffix = table.get(key).and_then(|item| item.as_value()?.decor().suffix()?.as_str().map(str::to_owned));
        after += &suffix.filter(|suffix| suffix.contains('#')).unwrap_or_default();
        table.remove(key);
    }
    // In one line the last value may have a space behind it, which belongs to the bracket.
    let tail = table.iter().last().map(|(key, _)| key.to_owned());
    let adds = entries.iter().any(|(key, _)| !table.contains_key(key));
    let tail = tail.filter(|_| adds).and_then(|key| table.get_mut(&key)?.as_value_mut());
    let blank = |value: &&mut Value| value.decor().suffix().and_then(|text| text.as_str()).is_some_and(is_blank);
    if let Some(value) = tail.filter(blank) {
        value.decor_mut().set_suffix("");
    }
    for (place, (key, value)) in entries.iter().enumerate() {
        match table.get_mut(key).and_then(Item::as_value_mut) {
            Some(known) => {
                let decor = known.decor().clone();
                *known = value.clone();
                *known.decor_mut() = decor;
            }
            None => drop(table.insert(key, Item::Value(value.clone()))),
        }
        if place == 0 {
            if let Some(mut key) = table.key_mut(key).filter(|_| !before.is_empty()) {
                let own = key.leaf_decor().prefix().and_then(|prefix| prefix.as_str()).unwrap_or_default().to_owned();
                key.leaf_decor_mut().set_prefix(format!("{before}{own}"));
            }
            if let Some(value) = table.get_mut(key).and_then(Item::as_value_mut).filter(|_| !after.is_empty()) {
                let own = value.decor().suffix().and_then(|suffix| suffix.as_str()).unwrap_or_default().to_owned();
                value.decor_mut().set_suffix(format!("{own}{after}"));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use toml_edit::value;

    fn entries(list: &[(&'static str, &str)]) -> Vec<Entry> {
        list.iter().map(|(key, value)| (*key, value.parse().unwrap())).collect()
    }

    #[test]
    fn only_the_address_changes() {
        let cc = entries(&[("cc", "20")]);
        let port = entries(&[("cc", "20"), ("port", "\"Reed\"")]);
        for (text, entries, want) in [
            ("", &cc, "[controllers]\nfoot = { cc = 20 }\n"),
            (
                "# Hall\n[mics]\nvoice = 3 # left",
                &cc,
                "# Hall\n[mics]\nvoice = 3 # left\n\n[controllers]\nfoot = { cc = 20 }\n",
            ),
            (
                "[controllers]\nfoot = { cc = 4, fall = \"1 s\" } # by the door\n",
                &cc,
                "[controllers]\nfoot = { cc = 20, fall = \"1 s\" } # by the door\n",
            ),
            (
                "[controllers]\nfoot = { note = 4, fall = \"1 s\" } # by the door\n",
                &port,
                "[controllers]\nfoot = { fall = \"1 s\", cc = 20, port = \"Reed\" } # by the door\n",
            ),
            (
                "controllers.foot.cc   =   4 # x\ncontrollers.step.cc = 5\n",
                &cc,
                "controllers.foot.cc   =   20 # x\ncontrollers.step.cc = 5\n",
            ),
            (
                "[controllers.foot]\n# of old\nnote = 4 # y\nfall = \"1 s\"\n\n[device]\nrate = 48_000\n",
                &cc,
                "[controllers.foot]\nfall = \"1 s\"\n# of old\ncc = 20 # y\n\n[device]\nrate = 48_000\n",
            ),
            (
                "[controllers]\n  other = { cc = 1 }\n\n[device]\n",
                &cc,
                "[controllers]\n  other = { cc = 1 }\nfoot = { cc = 20 }\n\n[device]\n",
            ),
        ] {
            assert_eq!(with_address(text, "foot", entries).as_deref(), Ok(want), "{text}");
        }
        assert!(with_address("controllers = 3\n", "foot", &cc).unwrap_err().contains("no table"));
        assert!(with_address("[controllers", "foot", &cc).unwrap_err().contains("not TOML"));
        assert_eq!(line("two words", &port), "\"two words\" = { cc = 20, port = \"Reed\" }");
    }

    #[test]
    fn only_the_levels_change() {
        let level = |owner: &str, key: &str, db: f32| Level {
            owner: owner.to_owned(),
            key: key.to_owned(),
            tenths: tenths(db),
            said: 0,
        };
        let levels = [level("voice", "freeze", -3.04), level("her own", "back", 2.5)];
        let both = "\"voice.freeze\" = \"-3 dB\"\n\"her own.back\" = \"2.5 dB\"\n";
        for (text, want) in [
            ("", format!("[levels]\n{both}")),
            ("# Hall\nmics.voice = 3 # left", format!("# Hall\nmics.voice = 3 # left\n\n[levels]\n{both}")),
            (
                "[levels] # tonight\n\"voice.freeze\"  =  \"1 dB\" # too soft\n\n[device]\nrate = 48_000\n",
                "[levels] # tonight\n\"voice.freeze\"  =  \"-3 dB\" # too soft\n\"her own.back\" = \"2.5 dB\"\n\n[device]\n\
                 rate = 48_000\n"
                    .to_owned(),
            ),
            (
                "levels.voice.freeze = \"0 dB\" # a\n[levels.\"her own\"]\nback = \"6 dB\"\n",
                "levels.voice.freeze = \"-3 dB\" # a\n[levels.\"her own\"]\nback = \"2.5 dB\"\n".to_owned(),
            ),
        ] {
            let Ok(changed) = with_levels(text, &levels) else { panic!("{text}") };
            assert_eq!(changed, want);
            assert_eq!(with_levels(&changed, &levels).unwrap(), changed, "the same again changes nothing");
        }
        assert!(with_levels("levels = 3\n", &levels).unwrap_err().contains("no table"));
        assert!(with_levels("[levels", &levels).unwrap_err().contains("not TOML"));
        assert_eq!(level_line(&levels[1]), "\"her own.back\" = \"2.5 dB\"");
    }

    /// The comments of a text that has no `#` in its strings, in order.
    fn comments(text: &str) -> Vec<String> {
        let said = text.lines().flat_map(|line| line.split('#').skip(1));
        let mut comments: Vec<_> = said.map(|said| said.trim().to_owned()).collect();
        comments.sort();
        comments
    }

    /// A hall in many hands: tables, tables in one line, dotted keys, comments everywhere.
    fn halls() -> impl Strategy<Value = String> {
        let inside = prop::sample::subsequence(
            vec![
                "note = 7",
                "cc = 4",
                "channel = 2",
                "fall = \"1 s\"",
                "latch = true",
                "polarity = \"normal\"",
                "port = \"a\"",
            ],
            0..6,
        );
        (inside, 0..4, any::<[bool; 4]>()).prop_map(|(keys, form, [a, b, c, d])| {
            let mark = |on: bool, n: u8| if on { format!(" # comment {n}") } else { String::new() };
            let head = format!("{}\n[mics]\nvoice = 2{}\n", mark(a, 1).trim_start(), mark(b, 2));
            let tail = format!("\n[device]{}\nrate = 48_000\n", mark(d, 4));
            let one_line = format!("foot   = {{ {} }}{}\n", keys.join(",  "), mark(c, 3));
            let lines: String =
                keys.iter().zip(5..).map(|(key, n)| format!("# above\n{key}{}\n", mark(c, n))).collect();
            let dotted: String = keys.iter().zip(5..).map(|(key, n)| format!("foot.{key}{}\n", mark(c, n))).collect();
            match form {
                0 => head + "[controllers]\n" + &one_line + "step = { cc = 9 }\n" + &tail,
                1 => head + "[controllers.foot]\n" + &lines + &tail,
                2 => head + "[controllers]\nstep = { cc = 9 }\n" + &dotted + &tail,
                _ => head + &tail,
            }
        })
    }

    proptest! {
        #[test]
        fn nothing_else_is_touched(text in halls(), kind in 0..3usize) {
            let entries = [
                entries(&[("cc", "20")]),
                entries(&[("note", "3"), ("port", "\"Reed\"")]),
                entries(&[("osc", "\"/a\""), ("from", "2.0"), ("to", "-1.0")]),
            ][kind].clone();
            let learned = with_address(&text, "foot", &entries).unwrap();
            prop_assert_eq!(comments(&learned), comments(&text), "{}", learned);
            // What it says is what was said before, but for the address.
            let mut want: DocumentMut = text.parse().unwrap();
            let foot = want.entry("controllers").or_insert(Item::Table(Table::new())).as_table_like_mut().unwrap();
            let foot = foot.entry("foot").or_insert(Item::Table(Table::new())).as_table_like_mut().unwrap();
            let old: Vec<_> = foot.iter().map(|(key, _)| key.to_owned()).filter(|key| is_address(key)).collect();
            old.iter().for_each(|key| drop(foot.remove(key)));
            entries.iter().for_each(|(key, said)| drop(foot.insert(key, value(said.clone()))));
            let means = |text: &str| text.parse::<toml::Table>().unwrap();
            prop_assert_eq!(means(&learned), means(&want.to_string()));
            // Lines of others are the same bytes.
            for line in text.lines().filter(|line| line.starts_with("voice") || line.starts_with("rate") || line.starts_with("step")) {
                prop_assert!(learned.lines().any(|other| other == line), "{}\n{}", line, learned);
            }
            // Learning the same again changes nothing.
            prop_assert_eq!(with_address(&learned, "foot", &entries).unwrap(), learned);
        }
    }
}
