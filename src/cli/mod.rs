//! The command line: flags to questions, results to standard output, messages to standard error, exit codes.

mod answer;
mod bias;
mod check;
mod circuit;
mod compare;
mod files;
mod flags;
mod noise;
mod render;
mod response;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Bad input or usage.
const BAD_INPUT: u8 = 2;
/// No bias solution.
const NO_BIAS: u8 = 3;
/// A check that was asked for failed.
const CHECK_FAILED: u8 = 1;

/// Finds which transistor of an audio amplifier makes the hiss.
///
/// Exit codes: 0 done, 1 a requested check failed, 2 bad input or usage, 3 no bias solution.
#[derive(Debug, Parser)]
#[command(name = "hissmap", version, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Check(check::Flags),
    Bias(bias::Flags),
    Response(response::Flags),
    Noise(noise::Flags),
    Compare(compare::Flags),
}

/// Runs the command that the arguments ask for.
pub fn run() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(usage) => {
            // Help that nobody reads to its end is no failure either.
            let _ = usage.print();
            return ExitCode::from(if usage.use_stderr() { BAD_INPUT } else { 0 });
        }
    };
    let outcome = match &cli.command {
        Command::Check(flags) => check::run(flags),
        Command::Bias(flags) => bias::run(flags),
        Command::Response(flags) => response::run(flags),
        Command::Noise(flags) => noise::run(flags),
        Command::Compare(flags) => compare::run(flags),
    };
    outcome.deliver()
}
