//! Hiss at many outputs of many circuits that differ from one in a single part, and not in their bias: a capacitor of
//! another value, a resistor without current, noise of another size. Nothing is solved for them.
//!
//! The part adds δ = ΔG + j2πf·ΔC between its nodes a and b. With z the adjoint solution of an output and y that of the pair
//! a, b, both without the change, t = z(a) − z(b), u = y(a) − y(b),
//!
//! ```text
//!     z' = z − κ·y,    κ = δ·t/(1 + δ·u)          Sherman and Morrison, Ann. Math. Stat. 21 (1950) 124
//! ```
//!
//! so that with D and E the differences of z and y over each source of density S
//!
//! ```text
//!     Σ S|D − κE|² = Σ S|D|² − 2·Re(κ*·Σ S·D·E*) + |κ|²·Σ S|E|²
//! ```
//!
//! and what the part's own noise has changed by adds |z'(i) − z'(j)|² times the change of its density.

use num_complex::Complex64;
use rayon::prelude::*;

use super::hiss::HissRequest;
use super::rule::{Sample, gauss};
use crate::bias::{BiasPoint, SolveError};
use crate::circuit::Circuit;
use crate::element::{Element, NoiseList, NoiseSource, PartId};
use crate::mna::{LANES, LaneScratch, LaneValue, LaneWork, NodeId, SignalEquations, Unknown};
use crate::noise::Loaded;
use crate::smallsignal::SmallSignal;
use crate::sweep::{Sweep, SweepPoint};

/// A circuit that differs in one part.
#[derive(Clone, Debug)]
struct Difference {
    /// Which of the pairs of nodes, ΔG in S and ΔC in F; `None` where only noise differs.
    admittance: Option<(usize, f64, f64)>,
    /// Between which unknowns noise has changed, and by how much: A²/Hz, and A²/Hz at 1 Hz.
    noise: Vec<(Unknown, Unknown, f64, f64)>,
}

/// Mean square at each output of the request, V², for each circuit, in order; sampled at 24 points whatever the request says.
///
/// `others`: circuits of the structure of `circuit` whose part of that number alone differs; it is a resistor or capacitor,
/// or a device of which only the noise differs. All have the bias of `circuit`, which the caller answers for.
///
/// # Errors
/// [`SolveError::Singular`] names an unknown that nothing determines.
pub fn nearby(
    circuit: &Circuit,
    bias: &BiasPoint,
    others: &[(PartId, &Circuit)],
    request: &HissRequest,
) -> Result<Vec<Vec<f64>>, SolveError> {
    let signal = SmallSignal::linearise(circuit, bias);
    let sweep = Sweep::new(circuit, &signal, request.band_hz);
    let mut pairs: Vec<[NodeId; 2]> = Vec::new();
    let differences: Vec<Difference> =
        others.iter().map(|&(part, other)| Difference::of(circuit, other, part, bias, &mut pairs)).collect();
    let samples = gauss(request.band_hz, super::band::FIXED_POINTS);
    let batches: Vec<Vec<Vec<f64>>> = samples
        .par_chunks(LANES)
        .map(|samples| Batch::new(&sweep, samples, &pairs, request)?.of(&differences))
        .collect::<Result<_, SolveError>>()?;
    let mut sums = vec![vec![0.0; request.outputs.len()]; others.len()];
    for batch in batches {
        for (output, column) in batch.into_iter().enumerate() {
            sums.iter_mut().zip(column).for_each(|(sum, value)| sum[output] += value);
        }
    }
    Ok(sums)
}

