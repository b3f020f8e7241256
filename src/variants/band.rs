//! Integrals over a band for eight variants at once, on panels that they share: as in [`crate::noise`], panels of the
//! logarithm of frequency are halved until every figure of every variant meets its tolerance and no resonance can hide.

use super::hiss::{HissRequest, Points};
use super::rule::{Sample, gauss, kronrod};
use super::sources::{PairTransfer, Sources};
use super::transfers::Transfers;
use crate::mna::{LANES, LaneReal, squared_differences};
use crate::noise::Loaded;
use crate::noise::integral::{GUIDE_TOLERANCE, MOST_PANELS, NARROWEST, POINTS, ROUNDS, WIDEST};

/// Points of the fixed rule.
pub(super) const FIXED_POINTS: usize = 24;

/// Integrals over the band.
pub(super) struct Band {
    /// Mean squares, V², indexed `[output][lane]`.
    pub values: Vec<[f64; LANES]>,
    /// Bounds on their errors; without meaning for the fixed rule.
    pub errors: Vec<[f64; LANES]>,
    /// Of each pair of unknowns that sources lie between; empty unless asked for.
    pub transfers: Vec<Vec<PairTransfer>>,
    /// Frequencies computed.
    pub points: usize,
}

/// Integrals over a part of the band.
struct Panel {
    from: f64,
    to: f64,
    values: Vec<[f64; LANES]>,
    errors: Vec<[f64; LANES]>,
    transfers: Vec<Vec<PairTransfer>>,
    /// Lanes in which a resonance may hide between the samples.
    hides: [bool; LANES],
}

/// What is integrated.
pub(super) struct Integrand<'a, 't> {
    pub request: &'a HissRequest,
    pub sources: &'a Sources,
    pub transfers: &'a mut Transfers<'t>,
    /// Memory: densities of the pairs at a frequency, and their squared transfers.
    pub densities: Vec<LaneReal>,
    pub squares: Vec<LaneReal>,
}

impl Integrand<'_, '_> {
    /// Integrates as the request asks.
    pub fn over_band(&mut self) -> Band {
        let [from, to] = self.request.band_hz.map(f64::ln);
        match self.request.points {
            Points::Adaptive(tolerance) => self.adaptive(from, to, tolerance),
            Points::Fixed => total(&[self.panel(from, to, &gauss(self.request.band_hz, FIXED_POINTS))], FIXED_POINTS),
        }
    }

    /// Panels of at most a decade to begin with.
    fn adaptive(&mut self, from: f64, to: f64, tolerance: f64) -> Band {
        let pieces = ((to - from) / WIDEST).ceil().max(1.0) as usize;
        let end = |piece: usize| if piece == pieces { to } else { from + (to - from) / pieces as f64 * piece as f64 };
        let mut sampled = |from, to| self.panel(from, to, &kronrod(from, to));
        let mut panels: Vec<Panel> = (0..pieces).map(|piece| sampled(end(piece), end(piece + 1))).collect();
        let mut computed = panels.len();
        for _ in 0..ROUNDS {
            let halved = self.panels_to_halve(&panels, tolerance);
            let more = 2 * halved.iter().filter(|&&halve| halve).count();
            if more == 0 || computed + more > MOST_PANELS {
                break;
            }
            computed += more;
            let mut finer = Vec::with_capacity(panels.len() + more);
            for (panel, halve) in panels.into_iter().zip(halved) {
                if halve {
                    let middle = 0.5 * (panel.from + panel.to);
                    finer.push(self.panel(panel.from, middle, &kronrod(panel.from, middle)));
                    finer.push(self.panel(middle, panel.to, &kronrod(middle, panel.to)));
                } else {
                    finer.push(panel);
                }
            }
            panels = finer;
        }
        total(&panels, computed * POINTS)
    }

    /// Which panels may hide a resonance, or carry more than their share of the error of a figure over tolerance.
    fn panels_to_halve(&self, panels: &[Panel], tolerance: f64) -> Vec<bool> {
        let Band { values, errors, .. } = total(panels, 0);
        // An error of the mean square is twice that of the rms.
        let allowed = |output: usize, lane: usize| 2.0 * tolerance * values[output][lane].abs();
        let over: Vec<(usize, usize)> = (0..values.len())
            .flat_map(|output| self.transfers.alive().map(move |lane| (output, lane)))
            .filter(|&(output, lane)| errors[output][lane] > allowed(output, lane))
            .collect();
        let share = 0.5 / panels.len() as f64;
        let halve = |panel: &Panel| {
            let too_much =
                |&(output, lane): &(usize, usize)| panel.errors[output][lane] > share * allowed(output, lane);
            panel.to - panel.from > NARROWEST && (panel.hides.contains(&true) || over.iter().any(too_much))
        };
        panels.iter().map(halve).collect()
    }

