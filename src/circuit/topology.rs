//! What can be seen from the connections alone: ground, DC paths, loops of voltage sources and windings.
//!
//! The equations of such circuits have no single solution, and a dense solver would give millions of volts instead of
//! saying so. So they are found here, and named.

use std::collections::HashMap;

use indexmap::IndexMap;

use super::{Part, node_id, some_of};
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::element::{Control, Drive, Element, SourceKind};
use crate::mna::NodeId;
use crate::physics::Kelvin;

/// Reports everything that makes the equations unsolvable.
pub(super) fn check(
    nodes: &IndexMap<String, String>,
    parts: &IndexMap<String, Part>,
    ambient: Kelvin,
    problems: &mut Vec<Diagnostic>,
) {
    if parts.is_empty() {
        problems.push(Diagnostic::error(Code::EmptyCircuit, "the netlist has no part").help("add one: R1 a 0 1k"));
        return;
    }
    if !parts.values().any(|part| part.element.nodes().contains(&NodeId::GROUND)) {
        let error = Diagnostic::error(Code::NoGround, "nothing is connected to ground, node 0");
        problems.push(marked(error, parts.values().next()).help("call the common line 0"));
        return;
    }
    loops(nodes, parts, problems);
    floating(nodes, parts, problems);
    check_resistances(parts, ambient, problems);
}

/// Reports resistors that their temperature leaves no resistance.
pub(super) fn check_resistances(parts: &IndexMap<String, Part>, ambient: Kelvin, problems: &mut Vec<Diagnostic>) {
    for part in parts.values() {
        if let Element::Resistor(resistor) = &part.element {
            let kelvin = resistor.celsius.map_or(ambient, Kelvin::from_celsius);
            if resistor.ohms_at(kelvin) <= 0.0 {
                let message = format!(
                    "the temperature coefficients of {} leave it no resistance at {:.0} °C",
                    part.name,
                    kelvin.celsius()
                );
                let error = Diagnostic::error(Code::ValueOutOfRange, message);
                problems.push(marked(error, Some(part)).help("TC1 and TC2 are per degree: 0.004 for copper"));
            }
        }
    }
}

/// Floating nodes at most for which the one that was meant is looked for: each costs a look at every name.
const GUESSED: usize = 20;

/// Nodes joined so far, as a forest.
pub(super) struct Islands {
    parent: Vec<usize>,
}

impl Islands {
    pub fn new(count: usize) -> Self {
        Self { parent: (0..count).collect() }
    }

    pub fn root(&mut self, mut node: usize) -> usize {
        while self.parent[node] != node {
            self.parent[node] = self.parent[self.parent[node]];
            node = self.parent[node];
        }
        node
    }

    /// Joins two nodes; false when they were joined before.
    pub fn join(&mut self, a: NodeId, b: NodeId) -> bool {
        let (a, b) = (self.root(a.index()), self.root(b.index()));
        self.parent[a.max(b)] = a.min(b);
        a != b
    }
}

/// For each node the lowest one that voltage sources tie it to.
pub(super) fn held_groups(nodes: usize, parts: &IndexMap<String, Part>) -> Vec<NodeId> {
    let mut islands = Islands::new(nodes);
    for part in parts.values() {
        if let Element::Source(source) = &part.element
            && source.kind == SourceKind::Voltage
        {
            islands.join(source.nodes[0], source.nodes[1]);
        }
    }
    (0..nodes).map(|node| node_id(islands.root(node))).collect()
}

