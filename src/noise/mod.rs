//! Hiss at nodes: propagation of every source, band integral, weighting, ranking by device and mechanism.
//!
//! For an observed output one adjoint solution gives the transfer from every source at once (Rohrer, Nagel, Meyer and
//! Weber, IEEE J. Solid-State Circuits 6 (1971) 204). Contributions of independent sources are powers and add up.

mod caution;
mod figure;
pub(crate) mod integral;
mod observer;
mod propagate;
mod weighting;

use indexmap::IndexMap;

use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::element::{Mechanism, PartId};
use crate::mna::NodeId;
use crate::smallsignal::{SmallSignal, Stimulus};

pub use caution::cautions;
pub use figure::{SourceResistance, noise_factors};
use integral::{Request, integrate};
pub(crate) use observer::Loaded;
pub use observer::Observer;
use propagate::Propagation;
pub use weighting::Weighting;

/// Peak-to-peak volts of Gaussian noise over its rms: exceeded 0.1 % of the time.
pub const PEAK_TO_PEAK_PER_RMS: f64 = 6.6;
/// Relative error of rms figures that is worked for unless told otherwise.
pub const DEFAULT_TOLERANCE: f64 = 1e-6;

/// What is asked about the hiss.
#[derive(Clone, Debug, PartialEq)]
pub struct NoiseRequest {
    /// Outputs: a node against another (ground for a single node).
    pub outputs: Vec<(NodeId, NodeId)>,
    /// Ends of the band, Hz, ascending, above zero.
    pub band_hz: [f64; 2],
    /// Weighting of the band figures.
    pub weighting: Weighting,
    /// Relative error of the rms figures to work for.
    pub tolerance: f64,
}

/// The hiss at one output.
#[derive(Clone, Debug, PartialEq)]
pub struct OutputNoise {
    /// The output.
    pub output: (NodeId, NodeId),
    /// Weighted rms over the band, V.
    pub rms_volts: f64,
    /// Bound on the relative error of that figure from the integral's own estimate.
    pub relative_error: f64,
    /// Weighted rms over the band of the density divided by |gain|², V or A of the input; `None` without gain.
    pub input_rms: Option<f64>,
    /// Bound on the relative error of the input figure; 0 without one.
    pub input_relative_error: f64,
    /// Contributions by device, falling.
    pub devices: Vec<DeviceShare>,
}

/// What one device contributes.
#[derive(Clone, Debug, PartialEq)]
pub struct DeviceShare {
    /// Which.
    pub part: PartId,
    /// Fraction of the mean square, 0 to 1.
    pub share: f64,
    /// Its contribution by itself, V rms.
    pub rms_volts: f64,
    /// The same by mechanism, falling.
    pub mechanisms: Vec<MechanismShare>,
}

/// What one mechanism of a device contributes.
#[derive(Clone, Debug, PartialEq)]
pub struct MechanismShare {
    /// Which.
    pub mechanism: Mechanism,
    /// Fraction of the mean square at the output, 0 to 1.
    pub share: f64,
    /// Its contribution by itself, V rms.
    pub rms_volts: f64,
}

/// Band figures for all outputs, and how much was computed for them.
#[derive(Clone, Debug, PartialEq)]
pub struct NoiseFigures {
    /// In the order of the request.
    pub outputs: Vec<OutputNoise>,
    /// Frequencies at which the equations were solved.
    pub points: usize,
}

/// Hiss over a band at every output of the request, split by device and mechanism.
///
/// # Errors
/// [`SolveError::Singular`] names the unknown that nothing determines, [`SolveError::TooLarge`] a part whose hiss
/// overflows.
pub fn noise(
    circuit: &Circuit,
    signal: &SmallSignal,
    stimulus: Option<&Stimulus>,
    request: &NoiseRequest,
) -> Result<NoiseFigures, SolveError> {
    observed(circuit, signal, stimulus, request, &Observer::NONE)
}

