//! Musical intervals, as a piece spells them: `"702 cents"`, `"3/2"`, `"fifth down"`.

use crate::unit::{NUMBER, number};
use tenterhook_plan::JUST;

/// The names beyond the scale.
const WIDE: [(&str, f64, f64); 2] = [("octave", 2.0, 1.0), ("two octaves", 4.0, 1.0)];

/// What may follow a name, and the sign that it gives.
const WAYS: [(&str, f64); 4] = [("up", 1.0), ("above", 1.0), ("down", -1.0), ("below", -1.0)];

/// All names there are.
pub(crate) fn names() -> impl Iterator<Item = &'static str> {
    JUST.iter().chain(&WIDE).map(|(name, ..)| *name)
}

/// Reads an interval into cents: a number of cents, a ratio, or a name, upwards unless "down" or "below" follows.
pub(crate) fn parse(text: &str) -> Option<f64> {
    let text = text.trim();
    if let Some((over, under)) = text.split_once('/') {
        return cents(number(over)?, number(under)?);
    }
    match text.strip_suffix("cents") {
        Some(cents) => number(cents),
        None => named(text),
    }
}

/// How many semitones and letters an interval by name goes up; down, where they are negative.
pub(crate) fn steps(text: &str) -> Option<(i32, i32)> {
    let (name, sign) = apart(text)?;
    let at = JUST.iter().chain(&WIDE).position(|(known, ..)| *known == name)?;
    let semitones = match name.as_str() {
        "two octaves" => 24,
        _ => at as i32,
    };
    const LETTERS: [i32; 12] = [0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6];
    let letters = 7 * (semitones / 12) + LETTERS[semitones as usize % 12];
    Some((sign as i32 * semitones, sign as i32 * letters))
}

/// An interval by name, as a regular expression (ECMA-262).
pub(crate) fn named_pattern() -> String {
    format!(r"^\s*{}\s*$", names_pattern())
}

/// What an interval is, as a regular expression (ECMA-262).
pub(crate) fn pattern() -> String {
    format!(r"^\s*({NUMBER}\s*cents|{NUMBER}\s*/\s*{NUMBER}|{})\s*$", names_pattern())
}

fn names_pattern() -> String {
    // The standard's expressions know no letter of either case.
    let either = |text: &str| -> String {
        let letters = text.chars().map(|c| match c {
            ' ' => r"\s+".to_owned(),
            c => format!("[{c}{}]", c.to_ascii_uppercase()),
        });
        letters.collect()
    };
    let names: Vec<_> = names().map(either).collect();
    let (names, ways) = (names.join("|"), WAYS.map(|(way, _)| either(way)).join("|"));
    format!(r"(({names})(\s+({ways}))?)")
}

/// More semitones than these are none: what is so large means cents.
const MOST_SEMITONES: f64 = 24.0;

/// The number that a text is, in semitones or without a unit.
pub(crate) fn without_unit(text: &str) -> Option<f64> {
    let text = text.trim();
    let bare = ["semitones", "semitone"].iter().find_map(|unit| text.strip_suffix(unit)).unwrap_or(text);
    number(bare)
}

/// What to write instead of a number without a unit: both that it may mean.
pub(crate) fn remedy(number: f64) -> String {
    let semitones = number.abs().round();
    if semitones > MOST_SEMITONES {
        return format!("write \"{number} cents\"");
    }
    let pure = JUST.iter().map(|(name, ..)| *name).chain(["octave"]).nth(semitones as usize);
    let pure = match pure.filter(|_| semitones == number.abs() && semitones > 0.0) {
        Some(name) => format!(" (\"{name}{}\" is the pure one)", if number < 0.0 { " down" } else { "" }),
        None => String::new(),
    };
    format!("write \"{} cents\" if semitones are meant{pure}, \"{number} cents\" if cents are", 100.0 * number)
}

fn cents(over: f64, under: f64) -> Option<f64> {
    let cents = 1200.0 * (over / under).log2();
    (over > 0.0 && cents.is_finite()).then_some(cents)
}

