//! Natural frequencies of the linearised circuit: does it stay at its bias point?
//!
//! The roots s of det(G + s·C) = 0. Every finite root is s = s0 − 1/µ for an eigenvalue µ ≠ 0 of (G + s0·C)⁻¹·C,
//! reduced to the states that store energy (`states.rs`). The matrix is
//! balanced (Parlett and Reinsch, Numer. Math. 13 (1969) 293) and brought to Schur form; because roots of an audio
//! circuit spread over ten decades, this is done around several shifts s0, and every root near or right of the imaginary
//! axis is confirmed by inverse iteration on G + s·C itself (Peters and Wilkinson, SIAM Review 21 (1979) 339).

mod states;

use nalgebra::{Schur, linalg::balancing::balance_parlett_reinsch};
use num_complex::Complex64;
use rayon::prelude::*;

use crate::diagnostic::{Code, Diagnostic};
use crate::mna::{Factored, SignalEquations};
use crate::smallsignal::SmallSignal;
use crate::units::engineering;

use states::States;

/// Unknowns beyond which the question is skipped: the work grows with their cube.
const MOST_UNKNOWNS: usize = 400;
/// Roots beyond this modulus are not judged, rad/s: wiring that no netlist shows decides about them.
const FASTEST: f64 = 1e10;
/// Centres of the search, rad/s.
const SHIFTS: [f64; 3] = [0.0, 1e3, 1e6];
/// Eigenvalues below this fraction of the largest are rounding.
const TRUSTED_MU: f64 = 1e-11;
/// Roots below this fraction of the shift are rounding.
const TRUSTED_ROOT: f64 = 1e-5;
/// Steps of the Schur iteration per row and tolerance.
const STEPS_PER_ROW: usize = 100;
/// Tolerances of the Schur iteration, tried in turn: decade-spread matrices may not converge at the tightest.
const TOLERANCES: [f64; 4] = [f64::EPSILON, 1e-14, 1e-12, 1e-10];
/// Steps of inverse iteration at most.
const INVERSE_STEPS: usize = 12;

/// What is known about the natural frequencies.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Stability {
    /// No confirmed root lies right of the imaginary axis.
    Stable,
    /// Roots with a positive real part, rad/s, the fastest growing first; of a conjugate pair the upper one.
    Unstable(Vec<Complex64>),
    /// Not judged, and why.
    NotJudged(&'static str),
}

impl Stability {
    /// A warning for people; `None` for a stable circuit.
    pub fn warning(&self) -> Option<Diagnostic> {
        match self {
            Stability::Stable => None,
            Stability::NotJudged(why) => Some(Diagnostic::warning(
                Code::NotJudged,
                format!("whether this bias point is stable was not judged: {why}"),
            )),
            Stability::Unstable(roots) => {
                let root = roots.first()?;
                let message = if root.im > root.re {
                    let hertz = root.im / std::f64::consts::TAU;
                    format!("the circuit would oscillate near {}", engineering(hertz, "Hz", 2))
                } else {
                    let seconds = engineering(1.0 / root.re, "s", 2);
                    format!("the circuit will not stay at this bias point: it runs away within about {seconds}")
                };
                Some(
                    Diagnostic::warning(Code::Unstable, message)
                        .help("noise about an unstable point means nothing: check feedback and compensation"),
                )
            }
        }
    }
}

/// Judges the natural frequencies of a linearised circuit.
pub fn stability(signal: &SmallSignal) -> Stability {
    let equations = &signal.equations;
    if equations.unknowns > MOST_UNKNOWNS {
        return Stability::NotJudged("the circuit has more than 400 unknowns");
    }
    let mut judged = false;
    let mut unconfirmed = false;
    let mut unstable: Vec<Complex64> = Vec::new();
    let states = States::of(equations);
    // In parallel, and looked at in order.
    let around: Vec<_> = SHIFTS.par_iter().map(|&shift| roots_around(equations, &states, shift)).collect();
    for roots in around.into_iter().flatten() {
        judged = true;
        // A root and its conjugate are one; the upper one stands for both.
        for root in roots.into_iter().filter(|root| root.im >= 0.0 && root.re > -1e-3 * root.norm()) {
            match confirmed(equations, root) {
                Some((root, _)) if root.re > 1e-9 * root.norm() && root.norm() < FASTEST => {
                    let upper = Complex64::new(root.re, root.im.abs());
                    if !unstable.iter().any(|known| (known - upper).norm() < 1e-4 * upper.norm()) {
                        unstable.push(upper);
                    }
                }
                Some(_) => {}
                // Rounding throws roots of one search about; what another shift does not see either is no root.
                None => unconfirmed |= root.re > 0.05 * root.norm(),
            }
        }
    }
    unstable.sort_by(|a, b| b.re.total_cmp(&a.re));
    match (judged, unstable.is_empty(), unconfirmed) {
        (false, ..) => Stability::NotJudged("the search for natural frequencies did not converge"),
        (true, false, _) => Stability::Unstable(unstable),
        (true, true, true) => Stability::NotJudged("a doubtful natural frequency could not be confirmed"),
        (true, true, false) => Stability::Stable,
    }
}

