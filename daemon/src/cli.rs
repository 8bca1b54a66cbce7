//! The command line.

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::replay::{self, ReplayArgs};

/// Watches a mead cellar: tells when gravity has truly stopped falling, and what may be done next.
#[derive(Parser, Debug)]
#[command(version)]
pub struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand, Debug)]
enum Command {
    Replay(ReplayArgs),
}

pub fn run(arguments: Arguments) -> ExitCode {
    let result = match arguments.command {
        Command::Replay(args) => replay::run(&args),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("ebbmark: {e:#}");
            ExitCode::FAILURE
        }
    }
}
