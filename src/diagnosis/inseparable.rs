//! What cannot be told apart by any test short of unsoldering, found before any reading.
//!
//! Units are drawn from every part's components, all tests are read on each, and both parts of a pair, taken as equally
//! likely, are judged from these readings. With p_A, p_B the densities of all readings,
//!
//! ```text
//! mutual posterior = E_A[p_B/(p_A + p_B)] = E_B[p_A/(p_A + p_B)]
//! ```
//!
//! so that both halves estimate the same number. Pairs where it stays above 0.25 are linked, and linked pairs form sets. The
//! component that a unit was drawn from does not judge it, unless its part has no other: real faults lie between the points.

use nalgebra::{Cholesky, DVector, Dyn};
use rayon::prelude::*;

use super::bank::{Bank, PartIndex, TestIndex};
use super::draw::Draw;

/// Mutual posterior above which two parts are linked.
const LINKED: f64 = 0.25;
/// Densities smaller than exp(−this) of the own component's count as nought.
const NOUGHT: f64 = 40.0;

/// Sets of two parts and more that no test tells apart, each ascending, in the order of their first part.
///
/// `tests`: those that can be done; `units`: drawn from every part (16 are plenty); the same seed gives the same sets.
pub fn inseparable(bank: &Bank, tests: &[TestIndex], units: usize, seed: u64) -> Vec<Vec<PartIndex>> {
    let mutual = mutual_posteriors(bank, tests, units, seed);
    let parts = bank.parts.len();
    let mut set_of: Vec<usize> = (0..parts).collect();
    for a in 0..parts {
        for b in a + 1..parts {
            if mutual[a][b] > LINKED && set_of[a] != set_of[b] {
                let (kept, gone) = (set_of[a].min(set_of[b]), set_of[a].max(set_of[b]));
                set_of.iter_mut().filter(|set| **set == gone).for_each(|set| *set = kept);
            }
        }
    }
    (0..parts)
        .map(|set| (0..parts).filter(|&part| set_of[part] == set).map(PartIndex).collect::<Vec<_>>())
        .filter(|set| set.len() > 1)
        .collect()
}

/// Mutual posterior of every pair of parts, symmetric; nought for parts without components.
pub fn mutual_posteriors(bank: &Bank, tests: &[TestIndex], units: usize, seed: u64) -> Vec<Vec<f64>> {
    let parts = bank.parts.len();
    let drawn: Vec<Unit> =
        (0..parts).into_par_iter().flat_map_iter(|part| draw_units(bank, tests, part, units, seed)).collect();
    let listed: usize = bank.ranges()[..parts].iter().map(|range| range.len()).sum();
    // Densities of all units under one component at a time, so that no factor need be kept.
    let densities: Vec<Vec<f64>> = (0..listed)
        .into_par_iter()
        .map(|component| {
            let Some(factor) = factor(bank, tests, component) else { return vec![0.0; drawn.len()] };
            let mean = mean(bank, tests, component);
            let density = |unit: &Unit| match unit.component == component && unit.has_siblings {
                true => 0.0,
                false => bank.weight_of(component) * relative_density(&factor, &mean, unit),
            };
            drawn.iter().map(density).collect()
        })
        .collect();
    let mut mutual = vec![vec![0.0; parts]; parts];
    for (at, unit) in drawn.iter().enumerate() {
        let of_part = |part: usize| -> f64 {
            let range = bank.ranges()[part].clone();
            let judges = |component: &usize| !(unit.has_siblings && *component == unit.component);
            let prior: f64 = range.clone().filter(judges).map(|component| bank.weight_of(component)).sum();
            let sum: f64 = range.map(|component| densities[component][at]).sum();
            if prior > 0.0 { sum / prior } else { 0.0 }
        };
        let own = of_part(unit.part);
        for other in (0..parts).filter(|&other| other != unit.part) {
            let its = of_part(other);
            let share = if its > 0.0 { its / (its + own) } else { 0.0 };
            mutual[unit.part][other] += 0.5 * share / units as f64;
            mutual[other][unit.part] += 0.5 * share / units as f64;
        }
    }
    mutual
}

/// A unit with a fault drawn from one component, and what all tests read on it.
struct Unit {
    part: usize,
    component: usize,
    /// Whether its part has other components with weight.
    has_siblings: bool,
    readings: DVector<f64>,
    /// ln of the density under its own component, up to a constant that all share.
    ln_density: f64,
}

fn draw_units(bank: &Bank, tests: &[TestIndex], part: usize, units: usize, seed: u64) -> Vec<Unit> {
    let range = bank.ranges()[part].clone();
    let total: f64 = range.clone().map(|component| bank.weight_of(component)).sum();
    if total <= 0.0 {
        return Vec::new();
    }
    let mut draw = Draw::new(seed, part as u64);
    let has_siblings = range.clone().filter(|&component| bank.weight_of(component) > 0.0).count() > 1;
    (0..units)
        .filter_map(|unit| {
            let share = (unit as f64 + draw.uniform()) / units as f64 * total;
            let mut reached = 0.0;
            let component = range.clone().find(|&component| {
                reached += bank.weight_of(component);
                reached >= share && bank.weight_of(component) > 0.0
            })?;
            let factor = factor(bank, tests, component)?;
            let errors = DVector::from_fn(tests.len(), |_, _| draw.normal());
            let readings = mean(bank, tests, component) + factor.l_dirty().lower_triangle() * &errors;
            let ln_density = -0.5 * errors.norm_squared() - ln_diagonal(&factor);
            Some(Unit { part, component, has_siblings, readings, ln_density })
        })
        .collect()
}

/// Density of a unit's readings under a component, over that under the unit's own component.
fn relative_density(factor: &Cholesky<f64, Dyn>, mean: &DVector<f64>, unit: &Unit) -> f64 {
    let lower = factor.l_dirty();
    let tests = mean.len();
    let most_square = 2.0 * (NOUGHT - ln_diagonal(factor) - unit.ln_density);
    let mut solved: Vec<f64> = Vec::with_capacity(tests);
    let mut square = 0.0;
    // Forward substitution, left as soon as the sum of squares has grown too large.
    for row in 0..tests {
        let known: f64 = solved.iter().enumerate().map(|(column, z)| lower[(row, column)] * z).sum();
        let z = (unit.readings[row] - mean[row] - known) / lower[(row, row)];
        square += z * z;
        if square > most_square {
            return 0.0;
        }
        solved.push(z);
    }
    (-0.5 * square - ln_diagonal(factor) - unit.ln_density).exp()
}

/// Of Σ + 1 over the tests; `None` if rounding made it no covariance.
fn factor(bank: &Bank, tests: &[TestIndex], component: usize) -> Option<Cholesky<f64, Dyn>> {
    let covariance = nalgebra::DMatrix::from_fn(tests.len(), tests.len(), |row, column| {
        bank.covariance_of(component, tests[row], tests[column]) + f64::from(u8::from(row == column))
    });
    Cholesky::new(covariance)
}

fn mean(bank: &Bank, tests: &[TestIndex], component: usize) -> DVector<f64> {
    let means = bank.mean_of(component);
    DVector::from_fn(tests.len(), |at, _| means[tests[at].0])
}

fn ln_diagonal(factor: &Cholesky<f64, Dyn>) -> f64 {
    factor.l_dirty().diagonal().iter().map(|entry| entry.ln()).sum()
}
