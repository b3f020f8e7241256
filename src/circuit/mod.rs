//! What is *meant*: parts with resolved values between numbered nodes, sub-circuits expanded, topology checked.
//!
//! A [`Circuit`] comes from a netlist by [`Circuit::build`]; a what-if makes another one of it by
//! [`Circuit::changed`]. Nothing is computed here.

mod adjust;
mod build;
mod builder;
mod change;
mod couplings;
mod hanging;
mod inserted;
mod order;
mod parameters;
mod parts;
mod rewire;
mod topology;

use std::sync::Arc;

use indexmap::IndexMap;

use crate::diagnostic::{Code, Diagnostic, Span, nearest};
use crate::element::{BjtModel, DiodeModel, Element, JfetModel, Layout, PartId, Place, Polarity};
use crate::mna::{NodeId, Unknown};
use crate::netlist::{Limits, Netlist, Spacing};
use crate::physics::Kelvin;

pub use adjust::{Adjustment, Quantity, Shift};
use build::Elaborated;
pub use builder::{Amount, Builder};
pub use change::Change;
pub use rewire::Rewiring;

/// A part with its name and where it was written.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Name as first written; inside sub-circuits the path, outermost first: `XA.Q3`.
    pub name: String,
    /// What it is.
    pub element: Element,
    /// Its card; `None` for parts added by a what-if.
    pub card: Option<Span>,
    /// The calls it was reached through, outermost first.
    pub calls: Vec<Span>,
}

/// A model card with its values computed.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Model {
    /// D
    Diode(DiodeModel),
    /// NPN, PNP
    Bjt(Polarity, BjtModel),
    /// NJF, PJF
    Jfet(Polarity, JfetModel),
}

impl Model {
    /// The model cards of a netlist's outermost level, with their names as written, in its order; it may hold no part at
    /// all, as a file of parts does not. What is wrong with cards is added to `problems`, and those that cannot be models
    /// are left out.
    pub fn all(netlist: &Netlist, problems: &mut Vec<Diagnostic>) -> Vec<(String, Model)> {
        build::models(netlist, problems).into_values().collect()
    }
}

/// Frequencies at which curves are shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlotPoints {
    /// Spacing.
    pub spacing: Spacing,
    /// Points per decade, per octave, or in all; at least 1.
    pub count: usize,
    /// Both ends of the band, Hz, ascending, above zero.
    pub band_hz: [f64; 2],
}

/// What the netlist's `.noise` asks for.
#[derive(Clone, Debug, PartialEq)]
pub struct NoiseDefaults {
    /// Observed node and the one it is measured against.
    pub output: (NodeId, NodeId),
    /// Input source.
    pub source: PartId,
    /// Band and plot points.
    pub points: PlotPoints,
}

/// A circuit ready to be computed.
#[derive(Clone, Debug)]
pub struct Circuit {
    /// First line of the netlist.
    pub title: String,
    /// Temperature inside the set.
    pub ambient: Kelvin,
    /// Defaults from `.noise`.
    pub noise: Option<NoiseDefaults>,
    /// Defaults from `.ac`.
    pub ac: Option<PlotPoints>,
    /// Names of nodes by lower-case key; position 0 is ground.
    nodes: Arc<IndexMap<String, String>>,
    /// Parts in netlist order by lower-case key.
    parts: IndexMap<String, Part>,
    /// Models of the outermost level by lower-case key.
    models: Arc<IndexMap<String, (String, Model)>>,
    layout: Arc<Layout>,
    /// The netlist as read with the parameters among `changes`.
    base: Arc<Elaborated>,
    changes: Vec<Change>,
    /// What was shifted after all changes.
    adjustments: Vec<Adjustment>,
}

impl Circuit {
    /// Resolves a netlist: parameters, models, sub-circuits, topology.
    ///
    /// Returns the circuit with warnings, or all errors (with the warnings among them).
    ///
    /// # Errors
    /// Every fault of the netlist that is not one of its text.
    pub fn build(netlist: Arc<Netlist>) -> Result<(Circuit, Vec<Diagnostic>), Vec<Diagnostic>> {
        Self::build_with(netlist, &Limits::default())
    }

    /// As [`Circuit::build`], with limits of the caller's own; they hold for what-ifs too.
    ///
    /// # Errors
    /// As [`Circuit::build`].
    pub fn build_with(netlist: Arc<Netlist>, limits: &Limits) -> Result<(Circuit, Vec<Diagnostic>), Vec<Diagnostic>> {
        build::circuit(netlist, &[], limits)
    }

