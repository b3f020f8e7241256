//! The bench sheet: a netlist plus what only the bench knows, in TOML.
//!
//! [`Sheet::read`] takes text and a function that fetches the netlist; it reads no files. Everything wrong with a sheet is
//! reported at once, with its place. Everything but `circuit` has a default: from the netlist, or of [`settings`].

mod about;
mod acceptance;
mod entries;
mod fault_keys;
mod fault_settings;
pub mod keys;
mod lesson;
mod resolve;
pub mod settings;
mod setup;
mod starter;
mod tree;

use std::sync::Arc;

use super::{Point, reading::Reading};
use crate::circuit::{Change, Circuit};
use crate::diagnostic::{Code, Diagnostic, SourceId, Sources, Span};
use crate::element::PartId;
use crate::mna::NodeId;
use crate::netlist::{self, Fetched, IncludeRequest};

pub use entries::looks_like_sheet;
pub use resolve::{Resolved, Target};
use settings::{
    AcceptanceSettings, FaultSettings, Instruments, Lesson, ReadingErrors, Surroundings, TestCosts, Tolerances,
};
pub use starter::starter;
use tree::Problems;

/// A place to measure that has a name of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedPoint {
    /// Its name.
    pub name: String,
    /// Its node, or one against another.
    pub point: Point,
    /// Where to find it in the set.
    pub place: Option<String>,
    /// The same node in the healthy channel.
    pub twin: Option<Point>,
    /// Volts printed on the schematic.
    pub printed_volts: Option<f64>,
    /// Where its table stands.
    pub span: Span,
    /// Where its printed volts stand.
    pub printed_span: Option<Span>,
}

/// A control.
#[derive(Clone, Debug, PartialEq)]
pub struct Control {
    /// Its name.
    pub name: String,
    /// The parameter of the netlist that it is, as first written.
    pub parameter: String,
    /// Its lower and upper end.
    pub range: [f64; 2],
    /// Where it stands.
    pub now: f64,
}

/// What was complained of.
#[derive(Clone, Debug, PartialEq)]
pub struct Complaint {
    /// So many dB over the healthy model at the output.
    pub hiss_db: f64,
    /// Positions of controls, by index, at which it shows; it shows at every one of these settings. Empty for where they
    /// stand now.
    pub settings: Vec<Vec<(usize, f64)>>,
}

impl Default for Complaint {
    fn default() -> Self {
        Self { hiss_db: 5.0, settings: Vec::new() }
    }
}

/// A part that may be at fault.
#[derive(Clone, Debug, PartialEq)]
pub struct ListedSuspect {
    /// The part.
    pub part: PartId,
    /// How much more often it fails than its like.
    pub weight: f64,
    /// Only these kinds of fault, by name; all without any.
    pub kinds: Vec<String>,
    /// Pin of a contact or open.
    pub pin: Option<String>,
}

/// A part in the drawer.
#[derive(Clone, Debug, PartialEq)]
pub struct Spare {
    /// What it is called.
    pub name: String,
    /// Model of the netlist that it is like, as first written.
    pub model: Option<String>,
    /// Its current gain.
    pub beta: Option<f64>,
    /// Collector current with open base, A, and the volts it was measured at.
    pub iceo: Option<(f64, Option<f64>)>,
    /// Collector-base leakage at 25 °C, A.
    pub icbo_amps: Option<f64>,
    /// Its case.
    pub case: Option<String>,
    /// Order of its pins.
    pub pinout: Option<String>,
    /// Remark.
    pub note: Option<String>,
}

/// A bench sheet, everything resolved.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// Job, complaint, cautions for this set.
    pub title: Option<String>,
    /// The netlist as the sheet found it.
    pub written: Circuit,
    /// The same with controls where they stand now, at the ambient of `[bench]`.
    pub circuit: Circuit,
    /// Source the signal comes from.
    pub input: Option<PartId>,
    /// Where the complaint is heard.
    pub output: Option<Point>,
    /// Band of hiss readings, Hz.
    pub band_hz: [f64; 2],
    /// What was complained of; `None` where the sheet does not say.
    pub complaint: Option<Complaint>,
    /// Places with names of their own, in order of the sheet.
    pub points: Vec<NamedPoint>,
    /// Controls, in order of the sheet; those that the netlist shows to be potentiometers where it lists none.
    pub controls: Vec<Control>,
    /// What lies on the bench.
    pub instruments: Instruments,
    /// What things at hand do.
    pub surroundings: Surroundings,
    /// How healthy units differ.
    pub tolerances: Tolerances,
    /// How far readings scatter.
    pub reading_errors: ReadingErrors,
    /// What is asked of the set when it is repaired.
    pub acceptance: AcceptanceSettings,
    /// What tests cost.
    pub costs: TestCosts,
    /// What the sheet says about kinds of fault.
    pub faults: Vec<FaultSettings>,
    /// Parts that may be at fault; every part where the sheet lists none.
    pub suspects: Vec<ListedSuspect>,
    /// Parts in the drawer.
    pub spares: Vec<Spare>,
    /// What was measured, in order of the sheet, each with where it stands.
    pub readings: Vec<(Reading, Span)>,
    /// What it teaches; `None` for a sheet that is no lesson.
    pub lesson: Option<Lesson>,
    /// All texts, the netlist first; messages about the sheet point into the last one.
    pub sources: Sources,
}

