//! What acts make of the hiss at the output: controls turned, devices frozen, cooled and heated, nodes shunted. Only for
//! faults that cause the complaint: of others the output tells nothing.

use rayon::prelude::*;

use super::everywhere::{Everywhere, decibels, output_request, output_rms};
use super::families::Families;
use super::recipes::{Bases, Recipe};
use super::{Effects, SymptomQuestion};
use crate::bench::reading::{Act, How};
use crate::bias::BiasPoint;
use crate::circuit::{Adjustment, Change, Circuit, Quantity, Shift};
use crate::diagnostic::Diagnostic;
use crate::element::{Element, PartId, Pin};
use crate::mna::NodeId;
use crate::variants::{Family, Output, ShuntRequest, Variant};

/// Something to do to the set.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Doing {
    pub act: Act,
    pub to: To,
}

/// What it is done to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum To {
    /// A control, by its place in the question.
    Control(usize),
    /// A device, brought to a temperature, °C.
    Device(PartId, f64),
    /// A node.
    Node(NodeId),
}

/// The effects, case by case.
pub(super) struct AllEffects {
    pub healthy_db: Vec<Option<f64>>,
    pub cases: Vec<Option<Effects>>,
}

/// All that can be done: controls, then freezing, cooling and heating each device, then each base and collector (gate and
/// drain) shunted.
pub(super) fn acts(circuit: &Circuit, question: &SymptomQuestion) -> Vec<Doing> {
    let doing = |how, what: &str, to| Doing { act: Act { how, what: what.to_owned() }, to };
    let controls = question.controls.iter().enumerate();
    let turns = controls.map(|(at, control)| doing(How::Turn, &control.name, To::Control(at)));
    let at = &question.surroundings.temperatures;
    let mut all: Vec<Doing> = turns.collect();
    for how in [How::Freeze, How::Cool, How::Heat] {
        for (id, part) in circuit.parts() {
            let Some(germanium) = germanium(&part.element) else { continue };
            let celsius = match how {
                How::Freeze => at.freeze_celsius,
                How::Cool => at.cool_celsius,
                _ if germanium => at.heat_germanium_celsius,
                _ => at.heat_silicon_celsius,
            };
            all.push(doing(how, &part.name, To::Device(id, celsius)));
        }
    }
    let mut nodes: Vec<NodeId> = Vec::new();
    for (_, part) in circuit.parts() {
        for pin in [Pin::Base, Pin::Collector, Pin::Gate, Pin::Drain] {
            let node = part.element.pin_node(pin).filter(|&node| node != NodeId::GROUND);
            nodes.extend(node.filter(|node| !nodes.contains(node)));
        }
    }
    all.extend(nodes.into_iter().map(|node| doing(How::Shunt, circuit.node_name(node), To::Node(node))));
    all
}

/// Whether a device is of germanium; `None` for parts that are no devices.
fn germanium(element: &Element) -> Option<bool> {
    match element {
        Element::Bjt(device) => Some(device.is_germanium()),
        Element::Diode(device) => Some(device.is_germanium()),
        Element::Jfet(_) => Some(false),
        Element::Resistor(_)
        | Element::Capacitor(_)
        | Element::Inductor(_)
        | Element::Coupling(_)
        | Element::Source(_)
        | Element::Controlled(_) => None,
    }
}

/// The circuit in a state of an act, with its own bias.
struct State {
    bases: Bases,
    /// Where the structure is another one: a temperature of its own ends self-heating.
    own: Option<Families>,
}

/// The effects of all acts on the healthy circuit and on each case that complains.
///
/// # Errors
/// What makes the circuit impossible with a control at an end.
pub(super) fn of(
    bases: &Bases,
    families: &Families,
    recipes: &[Option<Recipe>],
    base: &Everywhere,
    complaining: &[bool],
    acts: &[Doing],
    question: &SymptomQuestion,
) -> Result<AllEffects, Vec<Diagnostic>> {
    let healthy = recipes.len();
    let all = |recipe: &Option<Recipe>| recipe.clone();
    let recipes: Vec<Option<Recipe>> = recipes.iter().map(all).chain([Some(bases.recipe_of_none())]).collect();
    let chosen: Vec<usize> = (0..healthy).filter(|&at| complaining[at]).chain([healthy]).collect();
    let now: Vec<f64> = chosen
        .iter()
        .map(|&at| base.cases.get(at).and_then(Option::as_ref).map_or(base.healthy_output_rms, |case| case.output_rms))
        .collect();
    let run = Run { bases, families, recipes: &recipes, base, chosen: &chosen, now: &now, question };
    let ends: Result<Vec<[Vec<Option<f64>>; 2]>, _> =
        (0..question.controls.len()).into_par_iter().map(|control| run.ends(control)).collect();
    let ends = ends?;
    let touched: Vec<Option<Vec<Option<f64>>>> = acts
        .par_iter()
        .map(|doing| match doing.to {
            To::Device(part, celsius) => Some(run.touched(part, celsius)),
            To::Control(_) | To::Node(_) => None,
        })
        .collect();
    let shunted = run.shunted(acts);
    let meter = &question.instruments.meter;
    let effects = |place: usize| {
        let reading = |rms: Option<f64>| rms.map(|rms| meter.shows(rms));
        let before = meter.shows(now[place]);
        let mut shunts = shunted[place].iter();
        let each = acts.iter().zip(&touched).map(|(doing, touched)| {
            let after = match doing.to {
                To::Control(at) => ends[at][0][place],
                To::Device(..) => touched.as_ref().and_then(|touched| touched[place]),
                To::Node(_) => shunts.next().copied().flatten(),
            };
            decibels(reading(after)? / before)
        });
        let ends_volts = ends.iter().map(|[low, high]| [reading(low[place]), reading(high[place])]);
        Effects { acts_db: each.collect(), ends_volts: ends_volts.collect() }
    };
    let mut cases: Vec<Option<Effects>> = complaining.iter().map(|_| None).collect();
    for (place, &at) in chosen.iter().enumerate().filter(|(_, at)| **at < healthy) {
        cases[at] = Some(effects(place));
    }
    Ok(AllEffects { healthy_db: effects(chosen.len() - 1).acts_db, cases })
}

