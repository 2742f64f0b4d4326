//! Tenterhook, the program.

fn main() {}