/// Roots as seen from a shift, below the fastest that is judged; `None` if the search did not converge.
fn roots_around(equations: &SignalEquations, states: &States, shift: f64) -> Option<Vec<Complex64>> {
    let mut block = states.matrix(equations, shift)?;
    let size = block.nrows();
    // In units of its largest entry: the balancing squares entries, and does not end on one that overflows.
    let unit = block.iter().fold(0.0, |largest: f64, entry| largest.max(entry.abs()));
    if unit == 0.0 {
        return Some(Vec::new());
    }
    block /= unit;
    balance_parlett_reinsch(&mut block);
    let schur =
        TOLERANCES.into_iter().find_map(|tolerance| Schur::try_new(block.clone(), tolerance, STEPS_PER_ROW * size))?;
    let eigenvalues = schur.complex_eigenvalues() * Complex64::from(unit);
    // Rounding leaves nothing of eigenvalues far below the largest, nor of roots far below the shift: another shift
    // sees those.
    let largest = eigenvalues.iter().map(|mu| mu.norm()).fold(0.0, f64::max);
    let seen = eigenvalues.iter().filter(|mu| mu.norm() * FASTEST > 1.0 && mu.norm() > TRUSTED_MU * largest);
    let roots = seen.map(|mu| shift - mu.inv());
    Some(roots.filter(|root| root.norm() < FASTEST && root.norm() > TRUSTED_ROOT * shift).collect())
}

/// How the unknowns move away from the bias point along a root of [`Stability::Unstable`], real parts, ground first;
/// `None` if the root is none.
pub fn way_out(signal: &SmallSignal, root: Complex64) -> Option<Vec<f64>> {
    let (_, mut mode) = confirmed(&signal.equations, root)?;
    signal.equations.restore(&mut mode);
    Some(mode.iter().map(|value| value.re).collect())
}

/// The root of G + s·C next to a guess and its mode, if inverse iteration settles on one.
fn confirmed(equations: &SignalEquations, guess: Complex64) -> Option<(Complex64, Vec<Complex64>)> {
    let mut s = guess;
    // No particular direction: one that no root's vector is orthogonal to, by all odds.
    let mut vector: Vec<Complex64> = (0..=equations.unknowns)
        .map(|at| Complex64::from_polar(if at == 0 { 0.0 } else { 1.0 }, 2.4 * at as f64))
        .collect();
    for _ in 0..INVERSE_STEPS {
        let entries = equations.entries.iter().map(|entry| (entry.row, entry.column, entry.g + s * entry.c));
        // Exactly singular: s is a root to the last digit.
        let Ok(factored) = Factored::new(equations.unknowns, entries) else { return Some((s, vector)) };
        let right = times_c(equations, &vector);
        let Ok(solved) = factored.solve(&right) else { return Some((s, vector)) };
        // (G + s·C)·y = C·v and (G + s'·C)·v = 0 give y = v/(s' … s): the step follows from how much v has grown.
        let largest = (1..solved.len()).max_by(|&a, &b| solved[a].norm().total_cmp(&solved[b].norm()))?;
        let grown = solved[largest];
        let before = vector[largest];
        if grown.norm() == 0.0 || !grown.norm().is_finite() {
            return None;
        }
        let step = -before / grown;
        vector = solved.iter().map(|value| value / grown).collect();
        s += step;
        if step.norm() <= 1e-10 * s.norm().max(1e-6) {
            let near = (s - guess).norm() <= 0.2 * guess.norm().max(1e-6);
            return (near && residual_is_small(equations, s, &vector)).then_some((s, vector));
        }
    }
    None
}

fn times_c(equations: &SignalEquations, vector: &[Complex64]) -> Vec<Complex64> {
    let mut product = vec![Complex64::default(); vector.len()];
    for entry in &equations.entries {
        product[entry.row.index()] += vector[entry.column.index()] * entry.c;
    }
    product
}

/// Whether (G + s·C)·v vanishes against the size of its own terms in every row.
fn residual_is_small(equations: &SignalEquations, s: Complex64, vector: &[Complex64]) -> bool {
    let mut sum = vec![Complex64::default(); vector.len()];
    let mut size = vec![0.0; vector.len()];
    for entry in &equations.entries {
        let term = (entry.g + s * entry.c) * vector[entry.column.index()];
        sum[entry.row.index()] += term;
        size[entry.row.index()] += term.norm();
    }
    let largest = size.iter().copied().fold(0.0, f64::max);
    sum.iter().zip(&size).all(|(sum, &size)| sum.norm() <= 1e-6 * size || sum.norm() <= 1e-12 * largest)
}