/// What all acts have in common: the cases in question, and the healthy circuit behind them.
struct Run<'a> {
    bases: &'a Bases,
    families: &'a Families,
    recipes: &'a [Option<Recipe>],
    base: &'a Everywhere,
    chosen: &'a [usize],
    /// V rms at the output before the act.
    now: &'a [f64],
    question: &'a SymptomQuestion,
}

impl Run<'_> {
    /// V rms at the output with a control at its lower and at its upper end.
    fn ends(&self, control: usize) -> Result<[Vec<Option<f64>>; 2], Vec<Diagnostic>> {
        let control = &self.question.controls[control];
        let at = |value: f64| -> Result<Vec<Option<f64>>, Vec<Diagnostic>> {
            if value == control.now {
                return Ok(self.now.iter().map(|&rms| Some(rms)).collect());
            }
            let change = Change::Parameter { name: control.parameter.clone(), value };
            let bases = self.bases.changed(&change)?;
            let own = if self.families.fit(&bases) {
                None
            } else {
                Families::near(&bases, self.families.plain().nominal()).ok()
            };
            Ok(self.in_state(&State { bases, own }))
        };
        Ok([at(control.range[0])?, at(control.range[1])?])
    }

    /// V rms at the output with a device at a temperature.
    fn touched(&self, part: PartId, celsius: f64) -> Vec<Option<f64>> {
        let nothing = || self.chosen.iter().map(|_| None).collect();
        let adjustment = Adjustment { part, quantity: Quantity::Celsius, value: Shift::To(celsius) };
        let Ok(bases) = self.bases.adjusted(&[adjustment]) else { return nothing() };
        let own = match self.families.fit(&bases) {
            true => None,
            false => match Families::near(&bases, self.families.plain().nominal()) {
                Ok(families) => Some(families),
                Err(_) => return nothing(),
            },
        };
        self.in_state(&State { bases, own })
    }

    /// V rms at the output in a state. The healthy circuit comes first: every fault starts from its own bias, moved as the
    /// state moves the healthy one.
    fn in_state(&self, state: &State) -> Vec<Option<f64>> {
        let families = state.own.as_ref().unwrap_or(self.families);
        let request = output_request(&state.bases, self.question, self.base.points);
        let read = |family: &Family, variants: &[(usize, &Variant)]| output_rms(family, variants, &request);
        let nominal = self.families.plain().nominal();
        let circuits = [state.bases.plain.clone()];
        let healthy = families.plain().solve_from(&circuits, |_| nominal).pop();
        let there = healthy.and_then(Result::ok).map_or_else(|| nominal.clone(), |healthy| healthy.bias().clone());
        let start = |at: usize| match self.base.cases.get(at).and_then(Option::as_ref) {
            Some(case) => moved(&case.bias, nominal, &there),
            None => there.clone(),
        };
        families.solve(&state.bases, self.recipes, self.chosen, &start, &read)
    }

    /// V rms at the output with each node shunted that the acts name, in their order, case by case.
    fn shunted(&self, acts: &[Doing]) -> Vec<Vec<Option<f64>>> {
        let nodes = acts.iter().filter_map(|doing| match doing.to {
            To::Node(node) => Some(node),
            To::Control(_) | To::Device(..) => None,
        });
        let output = &self.question.output;
        let observer = self.question.instruments.meter.loading.observer(&self.bases.plain, 0.0);
        let request = ShuntRequest {
            output: Output { plus: output.plus, minus: output.minus, observer },
            nodes: nodes.collect(),
            farads: self.question.surroundings.shunt_farads,
            band_hz: self.question.band_hz,
            weighting: self.question.weighting,
        };
        let nominal = self.families.plain().nominal();
        let start =
            |at: usize| self.base.cases.get(at).and_then(Option::as_ref).map_or(nominal, |case| &case.bias).clone();
        let read = |family: &Family, variants: &[(usize, &Variant)]| {
            let only: Vec<&Variant> = variants.iter().map(|(_, variant)| *variant).collect();
            let squares = family.shunted(&only, &request).into_iter();
            let rms = |squares: Vec<f64>| squares.into_iter().map(|square| Some(square.max(0.0).sqrt())).collect();
            squares.map(|squares| squares.ok().map(rms)).collect()
        };
        let rows: Vec<Option<Vec<Option<f64>>>> =
            self.families.solve(self.bases, self.recipes, self.chosen, &start, &read);
        rows.into_iter().map(|row| row.unwrap_or_else(|| vec![None; request.nodes.len()])).collect()
    }
}

/// `case` + (`there` − `nominal`), where all have the same unknowns.
fn moved(case: &BiasPoint, nominal: &BiasPoint, there: &BiasPoint) -> BiasPoint {
    if case.x.len() != there.x.len() || nominal.x.len() != there.x.len() {
        return there.clone();
    }
    let x = case.x.iter().zip(&nominal.x).zip(&there.x).map(|((case, nominal), there)| case + (there - nominal));
    BiasPoint { x: x.collect(), ..there.clone() }
}
