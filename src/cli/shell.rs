//! `completions` and `man`: from the one description of all commands.

use std::process::ExitCode;

use clap::{Args, Command};
use clap_complete::Shell;
use hissmap::diagnostic::{Code, Diagnostic, Sources, nearest};

use super::BAD_INPUT;
use super::answer::Outcome;
use super::output::Output;

/// Completions of commands and flags for a shell.
#[derive(Debug, Args)]
#[command(after_help = "Example: hissmap completions bash > ~/.local/share/bash-completion/completions/hissmap")]
pub struct Completions {
    /// Shell
    #[arg(value_name = "SHELL")]
    shell: Shell,
    #[command(flatten)]
    output: Output,
}

/// The manual page: of the whole, or of one command.
#[derive(Debug, Args)]
#[command(after_help = "Example: hissmap man noise | man -l -")]
pub struct Man {
    /// Command
    #[arg(value_name = "COMMAND")]
    command: Option<String>,
    #[command(flatten)]
    output: Output,
}

pub fn completions(flags: &Completions, mut all: Command) -> ExitCode {
    let mut script = Vec::new();
    clap_complete::generate(flags.shell, &mut all, "hissmap", &mut script);
    deliver(Ok(script), &flags.output)
}

pub fn man(flags: &Man, all: Command) -> ExitCode {
    deliver(page(flags.command.as_deref(), all), &flags.output)
}

fn page(name: Option<&str>, mut all: Command) -> Result<Vec<u8>, Diagnostic> {
    // Names of sub-commands are whole only then.
    all.build();
    let command = match name {
        None => all,
        Some(name) => {
            let known = all.get_subcommands().map(|command| command.get_name().to_owned()).collect::<Vec<_>>();
            let found = all.get_subcommands().find(|command| command.get_name() == name).cloned();
            found.ok_or_else(|| {
                let error = Diagnostic::error(Code::BadFlag, format!("there is no command {name}"));
                match nearest(name, known.iter().map(String::as_str)) {
                    Some(near) => error.help(format!("try {near}")),
                    None => error.help(format!("commands are {}", known.join(", "))),
                }
            })?
        }
    };
    let mut page = Vec::new();
    let whole = concat!("hissmap ", env!("CARGO_PKG_VERSION"));
    let drawn = clap_mangen::Man::new(command).source(whole).render(&mut page);
    drawn.map(|()| page).map_err(|error| Diagnostic::error(Code::CannotWrite, format!("no page: {error}")))
}

fn deliver(made: Result<Vec<u8>, Diagnostic>, output: &Output) -> ExitCode {
    let (result, messages) = match made {
        Ok(bytes) => (String::from_utf8_lossy(&bytes).into_owned(), Vec::new()),
        Err(error) => (String::new(), vec![error]),
    };
    let code = if messages.is_empty() { 0 } else { BAD_INPUT };
    Outcome { result, messages, sources: Sources::default(), code }.deliver(output)
}
