//! The two solutions that a figure's derivatives rest on, frequency by frequency, and their contraction over the band.
//!
//! S = Σ_k |t_k|²·S_k with Aᵀ·z = e and t_k = a_kᵀ·z. From dz = −A⁻ᵀ·dAᵀ·z follows
//! dS = Σ_k |t_k|²·dS_k − 2·Re(zᵀ·dA·w) with A·w = Σ_k S_k·conj(t_k)·a_k.
//! An instrument of admittance Y with noise n = 4kT·Re Y across the output, whose own impedance is Z = eᵀ·z, makes of it
//! S' = (S + n·|Z|²)/D with D = |1 + Y·Z|²; dZ = −zᵀ·dA·A⁻¹·e adds one term to the right-hand side of w, and none to the
//! number of solutions.

use super::rule::Batch;
use super::stamps::{Derivatives, Factors};
use super::{Load, Output};
use crate::bias::SolveError;
use crate::mna::{LANES, LaneSolution, LaneValue};
use crate::smallsignal::SmallSignal;
use crate::sweep::SweepPoint;

/// What one figure's derivatives rest on: the change of the figure is Σ power·d(density) + Re Σ zᵀ·dA·u.
#[derive(Default)]
pub(super) struct Field {
    batches: Vec<Solutions>,
    /// The figure itself: V².
    pub mean_square: f64,
}

struct Solutions {
    z: LaneSolution,
    u: LaneSolution,
    omegas: [f64; LANES],
    power: [f64; LANES],
    per_hertz: [f64; LANES],
}

impl Field {
    /// Adds eight frequencies of the hiss at an output.
    pub fn add_hiss(
        &mut self,
        signal: &SmallSignal,
        point: &SweepPoint,
        (plus, minus): Output,
        batch: &Batch,
        load: Option<&Load>,
    ) -> Result<(), SolveError> {
        let z = point.adjoint(plus, minus)?;
        let omegas = batch.hertz.map(|hertz| std::f64::consts::TAU * hertz);
        let per_hertz = batch.hertz.map(f64::recip);
        let own = z[plus.index()].minus(&z[minus.index()]);
        let loaded = Loaded::of(load, &own, &omegas);
        let power: [f64; LANES] = std::array::from_fn(|lane| batch.weights[lane] / loaded.divisor[lane]);

        let mut right = vec![LaneValue::ZERO; z.len()];
        let mut density = loaded.density;
        for source in &signal.sources {
            let transfer = z[source.to.index()].minus(&z[source.from.index()]);
            let norms = transfer.norm_sqr();
            let mut into = LaneValue::ZERO;
            for lane in 0..LANES {
                let own = source.white + source.flicker * per_hertz[lane];
                density[lane] += norms[lane] * own;
                let factor = -2.0 * power[lane] * own;
                into.re[lane] = factor * transfer.re[lane];
                into.im[lane] = -factor * transfer.im[lane];
            }
            right[source.from.index()] = right[source.from.index()].minus(&into);
            right[source.to.index()] = right[source.to.index()].plus(&into);
        }
        let into = loaded.current(&own, &density, &power);
        right[plus.index()] = right[plus.index()].plus(&into);
        right[minus.index()] = right[minus.index()].minus(&into);

        self.mean_square += (0..LANES).map(|lane| power[lane] * density[lane]).sum::<f64>();
        let u = point.solve(&right)?;
        self.batches.push(Solutions { z, u, omegas, power, per_hertz });
        Ok(())
    }

    /// The logarithm of a gain at one frequency, which all lanes of `point` hold: d ln|H| = −Re(zᵀ·dA·x/H). `None` without
    /// gain; else the gain comes with it.
    pub fn of_gain(
        point: &SweepPoint,
        (plus, minus): Output,
        from: &LaneSolution,
        least: f64,
    ) -> Result<(LaneValue, Option<Self>), SolveError> {
        let gain = from[plus.index()].minus(&from[minus.index()]);
        let norm = gain.norm_sqr()[0];
        if norm.is_nan() || norm <= least * least {
            return Ok((gain, None));
        }
        let (re, im) = (-gain.re[0] / norm, gain.im[0] / norm);
        // One lane is enough.
        let turned = from.iter().map(|value| {
            let mut turned = LaneValue::ZERO;
            turned.re[0] = value.re[0] * re - value.im[0] * im;
            turned.im[0] = value.re[0] * im + value.im[0] * re;
            turned
        });
        let u = turned.collect();
        let omegas = point.hertz().map(|hertz| std::f64::consts::TAU * hertz);
        let z = point.adjoint(plus, minus)?;
        let quiet = [0.0; LANES];
        let solutions = Solutions { z, u, omegas, power: quiet, per_hertz: quiet };
        Ok((gain, Some(Self { batches: vec![solutions], mean_square: 0.0 })))
    }

