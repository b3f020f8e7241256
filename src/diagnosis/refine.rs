//! Refinement of one hypothesis around the readings: Gauss and Newton's method, then Laplace's evidence.
//!
//! The hypothesis has parameters x, all N(0,1) before any reading: tolerances in units of their sd, and the severity by way
//! of Φ(x), uniform on the logarithm of its range. The caller solves the circuit at x and gives the readings' means f(x)
//! and slopes J = ∂f/∂x, in coordinates in which a reading errs by N(0,1). One step:
//!
//! ```text
//! x ← Jᵀ·(J·Jᵀ + 1)⁻¹·(y − f(x) + J·x)
//! ```
//!
//! At the end  ln evidence = −|y − f|²/2 − |x|²/2 − ln det(1 + J·Jᵀ)/2, up to a constant all hypotheses share. A reading
//! of an interval pulls to its nearer end from outside and not at all from inside.
//!
//! Tierney and Kadane, J. Am. Stat. Assoc. 81 (1986) 82; MacKay, Neural Comput. 4 (1992) 415.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::coordinates::Observed;

/// A hypothesis at one point of its parameters.
#[derive(Clone, Debug, PartialEq)]
pub struct Linearised {
    /// f: the mean of every reading, in coordinates.
    pub mean: DVector<f64>,
    /// J: readings × parameters.
    pub slopes: DMatrix<f64>,
}

/// A hypothesis refined.
#[derive(Clone, Debug, PartialEq)]
pub struct Refined {
    /// Parameters at the end.
    pub parameters: DVector<f64>,
    /// ln of the evidence, up to a constant that all hypotheses with these readings share.
    pub ln_evidence: f64,
    /// Σ d²/v of the readings: the misfit Q under the refined component.
    pub square: f64,
}

/// Refines a hypothesis from the point `start` in so many `steps` (two or three do).
///
/// `linearise` answers `None` where the circuit has no solution; the step is then halved, at most four times. `None` if there
/// is no solution at the start, or if shapes do not fit.
pub fn refine(
    start: &DVector<f64>,
    observed: &[Observed],
    steps: usize,
    mut linearise: impl FnMut(&DVector<f64>) -> Option<Linearised>,
) -> Option<Refined> {
    let fits = |at: &Linearised| {
        at.mean.len() == observed.len() && at.slopes.shape() == (observed.len(), start.len()) && is_finite(at)
    };
    let mut parameters = start.clone();
    let mut here = linearise(&parameters).filter(&fits)?;
    let (mut best, mut least) = judged(&parameters, &here, observed)?;
    for _ in 0..steps {
        let (slopes, residual) = pulls(&here, observed);
        let target = slopes.transpose() * spread(&slopes)?.solve(&(residual + &slopes * &parameters));
        let mut step = target - &parameters;
        let mut reached = None;
        for _ in 0..4 {
            let there = &parameters + &step;
            reached = linearise(&there).filter(&fits).map(|linearised| (there, linearised));
            if reached.is_some() {
                break;
            }
            step *= 0.5;
        }
        let Some((there, linearised)) = reached else { break };
        (parameters, here) = (there, linearised);
        let (refined, away) = judged(&parameters, &here, observed)?;
        // The mode counts, wherever the iteration went after it.
        if away < least {
            (best, least) = (refined, away);
        }
    }
    Some(best)
}

/// Probabilities of refined hypotheses: together they keep what they had together, shared out by prior times evidence.
///
/// `probabilities`, `priors` and `ln_evidence` have one entry a refined hypothesis.
pub fn share_out(probabilities: &[f64], priors: &[f64], ln_evidence: &[f64]) -> Vec<f64> {
    let total: f64 = probabilities.iter().sum();
    let most = ln_evidence.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let each: Vec<f64> =
        priors.iter().zip(ln_evidence).map(|(prior, evidence)| prior * (evidence - most).exp()).collect();
    let sum: f64 = each.iter().sum();
    if !(sum > 0.0 && sum.is_finite()) {
        return probabilities.to_vec();
    }
    each.iter().map(|share| total * share / sum).collect()
}

/// The hypothesis at a point, and |y − f|² + |x|² there.
fn judged(parameters: &DVector<f64>, here: &Linearised, observed: &[Observed]) -> Option<(Refined, f64)> {
    let (slopes, residual) = pulls(here, observed);
    let spread = spread(&slopes)?;
    let ln_determinant: f64 = 2.0 * spread.l_dirty().diagonal().iter().map(|entry| entry.ln()).sum::<f64>();
    let away = residual.norm_squared() + parameters.norm_squared();
    let ln_evidence = -0.5 * (away + ln_determinant);
    let from_middle = &residual + &slopes * parameters;
    let square = from_middle.dot(&spread.solve(&from_middle));
    Some((Refined { parameters: parameters.clone(), ln_evidence, square }, away))
}

/// Slopes and y − f, both nought where a reading lies inside its interval.
fn pulls(here: &Linearised, observed: &[Observed]) -> (DMatrix<f64>, DVector<f64>) {
    let mut slopes = here.slopes.clone();
    let residual = DVector::from_fn(observed.len(), |at, _| match observed[at] {
        Observed::Point(value) => value - here.mean[at],
        Observed::Between { low, high } => here.mean[at].clamp(low, high) - here.mean[at],
    });
    for (at, observed) in observed.iter().enumerate() {
        if matches!(observed, Observed::Between { .. }) && residual[at] == 0.0 {
            slopes.row_mut(at).fill(0.0);
        }
    }
    (slopes, residual)
}

fn spread(slopes: &DMatrix<f64>) -> Option<Cholesky<f64, Dyn>> {
    Cholesky::new(slopes * slopes.transpose() + DMatrix::identity(slopes.nrows(), slopes.nrows()))
}

fn is_finite(at: &Linearised) -> bool {
    at.mean.iter().chain(at.slopes.iter()).all(|number| number.is_finite())
}
