//! When a bias point counts as found. The test knows nothing of the iteration that led to it.
//!
//! Kirchhoff's residual of every node is below 1e-9 of the largest current into it plus 1 pA, and the last update below
//! 1e-9 of each voltage plus 1 nV. Branch equations (volts) and temperatures (watts, kelvin) are held to the same figures.

use crate::mna::{BiasEquations, Unknown};

const RELATIVE: f64 = 1e-9;
const RESIDUAL_FLOOR: f64 = 1e-12;
const UPDATE_FLOOR: f64 = 1e-9;

/// How far from solved the equations are: the worst row, and its residual as a multiple of what is allowed.
pub(super) fn worst_residual(equations: &BiasEquations) -> (Unknown, f64) {
    let rows = equations.residual.iter().zip(&equations.largest);
    worst(rows.map(|(residual, largest)| residual.abs() / (RELATIVE * largest + RESIDUAL_FLOOR)))
}

/// The worst update of an unknown, as a multiple of what is allowed.
pub(super) fn worst_update(x: &[f64], step: &[f64]) -> (Unknown, f64) {
    worst(x.iter().zip(step).map(|(x, step)| step.abs() / (RELATIVE * x.abs() + UPDATE_FLOOR)))
}

/// Position and value of the largest ratio; what is not a number counts as largest. Ground's row is left out.
fn worst(ratios: impl Iterator<Item = f64>) -> (Unknown, f64) {
    let mut worst = (1, 0.0);
    for (at, ratio) in ratios.enumerate().skip(1) {
        if ratio.is_nan() {
            return (unknown(at), f64::INFINITY);
        }
        if ratio > worst.1 {
            worst = (at, ratio);
        }
    }
    (unknown(worst.0), worst.1)
}

fn unknown(at: usize) -> Unknown {
    Unknown(u32::try_from(at).expect("unknowns are numbered in 32 bits"))
}
