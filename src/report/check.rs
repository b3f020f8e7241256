//! Whether a netlist is sound, and how much of a circuit it holds.

use crate::circuit::Circuit;
use crate::element::Element;

/// A sound netlist.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckResult {
    /// Its title.
    pub title: String,
    /// Parts, sub-circuits expanded.
    pub parts: usize,
    /// Transistors and diodes among them.
    pub devices: usize,
    /// Nodes besides ground.
    pub nodes: usize,
}

/// Counts what a circuit holds.
pub fn check(circuit: &Circuit) -> CheckResult {
    let is_device = |element: &Element| matches!(element, Element::Diode(_) | Element::Bjt(_) | Element::Jfet(_));
    CheckResult {
        title: circuit.title.clone(),
        parts: circuit.parts().len(),
        devices: circuit.parts().filter(|(_, part)| is_device(&part.element)).count(),
        nodes: circuit.nodes().len(),
    }
}
