//! From a file and what-if flags to circuits.

use std::sync::Arc;

use hissmap::bench::{DEFAULT_BAND_HZ, Point, Temperatures, WhatIf, read_band, what_ifs};
use hissmap::circuit::Circuit;
use hissmap::diagnostic::{Code, Diagnostic, Sources};
use hissmap::element::PartId;
use hissmap::report::ControlResult;

use super::answer::Refusal;
use super::files;
use super::flags::WhatIfs;

/// A netlist that could be built, as written and as changed.
pub struct Loaded {
    /// As written.
    pub written: Circuit,
    /// With all what-ifs.
    pub changed: Circuit,
    /// The what-ifs that hold.
    pub what_ifs: Vec<WhatIf>,
    /// Warnings so far.
    pub warnings: Vec<Diagnostic>,
}

/// Reads and builds a netlist, and makes the changes that are asked for.
pub fn load(file: &str, flags: &WhatIfs) -> Result<Loaded, Refusal> {
    let (netlist, mut messages) = files::read_netlist(file).map_err(|error| Refusal::unread(file, error))?;
    let sources = netlist.sources.clone();
    let netlist = Arc::new(netlist);
    let written = match Circuit::build(Arc::clone(&netlist)) {
        Ok((circuit, warnings)) => {
            messages.extend(warnings);
            circuit
        }
        Err(problems) => {
            messages.extend(problems);
            return Err(Refusal::faulty(netlist, messages));
        }
    };
    if messages.iter().any(Diagnostic::is_error) {
        return Err(Refusal::faulty(netlist, messages));
    }
    let refuse = |problems: Vec<Diagnostic>| {
        let known = messages.iter().filter(|message| !problems.contains(message)).cloned().collect::<Vec<_>>();
        Refusal::of([known, problems].concat(), sources.clone())
    };
    let (what_ifs, warnings) = what_ifs(&written, &Temperatures::default(), &flags.asked).map_err(refuse)?;
    let changes: Vec<_> = what_ifs.iter().flat_map(|what_if| what_if.changes.clone()).collect();
    let changed = written.changed(&changes).map_err(refuse)?;
    messages.extend(warnings);
    Ok(Loaded { written, changed, what_ifs, warnings: messages })
}

impl Loaded {
    /// The what-ifs, a line each.
    pub fn changes(&self) -> Vec<String> {
        self.what_ifs.iter().map(|what_if| what_if.text.clone()).collect()
    }

    /// The texts that messages point into.
    pub fn sources(&self) -> &Sources {
        &self.written.netlist().sources
    }

    /// The input source of `.noise`.
    pub fn input(&self) -> Option<PartId> {
        self.changed.noise.as_ref().map(|noise| noise.source)
    }

    /// The points that are asked for; all without any.
    pub fn points(&self, at: &[String], input: Option<PartId>) -> Result<Vec<Point>, Vec<Diagnostic>> {
        if at.is_empty() {
            return Ok(Point::all(&self.changed, input));
        }
        collect(at.iter().map(|text| named("at", text, Point::read(&self.changed, text))))
    }

    /// A flag stands over `.noise`, that over 20 Hz to 20 kHz.
    pub fn band_hz(&self, band: Option<&String>) -> Result<[f64; 2], Diagnostic> {
        match band {
            Some(text) => named("band", text, read_band(text)),
            None => match self.changed.noise.as_ref().map_or(DEFAULT_BAND_HZ, |noise| noise.points.band_hz) {
                [low, high] if low < high => Ok([low, high]),
                _ => Err(Diagnostic::error(Code::MissingInput, ".noise names one frequency, and hiss needs a band")
                    .help("give one: --band 20:20k")),
            },
        }
    }
}

/// Adds to an error the flag that it is about.
pub fn named<T>(flag: &str, text: &str, read: Result<T, Diagnostic>) -> Result<T, Diagnostic> {
    read.map_err(|error| Diagnostic { message: format!("--{flag} {text}: {}", error.message), ..error })
}

/// All values, or all errors.
pub fn collect<T>(read: impl Iterator<Item = Result<T, Diagnostic>>) -> Result<Vec<T>, Vec<Diagnostic>> {
    let (mut values, mut errors) = (Vec::new(), Vec::new());
    for one in read {
        match one {
            Ok(value) => values.push(value),
            Err(error) => errors.push(error),
        }
    }
    if errors.is_empty() { Ok(values) } else { Err(errors) }
}

/// Cautions of a result, and those of its controls besides.
pub fn with_cautions(own: &[Diagnostic], controls: &[ControlResult]) -> Vec<Diagnostic> {
    let mut all = own.to_vec();
    for caution in controls.iter().flat_map(|control| &control.cautions) {
        if !all.contains(caution) {
            all.push(caution.clone());
        }
    }
    all
}
