//! Tenterhook, the program.

use std::process::ExitCode;

fn main() -> ExitCode {
    tenterhook::main()
}
