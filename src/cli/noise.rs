//! `noise`: how much hiss, and who makes it?

use clap::Args;
use hissmap::bench::{find_source, read_hertz};
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::noise::DEFAULT_TOLERANCE;
use hissmap::report::{NoiseQuestion, csv, json, noise, text};

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::{Loaded, load, named};
use super::flags::{Common, Format, Hiss, WhatIfs};

/// How much hiss at each point, and who makes it?
///
/// Hiss is in volts rms over the band, peak-to-peak is 6.6 times that. With --at the full ranking of devices.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  hissmap noise circuits/two-stage-germanium.cir\n  \
                        hissmap noise circuits/two-stage-germanium.cir --at out --leak Q1=20uA,x=300")]
pub struct Flags {
    #[command(flatten)]
    pub common: Common,
    #[command(flatten)]
    hiss: Hiss,
    /// The source that gain and input hiss refer to [default: that of .noise]
    #[arg(long, value_name = "SOURCE")]
    from: Option<String>,
    /// Frequency of the gain in Hz
    #[arg(long, value_name = "HZ", default_value = "1k")]
    hz: String,
    /// Add the spectrum, V/√Hz
    #[arg(long)]
    spectrum: bool,
    /// Relative error of the rms figures to work for
    #[arg(long, value_name = "FRACTION")]
    tolerance: Option<f64>,
    #[command(flatten)]
    what_ifs: WhatIfs,
}

pub fn run(flags: &Flags) -> Outcome {
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("noise", flags.common.format()))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.common.file, &flags.what_ifs)?;
    let question = question(flags, &loaded).map_err(|errors| Refusal::flags(&loaded, errors))?;
    let result =
        noise(&loaded.changed, &loaded.changes(), &question).map_err(|error| Refusal::unsolved(&loaded, &error))?;
    Ok(answer(loaded, &result.cautions, |warnings| match flags.common.format() {
        Format::Text if flags.hiss.at.is_empty() => text::noise(&result),
        Format::Text => text::ranking(&result),
        Format::Csv => csv::noise(&result),
        Format::Json => line(&json::Noise::new(json::Head::new("noise", warnings), &result)),
    }))
}

fn question(flags: &Flags, loaded: &Loaded) -> Result<NoiseQuestion, Vec<Diagnostic>> {
    let input = match &flags.from {
        Some(text) => Some(named("from", text, find_source(&loaded.changed, text)).map_err(|error| vec![error])?),
        None => loaded.input(),
    };
    Ok(NoiseQuestion {
        points: loaded.points(&flags.hiss.at, input)?,
        input,
        gain_hertz: named("hz", &flags.hz, read_hertz(&flags.hz)).map_err(|error| vec![error])?,
        band_hz: loaded.band_hz(&flags.hiss).map_err(|error| vec![error])?,
        weighting: flags.hiss.weight.into(),
        tolerance: tolerance(flags.tolerance).map_err(|error| vec![error])?,
        spectrum: flags.spectrum,
    })
}

fn tolerance(asked: Option<f64>) -> Result<f64, Diagnostic> {
    match asked {
        None => Ok(DEFAULT_TOLERANCE),
        Some(fraction) if fraction > 0.0 && fraction < 1.0 => Ok(fraction),
        Some(other) => {
            let message = format!("--tolerance {other}: it must lie between 0 and 1");
            Err(Diagnostic::error(Code::BadFlag, message).help("write --tolerance 1e-4"))
        }
    }
}
