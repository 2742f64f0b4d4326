//! Quantities: numbers with their unit, as a piece spells them.

use crate::meant::WantedValue;
use tenterhook_plan::declare::Unit;

/// The ways to spell a unit, each with its size in the unit in which numbers are kept.
fn spellings(unit: Unit) -> &'static [(&'static str, f64)] {
    match unit {
        Unit::Number => &[],
        Unit::Seconds => &[("s", 1.0), ("ms", 1e-3)],
        Unit::Decibels => &[("dB", 1.0)],
        Unit::Hertz => &[("Hz", 1.0)],
        Unit::Metres => &[("m", 1.0)],
    }
}

/// The name under which a schema defines the quantities of a unit; `None`: they are bare numbers.
pub(crate) fn definition(unit: Unit) -> Option<&'static str> {
    match unit {
        Unit::Number => None,
        Unit::Seconds => Some("time"),
        Unit::Decibels => Some("level"),
        Unit::Hertz => Some("frequency"),
        Unit::Metres => Some("distance"),
    }
}

/// What a number is, as a regular expression (ECMA-262).
pub(crate) const NUMBER: &str = r"[-+\u2212]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+\u2212]?[0-9]+)?";

/// What a quantity is, as a regular expression.
pub(crate) fn pattern(unit: Unit) -> String {
    let spellings: Vec<_> = spellings(unit).iter().map(|(name, _)| *name).collect();
    format!(r"^\s*{NUMBER}\s*({})\s*$", spellings.join("|"))
}

/// What a unit measures.
pub(crate) fn measures(unit: Unit) -> &'static str {
    match unit {
        Unit::Number => "a number",
        Unit::Seconds => "a time",
        Unit::Decibels => "a level",
        Unit::Hertz => "a frequency",
        Unit::Metres => "a distance",
    }
}

/// A quantity as a piece writes it, without the quotes.
pub(crate) fn spell(unit: Unit, value: f64) -> String {
    match unit {
        Unit::Number => format!("{value}"),
        // Nine digits are far below a sample and hide what binary fractions add.
        Unit::Seconds if value > 0.0 && value < 1.0 => format!("{} ms", (value * 1e12).round() / 1e9),
        Unit::Seconds => format!("{value} s"),
        Unit::Decibels => format!("{value} dB"),
        Unit::Hertz => format!("{value} Hz"),
        // A micrometre hides what a foot adds.
        Unit::Metres => format!("{} m", (value * 1e6).round() / 1e6),
    }
}

/// Why a quantity cannot be read.
#[derive(Debug, PartialEq)]
pub(crate) enum UnitTrouble {
    /// There is no unit after this number.
    NoUnit(f64),
    /// There is another unit after a number.
    OtherUnit,
    /// There is no number.
    NoNumber,
}

/// Reads a quantity into the unit in which numbers are kept.
pub(crate) fn parse(text: &str, unit: Unit) -> Result<f64, UnitTrouble> {
    let text = text.trim();
    let end = text.trim_end_matches(|c: char| !c.is_ascii_digit() && c != '.').len();
    let (number, spelling) = (number(&text[..end]).ok_or(UnitTrouble::NoNumber)?, text[end..].trim());
    if spelling.is_empty() {
        return Err(UnitTrouble::NoUnit(number));
    }
    match spellings(unit).iter().find(|(name, _)| *name == spelling) {
        // 180 × 0.001 is not the double next to 0.18, 180 / 1000 is.
        Some((_, size)) if *size < 1.0 => Ok(number / (1.0 / size)),
        Some(_) => Ok(number),
        None => Err(UnitTrouble::OtherUnit),
    }
}

/// A finite decimal number; a typographic minus is one too.
pub(crate) fn number(text: &str) -> Option<f64> {
    let text = text.trim().replace('\u{2212}', "-");
    let plain = text.bytes().all(|byte| byte.is_ascii_digit() || b"+-.eE".contains(&byte));
    text.parse().ok().filter(|value: &f64| plain && value.is_finite())
}

/// Reads a time as a piece spells it, `"2 s"` or `"180 ms"`, in seconds.
///
/// # Errors
/// What is wrong with it, and how to spell it.
pub fn seconds(text: &str) -> Result<f64, String> {
    seconds_to(600.0, text)
}

/// The same for a time of up to `most` seconds, such as a place in a long sound.
///
/// # Errors
/// As [`seconds`].
pub fn seconds_to(most: f64, text: &str) -> Result<f64, String> {
    let wanted = WantedValue { unit: Unit::Seconds, least: 0.0, most, usual: None };
    match parse(text, Unit::Seconds) {
        Ok(seconds) if (0.0..=most).contains(&seconds) => Ok(seconds),
        Ok(_) => Err(format!("a time is between 0 s and {most} s")),
        Err(UnitTrouble::NoUnit(number)) => Err(format!("the unit is missing: {}", wanted.bare(number))),
        Err(UnitTrouble::OtherUnit | UnitTrouble::NoNumber) => {
            Err("a time is written \"2 s\" or \"180 ms\"".to_owned())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantity_is_a_number_with_its_unit() {
        assert_eq!(parse("180 ms", Unit::Seconds), Ok(0.18));
        assert_eq!(parse("2s", Unit::Seconds), Ok(2.0));
        assert_eq!(parse(" -3 dB ", Unit::Decibels), Ok(-3.0));
        assert_eq!(parse("\u{2212}3 dB", Unit::Decibels), Ok(-3.0));
        assert_eq!(parse("+6 dB", Unit::Decibels), Ok(6.0));
        assert_eq!(parse("60 Hz", Unit::Hertz), Ok(60.0));
        assert_eq!(parse("2", Unit::Seconds), Err(UnitTrouble::NoUnit(2.0)));
        assert_eq!(parse("2 Hz", Unit::Seconds), Err(UnitTrouble::OtherUnit));
        assert_eq!(parse("3 db", Unit::Decibels), Err(UnitTrouble::OtherUnit));
        assert_eq!(parse("inf s", Unit::Seconds), Err(UnitTrouble::NoNumber));
        assert_eq!(parse("1e999 s", Unit::Seconds), Err(UnitTrouble::NoNumber));
        assert_eq!(parse("", Unit::Seconds), Err(UnitTrouble::NoNumber));
    }

    #[test]
    fn what_is_spelled_reads_back() {
        for (unit, value) in [(Unit::Seconds, 0.05), (Unit::Seconds, 1.5), (Unit::Decibels, -3.0), (Unit::Hertz, 440.0)]
        {
            assert_eq!(parse(&spell(unit, value), unit), Ok(value));
        }
    }
}
