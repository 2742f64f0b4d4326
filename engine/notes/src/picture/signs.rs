//! Clefs, drawn here.

use super::page::{LEFT, Page};
use crate::xml::Xml;

/// The clefs of both staves.
pub(super) fn clefs(xml: &mut Xml, page: &Page) {
    let _ = (LEFT, xml, page);
}
