//! Text as people are shown it: what would work a terminal, or turn the order of letters round, is spelled out.

use std::borrow::Cow;

/// Text for one line: each sign that is none to look at is spelled as JSON and TOML spell it, `\n` or `\u001b`. Of text
/// without any it is the text itself.
///
/// ```
/// assert_eq!(tenterhook_plan::shown("Dusk\u{1b}[2J"), "Dusk\\u001b[2J");
/// ```
pub fn shown(text: &str) -> Cow<'_, str> {
    spelled(text, is_hidden)
}

/// The same for text of several lines: their ends stay.
pub fn shown_lines(text: &str) -> Cow<'_, str> {
    spelled(text, |c| c != '\n' && is_hidden(c))
}

/// Whether a sign does something instead of being seen: control characters (Unicode's category Cc), the ends of lines and
/// paragraphs (Zl, Zp), and what turns the direction of writing round (Bidi_Control, Unicode Standard Annex 9).
pub fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

fn spelled(text: &str, hidden: impl Fn(char) -> bool) -> Cow<'_, str> {
    if !text.contains(&hidden) {
        return Cow::Borrowed(text);
    }
    let mut told = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        match c {
            c if !hidden(c) => told.push(c),
            '\n' => told.push_str("\\n"),
            '\r' => told.push_str("\\r"),
            '\t' => told.push_str("\\t"),
            // All of them have four digits at most.
            c => told.push_str(&format!("\\u{:04x}", u32::from(c))),
        }
    }
    Cow::Owned(told)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_sign_that_works_a_terminal_is_left_and_letters_stay() {
        let hidden: Vec<char> = ('\0'..=char::MAX).filter(|c| is_hidden(*c)).collect();
        // 65 control characters, Zl and Zp, 12 of Bidi_Control.
        assert_eq!(hidden.len(), 65 + 2 + 12);
        for c in hidden {
            let told = shown(&format!("a{c}b")).into_owned();
            assert!(told.starts_with("a\\") && told.ends_with('b') && !told.contains(is_hidden), "{told:?}");
        }
        assert_eq!(shown("Flöte, 笛 ♯ ’"), "Flöte, 笛 ♯ ’");
        assert_eq!(shown_lines("a\n\tb\r\n"), "a\n\\tb\\r\n");
    }
}
