//! What can be read of a circuit: the states it is put in, and the tests made in them.

use super::shunt;
use crate::bench::reading::{How, Measure, Reading};
use crate::bench::sheet::{Sheet, Target};
use crate::bench::tolerance::Coordinate;
use crate::bench::touch::Touch;
use crate::bench::{FaultKind, ListedFault, Point};
use crate::bias::{BiasPoint, SolveError};
use crate::circuit::{Adjustment, Change, Circuit, Quantity, Shift};
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, PartId};
use crate::mna::NodeId;
use crate::noise::Weighting;
use crate::operating::Operating;

/// Nodes from which on only those are read that the sheet names.
const MOST_NODES: usize = 40;
/// Points from which on the scope is only put to the output.
const MOST_SCOPED: usize = 20;

/// What a circuit is put in.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct State {
    /// Controls elsewhere than they stand.
    pub positions: Vec<(usize, f64)>,
    /// What that does to values.
    moved: Vec<Adjustment>,
    /// What is done to it.
    pub act: Option<Act>,
    /// Points read, and whether with the scope.
    pub outputs: Vec<(usize, bool)>,
    /// Points read with the meter for DC.
    pub dc: Vec<usize>,
}

/// What is done.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Act {
    /// A part brought to a temperature.
    Touch(How, Touch),
    /// The shunt, by the name of its part, with its capacitance. By name, since a fault that adds parts moves the places of
    /// those behind them.
    Shunt(String, f64),
}

/// What a test compares.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind {
    /// Hiss on the meter: state and which of its outputs.
    Hiss(usize, usize),
    /// Hiss on the scope, likewise.
    PeakToPeak(usize, usize),
    /// DC: state and which of its DC points.
    Dc(usize, usize),
    /// Hiss after against before.
    Change { before: (usize, usize), after: (usize, usize) },
    /// Hiss while something is tapped or worked against hiss at rest: which of the plan's `tapped`.
    Tap(usize),
}

/// A test.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct PlannedTest {
    /// As a sheet would write it.
    pub reading: Reading,
    /// What it is of, everything found.
    pub key: Key,
    /// What it compares.
    pub kind: Kind,
    /// Whether it is read in another, healthy unit.
    pub of_model: bool,
}

/// What makes two readings the same test.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Key {
    measure: Measure,
    of_model: bool,
    nodes: (NodeId, NodeId),
    with: Vec<(usize, f64)>,
    act: Option<(How, Target)>,
}

/// Everything that can be done and read, and what can go wrong.
#[derive(Debug)]
pub(super) struct Plan<'s> {
    pub sheet: &'s Sheet,
    pub output: Point,
    /// The circuit with places for shunts.
    pub circuit: Circuit,
    pub coordinates: Vec<Coordinate>,
    pub faults: Vec<ListedFault>,
    pub points: Vec<Point>,
    pub states: Vec<State>,
    pub tests: Vec<PlannedTest>,
    /// Settings of the complaint: state, and which of its outputs; whether it shows at all of them.
    pub complaint: (Vec<(usize, usize)>, bool),
    /// Parts that move with what is tapped, one list a test.
    pub tapped: Vec<Vec<PartId>>,
    /// Nodes that must not be shunted, and why.
    pub refused: Vec<(String, String)>,
}

impl<'s> Plan<'s> {
    /// # Errors
    /// A sheet without output, or a circuit without bias.
    pub fn of(sheet: &'s Sheet) -> Result<Self, PlanError> {
        let Some(output) = sheet.output.clone() else {
            let error = Diagnostic::error(Code::MissingInput, "the sheet does not say where the complaint is heard");
            return Err(PlanError::Sheet(error.help("name the output: output = \"out\"")));
        };
        let healthy = Operating::of(&sheet.circuit).map_err(PlanError::Unsolved)?;
        let (mut shunted, refused) = shunt::nodes(sheet, &healthy, &output);
        // What was read already was done already.
        let resolved =
            || sheet.readings.iter().filter_map(|(reading, _)| Some((reading, sheet.resolve(reading).ok()?)));
        for (_, read) in resolved() {
            if let Some((How::Shunt, Target::Point(point))) = &read.act
                && !shunted.contains(&point.plus)
            {
                shunted.push(point.plus);
            }
        }
        let places =
            shunted.iter().map(|&node| Change::Shunt { node: sheet.circuit.node_name(node).to_owned(), farads: 0.0 });
        let places: Vec<Change> = places.collect();
        let circuit = sheet.circuit.changed(&places).map_err(first)?;
        let mut plan = Plan {
            output: output.clone(),
            coordinates: sheet.coordinates(),
            faults: sheet.listed_faults(),
            points: Vec::new(),
            states: Vec::new(),
            tests: Vec::new(),
            complaint: (Vec::new(), false),
            tapped: Vec::new(),
            refused,
            circuit,
            sheet,
        };
        let rest = plan.state(&[], None)?;
        debug_assert_eq!(rest, 0);
        for reading in plan.standard(&shunted, &healthy) {
            // A state that the healthy circuit cannot be in is no test.
            let _ = plan.add(&reading);
        }
        let read: Vec<Reading> = resolved().map(|(reading, _)| reading.as_test()).collect();
        for reading in read {
            let _ = plan.add(&reading);
        }
        let (settings, all) = sheet.complaint_settings();
        for positions in settings {
            let state = plan.state(&positions, None)?;
            let heard = plan.output_of(state, &output, false);
            plan.complaint.0.push((state, heard));
        }
        plan.complaint.1 = all;
        Ok(plan)
    }

