//! What capacitors do at mid-band: hold their charge, be open, or shape the tone.
//!
//! Each is looked at at the frequency f by two measures of the linearised circuit, feedback included. Its surroundings
//! show it an impedance Z at its terminals (Thévenin, all else as it is), against X = 1/(2πf·C) of its own. And the gain H
//! from the input to the output becomes Hₛ where it is a short, Hₒ where it is open:
//!
//! ```text
//! H(Δy) = H − T·V·Δy/(1 + Δy·z)        an admittance Δy beside it [1]
//! ```
//!
//! with V the volts across it per unit of the input, T the output per ampere into it, z its port with itself in place.
//!
//! It holds its charge where a short would not change the gain (|Hₛ − H| ≤ |H|/10) and Z ≥ 10·X or an open end would
//! change it: coupling and bypass. It is open where that would not change the gain and Z ≤ X/10 or a short would change
//! it: treble roll-off, and the compensation of a loop much faster than f. What lies between shapes the tone at f. A static
//! curve has no phase, so such a capacitor stands as its charge behind the resistance that leaves |H| as it is: a
//! quadratic in 1/r by the formula above. One after the other is so replaced, and |H| stays. Where no resistance does
//! that, it is X. Capacitors side by side count as one. The capacitances of devices are open.
//!
//! [1] Sherman and Morrison, Ann. Math. Stat. 21 (1950) 124

use num_complex::Complex64;

use super::network::{Measured, Network, between};
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::element::{Element, PartId};
use crate::mna::NodeId;
use crate::operating::Operating;

/// Ratio of impedances that counts as clear, and its inverse the change of gain that counts as none.
const CLEARLY: f64 = 10.0;

/// What a capacitor does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Verdict {
    Holds,
    Open,
    /// Neither: its charge behind a resistance.
    Shapes {
        ohms: f64,
    },
}

/// A capacitor and what it does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Judged {
    pub part: PartId,
    pub nodes: [NodeId; 2],
    pub farads: f64,
    pub verdict: Verdict,
}

/// Judges all capacitors, in netlist order.
pub(super) fn judge_capacitors(
    circuit: &Circuit,
    operating: &Operating,
    measured: &Measured,
) -> Result<Vec<Judged>, SolveError> {
    let mut capacitors: Vec<Judged> = circuit
        .parts()
        .filter_map(|(part, what)| match &what.element {
            Element::Capacitor(capacitor) if capacitor.nodes[0] != capacitor.nodes[1] => {
                Some(Judged { part, nodes: capacitor.nodes, farads: capacitor.farads, verdict: Verdict::Open })
            }
            _ => None,
        })
        .collect();
    let omega = std::f64::consts::TAU * measured.hertz;
    let mut network = Network::of(operating, measured.hertz);
    let solvable = network.factor(circuit)?;
    let driven = solvable.driven(&measured.stimulus)?;
    let all: Vec<([NodeId; 2], f64)> = capacitors.iter().map(|one| (one.nodes, one.farads)).collect();
    let together = |nodes: [NodeId; 2]| -> f64 {
        let same = all.iter().filter(|(other, _)| *other == nodes || *other == [nodes[1], nodes[0]]);
        same.map(|(_, farads)| farads).sum()
    };
    for one in &mut capacitors {
        let susceptance = omega * together(one.nodes);
        let port = Port::of(&driven, &solvable.fed_at(one.nodes)?, one.nodes, measured);
        one.verdict = port.verdict(susceptance);
    }
    for one in &mut capacitors {
        let Verdict::Shapes { .. } = one.verdict else { continue };
        let susceptance = omega * one.farads;
        let solvable = network.factor(circuit)?;
        let port = Port::of(&solvable.driven(&measured.stimulus)?, &solvable.fed_at(one.nodes)?, one.nodes, measured);
        let siemens = port.conductance_instead_of(susceptance).unwrap_or(susceptance);
        network.shunt(one.nodes, Complex64::new(siemens, -susceptance));
        one.verdict = Verdict::Shapes { ohms: 1.0 / siemens };
    }
    Ok(capacitors)
}

/// The terminals of a capacitor: gain of the circuit, volts here per input times output per ampere here, own impedance.
struct Port {
    gain: Complex64,
    through: Complex64,
    own: Complex64,
}

impl Port {
    fn of(driven: &[Complex64], fed: &[Complex64], nodes: [NodeId; 2], measured: &Measured) -> Self {
        let through = between(driven, nodes) * between(fed, measured.output);
        Self { gain: between(driven, measured.output), through, own: between(fed, nodes) }
    }

    fn verdict(&self, susceptance: f64) -> Verdict {
        if susceptance == 0.0 || self.own.norm() == 0.0 {
            return Verdict::Open;
        }
        let own_siemens = Complex64::new(0.0, susceptance);
        let open = self.through * own_siemens / (1.0 - own_siemens * self.own);
        let [short, open] = [self.through / self.own, open].map(|change| change.norm() * CLEARLY <= self.gain.norm());
        // What is not a number is an open end that nothing else holds: there the capacitor decides alone.
        let ratio = susceptance / (self.own.inv() - own_siemens).norm();
        match (short, open) {
            (true, false) => Verdict::Holds,
            (false, true) => Verdict::Open,
            (true, true) if ratio >= CLEARLY => Verdict::Holds,
            (true, true) if ratio * CLEARLY <= 1.0 => Verdict::Open,
            _ => Verdict::Shapes { ohms: 1.0 / susceptance },
        }
    }

    /// The conductance in the place of a susceptance that leaves the gain's magnitude: of two the nearer one.
    ///
    /// With Δy = g − jB the gain is (A + B'·g)/(D + z·g), B' = H·z − T·V, A = H − jB·B', D = 1 − jB·z, and |…|² = |H|² is
    /// a quadratic in g.
    fn conductance_instead_of(&self, susceptance: f64) -> Option<f64> {
        let taken = Complex64::new(0.0, -susceptance);
        let slope = self.gain * self.own - self.through;
        let (above, below) = (self.gain + taken * slope, 1.0 + taken * self.own);
        let power = self.gain.norm_sqr();
        // In units of the susceptance, so that the coefficients are of one size.
        let square = (slope.norm_sqr() - power * self.own.norm_sqr()) * susceptance * susceptance;
        let single = 2.0 * (above * slope.conj() - power * below * self.own.conj()).re * susceptance;
        let plain = above.norm_sqr() - power * below.norm_sqr();
        let root = (single * single - 4.0 * square * plain).sqrt();
        // The root of the larger sum first: the other one from the product of both.
        let sum = -0.5 * (single + root.copysign(single));
        let roots = [sum / square, plain / sum];
        let far = |g: f64| g.ln().abs();
        let usable = roots.into_iter().filter(|&g| g > 0.0 && g.is_finite());
        usable.min_by(|&a, &b| far(a).total_cmp(&far(b))).map(|g| g * susceptance)
    }
}
