//! What was meant by a quantity that cannot be taken: the same value in the right spelling, or else a safe one. Nobody
//! who copies a remedy gets it louder or more extreme than they wrote it.

use crate::unit::{self, number};
use tenterhook_plan::declare::Unit;

/// What a key takes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct WantedValue {
    pub unit: Unit,
    pub least: f64,
    pub most: f64,
    /// What it is if nothing is said, where that is always the same.
    pub usual: Option<f64>,
}

/// How people spell units, in small letters, each with its size in the unit in which numbers are kept.
const fn spoken(unit: Unit) -> &'static [(&'static str, f64)] {
    match unit {
        Unit::Number => &[],
        Unit::Seconds => &[
            ("s", 1.0),
            ("sec", 1.0),
            ("secs", 1.0),
            ("second", 1.0),
            ("seconds", 1.0),
            ("ms", 1e-3),
            ("msec", 1e-3),
            ("millisecond", 1e-3),
            ("milliseconds", 1e-3),
            ("min", 60.0),
            ("minute", 60.0),
            ("minutes", 60.0),
        ],
        Unit::Decibels => &[("db", 1.0), ("dbs", 1.0), ("dbfs", 1.0), ("decibel", 1.0), ("decibels", 1.0)],
        Unit::Hertz => &[("hz", 1.0), ("hertz", 1.0), ("khz", 1000.0)],
        // The international foot (1959).
        Unit::Metres => &[
            ("m", 1.0),
            ("metre", 1.0),
            ("metres", 1.0),
            ("meter", 1.0),
            ("meters", 1.0),
            ("cm", 1e-2),
            ("ft", 0.3048),
            ("foot", 0.3048),
            ("feet", 0.3048),
        ],
    }
}

impl WantedValue {
    /// A remedy for a number without its unit.
    pub fn bare(&self, number: f64) -> String {
        match self.unit {
            Unit::Seconds => {
                let both = [(number, "s"), (number * 1e-3, "ms")];
                let fit = both.iter().filter(|(seconds, _)| self.takes(*seconds));
                // Not `spell`: who writes 0.5 should read "0.5 s".
                let fit: Vec<_> = fit.map(|(_, unit)| format!("\"{number} {unit}\"")).collect();
                if fit.is_empty() { self.safe_remedy() } else { format!("write {}", fit.join(" or ")) }
            }
            // Above 0 it may have been a factor, or a percentage: in decibels it would be much louder.
            Unit::Decibels if number > 0.0 => self.safe_remedy(),
            _ => self.write(number),
        }
    }

    /// A remedy for text that is not this quantity.
    pub fn text(&self, text: &str) -> String {
        match (self.exactly(text), self.somewhere(text)) {
            (Some(value), _) | (None, Some(value)) => self.write(value),
            (None, None) => self.safe_remedy(),
        }
    }

    /// A remedy for text where a bare number must stand.
    pub fn number(&self, key: &str, text: &str) -> String {
        match self.exactly(text).and_then(|value| self.nearest(value)) {
            Some(value) => format!("write {} without quotes", self.spell(value)),
            None => format!("write {key} = {}, say", self.spell(self.safe())),
        }
    }

    /// A remedy for a number that the key does not take.
    pub fn beyond(&self, value: f64) -> String {
        let nearest = self.nearest(value).unwrap_or_else(|| self.safe());
        let spell = |value| self.spell(value);
        format!("write {}: it takes from {} to {}", spell(nearest), spell(self.least), spell(self.most))
    }

    fn takes(&self, value: f64) -> bool {
        (self.least..=self.most).contains(&value)
    }

    /// The value that is taken and nearest to this one.
    fn nearest(&self, value: f64) -> Option<f64> {
        (!value.is_nan()).then(|| value.clamp(self.least, self.most))
    }

    /// What does no harm: what it would be if nothing were said.
    pub fn safe(&self) -> f64 {
        let by_itself = if self.unit == Unit::Decibels { self.most.min(0.0) } else { self.least };
        self.usual.unwrap_or(by_itself)
    }

