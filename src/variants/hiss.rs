//! Hiss of many variants: the densities of [`crate::noise`] for eight of them at each frequency, integrated over the
//! band.

use num_complex::Complex64;
use rayon::prelude::*;

use super::band::Integrand;
use super::signals::SignalLanes;
use super::sources::Sources;
use super::transfers::{Own, Transfers};
use super::{Family, Variant};
use crate::bias::SolveError;
use crate::element::NoiseSource;
use crate::mna::{LANES, LaneReal, LaneValue, NodeId};
use crate::noise::{Observer, Weighting};
use crate::smallsignal::Stimulus;

/// What is asked about the hiss of variants.
#[derive(Clone, Debug, PartialEq)]
pub struct HissRequest {
    /// Where, and by what it is looked at.
    pub outputs: Vec<Output>,
    /// Ends of the band, Hz, ascending, above zero.
    pub band_hz: [f64; 2],
    /// Weighting of the band figures.
    pub weighting: Weighting,
    /// How the band is sampled.
    pub points: Points,
    /// Whether every source's own contribution is wanted.
    pub by_source: bool,
    /// Where the gain comes from; [`Stimulus::of`] a source of the circuits.
    pub stimulus: Option<Stimulus>,
    /// Frequencies at which gains and impedances are wanted, Hz.
    pub gain_hz: Vec<f64>,
}

/// An output: a node against another (ground for a single node), and what looks at it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Output {
    /// The node.
    pub plus: NodeId,
    /// The one it is measured against.
    pub minus: NodeId,
    /// Its loading and coupling; [`Observer::NONE`] for the circuit as it is by itself. It loads this output and no other.
    pub observer: Observer,
}

/// How a band is sampled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Points {
    /// Until the error estimate of every figure, as of [`crate::noise::noise`], meets this relative tolerance of the rms.
    Adaptive(f64),
    /// 24 points, without an estimate: for circuits known to be smooth over the band, such as variants of one that was
    /// looked at with [`Points::Adaptive`]. A resonance between the points is missed.
    Fixed,
}

/// The hiss of one variant.
#[derive(Clone, Debug, PartialEq)]
pub struct Hiss {
    /// In the order of the request.
    pub outputs: Vec<HissOutput>,
    /// Frequencies at which the equations were solved for the band.
    pub points: usize,
}

/// The hiss of one variant at one output.
#[derive(Clone, Debug, PartialEq)]
pub struct HissOutput {
    /// Weighted mean square over the band, V²; the observer's own thermal noise is in it.
    pub mean_square_v2: f64,
    /// Bound on its error from the integral's own estimate, V²; `None` with [`Points::Fixed`].
    pub error_v2: Option<f64>,
    /// Contribution of each of [`Variant::sources`], V²; empty unless asked for. The observer is none of them.
    pub by_source_v2: Vec<f64>,
    /// Gain from the stimulus at each of the frequencies asked for, V/V or V/A, divided by the observer's load but not by
    /// its coupling; empty without a stimulus.
    pub gains: Vec<Complex64>,
    /// Impedance between the two nodes at the same frequencies without the observer, Ω.
    pub impedances: Vec<Complex64>,
}

impl Family {
    /// Hiss of each variant at every output, in order.
    ///
    /// Each result is an error of its own: [`SolveError::Singular`] names an unknown that nothing determines,
    /// [`SolveError::TooLarge`] a part whose hiss overflows.
    pub fn noise(&self, variants: &[&Variant], request: &HissRequest) -> Vec<Result<Hiss, SolveError>> {
        let batches: Vec<Vec<_>> =
            variants.par_chunks(LANES).map(|few| hiss_of_eight(&self.signals, few, request)).collect();
        batches.into_iter().flatten().collect()
    }
}