impl Difference {
    fn of(circuit: &Circuit, other: &Circuit, part: PartId, bias: &BiasPoint, pairs: &mut Vec<[NodeId; 2]>) -> Self {
        let listed = |circuit: &Circuit| {
            let mut sources: Vec<NoiseSource> = Vec::new();
            let element = &circuit.part(part).element;
            element.list_noise(circuit.place(part), &bias.x, &mut NoiseList::new(part, &mut sources));
            sources
        };
        let signed = |sources: Vec<NoiseSource>, sign: f64| {
            sources.into_iter().map(move |source| (source.from, source.to, sign * source.white, sign * source.flicker))
        };
        let noise = signed(listed(other), 1.0).chain(signed(listed(circuit), -1.0)).collect();
        let nodes = match &circuit.part(part).element {
            Element::Resistor(e) => Some(e.nodes),
            Element::Capacitor(e) => Some(e.nodes),
            _ => None,
        };
        let admittance = nodes.and_then(|nodes| {
            let [(g, c), (other_g, other_c)] = [circuit, other].map(|circuit| across(circuit, part, nodes, bias));
            let (siemens, farads) = (other_g - g, other_c - c);
            if siemens == 0.0 && farads == 0.0 {
                return None;
            }
            let place = pairs.iter().position(|pair| *pair == nodes).unwrap_or_else(|| {
                pairs.push(nodes);
                pairs.len() - 1
            });
            Some((place, siemens, farads))
        });
        Self { admittance, noise }
    }
}

/// G and C that a part puts between its two nodes.
fn across(circuit: &Circuit, part: PartId, nodes: [NodeId; 2], bias: &BiasPoint) -> (f64, f64) {
    let mut equations = SignalEquations::new(circuit.layout().electrical);
    circuit.part(part).element.stamp_signal(circuit.place(part), &bias.x, &mut equations);
    // Of a part that is not across one node; that of ground is not written.
    let [a, b] = nodes.map(Unknown::from);
    let diagonal = if a == Unknown::GROUND { b } else { a };
    let own = equations.entries.iter().filter(|entry| a != b && (entry.row, entry.column) == (diagonal, diagonal));
    own.fold((0.0, 0.0), |(g, c), entry| (g + entry.g, c + entry.c))
}

/// Eight frequencies: all that the circuits are made of.
struct Batch<'a> {
    samples: &'a [Sample],
    request: &'a HissRequest,
    hertz: [f64; LANES],
    /// Densities of the circuit's own sources, A²/Hz.
    densities: Vec<[f64; LANES]>,
    /// Adjoint solutions of the outputs; empty for one that sources hold.
    outputs: Vec<Vec<LaneValue>>,
    /// Their differences over the sources.
    over_outputs: Vec<Vec<LaneValue>>,
    /// Of each pair its adjoint solution, its differences times the densities, and Σ S|E|².
    pairs: Vec<(Vec<LaneValue>, Vec<LaneValue>, [f64; LANES])>,
    nodes: &'a [[NodeId; 2]],
}

impl<'a> Batch<'a> {
    fn new(
        sweep: &'a Sweep<'a>,
        samples: &'a [Sample],
        nodes: &'a [[NodeId; 2]],
        request: &'a HissRequest,
    ) -> Result<Self, SolveError> {
        let last = samples[samples.len() - 1].hertz;
        let hertz: [f64; LANES] = std::array::from_fn(|at| samples.get(at).map_or(last, |sample| sample.hertz));
        let point: SweepPoint<'a> = sweep.at_in(LaneWork::default(), hertz);
        let sources = &sweep.signal().sources;
        let densities: Vec<[f64; LANES]> =
            sources.iter().map(|source| hertz.map(|hertz| source.white + source.flicker / hertz)).collect();
        let over = |solution: &[LaneValue]| -> Vec<LaneValue> {
            sources.iter().map(|source| solution[source.from.index()].minus(&solution[source.to.index()])).collect()
        };
        let held = sweep.circuit().held_groups();
        let mut scratch = LaneScratch::default();
        let mut outputs = Vec::with_capacity(request.outputs.len());
        for output in &request.outputs {
            let silent = held[output.plus.index()] == held[output.minus.index()];
            outputs.push(match silent {
                true => Vec::new(),
                false => point.adjoint_in(output.plus, output.minus, &mut scratch)?.to_vec(),
            });
        }
        let over_outputs =
            outputs.iter().map(|solution| if solution.is_empty() { Vec::new() } else { over(solution) }).collect();
        let mut pairs = Vec::with_capacity(nodes.len());
        for &[a, b] in nodes {
            let solution = point.adjoint_in(a, b, &mut scratch)?.to_vec();
            let mut weighted = over(&solution);
            let mut total = [0.0; LANES];
            for (value, density) in weighted.iter_mut().zip(&densities) {
                for lane in 0..LANES {
                    let (re, im) = (value.re[lane], value.im[lane]);
                    total[lane] += density[lane] * (re * re + im * im);
                    (value.re[lane], value.im[lane]) = (density[lane] * re, density[lane] * im);
                }
            }
            pairs.push((solution, weighted, total));
        }
        Ok(Self { samples, request, hertz, densities, outputs, over_outputs, pairs, nodes })
    }

