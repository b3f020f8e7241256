//! The command line: flags to questions, results to standard output, messages to standard error, exit codes.

mod answer;
mod bias;
mod check;
mod circuit;
mod compare;
mod diagnose;
mod drill;
mod equations;
mod files;
mod flags;
mod listen;
mod noise;
mod output;
mod progress;
mod recording;
mod render;
mod report;
mod response;
mod schema;
mod shell;
mod spares;
mod symptoms;
mod verify;
mod why;

use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};
use hissmap::diagnostic::{Code, Severity, Sources};
use hissmap::report::{Message, json};

use answer::Outcome;
use output::Output;

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
    Symptoms(symptoms::Flags),
    Diagnose(diagnose::Flags),
    Spares(spares::Flags),
    Verify(verify::Flags),
    Report(report::Flags),
    Listen(listen::Flags),
    Recording(recording::Flags),
    Drill(drill::Flags),
    Equations(equations::Flags),
    Why(why::Flags),
    Schema(schema::Flags),
    Completions(shell::Completions),
    Man(shell::Man),
}

/// Runs the command that the arguments ask for.
pub fn run() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(usage) => return explain(&usage),
    };
    let (outcome, output) = match &cli.command {
        Command::Check(flags) => (check::run(flags), flags.common.output()),
        Command::Bias(flags) => (bias::run(flags), flags.common.output()),
        Command::Response(flags) => (response::run(flags), flags.common.output()),
        Command::Noise(flags) => (noise::run(flags), flags.common.output()),
        Command::Compare(flags) => (compare::run(flags), flags.common.output()),
        Command::Symptoms(flags) => (symptoms::run(flags), flags.common.output()),
        Command::Diagnose(flags) => (diagnose::run(flags), flags.output()),
        Command::Spares(flags) => (spares::run(flags), flags.common.output()),
        Command::Drill(flags) => return drill::run(flags),
        Command::Report(flags) => (report::run(flags), flags.output()),
        Command::Verify(flags) => (verify::run(flags), flags.common.output()),
        Command::Equations(flags) => (equations::run(flags), flags.common.output()),
        Command::Listen(flags) => return listen::run(flags).deliver(&Output::default()),
        Command::Recording(flags) => (recording::run(flags), flags.output()),
        Command::Why(flags) => return why::run(flags),
        Command::Schema(flags) => return schema::run(flags),
        Command::Completions(flags) => return shell::completions(flags, Cli::command()),
        Command::Man(flags) => return shell::man(flags, Cli::command()),
    };
    outcome.deliver(output)
}

/// Prints what is wrong with the arguments, or the help that they ask for.
fn explain(usage: &clap::Error) -> ExitCode {
    // Help that nobody reads to its end is no failure.
    let _ = usage.print();
    if !usage.use_stderr() {
        return ExitCode::SUCCESS;
    }
    let arguments: Vec<_> = std::env::args_os().skip(1).collect();
    let mut result = String::new();
    if arguments.iter().any(|argument| argument == "--json") {
        let cli = Cli::command();
        let command = arguments.first().and_then(|first| cli.find_subcommand(first)).map(clap::Command::get_name);
        let text = usage.render().to_string();
        let message = Message {
            code: Code::BadFlag.as_str(),
            severity: Severity::Error,
            message: text.lines().next().unwrap_or_default().trim_start_matches("error: ").to_owned(),
            file: None,
            line: None,
            column: None,
            help: command.map(|command| format!("hissmap {command} --help")),
        };
        result = answer::line(&json::Refusal::new(command, vec![message], Vec::new()));
    }
    Outcome { result, messages: Vec::new(), sources: Sources::default(), code: BAD_INPUT }.deliver(&Output::default())
}
