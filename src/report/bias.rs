//! DC volts of every node, and every device at its bias point.

use super::Setting;
use crate::bias::{DeviceBias, SolveError, cautions, devices};
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;
use crate::operating::Operating;

/// The bias point as a meter finds it.
#[derive(Clone, Debug, PartialEq)]
pub struct BiasResult {
    /// Conditions.
    pub setting: Setting,
    /// Nodes in signal order.
    pub nodes: Vec<NodeVolts>,
    /// Transistors and diodes in netlist order.
    pub devices: Vec<DeviceRow>,
    /// Which devices run hot, and whether the circuit stays at this point.
    pub cautions: Vec<Diagnostic>,
}

/// DC of a node.
#[derive(Clone, Debug, PartialEq)]
pub struct NodeVolts {
    /// Its name.
    pub name: String,
    /// Against ground, V.
    pub volts: f64,
}

/// A device at the bias point.
#[derive(Clone, Debug, PartialEq)]
pub struct DeviceRow {
    /// Its name.
    pub name: String,
    /// Region, currents, volts, heat.
    pub bias: DeviceBias,
}

/// Finds the bias point. `changes` are the what-ifs that made the circuit, a line each.
///
/// # Errors
/// [`SolveError`] names what did not settle.
pub fn bias(circuit: &Circuit, changes: &[String]) -> Result<BiasResult, SolveError> {
    let operating = Operating::of(circuit)?;
    let point = &operating.bias;
    let input = circuit.noise.as_ref().map(|noise| noise.source);
    let nodes = circuit.signal_order(input).into_iter();
    let devices = devices(circuit, point);
    let mut cautions = cautions(circuit, &devices);
    cautions.extend(operating.cautions(circuit));
    Ok(BiasResult {
        setting: Setting::of(circuit, changes),
        nodes: nodes
            .map(|node| NodeVolts { name: circuit.node_name(node).to_owned(), volts: point.volts(node) })
            .collect(),
        devices: devices
            .into_iter()
            .map(|bias| DeviceRow { name: circuit.part(bias.part).name.clone(), bias })
            .collect(),
        cautions,
    })
}
