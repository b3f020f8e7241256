//! `diagnose`: which part, how sure, what next?

mod lines;

use clap::Args;
use hissmap::bench::sheet::Sheet;
use hissmap::diagnosis::Conversation;
use hissmap::diagnosis::prepare::{PrepareError, Prepared};
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::report::{ExplainRow, diagnose, explain, json, text};

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::{Loaded, load};
use super::flags::{Format, WhatIfs};
use super::output::Output;
use super::progress::Bar;

/// From what I measured: which part, how sure, what next?
///
/// Reads a bench sheet with its readings. Every fault it lists is computed at thirty severities and in every state that a
/// bench can put the set in, tolerances considered; the readings tell which of them it is, and which test tells most next.
#[derive(Debug, Args)]
#[command(after_help = "Examples: hissmap diagnose circuits/two-stage-germanium.toml\n          \
                        hissmap diagnose circuits/two-stage-germanium.toml --lines, then lines such as: dc c2 -5.4")]
pub struct Flags {
    /// Bench sheet
    #[arg(value_name = "SHEET")]
    file: String,
    /// Add how the verdict came about, reading by reading
    #[arg(long)]
    explain: bool,
    /// A conversation over standard input: a JSON object or a short form (`dc c2 4.31`) on each line, one answer each
    #[arg(long, conflicts_with_all = ["explain", "output"])]
    lines: bool,
    /// Write the result as JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    output: Output,
}

impl Flags {
    pub fn output(&self) -> &Output {
        &self.output
    }
}

pub fn run(flags: &Flags) -> Outcome {
    let format = if flags.json { Format::Json } else { Format::Text };
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("diagnose", format))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.file, &WhatIfs::default())?;
    let Some(sheet) = loaded.sheet.clone() else {
        let help = format!("write one: hissmap check {} --new-sheet", flags.file);
        return Err(Refusal::missing(&loaded, "a diagnosis needs a bench sheet with readings", &help));
    };
    let prepared = prepared(&loaded, &sheet)?;
    let mut conversation = Conversation::new(&prepared);
    let mut cautions = Vec::new();
    for (reading, span) in &sheet.readings {
        if reading.value.is_none() {
            continue;
        }
        if let Err(problem) = conversation.read(reading) {
            cautions.push(Diagnostic::warning(problem.code, format!("not used: {}", problem.message)).at(*span));
        }
    }
    if flags.lines {
        // The conversation begins with what the sheet tells.
        let result = lines::converse(&prepared, conversation, loaded.sources());
        return Ok(answer(loaded, &cautions, |_| result));
    }
    let told = explain(&prepared, &conversation);
    let result = diagnose(&prepared, &conversation);
    let explained: Option<&[ExplainRow]> = flags.explain.then_some(told.as_slice());
    Ok(answer(loaded, &cautions, |warnings| match flags.json {
        true => line(&json::Diagnose::new(json::Head::new("diagnose", warnings), &result, explained)),
        false => text::diagnose(&result, explained, &told),
    }))
}

fn prepared<'s>(loaded: &Loaded, sheet: &'s Sheet) -> Result<Prepared<'s>, Refusal> {
    let bar = Bar::new();
    let prepared = Prepared::of(sheet, &|done, all| bar.show("faults", done, all));
    drop(bar);
    prepared.map_err(|error| match error {
        PrepareError::Unsolved(error) => Refusal::unsolved(loaded, &error),
        PrepareError::Sheet(problem) => Refusal::flags(loaded, vec![problem]),
        PrepareError::Bank(error) => {
            let error = Diagnostic::error(Code::BadSheetValue, error.to_string());
            Refusal::flags(loaded, vec![error.help("lower hiss_db of the complaint, or list more suspects")])
        }
        _ => Refusal::missing(loaded, "this sheet cannot be prepared", "check it: hissmap check SHEET"),
    })
}
