//! The four controlled sources: E (volts by volts), G (amperes by volts), F (amperes by amperes), H (volts by amperes).
//!
//! They are ideal and make no noise. A controlling current is that through a voltage source, from its first node to its
//! second.

use super::{Layout, PartId, Place};
use crate::mna::{BiasEquations, NodeId, SignalEquations, Unknown};

/// What controls the source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Control {
    /// The voltage of the first node against the second.
    Voltage([NodeId; 2]),
    /// The current through a voltage source; the nodes are that source's, for tracing the signal.
    Current(PartId, [NodeId; 2]),
}

/// What the source drives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Drive {
    /// E, H: volts between its output nodes.
    Voltage,
    /// G, F: amperes from its first output node through itself to the second.
    Current,
}

/// E, G, F or H.
#[derive(Clone, Debug, PartialEq)]
pub struct Controlled {
    /// Output nodes.
    pub nodes: [NodeId; 2],
    /// What controls it.
    pub control: Control,
    /// What it drives.
    pub drive: Drive,
    /// Output per control: V/V, A/V (S), A/A or V/A (Ω).
    pub gain: f64,
}

impl Controlled {
    /// Output nodes, then those of a controlling voltage.
    pub(super) fn all_nodes(&self) -> Vec<NodeId> {
        let mut nodes = self.nodes.to_vec();
        if let Control::Voltage(control) = self.control {
            nodes.extend(control);
        }
        nodes
    }

    pub(super) fn inner_unknowns(&self) -> u32 {
        match self.drive {
            Drive::Voltage => 1,
            Drive::Current => 0,
        }
    }

    /// The branch whose current controls it; `None` where a voltage does.
    pub fn controlling_branch(&self, layout: &Layout) -> Option<Unknown> {
        match self.control {
            Control::Voltage(_) => None,
            Control::Current(source, _) => Some(layout.first_inner[source.index()]),
        }
    }

    /// The controlling quantity as unknowns and their signs.
    fn control_terms(&self, place: Place) -> [(Unknown, f64); 2] {
        match self.control {
            Control::Voltage([plus, minus]) => [(plus.into(), 1.0), (minus.into(), -1.0)],
            Control::Current(source, _) => [(place.inner_of(source), 1.0), (Unknown::GROUND, 0.0)],
        }
    }

    pub(super) fn stamp_bias(&self, place: Place, x: &[f64], equations: &mut BiasEquations) {
        let [a, b] = self.nodes.map(Into::into);
        let slopes = self.control_terms(place).map(|(unknown, sign)| (unknown, sign * self.gain));
        match self.drive {
            Drive::Current => {
                for (unknown, slope) in slopes {
                    equations.current(a, b, slope * x[unknown.index()], &[(unknown, slope)]);
                }
            }
            Drive::Voltage => {
                let branch = place.inner(0);
                equations.voltage_branch(a, b, branch, x);
                for (unknown, slope) in slopes {
                    equations.term(branch, -slope * x[unknown.index()]);
                    equations.slope(branch, unknown, -slope);
                }
            }
        }
    }

    pub(super) fn stamp_signal(&self, place: Place, equations: &mut SignalEquations) {
        let [a, b] = self.nodes.map(Into::into);
        let slopes = self.control_terms(place).map(|(unknown, sign)| (unknown, sign * self.gain));
        match self.drive {
            Drive::Current => {
                for (unknown, slope) in slopes {
                    equations.add(a, unknown, slope, 0.0);
                    equations.add(b, unknown, -slope, 0.0);
                }
            }
            Drive::Voltage => {
                let branch = place.inner(0);
                equations.voltage_branch(a, b, branch);
                for (unknown, slope) in slopes {
                    equations.add(branch, unknown, -slope, 0.0);
                }
            }
        }
    }
}
