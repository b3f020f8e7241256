//! `symptoms`: what would each fault look like?

use clap::Args;
use hissmap::bench::Point;
use hissmap::bench::instrument::{read_meter, read_probe};
use hissmap::bench::symptoms::SymptomQuestion;
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::report::{csv, json, symptoms, text};

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::{Loaded, load, named};
use super::flags::{Common, Format, Weight, WhatIfs};

/// What would each fault look like, which parts cannot cause this complaint, and which test tells two suspects apart?
///
/// Each part with each kind of fault it may have, mild, typical and severe: hiss and DC at every point, and at the output
/// what controls, freezing, cooling, heating and shunting do. Changes are in dB, DC shifts in volts.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  hissmap symptoms circuits/two-stage-germanium.cir\n  \
                        hissmap symptoms circuits/replay-amplifier.toml --complaint 10")]
pub struct Flags {
    #[command(flatten)]
    pub common: Common,
    /// The complaint: so many dB more hiss at the output [default: that of the sheet, else 5]
    #[arg(long, value_name = "DB")]
    complaint: Option<f64>,
    /// Where the complaint is heard [default: that of the sheet or .noise]
    #[arg(long, value_name = "NODE")]
    heard: Option<String>,
    /// Only these points (A,B for a difference); may be repeated [default: every node]
    #[arg(long, value_name = "NODE")]
    at: Vec<String>,
    /// Band of the hiss in Hz [default: that of the sheet or .noise, else 20:20k]
    #[arg(long, value_name = "LOW:HIGH")]
    band: Option<String>,
    /// Weighting of the hiss
    #[arg(long, value_name = "CURVE", default_value = "flat", ignore_case = true)]
    weight: Weight,
    /// The meter that reads the hiss: rms or average, with ohms and farads of its input if others [default: that of the sheet]
    #[arg(long, value_name = "METER")]
    meter: Option<String>,
    /// The probe of the scope: x1, x10, bare, or ohms and farads (1MEG,110p) [default: that of the sheet]
    #[arg(long, value_name = "PROBE")]
    scope: Option<String>,
    #[command(flatten)]
    what_ifs: WhatIfs,
}

pub fn run(flags: &Flags) -> Outcome {
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("symptoms", flags.common.format()))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.common.file, &flags.what_ifs)?;
    let question = question(flags, &loaded).map_err(|errors| Refusal::flags(&loaded, errors))?;
    // Without a bias of the circuit itself there is no chart, and the exit code says so.
    hissmap::bias::solve(&loaded.changed).map_err(|error| Refusal::unsolved(&loaded, &error))?;
    let result =
        symptoms(&loaded.changed, &loaded.changes(), question).map_err(|errors| Refusal::flags(&loaded, errors))?;
    Ok(answer(loaded, &result.chart.cautions, |warnings| match flags.common.format() {
        Format::Text => text::symptoms(&result),
        Format::Csv => csv::symptoms(&result),
        Format::Json => line(&json::SymptomChart::new(json::Head::new("symptoms", warnings), &result)),
    }))
}

fn question(flags: &Flags, loaded: &Loaded) -> Result<SymptomQuestion, Vec<Diagnostic>> {
    let one = |error: Diagnostic| vec![error];
    let output = match &flags.heard {
        Some(text) => named("heard", text, loaded.point(text)).map_err(one)?,
        None => loaded.output().ok_or_else(|| {
            let error = Diagnostic::error(Code::MissingInput, "at which output is the complaint heard?");
            vec![error.help("name it: --heard out, or .noise v(out) VIN dec 20 20 20k in the netlist")]
        })?,
    };
    let band_hz = loaded.band_hz(flags.band.as_ref()).map_err(one)?;
    let circuit = &loaded.changed;
    let mut question = match &loaded.sheet {
        Some(sheet) => SymptomQuestion::of_sheet(sheet, circuit, output),
        None => SymptomQuestion::of_circuit(circuit, loaded.input(), output, band_hz),
    };
    question.band_hz = band_hz;
    question.weighting = flags.weight.into();
    if !flags.at.is_empty() {
        let points = loaded.points(&flags.at, loaded.input())?;
        question.points = Point::in_signal_order(circuit, loaded.input(), &points);
    }
    if let Some(db) = flags.complaint {
        if !db.is_finite() || db <= 0.0 {
            let error = Diagnostic::error(Code::BadFlag, format!("--complaint {db}: it must be above zero"));
            return Err(vec![error.help("write --complaint 5 for 5 dB more hiss")]);
        }
        question.complaint.hiss_db = db;
    }
    if let Some(text) = &flags.meter {
        question.instruments.meter = named("meter", text, read_meter(text)).map_err(one)?;
    }
    if let Some(text) = &flags.scope {
        question.instruments.scope.probe = named("scope", text, read_probe(text)).map_err(one)?;
    }
    Ok(question)
}
