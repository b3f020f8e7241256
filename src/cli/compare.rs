//! `compare`: what changes if?

use clap::Args;
use hissmap::bench::{Control, WhatIf};
use hissmap::report::{CompareQuestion, ControlResult, compare, compare_control, csv, json, text};

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::{load, with_cautions};
use super::flags::{Common, Controls, Format, Hiss, WhatIfs};

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
    controls: Controls,
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
    let changes = loaded.changes();
    let turned = |one: &Control| compare_control(&loaded.written, &loaded.changed, &changes, one, &question);
    let controls = flags.controls.read(&loaded).and_then(|controls| controls.iter().map(turned).collect());
    let controls: Vec<[ControlResult; 2]> = controls.map_err(refuse)?;
    let touched = loaded.what_ifs.iter().any(WhatIf::is_touch);
    let cautions = with_cautions(&result.cautions, controls.as_flattened());
    Ok(answer(loaded, &cautions, |warnings| match flags.common.format() {
        Format::Text => {
            let turned = controls.iter().map(|[before, after]| text::control(after, Some(before)));
            let cautions = if touched { format!("\n{}", text::CAUTIONS) } else { String::new() };
            text::compare(&result) + &turned.collect::<String>() + &cautions
        }
        Format::Csv => csv::compare(&result),
        Format::Json => {
            let controls = controls.iter().map(|[before, after]| json::Control::new(after, Some(before)));
            line(&json::Compare::new(json::Head::new("compare", warnings), &result, controls.collect()))
        }
    }))
}
