//! `why`: what does a message mean?

use std::process::ExitCode;

use clap::Args;
use hissmap::diagnostic::{Code, Diagnostic, Sources, nearest};

use super::BAD_INPUT;
use super::answer::Outcome;
use super::output::Output;

/// What does a message mean, what provokes it, and how is it mended?
///
/// Without a code it lists all of them.
#[derive(Debug, Args)]
#[command(after_help = "Example: hissmap why N03")]
pub struct Flags {
    /// The code at the end of a message
    #[arg(value_name = "CODE")]
    code: Option<String>,
    #[command(flatten)]
    pub output: Output,
}

pub fn run(flags: &Flags) -> ExitCode {
    let (result, messages) = match &flags.code {
        None => (list(), Vec::new()),
        Some(written) => match find(written) {
            Ok(code) => (format!("{}: {}\n\n{}", code.as_str(), code.meaning(), code.lesson()), Vec::new()),
            Err(error) => (String::new(), vec![error]),
        },
    };
    let code = if messages.is_empty() { 0 } else { BAD_INPUT };
    Outcome { result, messages, sources: Sources::default(), code }.deliver(&flags.output)
}

fn list() -> String {
    Code::ALL.iter().map(|code| format!("{}  {}\n", code.as_str(), code.meaning())).collect()
}

fn find(written: &str) -> Result<Code, Diagnostic> {
    let codes = || Code::ALL.iter().copied();
    codes().find(|code| code.as_str().eq_ignore_ascii_case(written)).ok_or_else(|| {
        let error = Diagnostic::error(Code::BadFlag, format!("no message has the code {written}"));
        match nearest(written, codes().map(Code::as_str)) {
            Some(near) => error.help(format!("try {near}, or no code for a list")),
            None => error.help("leave the code out for a list"),
        }
    })
}