/// A sheet that could not be read.
#[derive(Clone, Debug)]
pub struct Unread {
    /// Everything wrong, warnings among it.
    pub messages: Vec<Diagnostic>,
    /// The texts the messages point into.
    pub sources: Sources,
}

impl Sheet {
    /// Reads the sheet `text`, called `name` in messages. `fetch` supplies the netlist and all that it includes; paths are
    /// counted from the text that asks.
    ///
    /// Returns the sheet with warnings.
    ///
    /// # Errors
    /// Every fault of the sheet and of its netlist at once.
    pub fn read(
        name: &str,
        text: &str,
        fetch: &mut dyn FnMut(&IncludeRequest<'_>) -> Result<Fetched, String>,
    ) -> Result<(Sheet, Vec<Diagnostic>), Unread> {
        let alone = |messages: Vec<Diagnostic>| {
            let mut sources = Sources::default();
            sources.add(name, text);
            Unread { messages, sources }
        };
        if u32::try_from(text.len()).is_err() {
            let error = Diagnostic::error(Code::LimitExceeded, "this sheet is larger than 4 GB");
            return Err(alone(vec![error.help("name a bench sheet")]));
        }
        let (entries, mut messages) = tree::parse(SourceId(0), text);
        let Some((path, span)) = entries::circuit_path(&entries, &mut messages) else { return Err(alone(messages)) };
        let fetched = fetch(&IncludeRequest { path: &path, from: name }).map_err(|reason| {
            let error = Diagnostic::error(Code::IncludeFailed, format!("{path} cannot be read: {reason}")).at(span);
            messages.push(error.help("name a netlist, its path counted from the folder of the sheet"));
            alone(std::mem::take(&mut messages))
        })?;
        let (netlist, mut problems) = netlist::read(&fetched.name, &fetched.text, fetch);
        let mut sources = netlist.sources.clone();
        let (entries, syntax) = tree::parse(sources.add(name, text), text);
        problems.extend(syntax);
        let written = match Circuit::build(Arc::new(netlist)) {
            Ok((circuit, warnings)) => {
                problems.extend(warnings);
                circuit
            }
            Err(errors) => {
                problems.extend(errors);
                return Err(Unread { messages: problems, sources });
            }
        };
        let mut found = Problems(problems);
        let sheet = setup::sheet(&mut found, written, &entries, sources.clone());
        match sheet {
            Some(sheet) if !found.0.iter().any(Diagnostic::is_error) => Ok((sheet, found.0)),
            _ => Err(Unread { messages: found.0, sources }),
        }
    }

    /// A point or node by name: a point of the sheet, a node, or `A,B` for a difference.
    ///
    /// # Errors
    /// [`Code::SheetReference`], naming what is near.
    pub fn find_point(&self, name: &str) -> Result<Point, Diagnostic> {
        resolve::point(&self.circuit, &self.points, name)
    }

    /// A control by name, without regard to case.
    ///
    /// # Errors
    /// [`Code::SheetReference`], naming what is near.
    pub fn find_control(&self, name: &str) -> Result<usize, Diagnostic> {
        resolve::control(&self.controls, name)
    }

    /// What a reading is of.
    ///
    /// # Errors
    /// All that it names and that is not there, each with the key that names it.
    pub fn resolve(&self, reading: &Reading) -> Result<Resolved, Vec<(&'static str, Diagnostic)>> {
        resolve::reading(self, reading)
    }

    /// The name of a point for a person: the sheet's own, else that of the node.
    pub fn point_name(&self, point: &Point) -> String {
        let named = self.points.iter().find(|named| named.point == *point);
        named.map_or_else(|| point.name.clone(), |named| named.name.clone())
    }

    /// The circuit with controls elsewhere than they stand now.
    ///
    /// # Errors
    /// Where the circuit cannot be with a control there.
    pub fn with_controls(&self, positions: &[(usize, f64)]) -> Result<Circuit, Vec<Diagnostic>> {
        let change = |&(control, value): &(usize, f64)| {
            self.controls.get(control).map(|control| Change::Parameter { name: control.parameter.clone(), value })
        };
        self.circuit.changed(&positions.iter().filter_map(change).collect::<Vec<_>>())
    }

    /// The same point of the other channel, where the netlist has it and the sheet says which it is.
    pub fn twin_of(&self, point: &Point) -> Option<Point> {
        let named = self.points.iter().find(|named| named.point == *point).and_then(|named| named.twin.clone());
        let of_output = || self.acceptance.twin_output.clone().filter(|_| self.output.as_ref() == Some(point));
        named.or_else(of_output)
    }

    /// Whether the netlist holds the other channel too.
    pub fn has_twin(&self) -> bool {
        self.acceptance.twin_output.is_some() || self.points.iter().any(|named| named.twin.is_some())
    }

    /// A node against ground as a point.
    pub fn node_point(&self, node: NodeId) -> Point {
        Point::of(&self.circuit, node)
    }
}
