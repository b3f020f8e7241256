//! Names in sheets and readings to nodes, parts and controls.

use super::{Control, NamedPoint, Sheet};
use crate::bench::Point;
use crate::bench::reading::{Act, How, Measure, Reading};
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::element::{Element, PartId};
use crate::mna::NodeId;

/// What something was done to.
#[derive(Clone, Debug, PartialEq)]
pub enum Target {
    /// A part.
    Part(PartId),
    /// A node, for a shunt.
    Point(Point),
    /// A control, by its index in the sheet.
    Control(usize),
}

/// What a reading is of, everything found.
#[derive(Clone, Debug, PartialEq)]
pub struct Resolved {
    /// Where it was read: for a twin the healthy channel's node. `None` for a measure without a place where the sheet names
    /// no output.
    pub point: Option<Point>,
    /// The part whose temperature was read.
    pub part: Option<PartId>,
    /// Where controls stood that were not where the sheet says, by index.
    pub with: Vec<(usize, f64)>,
    /// What was done, and to what.
    pub act: Option<(How, Target)>,
    /// Whether it was read in a healthy channel that the netlist does not hold: at the same point of another unit.
    pub twin_is_model: bool,
}

impl Sheet {
    /// Parts that move when something is tapped or worked: the part itself, or all whose values the control changes.
    pub fn shaken_by(&self, target: &Target) -> Vec<PartId> {
        match target {
            Target::Part(part) => vec![*part],
            Target::Control(control) => {
                let ends = self.controls[*control].range.map(|end| self.with_controls(&[(*control, end)]).ok());
                let [Some(low), Some(high)] = ends else { return Vec::new() };
                let pairs = low.parts().zip(high.parts()).filter(|((_, low), (_, high))| low.element != high.element);
                pairs.map(|((part, _), _)| part).collect()
            }
            Target::Point(_) => Vec::new(),
        }
    }
}

pub(super) fn point(circuit: &Circuit, points: &[NamedPoint], name: &str) -> Result<Point, Diagnostic> {
    if let Some(named) = points.iter().find(|point| point.name.eq_ignore_ascii_case(name.trim())) {
        return Ok(named.point.clone());
    }
    match Point::read(circuit, name) {
        Err(error) if error.code == Code::UnknownNode && !name.contains(',') => {
            let known = || points.iter().map(|point| point.name.as_str());
            let nodes = || circuit.nodes().map(|(_, name)| name);
            let message = format!("no point or node is called {}", name.trim());
            let instead = error.help.filter(|_| circuit.find_part(name.trim()).is_ok());
            let error = Diagnostic::error(Code::SheetReference, message);
            if let Some(nodes) = instead {
                return Err(error.help(nodes));
            }
            Err(match nearest(name, known()).or_else(|| nearest(name, nodes())) {
                Some(near) => error.help(format!("try {near}")),
                None => error.help("name a node of the netlist, or a [point.NAME] of the sheet"),
            })
        }
        other => other,
    }
}

pub(super) fn control(controls: &[Control], name: &str) -> Result<usize, Diagnostic> {
    let found = controls.iter().position(|control| control.name.eq_ignore_ascii_case(name.trim()));
    found.ok_or_else(|| {
        let error = Diagnostic::error(Code::SheetReference, format!("no control is called {}", name.trim()));
        let known = || controls.iter().map(|control| control.name.as_str());
        match nearest(name, known()) {
            Some(near) => error.help(format!("try {near}")),
            None if controls.is_empty() => error.help(format!("describe it: [control.{}]", name.trim())),
            None => error.help(format!("controls are {}", known().collect::<Vec<_>>().join(", "))),
        }
    })
}

pub(super) fn reading(sheet: &Sheet, reading: &Reading) -> Result<Resolved, Vec<(&'static str, Diagnostic)>> {
    let mut problems = Vec::new();
    let (mut part, mut place, mut twin_is_model) = (None, sheet.output.clone(), false);
    match (&reading.at, reading.measure) {
        (Some(at), Measure::Temperature) => part = keep(&mut problems, "at", sheet.circuit.find_part(at)),
        (Some(at), _) => place = keep(&mut problems, "at", sheet.find_point(at)),
        (None, Measure::Temperature) => {}
        (None, measure) if place.is_none() => {
            let error = Diagnostic::error(Code::MissingInput, format!("{} at which output?", measure.name()));
            problems.push(("measure", error.help("name one: output = \"out\", or at = \"out\" in this reading")));
        }
        (None, _) => {}
    }
    if let (true, Some(healthy)) = (reading.twin, &place) {
        let own = sheet.twin_of(healthy);
        // Where the netlist holds one channel only, the other one is another healthy unit of the same batch.
        let modelled = !sheet.has_twin();
        if own.is_none() && modelled {
            twin_is_model = true;
        } else if own.is_none() {
            let message = format!("{} has no twin", reading.at.as_deref().unwrap_or(&healthy.name));
            let help = "say which node of the healthy channel it is: twin = \"c2r\" in the table of the point";
            problems.push(("twin", Diagnostic::error(Code::SheetReference, message).help(help)));
        }
        if !twin_is_model {
            place = own;
        }
    }
    let mut with = Vec::new();
    for (name, position) in &reading.with {
        let Some(index) = keep(&mut problems, "with", sheet.find_control(name)) else { continue };
        let [low, high] = sheet.controls[index].range;
        if *position < low || *position > high {
            let error = Diagnostic::error(Code::BadSheetValue, format!("{name} cannot stand at {position}"));
            problems.push(("with", error.help(format!("it goes from {low} to {high}"))));
        }
        with.push((index, *position));
    }
    let act = reading.act.as_ref().and_then(|act| keep(&mut problems, act.how.name(), target(sheet, act)));
    match problems.is_empty() {
        true => Ok(Resolved { point: place, part, with, act, twin_is_model }),
        false => Err(problems),
    }
}

fn keep<T>(
    problems: &mut Vec<(&'static str, Diagnostic)>,
    key: &'static str,
    read: Result<T, Diagnostic>,
) -> Option<T> {
    read.map_err(|error| problems.push((key, error))).ok()
}

fn target(sheet: &Sheet, Act { how, what }: &Act) -> Result<(How, Target), Diagnostic> {
    let target = match how {
        How::Freeze | How::Cool | How::Finger | How::Heat => {
            let id = sheet.circuit.find_part(what)?;
            if !has_temperature(&sheet.circuit.part(id).element) {
                let message = format!("the temperature of {what} changes nothing here");
                let help = "freeze or heat a resistor, diode or transistor";
                return Err(Diagnostic::error(Code::UnfitPart, message).help(help));
            }
            Target::Part(id)
        }
        How::Shunt => {
            let point = sheet.find_point(what)?;
            if point.plus == NodeId::GROUND || point.minus != NodeId::GROUND {
                let error = Diagnostic::error(Code::BadReading, "a shunt goes from one node to ground".to_owned());
                return Err(error.help("name one node: shunt = \"b1\""));
            }
            Target::Point(point)
        }
        How::Turn => Target::Control(sheet.find_control(what)?),
        How::Tap => match sheet.find_control(what) {
            Ok(control) => Target::Control(control),
            Err(_) => Target::Part(sheet.circuit.find_part(what)?),
        },
    };
    Ok((*how, target))
}

fn has_temperature(element: &Element) -> bool {
    match element {
        Element::Resistor(_) | Element::Diode(_) | Element::Bjt(_) | Element::Jfet(_) => true,
        Element::Capacitor(_)
        | Element::Inductor(_)
        | Element::Coupling(_)
        | Element::Source(_)
        | Element::Controlled(_) => false,
    }
}
