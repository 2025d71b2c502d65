//! `presolder`: the command line.

use std::process::ExitCode;

fn main() -> ExitCode {
    presolder::cli::main()
}
