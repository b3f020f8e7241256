//! DC volts of every node, and every device at its bias point.

use rayon::prelude::*;

use super::Setting;
use crate::bench::Point;
use crate::bench::instrument::DcMeter;
use crate::bias::{BiasPoint, DeviceBias, SolveError, cautions, devices};
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;
use crate::mna::NodeId;
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
    /// The meter whose readings the nodes hold.
    pub dc_meter: Option<DcMeter>,
    /// Which devices run hot, and whether the circuit stays at this point.
    pub cautions: Vec<Diagnostic>,
}

/// What is asked about the bias.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BiasQuestion {
    /// The meter whose readings are wanted as well.
    pub dc_meter: Option<DcMeter>,
}

/// DC of a node.
#[derive(Clone, Debug, PartialEq)]
pub struct NodeVolts {
    /// Its name.
    pub name: String,
    /// Against ground, V.
    pub volts: f64,
    /// What the meter reads there; `None` where it was not asked for.
    pub metered: Option<Metered>,
}

/// What a meter reads at a node, and what it does to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Metered {
    /// What it reads, V; `None` where the circuit finds no bias with the meter there.
    pub volts: Option<f64>,
    /// Whether that misleads, because the meter itself disturbs.
    pub disturbed: bool,
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
pub fn bias(circuit: &Circuit, changes: &[String], question: &BiasQuestion) -> Result<BiasResult, SolveError> {
    let operating = Operating::of(circuit)?;
    let point = &operating.bias;
    let input = circuit.noise.as_ref().map(|noise| noise.source);
    let nodes = circuit.signal_order(input).into_par_iter();
    let devices = devices(circuit, point);
    let mut cautions = cautions(circuit, &devices);
    cautions.extend(operating.cautions(circuit));
    Ok(BiasResult {
        setting: Setting::of(circuit, changes),
        nodes: nodes
            .map(|node| NodeVolts {
                name: circuit.node_name(node).to_owned(),
                volts: point.volts(node),
                metered: question.dc_meter.map(|meter| metered(circuit, point, meter, node)),
            })
            .collect(),
        devices: devices
            .into_iter()
            .map(|bias| DeviceRow { name: circuit.part(bias.part).name.clone(), bias })
            .collect(),
        dc_meter: question.dc_meter,
        cautions,
    })
}

fn metered(circuit: &Circuit, point: &BiasPoint, meter: DcMeter, node: NodeId) -> Metered {
    match meter.read(circuit, point, &Point::of(circuit, node)) {
        Ok(volts) => Metered { volts: Some(volts), disturbed: DcMeter::disturbs(volts, point.volts(node)) },
        Err(_) => Metered { volts: None, disturbed: true },
    }
}
