//! What windings do at mid-band.
//!
//! They are judged by the modes of their couplings. With jᵢ = √Lᵢ·iᵢ and uᵢ = vᵢ/√Lᵢ, u = jω·K·j, where K holds the
//! coefficients: its eigenvectors are modes that do not mix, their eigenvalues κ tell how strongly each is held. The
//! largest is the common flux, the small ones are leakage. A mode holds its ampere-turns where ω·κ ≥ |z|, z being the
//! scaled impedance that the circuit shows it with the modes above open and those below shorted; else it is a short.
//! So a tight transformer becomes an ideal one with the ratio of its turns, its magnetising current held; a choke into a
//! load holds its current; a winding that f is too low for is the short that it is at rest. Windings coupled by less
//! than one half count as apart.

use nalgebra::DMatrix;
use num_complex::Complex64;

use super::network::{Groups, Network, between};
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::element::{Coupling, Element, Inductor, PartId};
use crate::mna::NodeId;
use crate::operating::Operating;

/// Couplings below this leave windings apart.
const TIGHT: f64 = 0.5;
/// Conductance beside a winding that is taken out, as a part of its own at mid-band: a transistor may show it none.
const BESIDE: f64 = 1e-6;

/// Windings that are coupled tightly, and how.
pub(super) struct WindingGroup {
    pub windings: Vec<Winding>,
    coefficients: DMatrix<f64>,
}

#[derive(Clone, Copy)]
pub(super) struct Winding {
    pub part: PartId,
    pub nodes: [NodeId; 2],
    pub henries: f64,
}

pub(super) fn winding_groups(circuit: &Circuit) -> Vec<WindingGroup> {
    let windings: Vec<Winding> = circuit
        .parts()
        .filter_map(|(part, what)| match &what.element {
            Element::Inductor(Inductor { nodes, henries, .. }) => {
                Some(Winding { part, nodes: *nodes, henries: *henries })
            }
            _ => None,
        })
        .collect();
    let at = |part: PartId| windings.iter().position(|winding| winding.part == part);
    let mut coefficients = DMatrix::identity(windings.len(), windings.len());
    let mut groups = Groups::new(windings.len());
    let number = |position: usize| NodeId(u32::try_from(position).expect("parts are numbered in 32 bits"));
    for (_, part) in circuit.parts() {
        let Element::Coupling(Coupling { windings: coupled, coefficient }) = &part.element else { continue };
        if coefficient.abs() < TIGHT {
            continue;
        }
        let places: Vec<usize> = coupled.iter().filter_map(|(winding, _)| at(*winding)).collect();
        for (nth, &first) in places.iter().enumerate() {
            for &second in &places[nth + 1..] {
                coefficients[(first, second)] = *coefficient;
                coefficients[(second, first)] = *coefficient;
                groups.join(number(first), number(second));
            }
        }
    }
    let mut members: Vec<Vec<usize>> = vec![Vec::new(); windings.len()];
    for position in 0..windings.len() {
        members[groups.root(number(position)).index()].push(position);
    }
    members.retain(|group| !group.is_empty());
    members
        .iter()
        .map(|group| WindingGroup {
            windings: group.iter().map(|&position| windings[position]).collect(),
            coefficients: DMatrix::from_fn(group.len(), group.len(), |row, column| {
                coefficients[(group[row], group[column])]
            }),
        })
        .collect()
}

impl WindingGroup {
    /// The modes that hold their ampere-turns, each by its parts of the windings.
    pub fn held_modes(
        &self,
        circuit: &Circuit,
        operating: &Operating,
        mid_hz: f64,
    ) -> Result<Vec<Vec<f64>>, SolveError> {
        let omega = std::f64::consts::TAU * mid_hz;
        let size = self.windings.len();
        let modes = self.coefficients.clone().symmetric_eigen();
        let mut order: Vec<usize> = (0..size).collect();
        order.sort_by(|&a, &b| modes.eigenvalues[b].total_cmp(&modes.eigenvalues[a]));
        let turn =
            DMatrix::from_fn(size, size, |row, column| Complex64::from(modes.eigenvectors[(row, order[column])]));
        let shown = turn.transpose() * self.scaled_impedances(circuit, operating, mid_hz)? * &turn;
        let rounding = Complex64::from(f64::EPSILON * shown.iter().map(|z| z.norm()).fold(0.0, f64::max));
        let mut held = Vec::new();
        for (nth, &mode) in order.iter().enumerate() {
            let rest = size - nth;
            let mut below = shown.view((nth, nth), (rest, rest)).into_owned();
            (0..rest).for_each(|at| below[(at, at)] += rounding);
            // With those below shorted, its current at one volt is the first entry of the inverse.
            let admittance = below.try_inverse().map_or(f64::INFINITY, |inverse| inverse[(0, 0)].norm());
            if omega * modes.eigenvalues[mode] * admittance >= 1.0 {
                held.push((0..size).map(|row| modes.eigenvectors[(row, mode)]).collect());
            }
        }
        Ok(held)
    }

    /// What the circuit shows the windings when they are taken out, Ω over √(Lᵢ·Lⱼ).
    fn scaled_impedances(
        &self,
        circuit: &Circuit,
        operating: &Operating,
        mid_hz: f64,
    ) -> Result<DMatrix<Complex64>, SolveError> {
        let mut network = Network::of(operating, mid_hz);
        for winding in &self.windings {
            network.fix(circuit.layout().first_inner[winding.part.index()]);
            let ohms = std::f64::consts::TAU * mid_hz * winding.henries;
            network.shunt(winding.nodes, Complex64::from(BESIDE / ohms));
        }
        let factored = network.factor(circuit)?;
        let size = self.windings.len();
        let mut impedances = DMatrix::zeros(size, size);
        for (column, driven) in self.windings.iter().enumerate() {
            let volts = factored.fed_at(driven.nodes)?;
            for (row, seen) in self.windings.iter().enumerate() {
                impedances[(row, column)] = between(&volts, seen.nodes) / (seen.henries.sqrt() * driven.henries.sqrt());
            }
        }
        Ok(impedances)
    }
}