    /// Sums over all frequencies at every place and pair of `derivatives`.
    pub fn factors(&self, derivatives: &Derivatives) -> Factors {
        let mut places = vec![(0.0, 0.0); derivatives.places()];
        let (mut rows, mut columns) = (Vec::new(), Vec::new());
        for block in derivatives.blocks() {
            let size = block.unknowns.len();
            for solutions in &self.batches {
                let counted = |of: &LaneSolution, into: &mut Vec<LaneValue>| {
                    into.clear();
                    into.extend(block.unknowns.iter().map(|(at, from)| of[at.index()].minus(&of[from.index()])));
                };
                counted(&solutions.z, &mut rows);
                counted(&solutions.u, &mut columns);
                for (at, place) in places[block.first_place..block.first_place + size * size].iter_mut().enumerate() {
                    let (by_g, by_c) = product(&rows[at / size], &columns[at % size], &solutions.omegas);
                    place.0 += by_g;
                    place.1 += by_c;
                }
            }
        }
        let pairs = derivatives.pairs().iter().map(|&(from, to)| {
            let mut sums = (0.0, 0.0);
            for Solutions { z, power, per_hertz, .. } in &self.batches {
                let norms = z[from.index()].minus(&z[to.index()]).norm_sqr();
                for lane in 0..LANES {
                    sums.0 += power[lane] * norms[lane];
                    sums.1 += power[lane] * norms[lane] * per_hertz[lane];
                }
            }
            sums
        });
        Factors { places, pairs: pairs.collect() }
    }
}

/// Σ Re(z·u) and Σ Re(jω·z·u) over the lanes.
fn product(z: &LaneValue, u: &LaneValue, omegas: &[f64; LANES]) -> (f64, f64) {
    let (mut by_g, mut by_c) = ([0.0; LANES], [0.0; LANES]);
    for lane in 0..LANES {
        by_g[lane] = z.re[lane] * u.re[lane] - z.im[lane] * u.im[lane];
        by_c[lane] = -omegas[lane] * (z.re[lane] * u.im[lane] + z.im[lane] * u.re[lane]);
    }
    (by_g.iter().sum(), by_c.iter().sum())
}

/// What an instrument does at eight frequencies.
struct Loaded {
    /// Y
    siemens: LaneValue,
    /// n = 4kT·Re Y
    current_density: f64,
    /// 1 + Y·Z
    division: LaneValue,
    /// |1 + Y·Z|²
    divisor: [f64; LANES],
    /// n·|Z|²
    density: [f64; LANES],
}

impl Loaded {
    fn of(load: Option<&Load>, own: &LaneValue, omegas: &[f64; LANES]) -> Self {
        let mut siemens = LaneValue::ZERO;
        let mut current_density = 0.0;
        if let Some(load) = load {
            siemens.re = [1.0 / load.ohms; LANES];
            siemens.im = omegas.map(|omega| omega * load.farads);
            current_density = load.kelvin.four_kt() / load.ohms;
        }
        let mut division = times(&siemens, own);
        division.re = division.re.map(|part| 1.0 + part);
        let density = own.norm_sqr().map(|norm| current_density * norm);
        Self { siemens, current_density, division, divisor: division.norm_sqr(), density }
    }

    /// What the instrument adds to the right-hand side of the second solution: −2·(n·conj(Z) − S'·conj(1+Y·Z)·Y) with the
    /// weight over D, where `density` is S'·D.
    fn current(&self, own: &LaneValue, density: &[f64; LANES], power: &[f64; LANES]) -> LaneValue {
        let turned = times(&conjugate(&self.division), &self.siemens);
        let mut into = LaneValue::ZERO;
        for lane in 0..LANES {
            let read = density[lane] / self.divisor[lane];
            into.re[lane] = -2.0 * power[lane] * (self.current_density * own.re[lane] - read * turned.re[lane]);
            into.im[lane] = -2.0 * power[lane] * (-self.current_density * own.im[lane] - read * turned.im[lane]);
        }
        into
    }
}

fn conjugate(value: &LaneValue) -> LaneValue {
    LaneValue { re: value.re, im: value.im.map(|part| -part) }
}

fn times(a: &LaneValue, b: &LaneValue) -> LaneValue {
    LaneValue {
        re: std::array::from_fn(|lane| a.re[lane] * b.re[lane] - a.im[lane] * b.im[lane]),
        im: std::array::from_fn(|lane| a.re[lane] * b.im[lane] + a.im[lane] * b.re[lane]),
    }
}
