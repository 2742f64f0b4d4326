//! `licences`: of whose work the program is built, and the notices that go with it.

use crate::failure::Failure;
use crate::say::print;

/// Made by `.ci/licences` and held against Cargo.lock by `tests/licences.rs`.
const LICENCES: &str = include_str!("../licences.txt");

/// Prints them.
pub fn run() -> Result<(), Failure> {
    print(LICENCES)
}
