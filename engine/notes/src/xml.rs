//! XML out: elements, escaped. Smaller than a wrapper around a library that neither closes elements by itself nor leaves
//! out what XML cannot hold.

use std::fmt::{Display, Write};

/// Text for XML 1.0: marks escaped, line ends and tabs as blanks, what XML cannot hold left out.
pub(crate) fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\t' | '\n' | '\r' => escaped.push(' '),
            '\0'..' ' | '\u{fffe}' | '\u{ffff}' => {}
            other => escaped.push(other),
        }
    }
    escaped
}

/// A document in the making.
pub(crate) struct Xml {
    text: String,
    depth: usize,
}

/// An attribute's name and value.
pub(crate) type Attribute<'a> = (&'a str, &'a dyn Display);

impl Xml {
    /// A document with its declaration and what else stands before its root.
    pub(crate) fn new(before: &str) -> Self {
        Self { text: format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{before}"), depth: 0 }
    }

    fn start(&mut self, name: &str, attributes: &[Attribute<'_>]) {
        self.text.extend(std::iter::repeat_n("  ", self.depth));
        let _ = write!(self.text, "<{name}");
        for (key, value) in attributes {
            let _ = write!(self.text, " {key}=\"{}\"", escape(&value.to_string()));
        }
    }

    /// An element without content.
    pub(crate) fn empty(&mut self, name: &str, attributes: &[Attribute<'_>]) {
        self.start(name, attributes);
        self.text.push_str("/>\n");
    }

    /// An element with text.
    pub(crate) fn leaf(&mut self, name: &str, attributes: &[Attribute<'_>], text: impl Display) {
        self.start(name, attributes);
        let _ = writeln!(self.text, ">{}</{name}>", escape(&text.to_string()));
    }

    /// An element with what is written within.
    pub(crate) fn within(&mut self, name: &str, attributes: &[Attribute<'_>], inner: impl FnOnce(&mut Self)) {
        self.start(name, attributes);
        self.text.push_str(">\n");
        self.depth += 1;
        inner(self);
        self.depth -= 1;
        self.text.extend(std::iter::repeat_n("  ", self.depth));
        let _ = writeln!(self.text, "</{name}>");
    }

    /// The whole document.
    pub(crate) fn done(self) -> String {
        self.text
    }
}
