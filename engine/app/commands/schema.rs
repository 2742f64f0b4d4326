//! `schema`: what an editor completes and checks a piece or a hall by.

use tenterhook_config::{SchemaOf, schema};

use crate::cli::{self, Schema};
use crate::failure::Failure;
use crate::say::print;

/// Prints a JSON Schema.
pub fn run(asked: &Schema) -> Result<(), Failure> {
    let of = match asked.of {
        cli::SchemaOf::Piece => SchemaOf::Piece,
        cli::SchemaOf::Hall => SchemaOf::Hall,
    };
    print(&format!("{:#}\n", schema(of)))
}