    /// The same circuit with changes made to it, besides those made before. Adjustments made before stay in force on
    /// top of all changes. The netlist is read again only where a parameter changes.
    ///
    /// # Errors
    /// A change that names an unknown part or does not fit it; a circuit that the changes make impossible.
    pub fn changed(&self, changes: &[Change]) -> Result<Circuit, Vec<Diagnostic>> {
        let all: Vec<Change> = self.changes.iter().chain(changes).cloned().collect();
        let base = match changes.iter().any(|change| matches!(change, Change::Parameter { .. })) {
            true => Arc::new(build::elaborate(Arc::clone(self.base.netlist()), &all, self.base.limits())?),
            false => Arc::clone(&self.base),
        };
        let (circuit, _) = build::variant(&base, &all)?;
        match self.adjustments.as_slice() {
            [] => Ok(circuit),
            adjustments => circuit.adjusted(adjustments).map_err(|problem| vec![*problem]),
        }
    }

    /// The same circuit with single values shifted, as tolerances and drifts do, in order and besides those shifted
    /// before. Nothing is read or looked up again, so that thousands of variants cost little. The structure of the
    /// equations stays as it is, except that a temperature of its own ends a transistor's self-heating.
    ///
    /// # Errors
    /// [`Code::UnfitPart`] where the part has no such quantity, [`Code::ValueOutOfRange`] where it cannot have the value.
    pub fn adjusted(&self, adjustments: &[Adjustment]) -> Result<Circuit, Box<Diagnostic>> {
        adjust::adjusted(self, adjustments)
    }

    /// What the part of an adjustment becomes by it, by itself: couplings of a winding and the temperatures of other parts
    /// are not followed. For derivatives by values, which need no circuit.
    ///
    /// # Errors
    /// As [`Circuit::adjusted`]; the ambient temperature is no value of a part.
    pub fn shifted_element(&self, adjustment: &Adjustment) -> Result<Element, Box<Diagnostic>> {
        adjust::shifted_element(self, adjustment)
    }

    /// What was shifted, in order, after the changes of [`Circuit::changes`].
    pub fn adjustments(&self) -> &[Adjustment] {
        &self.adjustments
    }

    /// The changes that made this circuit from its netlist.
    pub fn changes(&self) -> &[Change] {
        &self.changes
    }

    /// The netlist it was built from.
    pub fn netlist(&self) -> &Netlist {
        self.base.netlist()
    }

    /// The value that a `.param` of the outermost level has, changes considered; `None` where there is none of that name.
    pub fn parameter(&self, name: &str) -> Option<f64> {
        self.base.parameter(&name.to_lowercase())
    }

    /// All parts in netlist order.
    pub fn parts(&self) -> impl ExactSizeIterator<Item = (PartId, &Part)> {
        self.parts.values().enumerate().map(|(position, part)| (part_id(position), part))
    }

    /// The part of an identifier of this circuit.
    pub fn part(&self, id: PartId) -> &Part {
        &self.parts[id.index()]
    }

    /// The part of a name, without regard to case.
    ///
    /// # Errors
    /// [`Code::UnknownPart`], naming the nearest known part.
    pub fn find_part(&self, name: &str) -> Result<PartId, Diagnostic> {
        self.parts.get_index_of(&name.to_lowercase()).map(part_id).ok_or_else(|| unknown_part(name, &self.parts))
    }

    /// Nodes besides ground, in the order of the netlist.
    pub fn nodes(&self) -> impl ExactSizeIterator<Item = (NodeId, &str)> {
        self.nodes.values().enumerate().skip(1).map(|(position, name)| (node_id(position), name.as_str()))
    }

    /// The name of a node.
    pub fn node_name(&self, node: NodeId) -> &str {
        &self.nodes[node.index()]
    }

    /// The node of a name, without regard to case; `0` and `gnd` are ground.
    ///
    /// # Errors
    /// [`Code::UnknownNode`], naming the nearest known node.
    pub fn find_node(&self, name: &str) -> Result<NodeId, Diagnostic> {
        self.nodes.get_index_of(&node_key(name)).map(node_id).ok_or_else(|| {
            let error = Diagnostic::error(Code::UnknownNode, format!("no node is called {name}"));
            let known = || self.nodes.values().skip(1).map(String::as_str);
            let part = self.parts.get(&name.to_lowercase());
            // Whoever says Q2 means one of its pins.
            if let Some(nodes) = part.map(|part| part.element.nodes()).filter(|nodes| !nodes.is_empty()) {
                let nodes: Vec<&str> = nodes.iter().map(|&node| self.node_name(node)).collect();
                return error.help(format!("that is a part; name one of its nodes: {}", nodes.join(", ")));
            }
            match nearest(name, known()) {
                Some(known) => error.help(format!("try {known}")),
                None => error.help(format!("nodes are {}", some_of(known()))),
            }
        })
    }

