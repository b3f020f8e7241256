//! `report`: all of it on one page.

use clap::{Args, ValueEnum};
use hissmap::bench::{Action, Point, WhatIf};
use hissmap::circuit::Change;
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::report::{RecordingResult, ReportQuestion, page, report};

use super::answer::{Outcome, Refusal, answer};
use super::circuit::{Loaded, load, named};
use super::flags::{Format, Weight, WhatIfs};
use super::output::Output;
use super::progress::Bar;
use super::recording::{self, Source};

/// All of it on one page: a self-contained HTML file for the bench or the customer.
///
/// The path of the hiss with the healthy band and what was read, who makes it, spectra, tone curves, DC volts, the symptom
/// chart, and of a sheet with readings the suspects with the next tests and what a repaired set must read. Plots, no network, readable on a phone, printable.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  hissmap report circuits/two-stage-germanium.toml -o job.html\n  \
                        hissmap report circuits/two-stage-germanium.cir --leak Q2=20uA,x=300 -o leak.html\n  \
                        hissmap report job.toml --recording take1.wav --full-scale 1.2 --at TP4 -o job.html")]
pub struct Flags {
    /// Bench sheet or netlist, or - for standard input
    #[arg(value_name = "SHEET-or-FILE")]
    file: String,
    /// Where the complaint is heard [default: that of the sheet or .noise]
    #[arg(long, value_name = "NODE")]
    heard: Option<String>,
    /// Band of the hiss in Hz [default: that of the sheet or .noise, else 20:20k]
    #[arg(long, value_name = "LOW:HIGH")]
    band: Option<String>,
    /// Weighting of the band figures
    #[arg(long, value_name = "CURVE", default_value = "flat", ignore_case = true)]
    weight: Weight,
    /// Lay the spectrum of this recording (CSV or WAV) over the computed one; may be repeated
    #[arg(long, value_name = "FILE")]
    recording: Vec<String>,
    /// The point each recording was made at, in their order [default: where the complaint is heard]
    #[arg(long, value_name = "POINT", requires = "recording")]
    at: Vec<String>,
    #[command(flatten)]
    source: Source,
    /// Leave out what takes long
    #[arg(long, value_enum, value_name = "SECTION", value_delimiter = ',')]
    without: Vec<Section>,
    #[command(flatten)]
    output: Output,
    #[command(flatten)]
    what_ifs: WhatIfs,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Section {
    /// The symptom chart
    Symptoms,
    /// The verdict on the readings
    Diagnosis,
    /// What a repaired set must read
    Acceptance,
}

impl Flags {
    pub fn output(&self) -> &Output {
        &self.output
    }
}

pub fn run(flags: &Flags) -> Outcome {
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("report", Format::Text))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.file, &flags.what_ifs)?;
    let inputs =
        loaded.sources().iter().map(|source| source.name.as_str()).chain(flags.recording.iter().map(String::as_str));
    // Before minutes are spent on what cannot be written.
    flags.output.check(inputs).map_err(|error| Refusal::flags(&loaded, vec![error]))?;
    let output = output(flags, &loaded)?;
    let band_hz = loaded.band_hz(flags.band.as_ref()).map_err(|error| Refusal::flags(&loaded, vec![error]))?;
    // Controls and the room belong to the healthy state as well.
    let setting = |one: &&WhatIf| matches!(one.action, Action::Set | Action::Ambient);
    let settings: Vec<Change> = loaded.what_ifs.iter().filter(setting).flat_map(|one| one.changes.clone()).collect();
    let healthy = loaded.written.changed(&settings).map_err(|errors| Refusal::flags(&loaded, errors))?;
    let question = ReportQuestion {
        healthy: &healthy,
        changed: &loaded.changed,
        changes: loaded.what_ifs.iter().filter(|one| !setting(one)).map(|one| one.text.clone()).collect(),
        sheet: loaded.sheet.as_ref(),
        input: loaded.input_in(&healthy),
        recordings: recordings(flags, &loaded, &output, band_hz)?,
        output,
        band_hz,
        weighting: flags.weight.into(),
        symptoms: !flags.without.contains(&Section::Symptoms),
        diagnosis: !flags.without.contains(&Section::Diagnosis),
        acceptance: !flags.without.contains(&Section::Acceptance),
    };
    let bar = Bar::new();
    let result = report(&question, &|stage, done, all| bar.show(stage.words(), done, all));
    drop(bar);
    let result = result.map_err(|error| Refusal::unsolved(&loaded, &error).blaming_changes(&loaded))?;
    let drawn = page::page(&result);
    Ok(answer(loaded, &result.cautions, |_| drawn))
}

fn output(flags: &Flags, loaded: &Loaded) -> Result<Point, Refusal> {
    if let Some(text) = &flags.heard {
        return named("heard", text, loaded.point(text)).map_err(|error| Refusal::flags(loaded, vec![error]));
    }
    loaded.output().ok_or_else(|| {
        let help = "name it: --heard out, or .noise v(out) VIN dec 20 20 20k in the netlist";
        Refusal::missing(loaded, "at which output is the complaint heard?", help)
    })
}

fn recordings(
    flags: &Flags,
    loaded: &Loaded,
    output: &Point,
    band_hz: [f64; 2],
) -> Result<Vec<(Point, RecordingResult)>, Refusal> {
    if flags.at.len() > flags.recording.len() {
        let error = Diagnostic::error(Code::BadFlag, "--at: there are more points than recordings");
        return Err(Refusal::flags(loaded, vec![error.help("name a point for each recording, in their order")]));
    }
    let each = flags.recording.iter().enumerate().map(|(at, file)| {
        let point = match flags.at.get(at) {
            Some(text) => named("at", text, loaded.point(text)).map_err(|error| Refusal::flags(loaded, vec![error]))?,
            None => output.clone(),
        };
        let asked =
            flags.source.asked(band_hz, flags.weight.into()).map_err(|errors| Refusal::flags(loaded, errors))?;
        let (channel, figures) = recording::read(file, &asked)?;
        Ok((point, RecordingResult { name: file.clone(), channel, figures }))
    });
    each.collect()
}
