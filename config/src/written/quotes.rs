//! Curly quotes, which programs for letters put in the place of straight ones.

use std::ops::Range;

/// All that is put in the place of `"` and `'`.
const CURLY: [char; 12] = ['“', '”', '„', '‟', '«', '»', '‘', '’', '‚', '‛', '″', '′'];

/// Curly quotes in a line, outside text that stands in straight ones.
pub(super) struct Curly {
    /// The first text in such quotes, with them, in bytes of the line.
    pub quoted: Range<usize>,
    /// The same without them.
    pub inner: String,
    /// The line with straight ones in their place, and as long as it was.
    pub straight: String,
}

/// Finds them, if there are any.
pub(super) fn curly(line: &str) -> Option<Curly> {
    let mut straight = String::with_capacity(line.len());
    let mut found = Vec::new();
    let mut within = None;
    for (at, c) in line.char_indices() {
        match within {
            None if c == '#' && found.len() % 2 == 0 => {
                straight.push_str(&line[at..]);
                break;
            }
            None if CURLY.contains(&c) => {
                let (opens, filling) = (found.len() % 2 == 0, " ".repeat(c.len_utf8() - 1));
                straight.push_str(&if opens { filling + "\"" } else { "\"".to_owned() + &filling });
                found.push(at..at + c.len_utf8());
                continue;
            }
            None if (c == '"' || c == '\'') && found.len() % 2 == 0 => within = Some(c),
            Some(quote) if c == quote => within = None,
            _ => {}
        }
        straight.push(c);
    }
    let first = found.first()?.clone();
    let last = found.get(1).cloned().unwrap_or(first.clone());
    let inner = if last == first { line[first.end..].trim() } else { &line[first.end..last.start] };
    Some(Curly { inner: inner.to_owned(), quoted: first.start..last.end, straight })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quotes_become_straight_and_the_line_keeps_its_length() {
        let line = "by = “pedal”, to = [‘left’] # “so”\n";
        let found = curly(line).unwrap();
        assert_eq!(found.straight, "by =   \"pedal\"  , to = [  \"left\"  ] # “so”\n");
        assert_eq!((found.inner.as_str(), found.straight.len()), ("pedal", line.len()));
        assert_eq!(&line[found.quoted], "“pedal”");
        assert!(curly("title = \"“Dusk”\" # ‘it’").is_none());
        // As they are set in London, Berlin, Paris, Vienna, Stockholm, and by those who took a prime.
        for (opens, closes) in ["‘’", "“”", "„“", "‚‘", "«»", "»«", "””", "‟”", "‛’", "″″", "′′"].map(|pair| {
            let mut signs = pair.chars();
            (signs.next().unwrap(), signs.next().unwrap())
        }) {
            let found = curly(&format!("by = {opens}pedal{closes}")).unwrap_or_else(|| panic!("{opens}"));
            assert_eq!((found.inner.as_str(), found.straight.replace(' ', "").as_str()), ("pedal", "by=\"pedal\""));
        }
    }
}
