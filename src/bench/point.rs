//! Where something is measured or fed in: a node, a node against another, a source.

use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::element::{Element, PartId};
use crate::mna::NodeId;

/// A node against ground, or against another one.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// The node's name as first written; `A,B` for a difference.
    pub name: String,
    /// The node.
    pub plus: NodeId,
    /// What it is measured against.
    pub minus: NodeId,
}

impl Point {
    /// A node against ground.
    pub fn of(circuit: &Circuit, node: NodeId) -> Self {
        Self::between(circuit, node, NodeId::GROUND)
    }

    /// A node against another.
    pub fn between(circuit: &Circuit, plus: NodeId, minus: NodeId) -> Self {
        let name = match minus {
            NodeId::GROUND => circuit.node_name(plus).to_owned(),
            _ => format!("{},{}", circuit.node_name(plus), circuit.node_name(minus)),
        };
        Self { name, plus, minus }
    }

    /// Reads `NODE` or `A,B`.
    ///
    /// # Errors
    /// [`Code::UnknownNode`] names the nearest node; [`Code::BadFlag`] where both are the same.
    pub fn read(circuit: &Circuit, text: &str) -> Result<Self, Diagnostic> {
        let (plus, minus) = text.split_once(',').unwrap_or((text, "0"));
        let point = Self::between(circuit, circuit.find_node(plus.trim())?, circuit.find_node(minus.trim())?);
        if point.plus == point.minus {
            return Err(Diagnostic::error(Code::BadFlag, format!("between {text} there is nothing to measure"))
                .help("name a node, or two different ones: c1,c2"));
        }
        Ok(point)
    }

    /// All nodes in signal order from an input source.
    pub fn all(circuit: &Circuit, input: Option<PartId>) -> Vec<Self> {
        circuit.signal_order(input).into_iter().map(|node| Self::of(circuit, node)).collect()
    }

    /// Brings points into signal order and keeps each once; a difference stands where the later of its nodes does.
    pub fn in_signal_order(circuit: &Circuit, input: Option<PartId>, points: &[Self]) -> Vec<Self> {
        let order = circuit.signal_order(input);
        let place = |node: NodeId| order.iter().position(|&other| other == node);
        let mut points: Vec<Self> = points.to_vec();
        points.sort_by_key(|point| (place(point.plus).max(place(point.minus)), point.minus != NodeId::GROUND));
        points.dedup();
        points
    }
}

/// Finds an independent source by name, without regard to case.
///
/// # Errors
/// [`Code::UnknownPart`] or [`Code::UnfitPart`], naming a source.
pub fn find_source(circuit: &Circuit, name: &str) -> Result<PartId, Diagnostic> {
    let sources = || circuit.parts().filter(|(_, part)| matches!(part.element, Element::Source(_)));
    let name = name.trim();
    if let Some((id, _)) = sources().find(|(_, part)| part.name.to_lowercase() == name.to_lowercase()) {
        return Ok(id);
    }
    let error = match circuit.find_part(name) {
        Ok(_) => Diagnostic::error(Code::UnfitPart, format!("{name} is no source")),
        Err(_) => Diagnostic::error(Code::UnknownPart, format!("no source is called {name}")),
    };
    let known: Vec<&str> = sources().map(|(_, part)| part.name.as_str()).collect();
    Err(match nearest(name, known.iter().copied()) {
        Some(near) => error.help(format!("try {near}")),
        None if known.is_empty() => error.help("add a source to the netlist: VIN in 0 AC 1"),
        None => error.help(format!("sources are {}", known.join(", "))),
    })
}