    /// Each output's share of the integral for each difference, indexed `[output][difference]`.
    fn of(&self, differences: &[Difference]) -> Result<Vec<Vec<f64>>, SolveError> {
        let each = (0..self.outputs.len()).into_par_iter().map(|output| self.at(output, differences));
        Ok(each.collect())
    }

    fn at(&self, output: usize, differences: &[Difference]) -> Vec<f64> {
        let (z, over) = (&self.outputs[output], &self.over_outputs[output]);
        if z.is_empty() {
            return vec![0.0; differences.len()];
        }
        let mut own = [0.0; LANES];
        for (value, density) in over.iter().zip(&self.densities) {
            for lane in 0..LANES {
                let square = value.re[lane] * value.re[lane] + value.im[lane] * value.im[lane];
                own[lane] += density[lane] * square;
            }
        }
        let crossed: Vec<LaneValue> = self.pairs.iter().map(|(_, weighted, _)| cross(over, weighted)).collect();
        differences.iter().map(|difference| self.integrated(output, &own, &crossed, difference)).collect()
    }

    fn integrated(&self, output: usize, own: &[f64; LANES], crossed: &[LaneValue], difference: &Difference) -> f64 {
        let z = &self.outputs[output];
        let asked = &self.request.outputs[output];
        let mut impedance = LaneValue::ZERO;
        let mut densities = [0.0; LANES];
        for (lane, sample) in self.samples.iter().enumerate() {
            let hertz = sample.hertz;
            let at = |solution: &[LaneValue], unknown: usize| {
                Complex64::new(solution[unknown].re[lane], solution[unknown].im[lane])
            };
            let moved = difference.admittance.map(|(place, siemens, farads)| {
                let [a, b] = self.nodes[place].map(NodeId::index);
                let y = &self.pairs[place].0;
                let delta = Complex64::new(siemens, std::f64::consts::TAU * hertz * farads);
                let (t, u) = (at(z, a) - at(z, b), at(y, a) - at(y, b));
                (place, delta * t / (1.0 + delta * u))
            });
            let solution = |unknown: usize| match moved {
                Some((place, kappa)) => at(z, unknown) - kappa * at(&self.pairs[place].0, unknown),
                None => at(z, unknown),
            };
            let mut density = own[lane];
            if let Some((place, kappa)) = moved {
                let cross = Complex64::new(crossed[place].re[lane], crossed[place].im[lane]);
                density += kappa.norm_sqr() * self.pairs[place].2[lane] - 2.0 * (kappa.conj() * cross).re;
            }
            for &(from, to, white, flicker) in &difference.noise {
                let passed = (solution(from.index()) - solution(to.index())).norm_sqr();
                density += passed * (white + flicker / hertz);
            }
            let ohms = solution(asked.plus.index()) - solution(asked.minus.index());
            (impedance.re[lane], impedance.im[lane]) = (ohms.re, ohms.im);
            densities[lane] = density;
        }
        let loaded = Loaded::by(&asked.observer, &impedance, &self.hertz);
        let each = self.samples.iter().enumerate().map(|(lane, sample)| {
            let curve = self.request.weighting.power(sample.hertz) * asked.observer.coupling_power(sample.hertz);
            sample.weight * curve * (densities[lane] + loaded.own[lane]) * loaded.division[lane]
        });
        each.sum()
    }
}

/// Σ D·W* in each lane.
fn cross(over: &[LaneValue], weighted: &[LaneValue]) -> LaneValue {
    let mut sum = LaneValue::ZERO;
    for (d, w) in over.iter().zip(weighted) {
        for lane in 0..LANES {
            sum.re[lane] += d.re[lane] * w.re[lane] + d.im[lane] * w.im[lane];
            sum.im[lane] += d.im[lane] * w.re[lane] - d.re[lane] * w.im[lane];
        }
    }
    sum
}
