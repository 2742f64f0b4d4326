//! A temperament: by its name, or as twelve numbers of cents.

use super::value::{Item, Shape, bare};
use crate::kind::Kind;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use serde_json::{Value as Json, json};
use tenterhook_plan::Temperament;
use toml::de::{DeArray, DeValue};

/// One of the names, or cents from c to b.
pub(super) struct TemperamentShape;

impl Shape for TemperamentShape {
    type Value = Temperament;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<Temperament> {
        match item.value {
            DeValue::String(name) => {
                let found = Temperament::named(name);
                if found.is_none() {
                    let names: Vec<_> = Temperament::names().collect();
                    // In German, and in the lands around, h is what b is here.
                    let meant = name.strip_prefix("just to h").filter(|rest| rest.is_empty()).map(|_| "just to b");
                    let near = meant.or_else(|| near::nearest(name, names.iter().map(String::as_str)));
                    let remedy = match near {
                        Some(near) => format!("did you mean \"{near}\"?"),
                        None => "write \"equal\", \"quarter-comma meantone\", \"sixth-comma meantone\", \"Vallotti\", \"just to d\" \
                                 (or another note), or twelve cents from c"
                            .to_owned(),
                    };
                    findings.add(Kind::UnknownWord, item.place, format!("\"temperament\" knows no \"{name}\""), remedy);
                }
                found
            }
            DeValue::Array(list) => own(list, item, findings),
            _ => {
                let remedy = "write temperament = \"Vallotti\", say, or twelve cents from c between brackets";
                item.refuse("a name in quotes, or twelve numbers", remedy, findings);
                None
            }
        }
    }

    fn schema(&self) -> Json {
        let names: Vec<_> = Temperament::names().collect();
        let cents = json!({ "type": "number", "minimum": 0, "exclusiveMaximum": 1200 });
        json!({
            "type": ["string", "array"],
            "anyOf": [{ "enum": names }, { "type": "array" }],
            "items": cents,
            "minItems": 12,
            "maxItems": 12,
            "default": Temperament::default().to_string(),
            "description": "Its name, or the cents above c of each note from c to b, which begin with 0 and rise.",
        })
    }
}

/// Cents of one's own.
fn own(list: &DeArray<'_>, item: &Item<'_>, findings: &mut Findings) -> Option<Temperament> {
    let number = |one: &DeValue<'_>| bare(one).filter(|cents| cents.is_finite());
    if let Some(one) = list.iter().find(|one| number(one.get_ref()).is_none()) {
        let place = Place::new(item.place.file, one.span());
        let remedy = "write it as a bare number with a point, as in 386 or 386.3";
        findings.add(Kind::WrongType, place, "\"temperament\" takes numbers of cents, and this is none", remedy);
        return None;
    }
    let numbers: Vec<f64> = list.iter().filter_map(|one| number(one.get_ref())).collect();
    let cents = <[f64; 12]>::try_from(numbers).ok();
    let rise = |cents: &[f64; 12]| {
        cents[0] == 0.0
            && cents[11] < 1200.0
            && cents.windows(2).all(|pair| matches!(pair, [one, other] if one < other))
    };
    match cents {
        Some(cents) if rise(&cents) => return Some(Temperament::Own(cents)),
        Some(cents) => {
            // As tuners have it: what each note differs by from equal temperament.
            let differ = std::array::from_fn(|note| 100.0 * note as f64 + cents[note] - cents[0]);
            let remedy = match cents.iter().all(|one| one.abs() <= 50.0) && rise(&differ) {
                true => {
                    let meant = differ.map(|one| ((one * 100.0).round() / 100.0).to_string()).join(", ");
                    format!("write [{meant}], if these are what each note differs by from equal temperament")
                }
                false => "write the cents of c, c sharp and so on to b, as in [0, 76, 193, 310, 386, 503, 579, 697, 773, 890, 1007, \
                          1083]"
                    .to_owned(),
            };
            let message = "these cents do not begin with 0, rise, and stay below 1200";
            findings.add(Kind::OutOfRange, item.place, message, remedy);
        }
        None => {
            let message =
                format!("\"temperament\" takes a name or twelve numbers, and this is a list of {}", list.len());
            let remedy = "write the cents of each note from c to b, as in [0, 76, 193, 310, 386, 503, 579, 697, 773, 890, 1007, 1083]";
            findings.add(Kind::WrongType, item.place, message, remedy);
        }
    }
    None
}
