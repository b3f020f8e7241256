//! `compare`: what changes if?

use clap::Args;
use hissmap::bench::WhatIf;
use hissmap::report::{CompareQuestion, compare, csv, json, text};

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::load;
use super::flags::{Common, Format, Hiss, WhatIfs};

/// What changes at each point if a part leaks, is frozen, has another value?
///
/// Hiss in volts rms over the band and DC in volts, before and after; the change of the hiss in dB.
#[derive(Debug, Args)]
#[command(after_help = "Example: hissmap compare circuits/two-stage-germanium.cir --freeze Q1")]
pub struct Flags {
    #[command(flatten)]
    pub common: Common,
    #[command(flatten)]
    hiss: Hiss,
    #[command(flatten)]
    what_ifs: WhatIfs,
}

pub fn run(flags: &Flags) -> Outcome {
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("compare", flags.common.format()))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.common.file, &flags.what_ifs)?;
    if loaded.what_ifs.is_empty() {
        let help = "say what if: --freeze Q1, or --leak Q1=20uA,x=300";
        return Err(Refusal::missing(&loaded, "compare with what?", help));
    }
    let refuse = |errors| Refusal::flags(&loaded, errors);
    let question = CompareQuestion {
        points: loaded.points(&flags.hiss.at, loaded.input()).map_err(refuse)?,
        input: loaded.input(),
        band_hz: loaded.band_hz(flags.hiss.band.as_ref()).map_err(|error| refuse(vec![error]))?,
        weighting: flags.hiss.weight.into(),
        tolerance: flags.hiss.tolerance().map_err(|error| refuse(vec![error]))?,
    };
    let result = compare(&loaded.written, &loaded.changed, &loaded.changes(), &question)
        .map_err(|error| Refusal::unsolved(&loaded, &error).blaming_changes(&loaded))?;
    let touched = loaded.what_ifs.iter().any(WhatIf::is_touch);
    Ok(answer(loaded, &result.cautions, |warnings| match flags.common.format() {
        Format::Text if touched => format!("{}\n{}", text::compare(&result), text::CAUTIONS),
        Format::Text => text::compare(&result),
        Format::Csv => csv::compare(&result),
        Format::Json => line(&json::Compare::new(json::Head::new("compare", warnings), &result)),
    }))
}
