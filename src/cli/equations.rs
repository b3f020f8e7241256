//! `equations`: the linear system as text.

use clap::Args;
use hissmap::bench::Point;
use hissmap::mna::NodeId;
use hissmap::report::equations;

use super::answer::{Outcome, Refusal, answer};
use super::circuit::{collect, load, named};
use super::flags::{Common, Format, WhatIfs};
use super::response::{Frequencies, hertz};

/// The linear system behind gain and hiss as text, for checking with any linear-algebra package.
///
/// A(f) = g + j*2*pi*f*c by triplets, noise currents with S(f) = w + h/f in A²/Hz, frequencies in Hz, observed unknowns.
#[derive(Debug, Args)]
#[command(after_help = "Example: hissmap equations circuits/two-stage-germanium.cir --at out --hz 20,1k,20k")]
pub struct Flags {
    #[command(flatten)]
    pub common: Common,
    /// An observed node; may be repeated [default: every node]
    #[arg(long, value_name = "NODE")]
    at: Vec<String>,
    #[command(flatten)]
    frequencies: Frequencies,
    #[command(flatten)]
    what_ifs: WhatIfs,
}

pub fn run(flags: &Flags) -> Outcome {
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("equations", flags.common.format()))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.common.file, &flags.what_ifs)?;
    if flags.common.format() != Format::Text {
        return Err(Refusal::missing(
            &loaded,
            "equations have one form, a text for programs",
            "leave out --json and --csv",
        ));
    }
    let nodes = flags.at.iter().map(|text| named("at", text, Point::read(&loaded.changed, text)));
    let points = collect(nodes).map_err(|errors| Refusal::flags(&loaded, errors))?;
    if points.iter().any(|point| point.minus != NodeId::GROUND) {
        return Err(Refusal::missing(
            &loaded,
            "a difference is no unknown",
            "observe both of its nodes: --at A --at B",
        ));
    }
    let hertz = hertz(&flags.frequencies, &loaded)?;
    let result = equations(&loaded.changed, &loaded.changes(), &points, &hertz)
        .map_err(|error| Refusal::unsolved(&loaded, &error))?;
    Ok(answer(loaded, &result.cautions, |_| result.text.clone()))
}