    /// A value of this unit as it is written in a file.
    pub fn spell(&self, value: f64) -> String {
        let quotes = if self.unit == Unit::Number { "" } else { "\"" };
        format!("{quotes}{}{quotes}", unit::spell(self.unit, value))
    }

    fn write(&self, value: f64) -> String {
        match self.nearest(value) {
            Some(nearest) => format!("write {}", self.spell(nearest)),
            None => self.safe_remedy(),
        }
    }

    fn safe_remedy(&self) -> String {
        let measures = unit::measures(self.unit);
        format!("write {measures} with its unit, as in {}", self.spell(self.safe()))
    }

    /// The value of a text that is nothing but a number and a word which says what it counts.
    fn exactly(&self, text: &str) -> Option<f64> {
        let text = plain(text);
        let end = text.rfind(|c: char| c.is_ascii_digit() || c == '.')? + 1;
        let (value, word) = (number(&text[..end])?, text[end..].trim().to_lowercase());
        self.sized(value, &word).or_else(|| match (self.unit, word.as_str()) {
            // Rounded down, so that it is never louder.
            (Unit::Decibels, "%") => self.factor(value / 100.0),
            (Unit::Decibels, "x" | "×" | "times") => self.factor(value),
            (Unit::Number, "%") if self.most <= 1.0 => Some(value / 100.0),
            (Unit::Number, "") => Some(value),
            _ => None,
        })
    }

    fn factor(&self, factor: f64) -> Option<f64> {
        (factor >= 0.0).then(|| (200.0 * factor.log10()).floor() / 10.0).map(|db| db.max(self.least))
    }

    fn sized(&self, value: f64, word: &str) -> Option<f64> {
        let (_, size) = spoken(self.unit).iter().find(|(spoken, _)| *spoken == word)?;
        // As `unit::parse` does it.
        let sized = if *size < 1.0 { value / (1.0 / size) } else { value * size };
        sized.is_finite().then_some(sized)
    }

    /// The one number in a text that can have been meant. In a level it must be the only number, with its unit and
    /// without words around it that may turn its sign.
    fn somewhere(&self, text: &str) -> Option<f64> {
        let text = plain(text);
        let numbers = numbers(&text);
        let value = |found: &NearName<'_>| match self.unit {
            Unit::Number => None,
            Unit::Hertz if found.after.is_empty() => Some(found.value),
            Unit::Decibels if found.before.contains(char::is_alphabetic) => None,
            Unit::Decibels => self.sized(found.value, &found.after.to_lowercase()),
            Unit::Seconds | Unit::Hertz | Unit::Metres => {
                let word: String = found.after.chars().take_while(|c| c.is_alphabetic()).collect();
                self.sized(found.value, &word.to_lowercase())
            }
        };
        let found = numbers.iter().find_map(|found| value(found).filter(|value| self.takes(*value)))?;
        let possible = |one: &&NearName<'_>| self.unit != Unit::Hertz || self.takes(one.value);
        (numbers.iter().filter(possible).count() <= 1).then_some(found)
    }
}

/// A text with the signs of a keyboard: dashes that stand for a minus, and a comma before decimals.
fn plain(text: &str) -> String {
    let text = text.trim().replace(['\u{2212}', '\u{2010}', '\u{2011}', '\u{2013}', '\u{2014}'], "-");
    match text.split_once(',') {
        // 1,500 may be one and a half as well as fifteen hundred.
        Some((whole, rest)) if !text.contains('.') && rest.bytes().take_while(u8::is_ascii_digit).count() != 3 => {
            format!("{whole}.{rest}")
        }
        _ => text,
    }
}

/// A number in a text, and what stands on both sides of it.
struct NearName<'t> {
    value: f64,
    before: &'t str,
    after: &'t str,
}

