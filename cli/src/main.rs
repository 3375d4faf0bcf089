//! The program `leadline`: arguments, commands, progress, printers, exit codes.
//!
//! stdout = result, stderr = talk and progress. Exit 0 done, 1 the user's input, 2 usage, 3 a peer or the network,
//! 4 the store.

mod args;
mod commands;
mod failure;
mod files;
mod levels;
mod net;
mod qr;
mod shapes;
mod talk;
mod units;

use args::Cli;
use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    let cli = Cli::parse();
    match commands::run(&cli) {
        Ok(code) => code,
        Err(e) if e.is_broken_pipe() => ExitCode::SUCCESS,
        Err(e) => {
            talk::error(&e.to_string());
            ExitCode::from(e.code())
        }
    }
}