/// A name in small letters, and the sign of its way.
fn apart(text: &str) -> Option<(String, f64)> {
    let words: Vec<_> = text.split_whitespace().map(str::to_lowercase).collect();
    let way = |(last, name)| WAYS.iter().find(|(way, _)| way == last).map(|(_, sign)| (name, *sign));
    let (name, sign) = words.split_last().and_then(way).unwrap_or((&words, 1.0));
    Some((name.join(" "), sign))
}

fn named(text: &str) -> Option<f64> {
    let (name, sign) = apart(text)?;
    let (_, over, under) = JUST.iter().chain(&WIDE).find(|(known, ..)| *known == name)?;
    cents(*over, *under).map(|cents| if cents == 0.0 { 0.0 } else { sign * cents })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_without_a_unit_may_mean_semitones_or_cents() {
        assert_eq!(remedy(702.0), "write \"702 cents\"");
        assert_eq!(remedy(0.5), "write \"50 cents\" if semitones are meant, \"0.5 cents\" if cents are");
        assert!(remedy(12.0).contains("(\"octave\" is the pure one)"));
        assert_eq!(
            [without_unit("-7 semitones"), without_unit("7 st"), without_unit("7")],
            [Some(-7.0), None, Some(7.0)]
        );
    }

    #[test]
    fn an_interval_is_cents_or_a_ratio() {
        assert_eq!(parse("702 cents"), Some(702.0));
        assert_eq!(parse("-702 cents"), Some(-702.0));
        assert_eq!(parse("\u{2212}50cents"), Some(-50.0));
        assert_eq!(parse("2/1"), Some(1200.0));
        assert_eq!(parse(" 1 / 2 "), Some(-1200.0));
        for none in ["1/0", "0/1", "-3/2", "-3/-2", "3/2/1", "702", "cents", "3:2", "", "/"] {
            assert_eq!(parse(none), None, "{none}");
        }
    }

    // Cents of the just intervals to the hundredth: a table of the trade, from memory; 701.955 and 386.314 are those of
    // harmonics 3 and 5 less whole octaves.
    #[test]
    fn an_interval_has_a_name_that_stands_for_its_just_ratio() {
        let hundredths = |text: &str| parse(text).map(|cents| (cents * 100.0).round() as i64);
        for (name, cents) in [
            ("unison", 0),
            ("minor second", 11_173),
            ("major second", 20_391),
            ("minor third", 31_564),
            ("major third", 38_631),
            ("fourth", 49_804),
            ("tritone", 59_022),
            ("fifth", 70_196),
            ("minor sixth", 81_369),
            ("major sixth", 88_436),
            ("minor seventh", 101_760),
            ("major seventh", 108_827),
            ("octave", 120_000),
            ("two octaves", 240_000),
        ] {
            for (ending, sign) in [("", 1), (" up", 1), (" above", 1), (" down", -1), ("  Below", -1)] {
                assert_eq!(hundredths(&format!("{name}{ending}")), Some(sign * cents), "{name}{ending}");
            }
        }
        assert!(names().all(|name| parse(name).is_some()));
        for none in ["a fifth", "third", "fifth sideways", "down", "down fifth", "fifth down down"] {
            assert_eq!(parse(none), None, "{none}");
        }
    }

    // Semitones and letters of intervals: every primer has them.
    #[test]
    fn an_interval_by_name_goes_so_many_letters() {
        assert_eq!(steps("octave down"), Some((-12, -7)));
        assert_eq!(steps("major second below"), Some((-2, -1)));
        assert_eq!(steps("Fifth up"), Some((7, 4)));
        assert_eq!(steps("major sixth down"), Some((-9, -5)));
        assert_eq!(steps("two octaves"), Some((24, 14)));
        assert_eq!(steps("minor seventh"), Some((10, 6)));
        for none in ["3/2", "200 cents", "", "second", "octave sideways"] {
            assert_eq!(steps(none), None, "{none}");
        }
    }
}
