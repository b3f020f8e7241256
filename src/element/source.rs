//! Independent sources: a fixed voltage between, or a fixed current through, two nodes. They make no noise.
//!
//! A current source drives its current from its first node through itself to the second.

use super::Place;
use crate::mna::{BiasEquations, NodeId, SignalEquations};

/// What a source holds fixed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SourceKind {
    /// V: volts between its nodes.
    Voltage,
    /// I: amperes through it.
    Current,
}

/// V or I.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    /// First (positive) and second node.
    pub nodes: [NodeId; 2],
    /// Voltage or current.
    pub kind: SourceKind,
    /// Volts or amperes at rest.
    pub dc: f64,
    /// Magnitude and phase in degrees of its stimulus, as the netlist gives it.
    pub ac: (f64, f64),
}

impl Source {
    /// A voltage source makes its current an unknown.
    pub(super) fn inner_unknowns(&self) -> u32 {
        match self.kind {
            SourceKind::Voltage => 1,
            SourceKind::Current => 0,
        }
    }

    pub(super) fn stamp_bias(&self, place: Place, x: &[f64], equations: &mut BiasEquations) {
        let [a, b] = self.nodes.map(Into::into);
        let value = self.dc * equations.source_scale;
        match self.kind {
            SourceKind::Current => equations.current(a, b, value, &[]),
            SourceKind::Voltage => {
                let branch = place.inner(0);
                equations.voltage_branch(a, b, branch, x);
                equations.term(branch, -value);
            }
        }
    }

    pub(super) fn stamp_signal(&self, place: Place, equations: &mut SignalEquations) {
        if self.kind == SourceKind::Voltage {
            let [a, b] = self.nodes.map(Into::into);
            let branch = place.inner(0);
            equations.voltage_branch(a, b, branch);
        }
    }
}
