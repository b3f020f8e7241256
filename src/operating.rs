//! A circuit at work: bias found, linearised, judged for stability.
//!
//! Newton's iteration may land on a solution that no real set stays at, such as the middle one of a circuit that latches.
//! Where the linearised circuit runs away from its bias point, it is given a kick along the way it would leave, and let
//! go; what it settles at is taken if it is stable.

use crate::bias::{self, BiasPoint, SolveError};
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::mna::NodeId;
use crate::smallsignal::SmallSignal;
use crate::stability::{Stability, stability, way_out};
use crate::units::engineering;

/// Two solutions that differ by less at every node are one, V.
const SAME_VOLTS: f64 = 1e-3;

/// Where the equations of signals are judged, Hz: in the middle of the audio band.
pub(crate) const MIDDLE_HERTZ: f64 = 1e3;

/// How far a kick moves the fastest node, V: far beyond where junctions bend, well within any supply.
const KICK_VOLTS: f64 = 0.3;

/// A bias point, the circuit linearised there, and whether it stays there.
#[derive(Clone, Debug)]
pub struct Operating {
    /// The bias point.
    pub bias: BiasPoint,
    /// The linearised circuit.
    pub signal: SmallSignal,
    /// Whether it stays at that point.
    pub stability: Stability,
    /// A node where another solution was found to differ most, and its volts there.
    pub other: Option<(NodeId, f64)>,
}

impl Operating {
    /// Finds and judges the bias point of a circuit.
    ///
    /// # Errors
    /// [`SolveError`] names the node and the device to blame, or what is hardly determined.
    pub fn of(circuit: &Circuit) -> Result<Self, SolveError> {
        let operating = Self::settled(circuit)?;
        let (at_rest, of_signals) = rayon::join(
            || bias::require_determined(circuit, &operating.bias),
            || operating.signal.require_determined(circuit, MIDDLE_HERTZ),
        );
        at_rest.and(of_signals)?;
        Ok(operating)
    }

    fn settled(circuit: &Circuit) -> Result<Self, SolveError> {
        let found = Self::at(circuit, bias::solve(circuit)?);
        if !found.runs_away() {
            return Ok(found);
        }
        let settled = [KICK_VOLTS, -KICK_VOLTS].into_iter().find_map(|kick| {
            let settled = Self::at(circuit, bias::settle_from(circuit, found.kicked(circuit, kick)?).ok()?);
            (!settled.runs_away()).then_some(settled)
        });
        let Some(settled) = settled else { return Ok(found) };
        let apart = |node: NodeId| (settled.bias.volts(node) - found.bias.volts(node)).abs();
        let farthest = circuit.nodes().map(|(node, _)| node).max_by(|&a, &b| apart(a).total_cmp(&apart(b)));
        let other = farthest.filter(|&node| apart(node) > SAME_VOLTS).map(|node| (node, found.bias.volts(node)));
        Ok(Self { other, ..settled })
    }

    /// The unknowns after a kick that moves the node that leaves fastest by `volts`.
    fn kicked(&self, circuit: &Circuit, volts: f64) -> Option<Vec<f64>> {
        let Stability::Unstable(roots) = &self.stability else { return None };
        let root = roots.iter().find(|root| root.im <= root.re)?;
        let way = way_out(&self.signal, *root)?;
        let fastest = circuit.nodes().map(|(node, _)| way[node.index()]).max_by(|a, b| a.abs().total_cmp(&b.abs()))?;
        let scale = volts / fastest;
        let mut x = self.bias.x.clone();
        // Temperatures have no part in the linearised circuit.
        x.iter_mut().zip(&way).for_each(|(x, way)| *x += scale * way);
        (scale.is_finite()).then_some(x)
    }

    /// What a reader of any figure about this circuit should know.
    pub fn cautions(&self, circuit: &Circuit) -> Vec<Diagnostic> {
        let other = self.other.map(|(node, volts)| {
            let (name, here) = (circuit.node_name(node), engineering(self.bias.volts(node), "V", 3));
            let there = engineering(volts, "V", 3);
            let message = format!(
                "the circuit has more than one solution: this is one that it stays at, with {here} at {name}; an unstable \
                 one has {there} there, and a kick may bring others"
            );
            Diagnostic::warning(Code::OtherSolution, message).help("compare with the meter which of them the set is in")
        });
        other.into_iter().chain(self.stability.warning()).collect()
    }

    fn at(circuit: &Circuit, bias: BiasPoint) -> Self {
        let signal = SmallSignal::linearise(circuit, &bias);
        let stability = stability(&signal);
        Self { bias, signal, stability, other: None }
    }

    /// Whether the point is left without swinging about it.
    fn runs_away(&self) -> bool {
        matches!(&self.stability, Stability::Unstable(roots) if roots.iter().any(|root| root.im <= root.re))
    }
}
