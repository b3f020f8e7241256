//! `response`: what gain from here to there?

use clap::Args;
use hissmap::bench::{DEFAULT_BAND_HZ, Point, find_source, read_hertz};
use hissmap::circuit::PlotPoints;
use hissmap::element::PartId;
use hissmap::netlist::Spacing;
use hissmap::report::{ResponseQuestion, csv, json, response, text};
use hissmap::response::{POINTS_PER_DECADE, plot_hertz};

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::{Loaded, collect, load, named};
use super::flags::{Common, Format, WhatIfs};

/// What gain and tone curve from here to there?
///
/// Gain is per volt (or ampere) of the source, in dB, with its phase in degrees.
#[derive(Debug, Args)]
#[command(after_help = "Example: hissmap response circuits/two-stage-germanium.cir --to out --hz 20,1k,20k")]
pub struct Flags {
    #[command(flatten)]
    pub common: Common,
    /// The source that drives [default: that of .noise]
    #[arg(long, value_name = "SOURCE")]
    from: Option<String>,
    /// A node, or two for the difference (A,B); may be repeated [default: that of .noise]
    #[arg(long, value_name = "NODE")]
    to: Vec<String>,
    /// Further nodes behind the first one of --to
    #[arg(value_name = "NODE", hide = true)]
    further: Vec<String>,
    #[command(flatten)]
    frequencies: Frequencies,
    #[command(flatten)]
    what_ifs: WhatIfs,
}

/// At which frequencies.
#[derive(Debug, Args)]
pub struct Frequencies {
    /// Frequencies in Hz [default: those of .ac or .noise, else 20 a decade from 20 Hz to 20 kHz]
    #[arg(long, value_name = "HZ,...")]
    hz: Option<String>,
}

pub fn run(flags: &Flags) -> Outcome {
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("response", flags.common.format()))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.common.file, &flags.what_ifs)?;
    let question = ResponseQuestion {
        input: input(flags, &loaded)?,
        points: points(flags, &loaded)?,
        hertz: hertz(&flags.frequencies, &loaded)?,
    };
    let result =
        response(&loaded.changed, &loaded.changes(), &question).map_err(|error| Refusal::unsolved(&loaded, &error))?;
    Ok(answer(loaded, &result.cautions, |warnings| match flags.common.format() {
        Format::Text => text::response(&result),
        Format::Csv => csv::response(&result),
        Format::Json => line(&json::Response::new(json::Head::new("response", warnings), &result)),
    }))
}

fn input(flags: &Flags, loaded: &Loaded) -> Result<PartId, Refusal> {
    match &flags.from {
        Some(text) => {
            named("from", text, find_source(&loaded.changed, text)).map_err(|error| Refusal::flags(loaded, vec![error]))
        }
        None => loaded.input().ok_or_else(|| {
            Refusal::missing(loaded, "gain from which source?", "name it: --from VIN, or in the netlist by .noise")
        }),
    }
}

fn points(flags: &Flags, loaded: &Loaded) -> Result<Vec<Point>, Refusal> {
    let circuit = &loaded.changed;
    let to: Vec<&String> = flags.to.iter().chain(&flags.further).collect();
    if !to.is_empty() {
        return collect(to.into_iter().map(|text| named("to", text, loaded.point(text))))
            .map_err(|errors| Refusal::flags(loaded, errors));
    }
    if let Some(output) = loaded.sheet.as_ref().and_then(|sheet| sheet.output.clone()) {
        return Ok(vec![output]);
    }
    match &circuit.noise {
        Some(noise) => Ok(vec![Point::between(circuit, noise.output.0, noise.output.1)]),
        None => Err(Refusal::missing(loaded, "gain to which node?", "name it: --to out, or in the netlist by .noise")),
    }
}

/// The frequencies asked for, else those of the netlist.
pub fn hertz(flags: &Frequencies, loaded: &Loaded) -> Result<Vec<f64>, Refusal> {
    if let Some(text) = &flags.hz {
        return collect(text.split(',').map(|one| named("hz", one, read_hertz(one))))
            .map_err(|errors| Refusal::flags(loaded, errors));
    }
    let circuit = &loaded.changed;
    let points = circuit.ac.or(circuit.noise.as_ref().map(|noise| noise.points)).unwrap_or(PlotPoints {
        spacing: Spacing::Decade,
        count: POINTS_PER_DECADE,
        band_hz: DEFAULT_BAND_HZ,
    });
    Ok(plot_hertz(&points))
}
