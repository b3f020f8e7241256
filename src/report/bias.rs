//! DC volts of every node, and every device at its bias point.

use super::Setting;
use crate::bias::{DeviceBias, SolveError, devices, solve};
use crate::circuit::Circuit;

/// The bias point as a meter finds it.
#[derive(Clone, Debug, PartialEq)]
pub struct BiasResult {
    /// Conditions.
    pub setting: Setting,
    /// Nodes in signal order.
    pub nodes: Vec<NodeVolts>,
    /// Transistors and diodes in netlist order.
    pub devices: Vec<DeviceRow>,
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
    let point = solve(circuit)?;
    let input = circuit.noise.as_ref().map(|noise| noise.source);
    let nodes = circuit.signal_order(input).into_iter();
    let devices = devices(circuit, &point).into_iter();
    Ok(BiasResult {
        setting: Setting::of(circuit, changes),
        nodes: nodes
            .map(|node| NodeVolts { name: circuit.node_name(node).to_owned(), volts: point.volts(node) })
            .collect(),
        devices: devices.map(|bias| DeviceRow { name: circuit.part(bias.part).name.clone(), bias }).collect(),
    })
}
