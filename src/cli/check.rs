//! `check`: is the netlist or the bench sheet sound?

use std::path::Path;

use clap::Args;
use hissmap::bench::sheet::starter;
use hissmap::report::{check, check_sheet, csv, json, text};

use super::CHECK_FAILED;
use super::answer::{Outcome, answer, line};
use super::circuit::load;
use super::flags::{Common, Format, WhatIfs};

/// Is my netlist or bench sheet sound, and does it agree with the voltages printed on the schematic?
///
/// Reads the file and all it names, and lists everything that is wrong with it at once. What is sound gets advice: what may
/// not be meant, and what will not work well at the bias point. A sheet's printed voltages are compared with the computed
/// ones; where they disagree, the slip of typing that would explain it is named. Advice is a warning and stops nothing.
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
    let result = match &loaded.sheet {
        Some(sheet) => check_sheet(sheet),
        None => check(&loaded.written),
    };
    let outcome = answer(loaded, &result.cautions, |warnings| match format {
        Format::Text => text::check(&result),
        Format::Csv => csv::messages(&warnings),
        Format::Json => line(&json::Check::sound(json::Head::new("check", warnings), &result)),
    });
    let code = if flags.strict && !outcome.messages.is_empty() { CHECK_FAILED } else { outcome.code };
    Outcome { code, ..outcome }
}