fn numbers(text: &str) -> Vec<NearName<'_>> {
    let of_number = |c: char| c.is_ascii_digit() || c == '.';
    let mut found = Vec::new();
    let mut from = 0;
    while let Some(start) = text[from..].find(|c: char| c.is_ascii_digit()).map(|at| from + at) {
        let end = text[start..].find(|c| !of_number(c)).map_or(text.len(), |length| start + length);
        let before = &text[..start];
        let signed = before.strip_suffix(['-', '+']);
        // A dash after a letter, a number or another sign may be a hyphen, or stand for "to": nobody knows.
        let doubtful = signed.is_some_and(|rest| rest.ends_with(|c: char| c.is_alphanumeric() || "+-".contains(c)));
        let sign = if before.ends_with('-') { -1.0 } else { 1.0 };
        let value = if doubtful { f64::NAN } else { sign * number(&text[start..end]).unwrap_or(f64::NAN) };
        found.push(NearName { value, before: signed.unwrap_or(before), after: text[end..].trim() });
        from = end;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    const LEVEL: WantedValue = WantedValue { unit: Unit::Decibels, least: -120.0, most: 24.0, usual: Some(0.0) };
    const TUNING: WantedValue = WantedValue { unit: Unit::Hertz, least: 200.0, most: 900.0, usual: Some(440.0) };
    const FADE: WantedValue = WantedValue { unit: Unit::Seconds, least: 0.0, most: 600.0, usual: Some(0.5) };

    fn suggested(remedy: &str) -> String {
        remedy.split('"').nth(1).unwrap_or_else(|| panic!("nothing to copy in: {remedy}")).to_owned()
    }

    #[test]
    fn a_level_keeps_its_value_or_changes_nothing() {
        for (text, want) in [
            ("10 %", "-20 dB"),
            ("50%", "-6.1 dB"),
            ("0 %", "-120 dB"),
            ("100 %", "0 dB"),
            ("0.5x", "-6.1 dB"),
            ("-3 db", "-3 dB"),
            ("–3 dB", "-3 dB"),
            ("-3,5 dB", "-3.5 dB"),
            ("= -6 dB", "-6 dB"),
            ("30 dB", "24 dB"),
            ("-6 Hz", "0 dB"),
            ("minus 6 dB", "0 dB"),
            ("6 dB less", "0 dB"),
            ("2-3 dB", "0 dB"),
            ("loud", "0 dB"),
            ("-10 %", "0 dB"),
            ("1,500 dB", "0 dB"),
            ("", "0 dB"),
        ] {
            assert_eq!(suggested(&LEVEL.text(text)), want, "{text}");
        }
        for (number, want) in [(-3.0, "-3 dB"), (10.0, "0 dB"), (0.5, "0 dB"), (-400.0, "-120 dB"), (0.0, "0 dB")] {
            assert_eq!(suggested(&LEVEL.bare(number)), want, "{number}");
        }
    }

    #[test]
    fn a_frequency_is_found_where_only_one_can_be_meant() {
        for (text, want) in [
            ("a=415", "415 Hz"),
            ("a4 = 442", "442 Hz"),
            ("a' = 430.5 hz", "430.5 Hz"),
            ("0.44 kHz", "440 Hz"),
            ("440 or 442", "440 Hz"),
            ("443 s", "440 Hz"),
            ("baroque", "440 Hz"),
        ] {
            assert_eq!(suggested(&TUNING.text(text)), want, "{text}");
        }
        assert_eq!(suggested(&TUNING.text("415 or 392")), "440 Hz", "two of them: the usual one");
    }

    #[test]
    fn a_time_keeps_its_length() {
        for (text, want) in [
            ("2 sec", "2 s"),
            ("200 MS", "200 ms"),
            ("1,5 s", "1.5 s"),
            ("2 minutes", "120 s"),
            ("about 3 s", "3 s"),
            ("2 Hz", "500 ms"),
            ("2 beats", "500 ms"),
            ("-1 sec", "0 s"),
        ] {
            assert_eq!(suggested(&FADE.text(text)), want, "{text}");
        }
        assert_eq!(FADE.bare(2.0), "write \"2 s\" or \"2 ms\"");
        assert_eq!(FADE.bare(700.0), "write \"700 ms\"", "700 s would be refused in turn");
    }
}