fn loops(nodes: &IndexMap<String, String>, parts: &IndexMap<String, Part>, problems: &mut Vec<Diagnostic>) {
    let mut islands = Islands::new(nodes.len());
    for part in parts.values() {
        let ends = match &part.element {
            Element::Inductor(e) => Some(e.nodes),
            Element::Source(e) if e.kind == SourceKind::Voltage => Some(e.nodes),
            Element::Controlled(e) if e.drive == Drive::Voltage => Some(e.nodes),
            Element::Source(_)
            | Element::Controlled(_)
            | Element::Resistor(_)
            | Element::Capacitor(_)
            | Element::Coupling(_)
            | Element::Diode(_)
            | Element::Bjt(_)
            | Element::Jfet(_) => None,
        };
        if let Some([a, b]) = ends
            && !islands.join(a, b)
        {
            let message = format!("{} closes a loop of voltage sources and windings", part.name);
            let help = match &part.element {
                Element::Inductor(_) => "a winding has resistance: put a resistor in series",
                _ => "put a resistor in series: a real source has one",
            };
            problems.push(marked(Diagnostic::error(Code::SourceLoop, message), Some(part)).help(help));
        }
    }
}

fn floating(nodes: &IndexMap<String, String>, parts: &IndexMap<String, Part>, problems: &mut Vec<Diagnostic>) {
    let mut islands = Islands::new(nodes.len());
    for part in parts.values() {
        for node in dc_path(&part.element).windows(2) {
            islands.join(node[0], node[1]);
        }
    }
    let ground = islands.root(0);
    let mut floating: IndexMap<usize, Vec<NodeId>> = IndexMap::new();
    for position in 1..nodes.len() {
        let root = islands.root(position);
        if root != ground {
            floating.entry(root).or_default().push(node_id(position));
        }
    }
    let mut first_parts: HashMap<usize, &Part> = HashMap::new();
    for part in parts.values() {
        for node in part.element.nodes() {
            first_parts.entry(islands.root(node.index())).or_insert(part);
        }
    }
    for (root, island) in &floating {
        let names: Vec<&str> = island.iter().map(|node| nodes[node.index()].as_str()).collect();
        let message = match names.as_slice() {
            [one] => format!("node {one} has no DC path to ground"),
            several => format!("nodes {} have no DC path to ground", some_of(several.iter().copied())),
        };
        let error = Diagnostic::error(Code::FloatingNode, message);
        // A node that only one part touches is more often misspelt than forgotten.
        let first = first_parts.get(root).copied();
        let pins =
            |node: NodeId| parts.values().flat_map(|part| part.element.nodes()).filter(|&pin| pin == node).count();
        let others = || nodes.values().skip(1).map(String::as_str).filter(|other| !names.contains(other));
        let meant = if floating.len() <= GUESSED && island.len() == 1 && pins(island[0]) == 1 {
            nearest(names[0], others())
        } else {
            None
        };
        problems.push(marked(error, first).help(match meant {
            Some(meant) => format!("is {meant} meant? else add a resistor: R9 {} 0 10MEG", names[0]),
            None => format!("add a resistor: R9 {} 0 10MEG", names[0]),
        }));
    }
}

/// Nodes that direct current can pass between.
fn dc_path(element: &Element) -> Vec<NodeId> {
    match element {
        Element::Resistor(_) | Element::Inductor(_) | Element::Diode(_) | Element::Bjt(_) | Element::Jfet(_) => {
            element.nodes()
        }
        Element::Source(source) => match source.kind {
            SourceKind::Voltage => source.nodes.to_vec(),
            SourceKind::Current => Vec::new(),
        },
        Element::Controlled(source) => match (source.drive, source.control) {
            (Drive::Voltage, _) => source.nodes.to_vec(),
            // Controlled by the voltage across itself it is a conductance.
            (Drive::Current, Control::Voltage(control)) if control == source.nodes => source.nodes.to_vec(),
            (Drive::Current, _) => Vec::new(),
        },
        Element::Capacitor(_) | Element::Coupling(_) => Vec::new(),
    }
}

/// Marks the card of a part and the calls it was reached through.
pub(super) fn marked(error: Diagnostic, part: Option<&Part>) -> Diagnostic {
    let Some(part) = part else { return error };
    let error = match part.card {
        Some(card) => error.at(card).in_statement(card),
        None => error,
    };
    part.calls.iter().fold(error, |error, &call| error.label(call, "reached by this call"))
}