    /// A model of the outermost level.
    pub fn model(&self, name: &str) -> Option<&Model> {
        self.models.get(&name.to_lowercase()).map(|(_, model)| model)
    }

    /// Names of the models of the outermost level.
    pub fn model_names(&self) -> impl Iterator<Item = &str> {
        self.models.values().map(|(name, _)| name.as_str())
    }

    /// Where the parts' unknowns lie.
    pub fn layout(&self) -> &Layout {
        &self.layout
    }

    /// A part's place in the equations.
    pub fn place(&self, part: PartId) -> Place<'_> {
        Place { part, layout: &self.layout, ambient: self.ambient }
    }

    /// Nodes besides ground in signal order from an input source; the rule stands in `order.rs`.
    pub fn signal_order(&self, input: Option<PartId>) -> Vec<NodeId> {
        order::signal_order(self, input)
    }

    /// For each node (ground first) whether the signal of an input source gets there; the rule stands in `order.rs`.
    pub fn signal_reaches(&self, input: PartId) -> Vec<bool> {
        order::distances(self, Some(input)).into_iter().map(|distance| distance.is_some()).collect()
    }

    /// For each node (ground first) the lowest node it is tied to by voltage sources alone: two nodes of the same group
    /// keep their voltage whatever happens.
    pub fn held_groups(&self) -> Vec<NodeId> {
        topology::held_groups(self.nodes.len(), &self.parts)
    }

    /// Where nothing determines a voltage, and why, in words, when the equations leave `unknown` open: a node at which
    /// collectors, gates or current sources meet with nothing to feed them. `None` where the connections show none.
    pub fn undetermined(&self, unknown: Unknown) -> Option<(String, String)> {
        let node = (unknown.index() < self.nodes.len()).then_some(NodeId(unknown.0));
        hanging::undetermined(&self.nodes, &self.parts, node)
    }

    /// The unknown in words a person at the bench can use: a node, or the inside of a part.
    pub fn describe_unknown(&self, unknown: Unknown) -> String {
        if unknown.index() < self.nodes.len() {
            return format!("node {}", self.node_name(NodeId(unknown.0)));
        }
        let heated = self.layout.temperature.iter().position(|&at| at == Some(unknown));
        // The last part whose inner unknowns begin at or before it and that has any.
        let owner = heated.or_else(|| {
            (0..self.parts.len())
                .rev()
                .find(|&at| self.parts[at].element.inner_unknowns() > 0 && self.layout.first_inner[at] <= unknown)
        });
        owner.map_or_else(|| "an unknown".to_owned(), |at| format!("the inside of {}", self.parts[at].name))
    }
}

/// Says that no part has a name; whoever asks for a transistor means one, so names of the same letter come first.
fn unknown_part(name: &str, parts: &IndexMap<String, Part>) -> Diagnostic {
    let error = Diagnostic::error(Code::UnknownPart, format!("no part is called {name}"));
    let known = || parts.values().map(|part| part.name.as_str());
    let letter =
        |name: &str| name.rsplit('.').next().and_then(|own| own.chars().next()).map(|c| c.to_ascii_lowercase());
    let alike = || known().filter(|known| letter(known) == letter(name));
    match nearest(name, alike()).or_else(|| nearest(name, known())) {
        Some(near) => error.help(format!("try {near}")),
        None if alike().next().is_some() => error.help(format!("known are {}", some_of(alike()))),
        None => error.help(format!("parts are {}", some_of(known()))),
    }
}

/// The first few names of a list, for a message.
fn some_of<'a>(names: impl Iterator<Item = &'a str>) -> String {
    const SHOWN: usize = 8;
    let mut shown: Vec<&str> = names.take(SHOWN + 1).collect();
    if shown.len() > SHOWN {
        shown[SHOWN] = "…";
    }
    shown.join(", ")
}

fn part_id(position: usize) -> PartId {
    PartId(u32::try_from(position).expect("the number of parts is limited far below 2^32"))
}

fn node_id(position: usize) -> NodeId {
    NodeId(u32::try_from(position).expect("the number of nodes is limited far below 2^32"))
}

/// The form in which node names are compared.
fn node_key(name: &str) -> String {
    let key = name.to_lowercase();
    if key == "gnd" { "0".to_owned() } else { key }
}