/// As [`noise`], with each output looked at by an observer, one output at a time: it loads that output and no other. Its
/// own thermal noise counts in the rms and is no device's, so that the shares of all devices add up to less than 1.
///
/// # Errors
/// As [`noise`].
pub fn observed(
    circuit: &Circuit,
    signal: &SmallSignal,
    stimulus: Option<&Stimulus>,
    request: &NoiseRequest,
    observer: &Observer,
) -> Result<NoiseFigures, SolveError> {
    let row = Row { sources: signal.sources.len() };
    let watched: Vec<usize> =
        (0..request.outputs.len()).flat_map(|output| [row.total(output), row.referred(output)]).collect();
    let propagation = Propagation::new(circuit, signal, stimulus, request, observer);
    let integral = integrate(
        &Request {
            band_hz: request.band_hz,
            watched: &watched,
            // An error of the mean square is twice that of the rms.
            tolerance: 2.0 * request.tolerance,
        },
        |hertz, weights| propagation.batch(hertz, weights),
    )?;
    let outputs = request.outputs.iter().enumerate().map(|(position, &output)| {
        let (contributions, mean_square, referred) = row.split(&integral.values, position);
        require_finite(circuit, signal, contributions, mean_square)?;
        let relative = |error: f64, power: f64| if power > 0.0 { error / power / 2.0 } else { 0.0 };
        Ok(OutputNoise {
            output,
            rms_volts: mean_square.sqrt(),
            relative_error: relative(integral.errors[2 * position], mean_square),
            input_rms: (referred.is_finite() && referred > 0.0).then(|| referred.sqrt()),
            input_relative_error: relative(integral.errors[2 * position + 1], referred),
            devices: ranking(signal, contributions, mean_square),
        })
    });
    Ok(NoiseFigures { outputs: outputs.collect::<Result<_, SolveError>>()?, points: integral.points })
}

/// Density at every output over frequencies, V²/Hz, one-sided, unweighted, indexed `[output][frequency]`.
///
/// # Errors
/// [`SolveError::Singular`] names the unknown that nothing determines.
pub fn spectra(
    circuit: &Circuit,
    signal: &SmallSignal,
    outputs: &[(NodeId, NodeId)],
    hertz: &[f64],
) -> Result<Vec<Vec<f64>>, SolveError> {
    observed_spectra(circuit, signal, outputs, hertz, &Observer::NONE)
}

/// As [`spectra`], with each output looked at by an observer, one output at a time.
///
/// # Errors
/// As [`spectra`].
pub fn observed_spectra(
    circuit: &Circuit,
    signal: &SmallSignal,
    outputs: &[(NodeId, NodeId)],
    hertz: &[f64],
    observer: &Observer,
) -> Result<Vec<Vec<f64>>, SolveError> {
    let lowest = hertz.iter().copied().fold(f64::INFINITY, f64::min);
    let highest = hertz.iter().copied().fold(0.0, f64::max);
    if hertz.is_empty() {
        return Ok(vec![Vec::new(); outputs.len()]);
    }
    let request = NoiseRequest {
        outputs: outputs.to_vec(),
        band_hz: [lowest, highest],
        weighting: Weighting::Flat,
        tolerance: DEFAULT_TOLERANCE,
    };
    let batch = Propagation::new(circuit, signal, None, &request, observer).batch(hertz, &vec![0.0; hertz.len()])?;
    Ok(batch.watched.into_iter().step_by(2).collect())
}

