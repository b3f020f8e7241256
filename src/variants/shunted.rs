//! Hiss at one output with a capacitor from a node to ground, for many nodes, each by itself: nothing is solved again.
//!
//! The capacitor adds Y = j2πf·C at one place k of the diagonal. With z the adjoint solution of the output and y that of
//! the node, both without it,
//!
//! ```text
//!     z' = z − y·Y·z(k)/(1 + Y·y(k))        Sherman and Morrison, Ann. Math. Stat. 21 (1950) 124
//! ```
//!
//! The bias stays as it is: the capacitor has charged.

use num_complex::Complex64;
use rayon::prelude::*;

use super::hiss::Output;
use super::rule::{Sample, gauss};
use super::signals::SignalLanes;
use super::sources::Sources;
use super::transfers::{Own, Transfers};
use super::{Family, Variant};
use crate::bias::SolveError;
use crate::mna::{LANES, LaneReal, LaneValue, NodeId, squared_differences};
use crate::noise::{Loaded, Observer, Weighting};

/// What is asked about variants with a node shunted.
#[derive(Clone, Debug, PartialEq)]
pub struct ShuntRequest {
    /// Where the hiss is looked at, and by what.
    pub output: Output,
    /// The nodes, each shunted by itself.
    pub nodes: Vec<NodeId>,
    /// The capacitor, F.
    pub farads: f64,
    /// Ends of the band, Hz, ascending, above zero; sampled at 24 points as by [`super::Points::Fixed`].
    pub band_hz: [f64; 2],
    /// Weighting of the band figures.
    pub weighting: Weighting,
}

impl Family {
    /// Weighted mean square of the hiss at the output with each of the nodes shunted, V², of each variant in order.
    ///
    /// Each result is an error of its own, as of [`Family::noise`].
    pub fn shunted(&self, variants: &[&Variant], request: &ShuntRequest) -> Vec<Result<Vec<f64>, SolveError>> {
        let samples = gauss(request.band_hz, super::band::FIXED_POINTS);
        let batch = |few: &[&Variant]| {
            let fitting: Vec<&Variant> = few.iter().copied().filter(|variant| variant.entries.is_some()).collect();
            let mut together = integrated(&self.signals, &fitting, request, &samples).into_iter();
            let each = few.iter().map(|&variant| {
                if variant.entries.is_some() {
                    return together.next().expect("each variant that fits was computed");
                }
                let own = SignalLanes::new(variant.circuit(), variant.bias())?;
                let (entries, _) = own.stamp(variant.circuit(), variant.bias());
                let variant = variant.with_entries(entries);
                integrated(&own, &[&variant], request, &samples).pop().expect("one variant gives one result")
            });
            each.collect::<Vec<_>>()
        };
        let batches: Vec<Vec<_>> = variants.par_chunks(LANES).map(batch).collect();
        batches.into_iter().flatten().collect()
    }
}

/// Up to eight variants that fit the pattern.
fn integrated(
    signals: &SignalLanes,
    variants: &[&Variant],
    request: &ShuntRequest,
    samples: &[Sample],
) -> Vec<Result<Vec<f64>, SolveError>> {
    if variants.is_empty() {
        return Vec::new();
    }
    let ShuntRequest { output, nodes, farads, .. } = request;
    let shunts = nodes.iter().map(|&plus| Output { plus, minus: NodeId::GROUND, observer: Observer::NONE });
    let outputs: Vec<Output> = std::iter::once(*output).chain(shunts).collect();
    let (own, sources) = (Own::default(), Sources::of(variants));
    let mut transfers = Transfers::new(signals, variants, &outputs, request.band_hz, &own);
    let mut densities = vec![LaneReal([0.0; LANES]); sources.pairs.len()];
    let mut squares = densities.clone();
    let mut alone: Vec<LaneValue> = Vec::new();
    let mut shunted: Vec<LaneValue> = Vec::new();
    let mut sums = vec![[0.0; LANES]; nodes.len()];
    for sample in samples {
        let hertz = sample.hertz;
        let weight = sample.weight * request.weighting.power(hertz) * output.observer.coupling_power(hertz);
        let susceptance = std::f64::consts::TAU * hertz * farads;
        sources.densities(hertz, &mut densities);
        transfers.at(hertz, |position, solution| {
            if position == 0 {
                alone.clear();
                alone.extend_from_slice(solution);
                return;
            }
            let at = nodes[position - 1].index();
            let factor = factor(&alone[at], &solution[at], susceptance);
            shunted.clear();
            shunted.extend(alone.iter().zip(solution).map(|(z, y)| less(z, y, &factor)));
            let impedance = shunted[output.plus.index()].minus(&shunted[output.minus.index()]);
            let loaded = Loaded::by(&output.observer, &impedance, &[hertz; LANES]);
            let density = squared_differences(&sources.pairs, &shunted, &densities, &mut squares);
            for lane in 0..LANES {
                sums[position - 1][lane] += weight * (density[lane] + loaded.own[lane]) * loaded.division[lane];
            }
        });
    }
    let Transfers { mut failed, .. } = transfers;
    let of_lane = |lane: usize| match failed[lane].take() {
        Some(error) => Err(error),
        None => Ok(sums.iter().map(|sum| sum[lane]).collect()),
    };
    (0..variants.len()).map(of_lane).collect()
}

/// Y·z/(1 + Y·y) with Y = j·`susceptance`.
fn factor(z: &LaneValue, y: &LaneValue, susceptance: f64) -> LaneValue {
    let shunt = Complex64::new(0.0, susceptance);
    let mut factor = LaneValue::ZERO;
    for lane in 0..LANES {
        let (z, y) = (Complex64::new(z.re[lane], z.im[lane]), Complex64::new(y.re[lane], y.im[lane]));
        let value = shunt * z / (1.0 + shunt * y);
        (factor.re[lane], factor.im[lane]) = (value.re, value.im);
    }
    factor
}

/// z − y·k
fn less(z: &LaneValue, y: &LaneValue, k: &LaneValue) -> LaneValue {
    let mut value = LaneValue::ZERO;
    for lane in 0..LANES {
        value.re[lane] = z.re[lane] - (y.re[lane] * k.re[lane] - y.im[lane] * k.im[lane]);
        value.im[lane] = z.im[lane] - (y.re[lane] * k.im[lane] + y.im[lane] * k.re[lane]);
    }
    value
}
