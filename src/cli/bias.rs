//! `bias`: which DC volts should the meter read?

use clap::Args;
use hissmap::bench::instrument::read_dc_meter;
use hissmap::report::{BiasQuestion, bias, csv, json, text};

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::{load, named};
use super::flags::{Answer, Common, Format, WhatIfs};

/// Which DC volts should the meter read, and how is each device biased?
///
/// Volts are against ground, currents flow into the pin; those of PNP transistors are negative.
#[derive(Debug, Args)]
#[command(after_help = "Example: hissmap bias circuits/two-stage-germanium.cir --heat Q1")]
pub struct Flags {
    #[command(flatten)]
    pub common: Common,
    /// Add what a meter reads, its loading considered: that of the sheet, its ohms, or ohms per volt (20k/V, 20k/V@10)
    #[arg(long, value_name = "OHMS", num_args = 0..=1)]
    dc_meter: Option<Option<String>>,
    /// Add between which volts most healthy units lie [default: yes for a bench sheet, no for a netlist]
    #[arg(long, value_name = "YES-OR-NO", num_args = 0..=1)]
    healthy: Option<Option<Answer>>,
    #[command(flatten)]
    what_ifs: WhatIfs,
}

pub fn run(flags: &Flags) -> Outcome {
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("bias", flags.common.format()))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.common.file, &flags.what_ifs)?;
    let dc_meter = match &flags.dc_meter {
        None => Ok(None),
        Some(None) => Ok(Some(loaded.instruments().dc_meter)),
        Some(Some(text)) => named("dc-meter", text, read_dc_meter(text)).map(Some),
    };
    let question = BiasQuestion {
        dc_meter: dc_meter.map_err(|error| Refusal::flags(&loaded, vec![error]))?,
        input: loaded.input(),
    };
    let mut result =
        bias(&loaded.changed, &loaded.changes(), &question).map_err(|error| Refusal::unsolved(&loaded, &error))?;
    if let Some(model) = loaded.healthy(flags.healthy)? {
        result.add_healthy(&model).map_err(|error| Refusal::unsolved(&loaded, &error))?;
    }
    Ok(answer(loaded, &result.cautions, |warnings| match flags.common.format() {
        Format::Text => text::bias(&result),
        Format::Csv => csv::bias(&result),
        Format::Json => line(&json::Bias::new(json::Head::new("bias", warnings), &result)),
    }))
}
