//! `schema`: what an editor completes and checks a piece or a hall by.

use tenterhook_config::{SchemaText, schema};

use crate::cli::{self, Schema};
use crate::failure::Failure;
use crate::say::print;

/// Prints a JSON Schema.
pub fn run(asked: &Schema) -> Result<(), Failure> {
    let of = match asked.of {
        cli::SchemaOf::Piece => SchemaText::Piece,
        cli::SchemaOf::Hall => SchemaText::Hall,
    };
    print(&format!("{:#}\n", schema(of)))
}
