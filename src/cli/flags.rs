//! Flags that several commands share.

use clap::{Arg, ArgAction, ArgMatches, Args, FromArgMatches, ValueEnum};
use hissmap::bench::{Action, Control};
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::noise::{DEFAULT_TOLERANCE, Weighting};

use super::circuit::{Loaded, collect, named};
use super::output::Output;

/// How the result is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// For people.
    Text,
    /// For programs.
    Json,
    /// For spreadsheets.
    Csv,
}

impl Format {
    /// By the flags that ask for it.
    pub fn of(json: bool, csv: bool) -> Self {
        match (json, csv) {
            (true, _) => Format::Json,
            (_, true) => Format::Csv,
            _ => Format::Text,
        }
    }
}

/// The netlist or sheet, and how the result is written.
#[derive(Debug, Args)]
pub struct Common {
    /// Netlist or bench sheet, or - for standard input
    #[arg(value_name = "FILE")]
    pub file: String,
    /// Write the result as JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Write the result as comma-separated values
    #[arg(long)]
    csv: bool,
    #[command(flatten)]
    output: Output,
}

impl Common {
    pub fn output(&self) -> &Output {
        &self.output
    }

    pub fn format(&self) -> Format {
        Format::of(self.json, self.csv)
    }
}

/// What-ifs in the order of asking: the later one of two about the same thing holds.
#[derive(Clone, Debug, Default)]
pub struct WhatIfs {
    pub asked: Vec<(Action, String)>,
}

impl FromArgMatches for WhatIfs {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, clap::Error> {
        let mut asked: Vec<(usize, Action, String)> = Vec::new();
        for &action in Action::ALL {
            let places = matches.indices_of(action.flag()).into_iter().flatten();
            let texts = matches.get_many::<String>(action.flag()).into_iter().flatten();
            asked.extend(places.zip(texts).map(|(place, text)| (place, action, text.clone())));
        }
        asked.sort_by_key(|(place, ..)| *place);
        Ok(Self { asked: asked.into_iter().map(|(_, action, text)| (action, text)).collect() })
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), clap::Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}

impl Args for WhatIfs {
    fn augment_args(command: clap::Command) -> clap::Command {
        let flags = Action::ALL.iter().map(|action| {
            Arg::new(action.flag())
                .long(action.flag())
                .value_name(action.form())
                .help(format!("{}, such as {}", action.meaning(), action.example()))
                .help_heading("What if")
                .action(ArgAction::Append)
                // -5 is a temperature.
                .allow_negative_numbers(true)
        });
        command.args(flags)
    }

    fn augment_args_for_update(command: clap::Command) -> clap::Command {
        Self::augment_args(command)
    }
}

/// Whether something is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Answer {
    /// It is
    Yes,
    /// It is not
    No,
}

/// Weighting of band figures.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum Weight {
    /// All frequencies alike
    Flat,
    /// The A curve of sound level meters
    A,
    /// The curve of ITU-R BS.468
    #[value(name = "468")]
    Itu468,
}

impl From<Weight> for Weighting {
    fn from(weight: Weight) -> Self {
        match weight {
            Weight::Flat => Weighting::Flat,
            Weight::A => Weighting::A,
            Weight::Itu468 => Weighting::Itu468,
        }
    }
}

/// Where hiss is looked at, and how it is summed.
#[derive(Debug, Args)]
pub struct Hiss {
    /// A node, or two for the difference (A,B); may be repeated [default: every node]
    #[arg(long, value_name = "NODE")]
    pub at: Vec<String>,
    /// Band of the hiss in Hz [default: that of the sheet or .noise, else 20:20k]
    #[arg(long, value_name = "LOW:HIGH")]
    pub band: Option<String>,
    /// Weighting of the band figures
    #[arg(long, value_name = "CURVE", default_value = "flat", ignore_case = true)]
    pub weight: Weight,
    /// Relative error of the rms figures to work for [default: 1e-6]
    #[arg(long, value_name = "FRACTION")]
    tolerance: Option<f64>,
}

impl Hiss {
    /// The relative error that is asked for.
    pub fn tolerance(&self) -> Result<f64, Diagnostic> {
        match self.tolerance {
            None => Ok(DEFAULT_TOLERANCE),
            Some(fraction) if fraction > 0.0 && fraction < 1.0 => Ok(fraction),
            Some(other) => {
                let message = format!("--tolerance {other}: it must lie between 0 and 1");
                Err(Diagnostic::error(Code::BadFlag, message).help("write --tolerance 1e-4"))
            }
        }
    }
}

/// Controls that are turned between their ends.
#[derive(Debug, Args)]
pub struct Controls {
    /// Add which hiss moves with a control and which does not: a .param that turns a potentiometer, 0 to 1, or any .param with
    /// its ends (volume=0.1:1); may be repeated
    #[arg(long = "control", value_name = "PARAM[=LOW:HIGH]", conflicts_with = "csv")]
    texts: Vec<String>,
}

impl Controls {
    /// The controls that are asked for.
    pub fn read(&self, loaded: &Loaded) -> Result<Vec<Control>, Vec<Diagnostic>> {
        collect(self.texts.iter().map(|text| named("control", text, Control::read(&loaded.changed, text))))
    }
}