    /// The test that a reading is of.
    ///
    /// # Errors
    /// Names that stand for nothing; a test that is not among those prepared.
    pub fn find(&self, reading: &Reading) -> Result<usize, Diagnostic> {
        let key = self.key(reading)?;
        self.tests.iter().position(|test| test.key == key).ok_or_else(|| {
            let refused = match &key.act {
                Some((How::Shunt, Target::Point(point))) => self.refused.iter().find(|(node, _)| *node == point.name),
                _ => None,
            };
            let error = |message: String| Diagnostic::error(Code::BadReading, message);
            match refused {
                Some((node, why)) => error(format!("{node} is not shunted: {why}")).help("shunt an earlier node"),
                None => error(format!("{} is not among the tests prepared", reading.as_test().text()))
                    .help("write it into the sheet as a [[reading]]: what stands there is prepared"),
            }
        })
    }

    /// Adjustments of a state on a circuit whose bias, at rest, is known.
    pub fn adjustments(&self, state: &State, circuit: &Circuit, rest: &BiasPoint) -> Vec<Adjustment> {
        let mut all = state.moved.clone();
        match &state.act {
            None => {}
            Some(Act::Touch(_, touch)) => all.extend(touch.adjustments(circuit, rest)),
            Some(Act::Shunt(name, farads)) => {
                let part = circuit.find_part(name).expect("every circuit of the plan has its shunts");
                all.push(Adjustment { part, quantity: Quantity::Capacitance, value: Shift::To(*farads) });
            }
        }
        all
    }

    fn key(&self, reading: &Reading) -> Result<Key, Diagnostic> {
        let resolved = self.sheet.resolve(reading).map_err(|problems| {
            let (_, error) = problems.into_iter().next().expect("a refusal has a reason");
            error
        })?;
        let Some(point) = resolved.point else {
            let message = format!("{} plays no part in a diagnosis", reading.measure.name());
            return Err(Diagnostic::error(Code::BadReading, message).help("read hiss, pp, dc or a change"));
        };
        let mut with = resolved.with;
        if reading.when.is_some() || reading.weight != Weighting::Flat {
            let message = "a reading of a warm or cold set, or a weighted one, plays no part in a diagnosis";
            return Err(Diagnostic::error(Code::BadReading, message).help("it counts for verify"));
        }
        with.retain(|&(control, position)| self.sheet.controls[control].now != position);
        with.sort_by_key(|entry| entry.0);
        let of_model = reading.twin && resolved.twin_is_model;
        Ok(Key { measure: reading.measure, of_model, nodes: (point.plus, point.minus), with, act: resolved.act })
    }

    /// Everything that is done on a bench.
    fn standard(&self, shunted: &[NodeId], healthy: &Operating) -> Vec<Reading> {
        let sheet = self.sheet;
        let points = self.standard_points();
        let mut all = Vec::new();
        let scoped = points.len() <= MOST_SCOPED;
        for (name, _) in &points {
            all.push(Reading::test(Measure::Hiss, Some(name)));
            all.push(Reading::test(Measure::Dc, Some(name)));
            if scoped {
                all.push(Reading::test(Measure::PeakToPeak, Some(name)));
            }
        }
        let output = sheet.point_name(&self.output);
        if !scoped {
            all.push(Reading::test(Measure::PeakToPeak, Some(&output)));
        }
        let two_channels = sheet.points.iter().any(|named| named.twin.is_some());
        for (name, named) in &points {
            if two_channels && !named {
                continue;
            }
            for measure in [Measure::Hiss, Measure::Dc] {
                all.push(Reading { twin: true, ..Reading::test(measure, Some(name)) });
            }
        }
        for control in &sheet.controls {
            if control.now != control.range[0] {
                all.push(Reading::change(How::Turn, &control.name));
            }
            for position in control.range.into_iter().filter(|position| *position != control.now) {
                let with = vec![(control.name.clone(), position)];
                all.push(Reading { with, ..Reading::test(Measure::Hiss, Some(&output)) });
            }
        }
        for (_, part) in sheet.circuit.parts() {
            if matches!(part.element, Element::Bjt(_) | Element::Jfet(_) | Element::Diode(_)) && part.card.is_some() {
                for how in [How::Freeze, How::Cool, How::Finger, How::Heat] {
                    if how != How::Heat || may_be_heated(sheet, healthy, &part.name) {
                        all.push(Reading::change(how, &part.name));
                    }
                }
            }
        }
        for contact in self.faults.iter().filter(|fault| fault.kind == FaultKind::Contact) {
            all.push(Reading::change(How::Tap, &contact.name));
        }
        for &node in shunted {
            all.push(Reading::change(How::Shunt, sheet.circuit.node_name(node)));
        }
        all
    }

