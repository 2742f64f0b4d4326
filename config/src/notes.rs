//! Notes as a piece spells them.

use tenterhook_plan::pitch::parse_note;

/// The key of a note's name, as a MIDI number.
pub(crate) fn key(name: &str) -> Option<i32> {
    parse_note(name.trim())
}

/// A note's name as a regular expression (ECMA-262).
pub(crate) const NOTE: &str = "[A-Ga-g][#b]{0,2}[-+]?[0-9]+";

/// What to write instead of a note that is none.
pub(crate) fn remedy(text: &str) -> String {
    let example = "write a letter and the octave, as in \"G3\" or \"Bb3\"; middle C is \"C4\"";
    // In German, and in the lands around, H is what B is here.
    let rest = text.trim().strip_prefix(['h', 'H']);
    match rest.map(|rest| format!("B{rest}")).filter(|meant| key(meant).is_some()) {
        Some(meant) => format!("write \"{meant}\": notes have the letters A to G here"),
        None => example.to_owned(),
    }
}
