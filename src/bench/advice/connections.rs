//! Advice that the connections alone give.

use super::{about, unused};
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, PartId};
use crate::mna::NodeId;

/// Unused definitions, nodes with one connection, an output that the input does not reach, models that break detailed balance.
pub fn of_circuit(circuit: &Circuit) -> Vec<Diagnostic> {
    let mut advice = unused::definitions(circuit.netlist());
    advice.extend(lone_nodes(circuit));
    advice.extend(unreached_output(circuit));
    advice.extend(without_equilibrium(circuit));
    advice
}

fn lone_nodes(circuit: &Circuit) -> Vec<Diagnostic> {
    let mut connections: Vec<Vec<PartId>> = vec![Vec::new(); circuit.nodes().len() + 1];
    for (id, part) in circuit.parts() {
        for node in part.element.nodes() {
            connections[node.index()].push(id);
        }
    }
    let output = circuit.noise.as_ref().map(|noise| noise.output);
    let observed = |node: NodeId| output.is_some_and(|(plus, minus)| [plus, minus].contains(&node));
    let lone = circuit.nodes().filter_map(|(node, name)| {
        let &[only] = connections[node.index()].as_slice() else { return None };
        if observed(node) {
            return None;
        }
        let part = circuit.part(only);
        let message = format!("node {name} has one connection, {}", part.name);
        Some(about(part, Diagnostic::warning(Code::LoneNode, message)).help("check how the node is spelt elsewhere"))
    });
    lone.collect()
}

fn unreached_output(circuit: &Circuit) -> Option<Diagnostic> {
    let noise = circuit.noise.as_ref()?;
    let reached = circuit.signal_reaches(noise.source);
    let (plus, minus) = noise.output;
    if reached[plus.index()] || reached[minus.index()] {
        return None;
    }
    let (input, output) = (&circuit.part(noise.source).name, circuit.node_name(plus));
    let message = format!("no path leads from the input {input} to the output {output}");
    let warning = Diagnostic::warning(Code::OutputUnreached, message);
    let warning = match circuit.netlist().noise.as_ref() {
        Some(card) => warning.at(card.output.span).in_statement(card.span),
        None => warning,
    };
    Some(warning.help("check the coupling between them, and the names in .noise"))
}

/// With different emission coefficients no voltages make both junctions rest, so the collector's shot noise has no
/// equilibrium to start from.
fn without_equilibrium(circuit: &Circuit) -> Vec<Diagnostic> {
    let mut warned: Vec<&str> = Vec::new();
    let mut advice = Vec::new();
    for (_, part) in circuit.parts() {
        let Element::Bjt(transistor) = &part.element else { continue };
        if transistor.model.nf == transistor.model.nr || warned.contains(&transistor.model_name.as_str()) {
            continue;
        }
        warned.push(&transistor.model_name);
        let message = format!(
            "model {} has NF {} and NR {}: such a device has no equilibrium, and its noise near saturation is a guess",
            transistor.model_name, transistor.model.nf, transistor.model.nr
        );
        let warning = about(part, Diagnostic::warning(Code::NoEquilibrium, message));
        advice.push(warning.help("give NF and NR the same value unless measurements say otherwise"));
    }
    advice
}
