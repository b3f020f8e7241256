//! What a command comes to: a result or a refusal, its messages, the exit code.

use std::io::Write;
use std::process::ExitCode;
use std::sync::Arc;

use hissmap::bench::advice;
use hissmap::bias::{SolveError, solve};
use hissmap::diagnostic::{Code, Diagnostic, Severity, Sources};
use hissmap::netlist::Netlist;
use hissmap::report::{Message, csv, json};
use serde::Serialize;

use super::circuit::Loaded;
use super::flags::Format;
use super::output::Output;
use super::{BAD_INPUT, CHECK_FAILED, NO_BIAS, render};

/// All that leaves the program.
pub struct Outcome {
    /// For standard output.
    pub result: String,
    /// For standard error.
    pub messages: Vec<Diagnostic>,
    /// The texts the messages point into.
    pub sources: Sources,
    /// Exit code.
    pub code: u8,
}

/// Why a command has no result.
pub struct Refusal {
    /// What was read of the text, if it was.
    netlist: Option<Arc<Netlist>>,
    messages: Vec<Diagnostic>,
    sources: Sources,
    code: u8,
}

impl Refusal {
    /// Bad input: errors, and warnings among them.
    pub fn of(mut messages: Vec<Diagnostic>, sources: Sources) -> Self {
        in_order_of_text(&mut messages);
        Self { netlist: None, messages, sources, code: BAD_INPUT }
    }

    /// A netlist with faults.
    pub fn faulty(netlist: Arc<Netlist>, messages: Vec<Diagnostic>) -> Self {
        let sources = netlist.sources.clone();
        Self { netlist: Some(netlist), ..Self::of(messages, sources) }
    }

    /// With the advice that needs no sound circuit.
    pub fn with_advice_on_title(mut self) -> Self {
        if let Some(netlist) = &self.netlist {
            self.messages.extend(advice::of_title(netlist));
            in_order_of_text(&mut self.messages);
        }
        self
    }

    /// A file that could not be read.
    pub fn unread(file: &str, error: Diagnostic) -> Self {
        let mut sources = Sources::default();
        sources.add(file, "");
        Self::of(vec![error], sources)
    }

    /// Bad flags of a sound netlist.
    pub fn flags(loaded: &Loaded, errors: Vec<Diagnostic>) -> Self {
        Self::of([loaded.warnings.clone(), errors].concat(), loaded.sources().clone())
    }

    /// Something that a command needs and that neither flags nor netlist give.
    pub fn missing(loaded: &Loaded, message: &str, help: &str) -> Self {
        Self::flags(loaded, vec![Diagnostic::error(Code::MissingInput, message).help(help)])
    }

    /// Equations without a solution, or with values beyond all computing.
    pub fn unsolved(loaded: &Loaded, error: &SolveError) -> Self {
        let refusal = Self::flags(loaded, vec![error.diagnostic()]);
        match error {
            SolveError::TooLarge { .. } => refusal,
            _ => Self { code: NO_BIAS, ..refusal },
        }
    }

    /// Says that the what-ifs are to blame where the netlist as written has a bias point.
    pub fn blaming_changes(mut self, loaded: &Loaded) -> Self {
        if solve(&loaded.written).is_ok() {
            for error in self.messages.iter_mut().filter(|message| message.is_error()) {
                error.message = format!("with the what-ifs: {}", error.message);
            }
        }
        self
    }

    /// The outcome in the form that was asked for.
    pub fn outcome(self, command: &'static str, format: Format) -> Outcome {
        let of = |severity| Message::all(&self.messages, severity, &self.sources);
        let (errors, warnings) = (of(Severity::Error), of(Severity::Warning));
        let result = match format {
            Format::Text => String::new(),
            Format::Csv if command == "check" => csv::messages(&[errors, warnings].concat()),
            Format::Csv => String::new(),
            Format::Json if command == "check" => {
                line(&json::Check::unsound(json::Head::new(command, warnings), errors))
            }
            Format::Json => line(&json::Refusal::new(Some(command), errors, warnings)),
        };
        Outcome { result, messages: self.messages, sources: self.sources, code: self.code }
    }
}

/// The outcome of a command that has a result, with cautions about its figures.
pub fn answer(loaded: Loaded, cautions: &[Diagnostic], draw: impl FnOnce(Vec<Message>) -> String) -> Outcome {
    let sources = loaded.sources().clone();
    let mut messages = loaded.warnings;
    messages.extend_from_slice(cautions);
    in_order_of_text(&mut messages);
    let result = draw(Message::all(&messages, Severity::Warning, &sources));
    Outcome { result, messages, sources, code: 0 }
}

/// As a reader goes through the text; what has no place comes last.
fn in_order_of_text(messages: &mut [Diagnostic]) {
    messages.sort_by_key(|message| {
        let place = message.statement.or(message.span);
        place.map_or((u32::MAX, 0), |span| (span.source.0, span.start))
    });
}

/// A serialized result, one line.
pub fn line(result: &impl Serialize) -> String {
    let text = serde_json::to_string(result).expect("results hold only text, numbers, lists and named fields");
    text + "\n"
}

impl Outcome {
    /// Writes everything and returns the exit code. A file is asked for to hold a result: a refusal is none, and goes to
    /// standard output.
    pub fn deliver(self, output: &Output) -> ExitCode {
        // Without standard error there is nobody to tell.
        let tell = |messages: &[Diagnostic]| {
            let _ = anstream::stderr().write_all(render::messages(messages, &self.sources).as_bytes());
        };
        tell(&self.messages);
        let refused = ![0, CHECK_FAILED].contains(&self.code);
        let inputs = self.sources.iter().map(|source| source.name.as_str());
        let nowhere = Output::default();
        let written = if refused { &nowhere } else { output }.write(&self.result, inputs);
        match written {
            Ok(()) => ExitCode::from(self.code),
            Err(error) => {
                tell(&[error]);
                ExitCode::from(BAD_INPUT)
            }
        }
    }
}
