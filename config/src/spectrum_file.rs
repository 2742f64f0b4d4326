//! A spectrum file: partials by frequency and level, as TOML. What else is in it is for people.

use tenterhook_plan::Partial;
use toml::de::{DeTable, DeValue};

/// The most partials that a spectrum file may hold.
const MOST: usize = 1000;

/// Reads the partials of a spectrum file, the strongest first.
///
/// ```
/// let text = "partials = [ { hz = 220.1, db = -12 }, { hz = 440.5, db = -9.5, note = \"A4\" } ]";
/// assert_eq!(tenterhook_config::read_spectrum(text).unwrap()[0].hz, 440.5);
/// ```
///
/// # Errors
/// What is wrong and in which line, in one sentence.
pub fn read_spectrum(text: &str) -> Result<Vec<Partial>, String> {
    let line = |at: usize| 1 + text.bytes().take(at).filter(|byte| *byte == b'\n').count();
    let table = DeTable::parse(text).map_err(|why| {
        format!("line {} is not TOML ({})", line(why.span().map_or(0, |span| span.start)), why.message())
    })?;
    let Some(DeValue::Array(list)) = table.get_ref().get("partials").map(toml::Spanned::get_ref) else {
        return Err("it has no list `partials`, as in partials = [ { hz = 220.0, db = -12.0 } ]".to_owned());
    };
    let mut partials = Vec::new();
    for one in list.iter() {
        let number = |key: &str, least: f64, most: f64| {
            let value = one.get_ref().get(key).map(toml::Spanned::get_ref);
            let value: Option<f64> = match value {
                Some(DeValue::Float(number)) => number.as_str().replace('_', "").parse().ok(),
                Some(DeValue::Integer(number)) => number.as_str().replace('_', "").parse().ok(),
                _ => None,
            };
            value.filter(|value| (least..=most).contains(value)).ok_or_else(|| {
                format!("a partial in line {} needs {key}, a number from {least} to {most}", line(one.span().start))
            })
        };
        partials.push(Partial { hz: number("hz", 1.0, 100_000.0)?, db: number("db", -200.0, 200.0)? });
    }
    match partials.len() {
        0 => Err("its list `partials` is empty".to_owned()),
        1..=MOST => {
            partials.sort_by(|one, other| other.db.total_cmp(&one.db));
            Ok(partials)
        }
        more => Err(format!("it has {more} partials, and {MOST} are the most")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_wrong_is_told_with_its_line() {
        for (text, told) in [
            ("", "no list `partials`"),
            ("partials = 3", "no list `partials`"),
            ("partials = []", "empty"),
            ("partials = [\n{ hz = 1 },\n]", "line 2 needs db"),
            ("partials = [\n{ hz = nan, db = 0 }]", "line 2 needs hz"),
            ("partials = [\n\n3 ]", "line 3 needs hz"),
            ("partials = [\n{", "line 2 is not TOML"),
        ] {
            let why = read_spectrum(text).unwrap_err();
            assert!(why.contains(told), "{text:?}: {why}");
        }
    }
}
