//! `noise`: how much hiss, and who makes it?

use clap::Args;
use hissmap::bench::instrument::{Meter, Scope, read_meter, read_probe};
use hissmap::bench::{Control, Ripple, find_source, read_hertz, read_level, read_source_resistance};
use hissmap::diagnostic::Diagnostic;
use hissmap::report::{ControlResult, NoiseQuestion, control, csv, json, noise, plot, text};

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::{Loaded, load, named, with_cautions};
use super::flags::{Answer, Common, Controls, Format, Hiss, WhatIfs};
use super::output::Plot;

/// How much hiss at each point, and who makes it?
///
/// Hiss is in volts rms over the band, peak-to-peak is 6.6 times that. With --at the full ranking of devices.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  hissmap noise circuits/two-stage-germanium.cir\n  \
                        hissmap noise circuits/two-stage-germanium.cir --at out --leak Q1=20uA,x=300\n  \
                        hissmap noise circuits/two-stage-germanium.cir --at out --rs RS --level 0.775")]
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
    #[command(flatten)]
    plot: Plot,
    /// Add the noise figure against a source resistance: a resistor of the netlist, or ohms at the input source
    #[arg(long, value_name = "R")]
    rs: Option<String>,
    /// Add the signal-to-noise ratio against a signal of so many volts rms at each point
    #[arg(long, value_name = "VOLTS")]
    level: Option<String>,
    /// Add what a meter reads at each node: that of the sheet, rms or average, with ohms and farads of its input if others
    #[arg(long, value_name = "METER", num_args = 0..=1)]
    meter: Option<Option<String>>,
    /// Add what a scope shows at each node through a probe: that of the sheet, x1, x10, bare, or ohms and farads (1MEG,110p)
    #[arg(long, value_name = "PROBE", num_args = 0..=1)]
    scope: Option<Option<String>>,
    /// Add between which hiss most healthy units lie [default: yes for a bench sheet, no for a netlist]
    #[arg(long, value_name = "YES-OR-NO", num_args = 0..=1)]
    healthy: Option<Option<Answer>>,
    /// Add the hum that the ripple of a supply makes: a voltage source and its ripple in volts peak to peak, as a scope shows
    /// it (2√3 times true rms). A sawtooth at 100 Hz unless told otherwise (hz=120); charge=0.2 makes it a triangle that rises
    /// for that part of its period
    #[arg(long, value_name = "SOURCE=VOLTS[,hz=HZ][,charge=FRACTION]")]
    ripple: Option<String>,
    #[command(flatten)]
    controls: Controls,
    #[command(flatten)]
    what_ifs: WhatIfs,
}

pub fn run(flags: &Flags) -> Outcome {
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("noise", flags.common.format()))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.common.file, &flags.what_ifs)?;
    let question = question(flags, &loaded).map_err(|errors| Refusal::flags(&loaded, errors))?;
    let changes = loaded.changes();
    let mut result = noise(&loaded.changed, &changes, &question).map_err(|error| Refusal::unsolved(&loaded, &error))?;
    if let Some(model) = loaded.healthy(flags.healthy)? {
        result.add_healthy(&model).map_err(|error| Refusal::unsolved(&loaded, &error))?;
    }
    let turned = |one: &Control| control(&loaded.changed, &changes, one, &question);
    let controls = flags.controls.read(&loaded).and_then(|controls| controls.iter().map(turned).collect());
    let controls: Vec<ControlResult> = controls.map_err(|errors| Refusal::flags(&loaded, errors))?;
    let cautions = with_cautions(&result.cautions, &controls);
    let inputs = loaded.sources().iter().map(|source| source.name.as_str());
    let drawn = flags.plot.write(flags.common.output(), inputs, || plot::file(&plot::noise_spectrum(&result)));
    drawn.map_err(|error| Refusal::flags(&loaded, vec![error]))?;
    Ok(answer(loaded, &cautions, |warnings| match flags.common.format() {
        Format::Text => {
            let turned = controls.iter().map(|control| text::control(control, None)).collect::<String>();
            let shown = if flags.hiss.at.is_empty() { text::noise(&result) } else { text::ranking(&result) };
            shown + &turned
        }
        Format::Csv => csv::noise(&result),
        Format::Json => {
            let controls = controls.iter().map(|control| json::Control::new(control, None)).collect();
            line(&json::Noise::new(json::Head::new("noise", warnings), &result, controls))
        }
    }))
}

fn question(flags: &Flags, loaded: &Loaded) -> Result<NoiseQuestion, Vec<Diagnostic>> {
    let input = match &flags.from {
        Some(text) => Some(named("from", text, find_source(&loaded.changed, text)).map_err(|error| vec![error])?),
        None => loaded.input(),
    };
    let read_rs = |text: &String| named("rs", text, read_source_resistance(&loaded.changed, input, text));
    let read_volts = |text: &String| named("level", text, read_level(text));
    Ok(NoiseQuestion {
        points: loaded.points(&flags.hiss.at, input)?,
        input,
        gain_hertz: named("hz", &flags.hz, read_hertz(&flags.hz)).map_err(|error| vec![error])?,
        band_hz: loaded.band_hz(flags.hiss.band.as_ref()).map_err(|error| vec![error])?,
        weighting: flags.hiss.weight.into(),
        tolerance: flags.hiss.tolerance().map_err(|error| vec![error])?,
        spectrum: flags.spectrum || flags.plot.is_asked_for(),
        source_resistance: flags.rs.as_ref().map(read_rs).transpose().map_err(|error| vec![error])?,
        meter: meter(flags, loaded).map_err(|error| vec![error])?,
        scope: scope(flags, loaded).map_err(|error| vec![error])?,
        ripple: flags.ripple.as_ref().map(|text| read_ripple(loaded, text)).transpose().map_err(|error| vec![error])?,
        level_volts: flags.level.as_ref().map(read_volts).transpose().map_err(|error| vec![error])?,
    })
}

fn meter(flags: &Flags, loaded: &Loaded) -> Result<Option<Meter>, Diagnostic> {
    let Some(asked) = &flags.meter else { return Ok(None) };
    let meter = loaded.instruments().meter;
    match asked {
        None => Ok(Some(meter)),
        Some(text) => named("meter", text, read_meter(text)).map(Some),
    }
}

fn scope(flags: &Flags, loaded: &Loaded) -> Result<Option<Scope>, Diagnostic> {
    let Some(asked) = &flags.scope else { return Ok(None) };
    let scope = loaded.instruments().scope;
    match asked {
        None => Ok(Some(scope)),
        Some(text) => named("scope", text, read_probe(text)).map(|probe| Some(Scope { probe, ..scope })),
    }
}

fn read_ripple(loaded: &Loaded, text: &str) -> Result<Ripple, Diagnostic> {
    named("ripple", text, Ripple::read(&loaded.changed, text))
}