    /// Integrates over the samples of one panel.
    fn panel(&mut self, from: f64, to: f64, samples: &[Sample]) -> Panel {
        let Self { request, sources, transfers: solutions, densities, squares } = self;
        let outputs = &request.outputs;
        let (mut values, mut coarse) = (vec![[0.0; LANES]; outputs.len()], vec![[0.0; LANES]; outputs.len()]);
        let pairs = if request.by_source { sources.pairs.len() } else { 0 };
        let mut transfers = vec![vec![[LaneReal([0.0; LANES]); 2]; pairs]; outputs.len()];
        let mut guides = [[0.0f64; LANES]; 2];
        for sample in samples {
            let hertz = sample.hertz;
            let curve = request.weighting.power(hertz);
            sources.densities(hertz, densities);
            let mut loads = [0.0; LANES];
            let logarithms = solutions.at(hertz, |position, solution| {
                let output = &outputs[position];
                let curve = curve * output.observer.coupling_power(hertz);
                let (weight, coarser) = (sample.weight * curve, sample.coarse * curve);
                let impedance = solution[output.plus.index()].minus(&solution[output.minus.index()]);
                let loaded = Loaded::by(&output.observer, &impedance, &[hertz; LANES]);
                let density = squared_differences(&sources.pairs, solution, densities, squares);
                for lane in 0..LANES {
                    let density = (density[lane] + loaded.own[lane]) * loaded.division[lane];
                    values[position][lane] += weight * density;
                    coarse[position][lane] += coarser * density;
                    loads[lane] += loaded.guide[lane];
                }
                for (sums, square) in transfers[position].iter_mut().zip(squares.iter()) {
                    for lane in 0..LANES {
                        let passed = weight * square.0[lane] * loaded.division[lane];
                        sums[0].0[lane] += passed;
                        sums[1].0[lane] += passed / hertz;
                    }
                }
            });
            // Weights of a mean over ln f, so that the guide's error is that of a mean.
            let mean = |weight: f64| weight / hertz / (to - from);
            for lane in 0..LANES {
                guides[0][lane] += mean(sample.weight) * (logarithms[lane] + loads[lane]);
                guides[1][lane] += mean(sample.coarse) * (logarithms[lane] + loads[lane]);
            }
        }
        let errors = values.iter().zip(&coarse).map(|(fine, coarse)| {
            // Rounding of fifteen terms is added, so that a smooth function does not claim to be exact.
            std::array::from_fn(|lane| (fine[lane] - coarse[lane]).abs() + 4.0 * f64::EPSILON * fine[lane].abs())
        });
        let errors = errors.collect();
        let mut hides = [false; LANES];
        for lane in solutions.alive() {
            let difference = (guides[0][lane] - guides[1][lane]).abs();
            hides[lane] = difference.is_nan() || difference > GUIDE_TOLERANCE;
        }
        Panel { from, to, values, errors, transfers, hides }
    }
}

/// Sums over panels; one that may still hide a resonance vouches for nothing.
fn total(panels: &[Panel], points: usize) -> Band {
    let none = [LaneReal([0.0; LANES]); 2];
    let outputs = panels[0].values.len();
    let mut band = Band {
        values: vec![[0.0; LANES]; outputs],
        errors: vec![[0.0; LANES]; outputs],
        transfers: panels[0].transfers.iter().map(|pairs| vec![none; pairs.len()]).collect(),
        points,
    };
    for panel in panels {
        for output in 0..outputs {
            for lane in 0..LANES {
                let value = panel.values[output][lane];
                band.values[output][lane] += value;
                band.errors[output][lane] += panel.errors[output][lane];
                band.errors[output][lane] += if panel.hides[lane] { value.abs() } else { 0.0 };
            }
            for (sums, own) in band.transfers[output].iter_mut().zip(&panel.transfers[output]) {
                for (sum, own) in sums.iter_mut().zip(own) {
                    sum.0.iter_mut().zip(own.0).for_each(|(sum, own)| *sum += own);
                }
            }
        }
    }
    band
}