    /// Names of points that are read, and whether each has a twin: every node of a small circuit, else those that the
    /// sheet names.
    fn standard_points(&self) -> Vec<(String, bool)> {
        let sheet = self.sheet;
        let held = sheet.circuit.held_groups();
        let every = Point::all(&sheet.circuit, sheet.input);
        let mut points: Vec<(Point, bool)> = Vec::new();
        let few = sheet.circuit.nodes().len() <= MOST_NODES || sheet.points.is_empty();
        let named = sheet.points.iter().map(|named| (named.point.clone(), named.twin.is_some()));
        let all = named.chain(few.then_some(every).into_iter().flatten().map(|point| (point, false)));
        for (point, twin) in all.chain([(self.output.clone(), false)]) {
            let fixed = held[point.plus.index()] == held[point.minus.index()];
            if !fixed && !points.iter().any(|(known, _)| (known.plus, known.minus) == (point.plus, point.minus)) {
                points.push((point, twin));
            }
        }
        points.into_iter().map(|(point, twin)| (sheet.point_name(&point), twin)).collect()
    }

    /// Adds a test, with its states, unless it is there.
    fn add(&mut self, reading: &Reading) -> Result<(), PlanError> {
        let key = self.key(reading).map_err(PlanError::Sheet)?;
        if self.tests.iter().any(|test| test.key == key) {
            return Ok(());
        }
        let (plus, minus) = key.nodes;
        let point = Point::between(&self.sheet.circuit, plus, minus);
        let state = self.state(&key.with, None)?;
        let kind = match (key.measure, &key.act) {
            (Measure::Hiss, None) => Kind::Hiss(state, self.output_of(state, &point, false)),
            (Measure::PeakToPeak, None) => Kind::PeakToPeak(state, self.output_of(state, &point, true)),
            (Measure::Dc, None) => {
                let at = self.point(&point);
                let dc = &mut self.states[state].dc;
                let place = dc.iter().position(|&known| known == at).unwrap_or(dc.len());
                if place == dc.len() {
                    dc.push(at);
                }
                Kind::Dc(state, place)
            }
            (Measure::Change, Some((How::Tap, target))) => {
                self.tapped.push(self.sheet.shaken_by(target));
                Kind::Tap(self.tapped.len() - 1)
            }
            (Measure::Change, Some((how, target))) => {
                let after = match (how, target) {
                    (How::Turn, Target::Control(control)) => {
                        let mut positions: Vec<(usize, f64)> =
                            key.with.iter().copied().filter(|(other, _)| other != control).collect();
                        positions.push((*control, self.sheet.controls[*control].range[0]));
                        positions.sort_by_key(|position| position.0);
                        self.state(&positions, None)?
                    }
                    (How::Shunt, Target::Point(node)) => {
                        let name = format!("shunt {}", node.name);
                        self.circuit.find_part(&name).map_err(PlanError::Sheet)?;
                        self.state(&key.with, Some(Act::Shunt(name, self.sheet.surroundings.shunt_farads)))?
                    }
                    (How::Freeze | How::Cool | How::Finger | How::Heat, Target::Part(part)) => {
                        let touch = self.touch(*how, *part);
                        self.state(&key.with, Some(Act::Touch(*how, touch)))?
                    }
                    _ => {
                        return Err(PlanError::Sheet(Diagnostic::error(
                            Code::BadReading,
                            "it is done to nothing here",
                        )));
                    }
                };
                Kind::Change {
                    before: (state, self.output_of(state, &point, false)),
                    after: (after, self.output_of(after, &point, false)),
                }
            }
            _ => return Err(PlanError::Sheet(Diagnostic::error(Code::BadReading, "it plays no part in a diagnosis"))),
        };
        self.tests.push(PlannedTest { reading: reading.clone(), of_model: key.of_model, key, kind });
        Ok(())
    }

