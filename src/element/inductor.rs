//! Inductor: a short at rest, v = L·di/dt. Its branch current is an unknown; its wire is a resistor of the netlist.

use super::{Parameter, Place};
use crate::mna::{BiasEquations, NodeId, SignalEquations};

/// An inductor or one winding of a transformer.
#[derive(Clone, Debug, PartialEq)]
pub struct Inductor {
    /// Its two ends; the first carries the dot.
    pub nodes: [NodeId; 2],
    /// Inductance, H, above zero.
    pub henries: f64,
    /// Tolerance as a fraction, if the netlist gives one.
    pub tolerance: Option<f64>,
}

impl Inductor {
    /// What its card may give besides the value.
    pub const PARAMETERS: &'static [Parameter] = &[Parameter::TOL];

    /// A plain inductor.
    pub fn new(nodes: [NodeId; 2], henries: f64) -> Self {
        Self { nodes, henries, tolerance: None }
    }

    pub(super) fn stamp_bias(&self, place: Place, x: &[f64], equations: &mut BiasEquations) {
        let [a, b] = self.nodes.map(Into::into);
        let branch = place.inner(0);
        equations.voltage_branch(a, b, branch, x);
    }

    pub(super) fn stamp_signal(&self, place: Place, equations: &mut SignalEquations) {
        let [a, b] = self.nodes.map(Into::into);
        let branch = place.inner(0);
        equations.voltage_branch(a, b, branch);
        equations.add(branch, branch, 0.0, -self.henries);
    }
}
