//! The `ebbmark` program: arguments in, exit code out. No logic.

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    ebbmark::cli::run(ebbmark::cli::Arguments::parse())
}
