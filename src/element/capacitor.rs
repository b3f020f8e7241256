//! Capacitor: open at rest, i = C·dv/dt. It makes no noise of its own.

use super::{Parameter, Range};
use crate::mna::{NodeId, SignalEquations};

/// A capacitor.
#[derive(Clone, Debug, PartialEq)]
pub struct Capacitor {
    /// Its two ends; the first is positive where it is polarised.
    pub nodes: [NodeId; 2],
    /// Capacitance, F, zero or above.
    pub farads: f64,
    /// Whether the netlist says that it is polarised.
    pub polarised: bool,
    /// Tolerance as a fraction, if the netlist gives one.
    pub tolerance: Option<f64>,
}

impl Capacitor {
    /// What its card may give besides the value.
    pub const PARAMETERS: &'static [Parameter] =
        &[Parameter::new("POL", "", Range::NonNegative, "1 for polarised, first node positive"), Parameter::TOL];

    /// A plain capacitor.
    pub fn new(nodes: [NodeId; 2], farads: f64) -> Self {
        Self { nodes, farads, polarised: false, tolerance: None }
    }

    pub(super) fn stamp_signal(&self, equations: &mut SignalEquations) {
        let [a, b] = self.nodes.map(Into::into);
        equations.admittance(a, b, 0.0, self.farads);
    }
}
