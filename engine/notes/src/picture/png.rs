//! A picture in pixels.

use std::sync::Arc;

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb::Database};

use crate::NotesError;

/// What a viewer of the SVG may take; the first is what [`png`] brings along.
pub(super) const FONTS: &str = "DejaVu Serif, Georgia, serif";

/// An SVG of ours as PNG, so many pixels wide (16 to 20 000). Its font comes with the program: no machine lacks it.
///
/// # Errors
/// [`NotesError::Refused`] if the text is no SVG or the width is out of range.
pub fn png(svg: &str, width: u32) -> Result<Vec<u8>, NotesError> {
    let refused = |why: String| NotesError::Refused {
        what: "the picture",
        why,
        remedy: "give a whole SVG and 16 to 20000 pixels",
    };
    if !(16..=20_000).contains(&width) {
        return Err(refused(format!("it would be {width} pixels wide")));
    }
    let mut fonts = Database::new();
    fonts.load_font_data(dejavu::serif::regular().to_vec());
    fonts.set_serif_family("DejaVu Serif");
    let options = Options { fontdb: Arc::new(fonts), font_family: "DejaVu Serif".to_owned(), ..Options::default() };
    let tree = Tree::from_str(svg, &options).map_err(|why| refused(why.to_string()))?;
    let scale = width as f32 / tree.size().width();
    let height = (tree.size().height() * scale).round() as u32;
    let mut pixels = Pixmap::new(width, height).ok_or_else(|| refused(format!("it would be {height} pixels high")))?;
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut pixels.as_mut());
    pixels.encode_png().map_err(|why| refused(why.to_string()))
}
