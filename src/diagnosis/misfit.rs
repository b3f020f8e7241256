//! Do the readings fit any single listed fault at all?
//!
//! ```text
//! T = Σ P(c)·Pr(χ²ₙ > Q_c)        n readings, components of listed faults and the unlisted one alike
//! ```
//!
//! T below a threshold, or the unlisted fault above one half: no single listed fault explains the readings.

use super::bank::{Bank, TestIndex};
use super::coordinates::Observed;
use super::normal;
use super::update::{Posterior, Prediction, Reading};

/// Where the threshold of T starts, before it is calibrated for a netlist.
pub const DEFAULT_THRESHOLD: f64 = 0.05;
/// Beyond so many sd from every component a reading is flagged at once.
const OUTSIDE_SD: f64 = 4.0;
/// So many readings are judged without themselves to find the most surprising one.
const JUDGED: usize = 8;
/// Components lighter than this do not count.
const LIGHT: f64 = 1e-12;

/// T, 0 to 1; small where the readings fit badly.
pub fn misfit(posterior: &Posterior) -> f64 {
    posterior
        .weights
        .iter()
        .zip(&posterior.squares)
        .filter(|(weight, _)| **weight > LIGHT)
        .map(|(weight, square)| weight * normal::chi_square_survival(*square, posterior.readings))
        .sum()
}

/// The threshold below which T lies in a fraction `false_flags` of cases whose fault *is* listed.
///
/// `values`: T of such cases, from the full nonlinear solution. Linear between order statistics. Without values the default.
pub fn threshold(values: &[f64], false_flags: f64) -> f64 {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let Some(last) = sorted.len().checked_sub(1) else { return DEFAULT_THRESHOLD };
    let place = false_flags.clamp(0.0, 1.0) * last as f64;
    let below = place.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (place - below as f64) * (sorted[above] - sorted[below])
}

/// Whether a reading lies outside what every component, the unlisted fault's included, gives at 4 sd.
pub fn is_outside(bank: &Bank, reading: &Reading) -> bool {
    (0..bank.len()).all(|component| {
        let mean = bank.mean_of(component)[reading.test.0];
        let sd = (bank.variances_of(component)[reading.test.0].max(0.0) + 1.0).sqrt();
        let away = match reading.observed {
            Observed::Point(value) => (value - mean).abs(),
            Observed::Between { low, high } => 0.0_f64.max(low - mean).max(mean - high),
        };
        away > OUTSIDE_SD * sd
    })
}

/// How surprising a reading is given all the others: the probability of one at least as far out, 0 to 1.
///
/// Repetitions of a test vouch for each other, as they should. `excluded` as for [`Posterior::of`].
pub fn surprise(bank: &Bank, readings: &[Reading], own: usize, excluded: &[bool]) -> f64 {
    let others = without(readings, own);
    let posterior = Posterior::of(bank, &others, excluded);
    tail(&posterior.predict(bank, &others, &[readings[own].test]), 0, &readings[own].observed)
}

/// The most surprising of the readings, by its place; the first of equals. `posterior`: of all of them.
///
/// Those that fit their own posterior worst are judged without themselves.
pub fn most_surprising(bank: &Bank, readings: &[Reading], posterior: &Posterior, excluded: &[bool]) -> Option<usize> {
    let tests: Vec<TestIndex> = readings.iter().map(|reading| reading.test).collect();
    let prediction = posterior.predict(bank, readings, &tests);
    let mut order: Vec<(usize, f64)> =
        readings.iter().enumerate().map(|(at, reading)| (at, tail(&prediction, at, &reading.observed))).collect();
    order.sort_by(|(_, a), (_, b)| a.total_cmp(b));
    order.truncate(JUDGED);
    order.sort_by_key(|(at, _)| *at);
    let judged = order.into_iter().map(|(at, _)| (at, surprise(bank, readings, at, excluded)));
    judged.min_by(|(_, a), (_, b)| a.total_cmp(b)).map(|(at, _)| at)
}

/// All readings but one.
pub(super) fn without(readings: &[Reading], own: usize) -> Vec<Reading> {
    readings.iter().enumerate().filter(|(at, _)| *at != own).map(|(_, reading)| *reading).collect()
}

/// Probability that a predicted test, by its place, reads at least as far from each component's mean as was observed.
fn tail(prediction: &Prediction, place: usize, observed: &Observed) -> f64 {
    let (means, variances) = (prediction.means(place), prediction.variances(place));
    let of_component = |at: usize| {
        let (mean, variance) = (means[at], variances[at]);
        let sd = (variance + 1.0).sqrt();
        match *observed {
            Observed::Point(value) => 2.0 * normal::cumulative(-(value - mean).abs() / sd),
            Observed::Between { low, high } => normal::ln_probability((low - mean) / sd, (high - mean) / sd).exp(),
        }
    };
    prediction.weights.iter().enumerate().map(|(at, weight)| weight * of_component(at)).sum()
}
