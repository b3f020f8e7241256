//! Signal order of nodes: how many steps the signal takes from the input.
//!
//! Steps go from the input source through passive parts and diodes both ways, through transistors from base to collector
//! and emitter (gate to drain and source), through controlled sources from control to output, and across coupled
//! windings. Ground and supplies are cut: a supply is a node tied to ground by voltage sources other than the input.
//! Ties keep the order of the netlist; nodes that no step reaches come last. Large resistances stand for what is open, as
//! the other contacts of a selector: what can only be reached through them comes after all that is reached otherwise.

use std::collections::{HashMap, VecDeque};

use super::Circuit;
use super::build::is_voltage_source;
use crate::element::{Control, Element, PartId, SourceKind};
use crate::mna::NodeId;

/// Ohms from which on a resistor is taken for something open.
const OPEN_OHMS: f64 = 50e6;

/// All nodes besides ground in signal order.
pub(super) fn signal_order(circuit: &Circuit, input: Option<PartId>) -> Vec<NodeId> {
    let closed = distances_below(circuit, input, OPEN_OHMS);
    let any = distances(circuit, input);
    let mut order: Vec<NodeId> = circuit.nodes().map(|(node, _)| node).collect();
    order.sort_by_key(|node| {
        let (closed, any) = (closed[node.index()], any[node.index()]);
        (closed.is_none(), closed.or(any).unwrap_or(usize::MAX))
    });
    order
}

/// Steps of the signal to every node, ground first; `None` where it does not get.
pub(super) fn distances(circuit: &Circuit, input: Option<PartId>) -> Vec<Option<usize>> {
    distances_below(circuit, input, f64::INFINITY)
}

/// The same, not through resistors of so many ohms and more.
fn distances_below(circuit: &Circuit, input: Option<PartId>, open_ohms: f64) -> Vec<Option<usize>> {
    let count = circuit.nodes().len() + 1;
    let cut = supplies(circuit, input, count);
    let steps = steps(circuit, input, open_ohms);
    let mut distance: Vec<Option<usize>> = vec![None; count];
    let mut queue = VecDeque::new();
    let reach = |node: NodeId, steps: usize, queue: &mut VecDeque<NodeId>, distance: &mut Vec<Option<usize>>| {
        if !cut[node.index()] && distance[node.index()].is_none() {
            distance[node.index()] = Some(steps);
            queue.push_back(node);
        }
    };
    for node in input.map(|part| circuit.part(part).element.nodes()).unwrap_or_default() {
        reach(node, 0, &mut queue, &mut distance);
    }
    while let Some(node) = queue.pop_front() {
        let next = distance[node.index()].map_or(0, |steps| steps + 1);
        for &to in steps.get(&node).map(Vec::as_slice).unwrap_or_default() {
            reach(to, next, &mut queue, &mut distance);
        }
    }
    distance
}

/// Ground, and nodes tied to it by voltage sources other than the input.
fn supplies(circuit: &Circuit, input: Option<PartId>, count: usize) -> Vec<bool> {
    let mut cut = vec![false; count];
    cut[NodeId::GROUND.index()] = true;
    loop {
        let mut grew = false;
        for (id, part) in circuit.parts() {
            if Some(id) == input || !is_voltage_source(&part.element) {
                continue;
            }
            let nodes = part.element.nodes();
            if nodes.iter().any(|node| cut[node.index()]) {
                for node in nodes {
                    grew |= !cut[node.index()];
                    cut[node.index()] = true;
                }
            }
        }
        if !grew {
            return cut;
        }
    }
}

/// Where the signal can go from each node in one step.
fn steps(circuit: &Circuit, input: Option<PartId>, open_ohms: f64) -> HashMap<NodeId, Vec<NodeId>> {
    let mut steps: HashMap<NodeId, Vec<NodeId>> = HashMap::new();
    let mut add = |from: NodeId, to: NodeId| steps.entry(from).or_default().push(to);
    for (id, part) in circuit.parts() {
        match &part.element {
            Element::Resistor(resistor) if resistor.ohms >= open_ohms => {}
            Element::Resistor(_) | Element::Capacitor(_) | Element::Inductor(_) | Element::Diode(_) => {
                both_ways(&part.element.nodes(), &mut add);
            }
            Element::Coupling(coupling) => {
                let ends: Vec<NodeId> =
                    coupling.windings.iter().flat_map(|(winding, _)| circuit.part(*winding).element.nodes()).collect();
                both_ways(&ends, &mut add);
            }
            Element::Source(source) => {
                if source.kind == SourceKind::Voltage && Some(id) != input {
                    both_ways(&source.nodes, &mut add);
                }
            }
            Element::Controlled(source) => {
                let (Control::Voltage(control) | Control::Current(_, control)) = source.control;
                for from in control {
                    source.nodes.iter().for_each(|&to| add(from, to));
                }
            }
            Element::Bjt(transistor) => {
                let [collector, base, emitter] = transistor.nodes;
                add(base, collector);
                add(base, emitter);
            }
            Element::Jfet(transistor) => {
                let [drain, gate, source] = transistor.nodes;
                add(gate, drain);
                add(gate, source);
            }
        }
    }
    steps
}

fn both_ways(nodes: &[NodeId], add: &mut impl FnMut(NodeId, NodeId)) {
    for &from in nodes {
        nodes.iter().filter(|&&to| to != from).for_each(|&to| add(from, to));
    }
}
