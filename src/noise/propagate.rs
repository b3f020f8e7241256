//! From every source to every output, at eight frequencies at once: weighted densities, summed as the band integral asks.

use super::observer::Loaded;
use super::{NoiseRequest, Observer, Row, require_finite};
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::mna::NodeId;
use crate::mna::{LANES, LanePairs, LaneScratch, LaneValue, LaneWork};
use crate::smallsignal::{LEAST_GAIN, SmallSignal, Stimulus};
use crate::sweep::Sweep;

use super::integral::Batch;

/// What is propagated, and over which equations.
pub(super) struct Propagation<'a> {
    circuit: &'a Circuit,
    signal: &'a SmallSignal,
    stimulus: Option<&'a Stimulus>,
    request: &'a NoiseRequest,
    observer: &'a Observer,
    sweep: Sweep<'a>,
    pairs: LanePairs,
    held: Vec<NodeId>,
}

impl<'a> Propagation<'a> {
    pub fn new(
        circuit: &'a Circuit,
        signal: &'a SmallSignal,
        stimulus: Option<&'a Stimulus>,
        request: &'a NoiseRequest,
        observer: &'a Observer,
    ) -> Self {
        let sweep = Sweep::new(circuit, signal, request.band_hz);
        let sources = signal.sources.iter();
        let pairs = LanePairs::new(sources.map(|source| (source.from, source.to, source.white, source.flicker)));
        Self { circuit, signal, stimulus, request, observer, sweep, pairs, held: circuit.held_groups() }
    }

    /// Densities at `hertz`, each frequency's values times its weight summed into one row of functions (see [`Row`]); the
    /// watched ones also frequency by frequency, without the weights.
    pub fn batch(&self, hertz: &[f64], weights: &[f64]) -> Result<Batch, SolveError> {
        let row = Row { sources: self.signal.sources.len() };
        let outputs = self.request.outputs.len();
        let mut batch = Batch {
            sums: vec![0.0; outputs * (row.sources + 2)],
            watched: vec![Vec::with_capacity(hertz.len()); 2 * outputs],
            guides: Vec::with_capacity(hertz.len()),
        };
        let (mut work, mut scratch) = (LaneWork::default(), LaneScratch::default());
        for (hertz, weights) in hertz.chunks(LANES).zip(weights.chunks(LANES)) {
            work = self.lanes(hertz, weights, row, &mut batch, (work, &mut scratch))?;
        }
        Ok(batch)
    }

    fn lanes(
        &self,
        hertz: &[f64],
        weights: &[f64],
        row: Row,
        batch: &mut Batch,
        (work, scratch): (LaneWork, &mut LaneScratch),
    ) -> Result<LaneWork, SolveError> {
        let used = hertz.len();
        // Lanes beyond the last frequency repeat it with weight zero.
        let lane = |values: &[f64], at: usize, beyond: f64| values.get(at).copied().unwrap_or(beyond);
        let padded: [f64; LANES] = std::array::from_fn(|at| lane(hertz, at, hertz[used - 1]));
        let weights: [f64; LANES] = std::array::from_fn(|at| lane(weights, at, 0.0));
        let curve = padded.map(|hertz| self.request.weighting.power(hertz) * self.observer.coupling_power(hertz));
        let per_hertz = padded.map(f64::recip);
        let point = self.sweep.at_in(work, padded);
        let first = batch.guides.len();
        batch.guides.extend_from_slice(&point.log_determinants()?[..used]);
        for (position, &(plus, minus)) in self.request.outputs.iter().enumerate() {
            // Voltage sources hold this output: what rounding leaves of the transfers is no hiss.
            if self.held[plus.index()] == self.held[minus.index()] {
                batch.watched[2 * position].resize(batch.guides.len(), 0.0);
                batch.watched[2 * position + 1].resize(batch.guides.len(), 0.0);
                continue;
            }
            let transfer = point.adjoint_in(plus, minus, scratch)?;
            let sums = &mut batch.sums[row.total(position) - row.sources..=row.referred(position)];
            let impedance = transfer[plus.index()].minus(&transfer[minus.index()]);
            let loaded = Loaded::by(self.observer, &impedance, &padded);
            batch.guides[first..].iter_mut().zip(&loaded.guide).for_each(|(guide, added)| *guide += added);
            let passed: [f64; LANES] = std::array::from_fn(|at| curve[at] * loaded.division[at]);
            let mut totals = self.pairs.split(transfer, per_hertz, passed, weights, &mut sums[..row.sources]);
            if totals.iter().any(|total| !total.is_finite()) {
                require_finite(self.circuit, self.signal, &sums[..row.sources], f64::INFINITY)?;
            }
            totals.iter_mut().enumerate().for_each(|(at, total)| *total += passed[at] * loaded.own[at]);
            let referred = self.referred(transfer, &totals, &loaded.division);
            for at in 0..LANES {
                sums[row.sources] += weights[at] * totals[at];
                sums[row.sources + 1] += weights[at] * referred[at];
            }
            batch.watched[2 * position].extend_from_slice(&totals[..used]);
            batch.watched[2 * position + 1].extend_from_slice(&referred[..used]);
        }
        Ok(point.into_work())
    }

    /// Densities divided by |gain|². Where no gain is, nothing can be referred to the input; zero keeps the integral
    /// quiet and is left out later.
    fn referred(&self, transfer: &[LaneValue], totals: &[f64; LANES], division: &[f64; LANES]) -> [f64; LANES] {
        let Some(stimulus) = self.stimulus else { return [0.0; LANES] };
        let rows = stimulus.rows().iter();
        let gain = rows.fold(LaneValue::ZERO, |gain, &(row, value)| gain.plus(&transfer[row.index()].times(value)));
        let gain = gain.norm_sqr();
        std::array::from_fn(|at| {
            if gain[at] > LEAST_GAIN * LEAST_GAIN { totals[at] / (gain[at] * division[at]) } else { 0.0 }
        })
    }
}