    fn touch(&self, how: How, part: PartId) -> Touch {
        let (sheet, at) = (self.sheet, &self.sheet.surroundings.temperatures);
        let middle = |[low, high]: [f64; 2]| 0.5 * (low + high);
        let celsius = match how {
            How::Freeze => at.freeze_celsius,
            How::Cool => middle(sheet.tolerances.cool_celsius),
            How::Finger => at.finger_celsius,
            _ if is_germanium(&sheet.circuit.part(part).element) => at.heat_germanium_celsius,
            _ => at.heat_silicon_celsius,
        };
        Touch {
            part,
            celsius,
            near: sheet.near(part),
            spill: middle(sheet.tolerances.spill),
            leak_exponent: middle(sheet.tolerances.leak_exponent),
        }
    }

    fn state(&mut self, positions: &[(usize, f64)], act: Option<Act>) -> Result<usize, PlanError> {
        if let Some(known) = self.states.iter().position(|state| state.positions == positions && state.act == act) {
            return Ok(known);
        }
        let moved = match positions {
            [] => Vec::new(),
            positions => {
                let elsewhere = self.sheet.with_controls(positions).map_err(first)?;
                difference(&self.sheet.circuit, &elsewhere)?
            }
        };
        self.states.push(State { positions: positions.to_vec(), moved, act, outputs: Vec::new(), dc: Vec::new() });
        Ok(self.states.len() - 1)
    }

    fn point(&mut self, point: &Point) -> usize {
        let known = self.points.iter().position(|known| (known.plus, known.minus) == (point.plus, point.minus));
        known.unwrap_or_else(|| {
            self.points.push(point.clone());
            self.points.len() - 1
        })
    }

    fn output_of(&mut self, state: usize, point: &Point, scope: bool) -> usize {
        let at = self.point(point);
        let outputs = &mut self.states[state].outputs;
        let place = outputs.iter().position(|known| *known == (at, scope)).unwrap_or(outputs.len());
        if place == outputs.len() {
            outputs.push((at, scope));
        }
        place
    }
}

/// Why nothing can be prepared.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PlanError {
    /// Something about the sheet.
    #[error(transparent)]
    Sheet(Diagnostic),
    /// The healthy circuit has no bias.
    #[error(transparent)]
    Unsolved(SolveError),
}

/// Values that differ between two circuits of one netlist, as factors.
fn difference(from: &Circuit, to: &Circuit) -> Result<Vec<Adjustment>, PlanError> {
    let mut all = Vec::new();
    for ((part, before), (_, after)) in from.parts().zip(to.parts()) {
        if before.element == after.element {
            continue;
        }
        let (quantity, ratio) = match (&before.element, &after.element) {
            (Element::Resistor(a), Element::Resistor(b)) => (Quantity::Resistance, b.ohms / a.ohms),
            (Element::Capacitor(a), Element::Capacitor(b)) => (Quantity::Capacitance, b.farads / a.farads),
            (Element::Inductor(a), Element::Inductor(b)) => (Quantity::Inductance, b.henries / a.henries),
            (Element::Source(a), Element::Source(b)) => (Quantity::SourceDc, b.dc / a.dc),
            (Element::Controlled(a), Element::Controlled(b)) => (Quantity::Gain, b.gain / a.gain),
            _ => {
                let message = format!("a control changes more than a value of {}", before.name);
                return Err(PlanError::Sheet(Diagnostic::error(Code::BadSheetValue, message)));
            }
        };
        if ratio.is_finite() {
            all.push(Adjustment { part, quantity, value: Shift::Factor(ratio) });
        }
    }
    Ok(all)
}

fn first(problems: Vec<Diagnostic>) -> PlanError {
    PlanError::Sheet(problems.into_iter().next().unwrap_or_else(|| Diagnostic::error(Code::BadReading, "impossible")))
}

fn is_germanium(element: &Element) -> bool {
    match element {
        Element::Bjt(device) => device.is_germanium(),
        Element::Diode(device) => device.is_germanium(),
        _ => false,
    }
}

/// Whether a part stays within half its rating in warm air.
fn may_be_heated(sheet: &Sheet, healthy: &Operating, part: &str) -> bool {
    let devices = crate::bias::devices(&sheet.circuit, &healthy.bias);
    let Ok(id) = sheet.circuit.find_part(part) else { return false };
    let rated = match &sheet.circuit.part(id).element {
        Element::Bjt(device) => device.model.ptot,
        _ => 0.0,
    };
    let spent = devices.iter().find(|device| device.part == id).map_or(0.0, |device| device.watts);
    rated == 0.0 || spent < 0.5 * rated
}
