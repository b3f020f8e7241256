//! DC volts of every node, and every device at its bias point.

use rayon::prelude::*;

use super::Setting;
use crate::bench::Point;
use crate::bench::healthy::{Band, HealthyModel};
use crate::bench::instrument::DcMeter;
use crate::bias::{BiasPoint, DeviceBias, SolveError, cautions, devices};
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;
use crate::element::PartId;
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
    /// Units that the healthy bands were drawn from, and of those that found a bias; `None` where they were not asked for.
    pub healthy_units: Option<[usize; 2]>,
    /// Which devices run hot, and whether the circuit stays at this point.
    pub cautions: Vec<Diagnostic>,
}

/// What is asked about the bias.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BiasQuestion {
    /// The meter whose readings are wanted as well.
    pub dc_meter: Option<DcMeter>,
    /// The source that signal order begins at; that of `.noise` where none is named.
    pub input: Option<PartId>,
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
    /// Between which volts most healthy units lie; `None` where it was not asked for.
    pub healthy: Option<Band>,
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
    let input = question.input.or(circuit.noise.as_ref().map(|noise| noise.source));
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
                healthy: None,
            })
            .collect(),
        devices: devices
            .into_iter()
            .map(|bias| DeviceRow { name: circuit.part(bias.part).name.clone(), bias })
            .collect(),
        dc_meter: question.dc_meter,
        healthy_units: None,
        cautions,
    })
}

impl BiasResult {
    /// Adds between which volts healthy units lie. `model` may lack bridges that the circuit of this result has.
    ///
    /// # Errors
    /// [`SolveError`] where hardly any healthy unit finds a bias.
    pub fn add_healthy(&mut self, model: &HealthyModel) -> Result<(), SolveError> {
        let found = |node: &NodeVolts| Point::read(&model.circuit, &node.name).ok();
        let points: Vec<Option<Point>> = self.nodes.iter().map(found).collect();
        let known: Vec<Point> = points.iter().flatten().cloned().collect();
        let healthy = model.at(&known, None)?;
        let mut bands = healthy.points.iter();
        for (node, _) in self.nodes.iter_mut().zip(points).filter(|(_, point)| point.is_some()) {
            node.healthy = bands.next().map(|point| point.dc_volts);
        }
        self.healthy_units = Some([healthy.drawn, healthy.solved]);
        Ok(())
    }
}

fn metered(circuit: &Circuit, point: &BiasPoint, meter: DcMeter, node: NodeId) -> Metered {
    match meter.read(circuit, point, &Point::of(circuit, node)) {
        Ok(volts) => Metered { volts: Some(volts), disturbed: DcMeter::disturbs(volts, point.volts(node)) },
        Err(_) => Metered { volts: None, disturbed: true },
    }
}
