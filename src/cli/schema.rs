//! `schema`: the form of a command's JSON.

use std::process::ExitCode;

use clap::Args;
use hissmap::diagnostic::{Code, Diagnostic, Sources, nearest};
use hissmap::report::json::{COMMANDS, schema};

use super::BAD_INPUT;
use super::answer::Outcome;
use super::output::Output;

/// Which form does the JSON of a command have? JSON Schema, draft 2020-12.
#[derive(Debug, Args)]
#[command(after_help = "Example: hissmap schema noise")]
pub struct Flags {
    /// Command with --json
    #[arg(value_name = "COMMAND")]
    command: String,
    #[command(flatten)]
    output: Output,
}

pub fn run(flags: &Flags) -> ExitCode {
    let (result, messages) = match schema(&flags.command) {
        Some(schema) => {
            let text = serde_json::to_string_pretty(&schema).expect("a schema is plain data");
            (text + "\n", Vec::new())
        }
        None => (String::new(), vec![unknown(&flags.command)]),
    };
    let code = if messages.is_empty() { 0 } else { BAD_INPUT };
    Outcome { result, messages, sources: Sources::default(), code }.deliver(&flags.output)
}

fn unknown(command: &str) -> Diagnostic {
    let error = Diagnostic::error(Code::BadFlag, format!("{command} is no command with JSON"));
    match nearest(command, COMMANDS.iter().copied()) {
        Some(near) => error.help(format!("try {near}")),
        None => error.help(format!("commands are {}", COMMANDS.join(", "))),
    }
}