/// Density of chosen parts by themselves at every output over frequencies, V²/Hz, one-sided, unweighted, indexed
/// `[output][part][frequency]`. Those of all parts add up to [`spectra`].
///
/// # Errors
/// As [`spectra`].
pub fn part_spectra(
    circuit: &Circuit,
    signal: &SmallSignal,
    outputs: &[(NodeId, NodeId)],
    hertz: &[f64],
    parts: &[PartId],
) -> Result<Vec<Vec<Vec<f64>>>, SolveError> {
    let lowest = hertz.iter().copied().fold(f64::INFINITY, f64::min);
    let highest = hertz.iter().copied().fold(0.0, f64::max);
    let mut densities = vec![vec![Vec::with_capacity(hertz.len()); parts.len()]; outputs.len()];
    if hertz.is_empty() {
        return Ok(densities);
    }
    let request = NoiseRequest {
        outputs: outputs.to_vec(),
        band_hz: [lowest, highest],
        weighting: Weighting::Flat,
        tolerance: DEFAULT_TOLERANCE,
    };
    let row = Row { sources: signal.sources.len() };
    let propagation = Propagation::new(circuit, signal, None, &request, &Observer::NONE);
    for &one in hertz {
        // One frequency of weight one: the sums are its densities, source by source.
        let batch = propagation.batch(&[one], &[1.0])?;
        for (position, of_output) in densities.iter_mut().enumerate() {
            let (contributions, ..) = row.split(&batch.sums, position);
            for (part, density) in parts.iter().zip(of_output) {
                let own = signal.sources.iter().zip(contributions).filter(|(source, _)| source.part == *part);
                density.push(own.map(|(_, contribution)| contribution).sum());
            }
        }
    }
    Ok(densities)
}

/// Where the figures of an output stand among all functions: each source's share, their sum, the sum by |gain|².
#[derive(Clone, Copy)]
struct Row {
    sources: usize,
}

impl Row {
    fn total(self, output: usize) -> usize {
        output * (self.sources + 2) + self.sources
    }

    fn referred(self, output: usize) -> usize {
        self.total(output) + 1
    }

    fn split(self, values: &[f64], output: usize) -> (&[f64], f64, f64) {
        let total = self.total(output);
        (&values[total - self.sources..total], values[total], values[total + 1])
    }
}

/// Refuses contributions whose sum overflows, naming the part with the first or else the largest of them.
fn require_finite(
    circuit: &Circuit,
    signal: &SmallSignal,
    contributions: &[f64],
    total: f64,
) -> Result<(), SolveError> {
    if total.is_finite() {
        return Ok(());
    }
    let by_source = || signal.sources.iter().zip(contributions);
    let overflown = by_source().find(|(_, value)| !value.is_finite());
    let worst = overflown.or_else(|| by_source().max_by(|a, b| a.1.total_cmp(b.1)));
    let part = worst.map_or_else(|| "the circuit".to_owned(), |(source, _)| circuit.part(source.part).name.clone());
    Err(SolveError::TooLarge { part })
}

/// Contributions by device and by mechanism, falling; ties keep the order of the netlist.
fn ranking(signal: &SmallSignal, contributions: &[f64], total: f64) -> Vec<DeviceShare> {
    if total <= 0.0 {
        return Vec::new();
    }
    let mut by_part: IndexMap<PartId, IndexMap<Mechanism, f64>> = IndexMap::new();
    for (source, contribution) in signal.sources.iter().zip(contributions) {
        *by_part.entry(source.part).or_default().entry(source.mechanism).or_insert(0.0) += contribution;
    }
    let mut devices: Vec<DeviceShare> = by_part
        .into_iter()
        .map(|(part, mechanisms)| {
            let power: f64 = mechanisms.values().sum();
            let mut mechanisms: Vec<MechanismShare> = mechanisms
                .into_iter()
                .map(|(mechanism, power)| MechanismShare { mechanism, share: power / total, rms_volts: power.sqrt() })
                .collect();
            mechanisms.sort_by(|a, b| b.share.total_cmp(&a.share));
            DeviceShare { part, share: power / total, rms_volts: power.sqrt(), mechanisms }
        })
        .collect();
    devices.sort_by(|a, b| b.share.total_cmp(&a.share));
    devices
}
