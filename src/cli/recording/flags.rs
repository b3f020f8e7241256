//! Flags of `recording`, and what they ask for.

use clap::{Args, ValueEnum};
use hissmap::bench::recording::{CsvOptions, Measure, RecordingQuestion};
use hissmap::bench::{read_band, read_hertz, read_level};
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::noise::Weighting;

use crate::cli::circuit::named;
use crate::cli::flags::{Format, Weight};
use crate::cli::output::Output;

/// Turn a scope's CSV or a sound card's WAV into readings.
///
/// Rms in the band with hum and hiss apart, peak-to-peak, spectrum, and whether the hiss is Gaussian: popping devices are not.
/// Delimiter, decimals, units and the time column of a CSV are recognised. With --at the reading for a bench sheet.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  hissmap recording scope.csv\n  \
                        hissmap recording take1.wav --full-scale 1.2 --weight a --spectrum\n  \
                        hissmap recording scope.csv --channel CH2 --probe 10 --at TP4 --append job.toml")]
pub struct Flags {
    /// CSV or WAV, or - for standard input
    #[arg(value_name = "FILE")]
    pub file: String,
    /// Band of the figures in Hz [default: that of the sheet of --append, else 20:20k]
    #[arg(long, value_name = "LOW:HIGH")]
    band: Option<String>,
    /// Weighting of the band figures
    #[arg(long, value_name = "CURVE", default_value = "flat", ignore_case = true)]
    weight: Weight,
    #[command(flatten)]
    source: Source,
    /// Print the reading of this point for a bench sheet
    #[arg(long, value_name = "POINT")]
    pub at: Option<String>,
    /// Of what: hiss, pp (peak-to-peak), hum, dc; several with commas between
    #[arg(long, value_enum, value_name = "WHAT", value_delimiter = ',', default_value = "hiss", requires = "at")]
    measure: Vec<MeasureFlag>,
    /// Write the reading into this bench sheet as well, all that stands there kept
    #[arg(long, value_name = "SHEET", requires = "at")]
    pub append: Option<String>,
    /// Add the spectrum, V/√Hz
    #[arg(long)]
    pub spectrum: bool,
    /// Write the result as JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Write the spectrum as comma-separated values
    #[arg(long)]
    csv: bool,
    #[command(flatten)]
    output: Output,
}

/// What a recording file does not say of itself.
#[derive(Debug, Args)]
#[command(next_help_heading = "Of a recording")]
pub struct Source {
    /// Frequency of the mains in Hz [default: looked for at 50 and 60]
    #[arg(long, value_name = "HZ")]
    mains: Option<String>,
    /// Volts that full scale of a WAV file stands for
    #[arg(long, value_name = "VOLTS")]
    full_scale: Option<String>,
    /// Times that a probe divides by, where the recording does not know of it
    #[arg(long, value_name = "TIMES", default_value_t = 1.0)]
    probe: f64,
    /// Channel by name, or by number from 1 [default: the first]
    #[arg(long, value_name = "NAME")]
    channel: Option<String>,
    /// Samples per second of a CSV, in place of its time column
    #[arg(long, value_name = "HZ")]
    rate: Option<String>,
    /// The CSV has no time column
    #[arg(long, requires = "rate")]
    no_time: bool,
    /// What separates the cells of a CSV
    #[arg(long, value_enum, value_name = "SIGN")]
    delimiter: Option<Delimiter>,
    /// What stands before the decimals of a CSV
    #[arg(long, value_enum, value_name = "SIGN")]
    decimal: Option<Decimal>,
    /// Unit of the time column
    #[arg(long, value_enum, value_name = "UNIT")]
    time_unit: Option<TimeUnit>,
    /// Unit of the volts column
    #[arg(long, value_enum, value_name = "UNIT")]
    volts_unit: Option<VoltsUnit>,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Delimiter {
    Comma,
    Semicolon,
    Tab,
    Space,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Decimal {
    Point,
    Comma,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum TimeUnit {
    S,
    Ms,
    Us,
    Ns,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
#[value(rename_all = "verbatim")]
enum VoltsUnit {
    #[value(name = "V")]
    Volts,
    #[value(name = "mV")]
    Millivolts,
    #[value(name = "uV")]
    Microvolts,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum MeasureFlag {
    Hiss,
    Pp,
    Hum,
    Dc,
}

/// The flags as values.
pub struct Asked {
    pub question: RecordingQuestion,
    pub csv: CsvOptions,
    pub full_scale_volts: Option<f64>,
    pub probe: f64,
    pub wav_channel: usize,
}

impl Flags {
    pub fn output(&self) -> &Output {
        &self.output
    }

    pub fn format(&self) -> Format {
        Format::of(self.json, self.csv)
    }

    /// What is to be read out of it.
    pub fn measures(&self) -> Vec<Measure> {
        let measures = self.measure.iter().map(|measure| match measure {
            MeasureFlag::Hiss => Measure::Hiss,
            MeasureFlag::Pp => Measure::PeakToPeak,
            MeasureFlag::Hum => Measure::Hum,
            MeasureFlag::Dc => Measure::Dc,
        });
        measures.collect()
    }

    /// Reads the values; `band_hz` is what stands without --band.
    pub fn asked(&self, band_hz: [f64; 2]) -> Result<Asked, Vec<Diagnostic>> {
        let band_hz = match &self.band {
            Some(text) => named("band", text, read_band(text)).map_err(|error| vec![error])?,
            None => band_hz,
        };
        self.source.asked(band_hz, self.weight.into())
    }
}

impl Source {
    /// Reads the values.
    pub fn asked(&self, band_hz: [f64; 2], weighting: Weighting) -> Result<Asked, Vec<Diagnostic>> {
        let one = |error| vec![error];
        let hertz = |flag, text: &Option<String>| {
            text.as_ref().map(|text| named(flag, text, read_hertz(text))).transpose().map_err(one)
        };
        if !(self.probe > 0.0 && self.probe.is_finite()) {
            let message = format!("--probe {}: a probe divides by a number above zero", self.probe);
            return Err(one(Diagnostic::error(Code::BadFlag, message).help("write --probe 10")));
        }
        let volts = |text: &String| named("full-scale", text, read_level(text));
        let csv = CsvOptions {
            delimiter: self.delimiter.map(|delimiter| match delimiter {
                Delimiter::Comma => ',',
                Delimiter::Semicolon => ';',
                Delimiter::Tab => '\t',
                Delimiter::Space => ' ',
            }),
            decimal_comma: self.decimal.map(|decimal| decimal == Decimal::Comma),
            rate_hz: hertz("rate", &self.rate)?,
            no_time: self.no_time,
            channel: self.channel.clone(),
            time_scale: self.time_unit.map(|unit| match unit {
                TimeUnit::S => 1.0,
                TimeUnit::Ms => 1e-3,
                TimeUnit::Us => 1e-6,
                TimeUnit::Ns => 1e-9,
            }),
            volts_scale: self.volts_unit.map(|unit| match unit {
                VoltsUnit::Volts => 1.0,
                VoltsUnit::Millivolts => 1e-3,
                VoltsUnit::Microvolts => 1e-6,
            }),
        };
        Ok(Asked {
            question: RecordingQuestion { band_hz, weighting, mains_hz: hertz("mains", &self.mains)? },
            csv,
            full_scale_volts: self.full_scale.as_ref().map(volts).transpose().map_err(one)?,
            probe: self.probe,
            // A WAV file's channels have no names: what is no number is none of them.
            wav_channel: self.channel.as_ref().map_or(1, |text| text.trim().parse().unwrap_or(0)),
        })
    }
}
