//! `response`: what gain from here to there?

use clap::Args;
use hissmap::bench::{Control, DEFAULT_BAND_HZ, Load, Point, find_source, read_hertz, read_load};
use hissmap::circuit::{Change, PlotPoints};
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::element::{Excess, PartId};
use hissmap::netlist::Spacing;
use hissmap::report::{ResponseError, ResponseQuestion, Twin, csv, json, plot, response, text};
use hissmap::response::{POINTS_PER_DECADE, plot_hertz};
use hissmap::units::short;

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::{Loaded, collect, load, named};
use super::flags::{Common, Format, WhatIfs};
use super::output::Plot;

/// What gain and tone curve from here to there?
///
/// Gain is per volt (or ampere) of the source, in dB, with its phase in degrees, and where it is 3 dB down. In place of the
/// curve: controls from end to end, one channel against the other, or how far the output swings and how many watts that is.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  hissmap response circuits/two-stage-germanium.cir --to out --hz 20,1k,20k\n  \
                        hissmap response circuits/replay-amplifier.cir --control bass --hz 80,1k,8k\n  \
                        hissmap response circuits/replay-amplifier.cir --twin VR:outR --balance balance\n  \
                        hissmap response circuits/transformer-output.cir --swing --load RL")]
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
    /// Frequency in the middle of the band in Hz, that levels refer to
    #[arg(long, value_name = "HZ", default_value = "1k")]
    mid: String,
    /// Turn a control from end to end: a .param, between 0 and 1 or between limits (bass=0.1:0.9); may be repeated
    #[arg(long, value_name = "PARAM[=LOW:HIGH]")]
    control: Vec<String>,
    /// Set the other channel, its source and output, against the first output: differences and crosstalk
    #[arg(long, value_name = "SOURCE:NODE")]
    twin: Option<String>,
    /// Find the setting of a control at which both channels are equally loud
    #[arg(long, value_name = "PARAM[=LOW:HIGH]", requires = "twin")]
    balance: Option<String>,
    /// Say how far the first output swings, what clips, how many watts it gives and with how much distortion
    #[arg(long)]
    swing: bool,
    /// The load of the first output: a resistor across it, or ohms that come across it [default: the resistor there]
    #[arg(long, value_name = "R")]
    load: Option<String>,
    #[command(flatten)]
    plot: Plot,
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
    let mut loaded = load(&flags.common.file, &flags.what_ifs)?;
    let (input, points) = (input(flags, &loaded)?, points(flags, &loaded)?);
    let (load, added) = connect_load(flags, &mut loaded, &points)?;
    let refuse = |errors| Refusal::flags(&loaded, errors);
    let circuit = &loaded.changed;
    let control = |flag: &str, text: &String| named(flag, text, Control::read(circuit, text));
    let question = ResponseQuestion {
        input,
        points,
        hertz: hertz(&flags.frequencies, &loaded)?,
        mid_hz: named("mid", &flags.mid, read_hertz(&flags.mid)).map_err(|error| refuse(vec![error]))?,
        controls: collect(flags.control.iter().map(|text| control("control", text))).map_err(refuse)?,
        twin: flags.twin.as_ref().map(|text| twin(text, &loaded)).transpose().map_err(|error| refuse(vec![error]))?,
        balance: flags
            .balance
            .as_ref()
            .map(|text| control("balance", text))
            .transpose()
            .map_err(|error| refuse(vec![error]))?,
        swing: flags.swing.then_some(load),
    };
    let kinds = [!question.controls.is_empty(), question.twin.is_some(), question.swing.is_some()];
    if flags.common.format() == Format::Csv && kinds.iter().filter(|&&kind| kind).count() > 1 {
        let error = Diagnostic::error(Code::BadFlag, "--csv writes one table: of --control, --twin or --swing");
        return Err(refuse(vec![error.help("ask for one of them at a time, or write --json")]));
    }
    let changes = [loaded.changes(), added].concat();
    let result = response(circuit, &changes, &question).map_err(|error| match error {
        ResponseError::Unsolved(error) => Refusal::unsolved(&loaded, &error),
        ResponseError::Refused(errors) => refuse(errors),
    })?;
    let inputs = loaded.sources().iter().map(|source| source.name.as_str());
    let drawn = flags.plot.write(flags.common.output(), inputs, || plot::file(&plot::gain(&result, None)));
    drawn.map_err(|error| refuse(vec![error]))?;
    Ok(answer(loaded, &result.cautions, |warnings| match flags.common.format() {
        Format::Text => text::response(&result),
        Format::Csv => csv::response(&result),
        Format::Json => line(&json::Response::new(json::Head::new("response", warnings), &result)),
    }))
}

/// The resistor that takes the power, and a line on it where it had to be added.
fn connect_load(
    flags: &Flags,
    loaded: &mut Loaded,
    points: &[Point],
) -> Result<(Option<PartId>, Vec<String>), Refusal> {
    let (Some(text), Some(output)) = (&flags.load, points.first()) else { return Ok((None, Vec::new())) };
    let ohms = match named("load", text, read_load(&loaded.changed, output, text)) {
        Ok(Load::Resistor(part)) => return Ok((Some(part), Vec::new())),
        Ok(Load::Added(ohms)) => ohms,
        Err(error) => return Err(Refusal::flags(loaded, vec![error])),
    };
    let nodes = [output.plus, output.minus].map(|node| loaded.changed.node_name(node).to_owned());
    let name = format!("bridge {},{}", nodes[0], nodes[1]);
    let bridge = Change::Bridge { nodes, ohms, excess: Excess::None };
    match loaded.changed.changed(&[bridge]) {
        Ok(circuit) => loaded.changed = circuit,
        Err(errors) => return Err(Refusal::flags(loaded, errors)),
    }
    Ok((loaded.changed.find_part(&name).ok(), vec![format!("load of {} across {}", short(ohms, "Ω"), output.name)]))
}

/// Reads `SOURCE:NODE`.
fn twin(text: &str, loaded: &Loaded) -> Result<Twin, Diagnostic> {
    let Some((source, node)) = text.split_once(':') else {
        let message = format!("--twin {text}: the other channel is a source and an output");
        return Err(Diagnostic::error(Code::BadFlag, message).help("write --twin VR:outR"));
    };
    let circuit = &loaded.changed;
    Ok(Twin {
        input: named("twin", text, find_source(circuit, source))?,
        point: named("twin", text, Point::read(circuit, node))?,
    })
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
