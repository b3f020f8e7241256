//! From a netlist or bench sheet and what-if flags to circuits.

use std::sync::Arc;

use hissmap::bench::healthy::HealthyModel;
use hissmap::bench::sheet::Sheet;
use hissmap::bench::sheet::settings::Instruments;
use hissmap::bench::{DEFAULT_BAND_HZ, Point, Temperatures, WhatIf, read_band, what_ifs};
use hissmap::circuit::{Change, Circuit};
use hissmap::diagnostic::{Code, Diagnostic, Sources};
use hissmap::element::PartId;
use hissmap::netlist::Netlist;
use hissmap::report::ControlResult;

use super::answer::Refusal;
use super::files::{self, Input};
use super::flags::{Answer, WhatIfs};

/// A netlist that could be built, as written and as changed.
pub struct Loaded {
    /// As written.
    pub written: Circuit,
    /// With all what-ifs.
    pub changed: Circuit,
    /// The what-ifs that hold.
    pub what_ifs: Vec<WhatIf>,
    /// The bench sheet, where one was named.
    pub sheet: Option<Sheet>,
    /// The texts that messages point into.
    sources: Sources,
    /// Warnings so far.
    pub warnings: Vec<Diagnostic>,
}

/// Reads and builds a netlist or a bench sheet, and makes the changes that are asked for.
pub fn load(file: &str, flags: &WhatIfs) -> Result<Loaded, Refusal> {
    let (written, sheet, sources, messages) = match files::read(file).map_err(|error| Refusal::unread(file, error))? {
        Input::Netlist(netlist, messages) => {
            let sources = netlist.sources.clone();
            let (circuit, messages) = build(*netlist, messages)?;
            (circuit, None, sources, messages)
        }
        Input::Sheet(read) => match *read {
            Ok((sheet, messages)) => (sheet.circuit.clone(), Some(sheet.clone()), sheet.sources, messages),
            Err(unread) => return Err(Refusal::of(unread.messages, unread.sources)),
        },
    };
    let refuse = |problems: Vec<Diagnostic>| {
        let known = messages.iter().filter(|message| !problems.contains(message)).cloned().collect::<Vec<_>>();
        Refusal::of([known, problems].concat(), sources.clone())
    };
    let temperatures = sheet.as_ref().map_or(Temperatures::default(), |sheet| sheet.surroundings.temperatures);
    let (what_ifs, warnings) = what_ifs(&written, &temperatures, &flags.asked).map_err(refuse)?;
    let changes: Vec<_> = what_ifs.iter().flat_map(|what_if| what_if.changes.clone()).collect();
    let changed = written.changed(&changes).map_err(refuse)?;
    Ok(Loaded { written, changed, what_ifs, sheet, sources, warnings: [messages, warnings].concat() })
}

/// Reads a bench sheet, or a netlist as a sheet that says nothing more; without changes.
pub fn load_as_sheet(file: &str) -> Result<Loaded, Refusal> {
    match files::read_as_sheet(file).map_err(|error| Refusal::unread(file, error))? {
        Ok((sheet, warnings)) => Ok(Loaded {
            written: sheet.circuit.clone(),
            changed: sheet.circuit.clone(),
            what_ifs: Vec::new(),
            sources: sheet.sources.clone(),
            sheet: Some(sheet),
            warnings,
        }),
        Err(unread) => Err(Refusal::of(unread.messages, unread.sources)),
    }
}

/// Builds a netlist; its messages and those of building it come together.
fn build(netlist: Netlist, mut messages: Vec<Diagnostic>) -> Result<(Circuit, Vec<Diagnostic>), Refusal> {
    let netlist = Arc::new(netlist);
    match Circuit::build(Arc::clone(&netlist)) {
        Ok((circuit, warnings)) => {
            messages.extend(warnings);
            match messages.iter().any(Diagnostic::is_error) {
                true => Err(Refusal::faulty(netlist, messages)),
                false => Ok((circuit, messages)),
            }
        }
        Err(problems) => {
            messages.extend(problems);
            Err(Refusal::faulty(netlist, messages))
        }
    }
}

impl Loaded {
    /// The what-ifs, a line each.
    pub fn changes(&self) -> Vec<String> {
        self.what_ifs.iter().map(|what_if| what_if.text.clone()).collect()
    }

    /// The texts that messages point into.
    pub fn sources(&self) -> &Sources {
        &self.sources
    }

    /// The input source of the sheet, else of `.noise`, in the circuit as changed.
    pub fn input(&self) -> Option<PartId> {
        match &self.sheet {
            Some(sheet) => sheet.about(&self.changed).input,
            None => self.changed.noise.as_ref().map(|noise| noise.source),
        }
    }

    /// The input source in another variant of the circuit, where it may stand elsewhere among the parts.
    pub fn input_in(&self, circuit: &Circuit) -> Option<PartId> {
        circuit.find_part(&self.changed.part(self.input()?).name).ok()
    }

    /// The output of the sheet, else of `.noise`.
    pub fn output(&self) -> Option<Point> {
        let of_noise = || {
            let (plus, minus) = self.changed.noise.as_ref()?.output;
            Some(Point::between(&self.changed, plus, minus))
        };
        self.sheet.as_ref().and_then(|sheet| sheet.output.clone()).or_else(of_noise)
    }

    /// A node, a difference, or a point that the sheet gives a name.
    pub fn point(&self, text: &str) -> Result<Point, Diagnostic> {
        match &self.sheet {
            Some(sheet) => sheet.find_point(text),
            None => Point::read(&self.changed, text),
        }
    }

    /// Healthy units with the controls and the temperature inside the set where the flags put them, where the band is asked for; a sheet asks for it by itself.
    pub fn healthy(&self, asked: Option<Option<Answer>>) -> Result<Option<HealthyModel>, Refusal> {
        let wanted = match asked {
            Some(answer) => answer != Some(Answer::No),
            None => self.sheet.is_some(),
        };
        if !wanted {
            return Ok(None);
        }
        let settings = self.what_ifs.iter().flat_map(|what_if| &what_if.changes);
        let settings: Vec<Change> = settings
            .filter(|change| matches!(change, Change::Parameter { .. } | Change::Ambient { .. }))
            .cloned()
            .collect();
        let circuit = self.written.changed(&settings).map_err(|errors| Refusal::flags(self, errors))?;
        Ok(Some(match &self.sheet {
            Some(sheet) => HealthyModel::of_sheet(sheet, &circuit),
            None => HealthyModel::of_circuit(&circuit, self.input_in(&circuit)),
        }))
    }

    /// What lies on the bench.
    pub fn instruments(&self) -> Instruments {
        self.sheet.as_ref().map(|sheet| sheet.instruments.clone()).unwrap_or_default()
    }

    /// The points that are asked for; all without any.
    pub fn points(&self, at: &[String], input: Option<PartId>) -> Result<Vec<Point>, Vec<Diagnostic>> {
        if at.is_empty() {
            return Ok(Point::all(&self.changed, input));
        }
        collect(at.iter().map(|text| named("at", text, self.point(text))))
    }

    /// A flag stands over the sheet, the sheet over `.noise`, that over 20 Hz to 20 kHz.
    pub fn band_hz(&self, band: Option<&String>) -> Result<[f64; 2], Diagnostic> {
        match (band, &self.sheet) {
            (Some(text), _) => named("band", text, read_band(text)),
            (None, Some(sheet)) => Ok(sheet.band_hz),
            (None, None) => match self.changed.noise.as_ref().map_or(DEFAULT_BAND_HZ, |noise| noise.points.band_hz) {
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
