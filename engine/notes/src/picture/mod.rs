//! Pictures: the notes first, on staves that are a true axis of frequency.
//!
//! Height is linear in the logarithm of frequency, so that a minor third is narrower than a major one and every staff line
//! stands at its note's frequency. A partial is a stroke whose weight is its level; the sound's energy lies pale behind.
//! The page is A4, landscape, black and greys on white.

mod ground;
mod moment;
mod page;
mod png;
mod signs;
mod staves;
mod strokes;

use tenterhook_plan::Intonation;
use tenterhook_spectra::{Moment, Study};

pub use png::png;

use crate::NotesError;
use crate::xml::Xml;
use page::PicturePage;

/// What a picture shows.
#[derive(Clone, Copy, Debug)]
pub struct Picture<'a> {
    /// The sound.
    pub study: &'a Study,
    /// What stands above it.
    pub title: &'a str,
    /// Which frequency each note has.
    pub intonation: Intonation,
    /// The moment that was chosen, if one was.
    pub chosen: Option<&'a Moment>,
    /// Partials surer than this are drawn, 0…1.
    pub confidence: f64,
}

/// Where the sound lies in a picture, in the units of its `viewBox`: time goes from `left` to `right`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Area {
    /// The width of the whole picture.
    pub width: f64,
    /// Its height.
    pub height: f64,
    /// The sound's beginning.
    pub left: f64,
    /// Its end.
    pub right: f64,
    /// The highest frequency that is drawn.
    pub top: f64,
    /// The lowest.
    pub bottom: f64,
}

/// The same in every picture.
pub const AREA: Area = Area {
    width: page::SIZE[0],
    height: page::SIZE[1],
    left: page::LEFT,
    right: page::RIGHT,
    top: page::TOP,
    bottom: page::BOTTOM,
};

impl Picture<'_> {
    /// The picture as SVG 1.1, without colour or script.
    ///
    /// # Errors
    /// [`NotesError::Tuning`]; [`NotesError::Refused`] for a sound without length.
    pub fn svg(&self) -> Result<String, NotesError> {
        let page = PicturePage::new(self)?;
        let mut xml = Xml::new("");
        let [width, height] = page::SIZE;
        let root: [(&str, &dyn std::fmt::Display); 5] = [
            ("xmlns", &"http://www.w3.org/2000/svg"),
            ("width", &format_args!("{}mm", width / 10.0)),
            ("height", &format_args!("{}mm", height / 10.0)),
            ("viewBox", &format_args!("0 0 {width} {height}")),
            ("font-family", &png::FONTS),
        ];
        xml.within("svg", &root, |xml| {
            xml.leaf("title", &[], self.title);
            xml.empty("rect", &[("width", &width), ("height", &height), ("fill", &"#fff")]);
            ground::draw(xml, &page, &self.study.ground);
            staves::draw(xml, &page);
            strokes::draw(xml, &page, self);
            page.draw_axes(xml, self);
            moment::draw(xml, &page, self);
        });
        Ok(xml.done())
    }
}
