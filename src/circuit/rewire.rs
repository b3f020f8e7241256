//! The same circuit with other elements in the places of its parts: what stands for a part while another question is
//! asked than the netlist's own, such as a voltage source for a capacitor that holds its charge.

use std::sync::Arc;

use super::build::layout;
use super::{Circuit, Part, node_id};
use crate::element::{Element, PartId};
use crate::mna::NodeId;

/// Elements that stand for others, and what they need besides. Connections are not judged again.
#[derive(Clone, Debug, Default)]
pub struct Rewiring {
    replaced: Vec<(PartId, Element)>,
    added: Vec<(String, Element)>,
    nodes: Vec<String>,
}

impl Rewiring {
    /// Puts `element` in the place of a part, which keeps its name and number.
    pub fn replace(&mut self, part: PartId, element: Element) {
        self.replaced.push((part, element));
    }

    /// Adds a part behind all others. No part of the circuit may have this name.
    pub fn add(&mut self, name: impl Into<String>, element: Element) {
        self.added.push((name.into(), element));
    }

    /// Adds a node behind those of `circuit`. None of its nodes may have this name.
    pub fn node(&mut self, circuit: &Circuit, name: impl Into<String>) -> NodeId {
        self.nodes.push(name.into());
        node_id(circuit.nodes.len() + self.nodes.len() - 1)
    }
}

impl Circuit {
    /// The circuit after a rewiring. Nodes and parts keep their numbers, inner unknowns may have others.
    #[must_use]
    pub fn rewired(&self, rewiring: Rewiring) -> Circuit {
        let mut circuit = self.clone();
        if !rewiring.nodes.is_empty() {
            let nodes = Arc::make_mut(&mut circuit.nodes);
            nodes.extend(rewiring.nodes.into_iter().map(|name| (name.to_lowercase(), name)));
        }
        for (part, element) in rewiring.replaced {
            circuit.parts[part.index()].element = element;
        }
        for (name, element) in rewiring.added {
            circuit.parts.insert(name.to_lowercase(), Part { name, element, card: None, calls: Vec::new() });
        }
        circuit.layout = Arc::new(layout(circuit.nodes.len(), &circuit.parts));
        circuit
    }
}
