//! `verify`: is it repaired?

use clap::Args;
use hissmap::repair::acceptance::AcceptanceError;
use hissmap::report::{csv, json, text, verify};

use super::CHECK_FAILED;
use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::load;
use super::flags::{Common, Format, WhatIfs};
use super::progress::Bar;

/// Is it repaired: hiss and hum, signal to noise, gain, balance, response, clipping, watts, DC and heat?
///
/// Lists what to read on a finished set and the limits within which healthy ones of this circuit lie, drawn from the sheet's
/// tolerances, then judges the readings of the sheet: [[reading]] of hiss, pp, dc, hum, gain, response, balance, clip_up,
/// clip_down, watts and temperature, of two of one item the later one. twin = true is the other channel, when = "warm" after
/// 30 minutes in the closed cabinet, when = "cold" just switched on. [acceptance] of the sheet says what the netlist does
/// not: twin_input, twin_output, load, rated, ripple, warm_c, cold_c and more. Put a spare in with --swap or --value.
///
/// Exits with 1 where an item fails; what is still to do fails nothing.
#[derive(Debug, Args)]
#[command(after_help = "Example: hissmap verify circuits/transformer-output.toml")]
pub struct Flags {
    #[command(flatten)]
    pub common: Common,
    #[command(flatten)]
    what_ifs: WhatIfs,
}

pub fn run(flags: &Flags) -> Outcome {
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("verify", flags.common.format()))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.common.file, &flags.what_ifs)?;
    let Some(sheet) = loaded.sheet.clone() else {
        let help = format!("write one: hissmap check {} --new-sheet", flags.common.file);
        return Err(Refusal::missing(&loaded, "an acceptance list needs a bench sheet", &help));
    };
    let bar = Bar::new();
    let progress = |done, all| bar.show("limits", done, all);
    let result = verify(&sheet, &loaded.changed, &loaded.changes(), &progress).map_err(|error| match error {
        AcceptanceError::Unsolved(error) => Refusal::unsolved(&loaded, &error),
        AcceptanceError::Refused(errors) => Refusal::flags(&loaded, errors),
    })?;
    drop(bar);
    let outcome = answer(loaded, &result.acceptance.cautions, |warnings| match flags.common.format() {
        Format::Text => text::verify(&result),
        Format::Csv => csv::verify(&result),
        Format::Json => line(&json::Verify::new(json::Head::new("verify", warnings), &result)),
    });
    let code = if result.fails() { CHECK_FAILED } else { outcome.code };
    Ok(Outcome { code, ..outcome })
}
