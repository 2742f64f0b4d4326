//! Near names: what was probably meant.

use std::borrow::Cow;

/// The longest name that is compared, in characters.
const LONGEST: usize = 64;

/// The candidate that is nearest to a name, if one is near: a letter or two wrong, missing, too many or swapped.
pub(crate) fn nearest<'a>(name: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = name.to_lowercase();
    let length = lower.chars().count();
    let most = (length / 3).max(1);
    // So many letters must be wrong at least; and what is longer than any name is no slip of the finger.
    let may_be = |candidate: &&str| candidate.chars().take(LONGEST + 1).count().abs_diff(length) <= most;
    candidates
        .into_iter()
        .filter(|candidate| length <= LONGEST && may_be(candidate))
        .map(|candidate| (strsim::damerau_levenshtein(&lower, &candidate.to_lowercase()), candidate))
        .filter(|&(distance, _)| distance < length && distance <= most)
        .min_by_key(|&(distance, _)| distance)
        .map(|(_, candidate)| candidate)
}

/// A remedy for an unknown name: the near one, or all there are. `what` is their plural: "mics".
pub(crate) fn remedy<'a>(name: &str, what: &str, candidates: impl IntoIterator<Item = &'a str>) -> String {
    let candidates: Vec<_> = candidates.into_iter().collect();
    match (nearest(name, candidates.iter().copied()), candidates.is_empty()) {
        (Some(near), _) => format!("did you mean \"{near}\"?"),
        (None, true) => format!("there are no {what} here"),
        (None, false) => format!("the {what} are {}", list(&candidates)),
    }
}

/// A name as it is written for a key: plain letters as they are, all else in quotes.
pub(crate) fn key(name: &str) -> Cow<'_, str> {
    let plain = |letter: char| letter.is_ascii_alphanumeric() || letter == '-' || letter == '_';
    if !name.is_empty() && name.chars().all(plain) {
        return Cow::Borrowed(name);
    }
    Cow::Owned(format!("\"{}\"", name.replace('\\', "\\\\").replace('"', "\\\"")))
}

/// Names in a sentence; of many only the first.
fn list(names: &[&str]) -> String {
    const SHOWN: usize = 24;
    let mut list = names.iter().take(SHOWN).map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ");
    if names.len() > SHOWN {
        list.push_str(&format!(" and {} more", names.len() - SHOWN));
    }
    list
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_written_so_that_it_is_read_again() {
        for name in ["left", "l-2_b", "her own", "flûte", "a \"b\"", "a\\b", "", "a.b", "1"] {
            let table: toml::Table = format!("{} = 1", key(name)).parse().unwrap();
            assert_eq!(table.keys().collect::<Vec<_>>(), [name]);
        }
    }

    #[test]
    fn a_slip_of_the_finger_is_near_and_another_word_is_not() {
        let names = ["voice", "recorder", "viol"];
        assert_eq!(nearest("vioce", names), Some("voice"));
        assert_eq!(nearest("Recorder", names), Some("recorder"));
        assert_eq!(nearest("harp", names), None);
        assert_eq!(nearest("x", ["y"]), None);
    }
}
