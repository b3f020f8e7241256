//! Nodes that no direct current is fed to: what meets there are collectors, gates, current sources and the like alone.
//!
//! A transistor's collector on nothing but a capacitor, a gate without leak, an open base: the equations may have a
//! solution, but leakage of femtoamperes decides it, or the transistor saturates without current. Where two collectors
//! or current sources meet, they may have none at all.

use indexmap::IndexMap;

use super::topology::{Islands, marked};
use super::{Part, node_id};
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Control, Drive, Element, Polarity, SourceKind};
use crate::mna::NodeId;

/// Nodes joined by direct current paths other than through junctions, without a path to ground, and what meets there.
pub(super) struct Hanging<'a> {
    nodes: Vec<NodeId>,
    pins: Vec<Pin<'a>>,
}

struct Pin<'a> {
    part: &'a Part,
    /// `collector`, empty for a source.
    name: &'static str,
    flow: Flow,
}

/// Which way direct current passes a pin, leakage apart.
#[derive(Clone, Copy, PartialEq)]
enum Flow {
    /// Neither way: a gate.
    None,
    /// From the node into the pin.
    In,
    /// Out of the pin into the node.
    Out,
    /// Either way.
    Both,
}

/// Warns of every island where current could only flow one way, which is none.
pub(super) fn check(nodes: &IndexMap<String, String>, parts: &IndexMap<String, Part>, problems: &mut Vec<Diagnostic>) {
    for island in hanging(nodes.len(), parts) {
        let flows = |flow| island.pins.iter().any(|pin| pin.flow == flow);
        if flows(Flow::Both) || (flows(Flow::In) && flows(Flow::Out)) {
            continue;
        }
        let message = format!(
            "no direct current can flow at {}: only {} there, and leakage sets the voltage",
            island.place(nodes),
            island.meeting()
        );
        let warning = Diagnostic::warning(Code::FloatingNode, message);
        let first = nodes[island.nodes[0].index()].as_str();
        let help = format!("if a part feeds it in the set, add that part: R9 vcc {first} 10k");
        problems.push(marked(warning, island.pins.first().map(|pin| pin.part)).help(help));
    }
}

/// Where nothing determines a voltage, and why: the island of `node`, or else the first, where only collectors, gates and
/// current sources meet; `None` without one.
pub(super) fn undetermined(
    nodes: &IndexMap<String, String>,
    parts: &IndexMap<String, Part>,
    node: Option<NodeId>,
) -> Option<(String, String)> {
    let mut islands = hanging(nodes.len(), parts);
    islands.retain(|island| {
        island.pins.iter().all(|pin| match &pin.part.element {
            Element::Bjt(_) => pin.name == "collector",
            Element::Jfet(_) | Element::Source(_) | Element::Controlled(_) => true,
            _ => false,
        })
    });
    let its_own = islands.iter().position(|island| node.is_some_and(|node| island.nodes.contains(&node)));
    let island = islands.get(its_own.unwrap_or(0))?;
    Some((island.place(nodes), format!("only {} there, with nothing to feed them", island.meeting())))
}

fn hanging(count: usize, parts: &IndexMap<String, Part>) -> Vec<Hanging<'_>> {
    let mut islands = Islands::new(count);
    for part in parts.values() {
        for nodes in solid_paths(&part.element) {
            islands.join(nodes[0], nodes[1]);
        }
    }
    let ground = islands.root(0);
    let mut found: IndexMap<usize, Hanging<'_>> = IndexMap::new();
    for position in 1..count {
        let root = islands.root(position);
        if root != ground {
            found.entry(root).or_insert(Hanging { nodes: Vec::new(), pins: Vec::new() }).nodes.push(node_id(position));
        }
    }
    for part in parts.values() {
        for (node, name, flow) in pins(&part.element) {
            if let Some(island) = found.get_mut(&islands.root(node.index())) {
                island.pins.push(Pin { part, name, flow });
            }
        }
    }
    found.into_values().filter(|island| !island.pins.is_empty()).collect()
}

impl Hanging<'_> {
    fn place(&self, nodes: &IndexMap<String, String>) -> String {
        let names: Vec<&str> = self.nodes.iter().map(|node| nodes[node.index()].as_str()).collect();
        match names.as_slice() {
            [one] => format!("node {one}"),
            several => format!("nodes {}", several.join(", ")),
        }
    }

    /// `the collector of Q1 hangs`, `the collector of Q1 and I1 meet`.
    fn meeting(&self) -> String {
        let named = self.pins.iter().map(|pin| match pin.name {
            "" => pin.part.name.clone(),
            name => format!("the {name} of {}", pin.part.name),
        });
        let named: Vec<String> = named.collect();
        match named.split_last() {
            Some((last, [])) => format!("{last} hangs"),
            Some((last, others)) => format!("{} and {last} meet", others.join(", ")),
            None => "nothing is".to_owned(),
        }
    }
}

/// Pairs of nodes between which direct current passes either way, or whose difference is held.
fn solid_paths(element: &Element) -> Vec<[NodeId; 2]> {
    match element {
        Element::Resistor(e) => vec![e.nodes],
        Element::Inductor(e) => vec![e.nodes],
        Element::Source(e) if e.kind == SourceKind::Voltage => vec![e.nodes],
        Element::Controlled(e) => match (e.drive, e.control) {
            (Drive::Voltage, _) => vec![e.nodes],
            // Controlled by the voltage across itself it is a conductance.
            (Drive::Current, Control::Voltage(control)) if control == e.nodes => vec![e.nodes],
            (Drive::Current, _) => Vec::new(),
        },
        // The channel conducts either way.
        Element::Jfet(e) => vec![[e.nodes[0], e.nodes[2]]],
        Element::Source(_) | Element::Capacitor(_) | Element::Coupling(_) | Element::Diode(_) | Element::Bjt(_) => {
            Vec::new()
        }
    }
}

/// Pins that are no ends of a solid path.
fn pins(element: &Element) -> Vec<(NodeId, &'static str, Flow)> {
    let mirrored = |polarity, flow| match (polarity, flow) {
        (Polarity::P, Flow::In) => Flow::Out,
        (Polarity::P, Flow::Out) => Flow::In,
        (_, flow) => flow,
    };
    match element {
        Element::Bjt(e) => {
            let [c, b, e_node] = e.nodes;
            let flow = |flow| mirrored(e.polarity, flow);
            vec![(c, "collector", flow(Flow::In)), (b, "base", flow(Flow::In)), (e_node, "emitter", flow(Flow::Out))]
        }
        Element::Diode(e) if e.model.bv > 0.0 => {
            vec![(e.nodes[0], "anode", Flow::Both), (e.nodes[1], "cathode", Flow::Both)]
        }
        Element::Diode(e) => vec![(e.nodes[0], "anode", Flow::In), (e.nodes[1], "cathode", Flow::Out)],
        Element::Jfet(e) => vec![(e.nodes[1], "gate", Flow::None)],
        Element::Source(e) if e.kind == SourceKind::Current => {
            let flow = if e.dc == 0.0 { Flow::None } else { Flow::Both };
            e.nodes.iter().map(|&node| (node, "", flow)).collect()
        }
        Element::Controlled(e) if solid_paths(element).is_empty() => {
            e.nodes.iter().map(|&node| (node, "", Flow::Both)).collect()
        }
        Element::Source(_)
        | Element::Controlled(_)
        | Element::Resistor(_)
        | Element::Capacitor(_)
        | Element::Inductor(_)
        | Element::Coupling(_) => Vec::new(),
    }
}