/// Those of another pattern come by themselves, with a pivot order of their own.
fn hiss_of_eight(signals: &SignalLanes, variants: &[&Variant], request: &HissRequest) -> Vec<Result<Hiss, SolveError>> {
    let fitting: Vec<&Variant> = variants.iter().copied().filter(|variant| variant.entries.is_some()).collect();
    let mut together = integrated(signals, &fitting, request).into_iter();
    let each = variants.iter().map(|&variant| {
        if variant.entries.is_some() {
            return together.next().expect("each variant that fits was computed");
        }
        let own = SignalLanes::new(variant.circuit(), variant.bias())?;
        let (entries, _) = own.stamp(variant.circuit(), variant.bias());
        let variant = variant.with_entries(entries);
        integrated(&own, &[&variant], request).pop().expect("one variant gives one result")
    });
    each.collect()
}

/// Hiss of up to eight variants that fit the pattern.
fn integrated(signals: &SignalLanes, variants: &[&Variant], request: &HissRequest) -> Vec<Result<Hiss, SolveError>> {
    if variants.is_empty() {
        return Vec::new();
    }
    let (own, sources) = (Own::default(), Sources::of(variants));
    let mut transfers = Transfers::new(signals, variants, &request.outputs, request.band_hz, &own);
    let curves = curves(&mut transfers, request);
    let memory = vec![LaneReal([0.0; LANES]); sources.pairs.len()];
    let mut integrand =
        Integrand { request, sources: &sources, transfers: &mut transfers, densities: memory.clone(), squares: memory };
    let band = integrand.over_band();
    let Transfers { mut failed, .. } = transfers;
    let hiss = |(lane, variant): (usize, &&Variant)| {
        if let Some(error) = failed[lane].take() {
            return Err(error);
        }
        let outputs = curves.iter().enumerate().map(|(output, [gains, impedances])| {
            let mean_square_v2 = band.values[output][lane];
            if !mean_square_v2.is_finite() {
                return Err(too_large(variant));
            }
            Ok(HissOutput {
                mean_square_v2,
                error_v2: match request.points {
                    Points::Adaptive(_) => Some(band.errors[output][lane]),
                    Points::Fixed => None,
                },
                by_source_v2: sources.contributions(lane, variant, &band.transfers[output]),
                gains: gains.iter().map(|gain| gain[lane]).collect(),
                impedances: impedances.iter().map(|ohms| ohms[lane]).collect(),
            })
        });
        Ok(Hiss { outputs: outputs.collect::<Result<_, _>>()?, points: band.points })
    };
    variants.iter().enumerate().map(hiss).collect()
}

/// Gains and impedances of each output at the frequencies asked for, the latter without its observer.
fn curves(transfers: &mut Transfers, request: &HissRequest) -> Vec<[Vec<[Complex64; LANES]>; 2]> {
    let mut curves: Vec<[Vec<[Complex64; LANES]>; 2]> = vec![Default::default(); request.outputs.len()];
    for &hertz in &request.gain_hz {
        transfers.at(hertz, |position, solution| {
            let output = &request.outputs[position];
            let [gains, impedances] = &mut curves[position];
            let impedance = numbers(&solution[output.plus.index()].minus(&solution[output.minus.index()]));
            if let Some(stimulus) = &request.stimulus {
                let rows = stimulus.rows().iter();
                let gain =
                    rows.fold(LaneValue::ZERO, |gain, &(row, value)| gain.plus(&solution[row.index()].times(value)));
                let (gain, load) = (numbers(&gain), output.observer.admittance(hertz));
                gains.push(std::array::from_fn(|lane| gain[lane] / (1.0 + load * impedance[lane])));
            }
            impedances.push(impedance);
        });
    }
    curves
}

fn numbers(value: &LaneValue) -> [Complex64; LANES] {
    std::array::from_fn(|lane| Complex64::new(value.re[lane], value.im[lane]))
}

/// The part with the largest source is to blame when a sum overflows.
fn too_large(variant: &Variant) -> SolveError {
    let size = |source: &NoiseSource| source.white.abs() + source.flicker.abs();
    let worst = variant.sources().iter().max_by(|a, b| size(a).total_cmp(&size(b)));
    let part =
        worst.map_or_else(|| "the circuit".to_owned(), |source| variant.circuit().part(source.part).name.clone());
    SolveError::TooLarge { part }
}
