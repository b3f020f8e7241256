//! `check`: is the netlist sound?

use std::path::Path;

use clap::Args;
use hissmap::bench::sheet::starter;
use hissmap::report::{check, csv, json, text};

use super::CHECK_FAILED;
use super::answer::{Outcome, answer, line};
use super::circuit::load;
use super::flags::{Common, Format, WhatIfs};

/// Is my netlist sound?
///
/// Reads the netlist and all it includes, and lists everything that is wrong with it at once. What is sound gets advice:
/// what may not be meant, and what will not work well at the bias point. Advice is a warning and stops nothing.
#[derive(Debug, Args)]
#[command(after_help = "Example: hissmap check circuits/two-stage-germanium.cir")]
pub struct Flags {
    #[command(flatten)]
    pub common: Common,
    /// Exit with 1 where there are warnings, a bias that is not found among them
    #[arg(long)]
    strict: bool,
    /// Print a bench sheet to begin with, every key in it with its meaning
    #[arg(long, conflicts_with_all = ["json", "csv", "strict"])]
    new_sheet: bool,
}

pub fn run(flags: &Flags) -> Outcome {
    let format = flags.common.format();
    let loaded = match load(&flags.common.file, &WhatIfs::default()) {
        Ok(loaded) => loaded,
        Err(refusal) => return refusal.with_advice_on_title().outcome("check", format),
    };
    if flags.new_sheet {
        // The sheet is meant to lie beside its netlist.
        let beside = Path::new(&flags.common.file).file_name().map(|name| name.to_string_lossy().into_owned());
        let result = starter(&loaded.written, &beside.unwrap_or_else(|| flags.common.file.clone()));
        return Outcome { result, ..answer(loaded, &[], |_| String::new()) };
    }
    let result = check(&loaded.written);
    let outcome = answer(loaded, &result.cautions, |warnings| match format {
        Format::Text => text::check(&result),
        Format::Csv => csv::messages(&warnings),
        Format::Json => line(&json::Check::sound(json::Head::new("check", warnings))),
    });
    let code = if flags.strict && !outcome.messages.is_empty() { CHECK_FAILED } else { outcome.code };
    Outcome { code, ..outcome }
}
