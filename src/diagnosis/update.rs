//! The posterior of every component from readings (step by step the rules below), always from the prior.
//!
//! ```text
//! v = Σjj + 1      d = y − µj      g = Σ·j/v
//! point        ln w += −ln(v)/2 + ln(0.99·exp(−d²/2v) + 0.0025·exp(−d²/32v))     µ += g·d    Σ −= g·Σj·    Q += d²/v
//! [a, b]       α = (a−µj)/√v, β = (b−µj)/√v, P, m, 1−k of N(0,1) in [α, β], P₄ with 4√v
//!              ln w += ln(0.99·P + 0.01·P₄)   µ += g·√v·m   Σ −= g·Σj·(1−k)    Q += max(0, a−µj, µj−b)²/v
//! ```
//!
//! The broad tail keeps one misread digit from excluding the truth. Readings come in a canonical order (test, then
//! value), so that the order of entry changes no byte.
//!
//! Σ itself is never touched. All columns a reading changes stay multiples of columns it conditioned on: with c the column
//! of test j when its first reading comes, every reading of j adds to µ along c and takes from Σ along c·cᵀ, and c only
//! shrinks. So each test read costs one column c, each further reading of it a few numbers:
//!
//! ```text
//! column = s·c      µ += M·c      Σ −= D·c·cᵀ
//! ```
//!
//! Gaussian conditioning: Kalman, J. Basic Eng. 82 (1960) 35; moments of intervals: `normal.rs`.

use std::cmp::Ordering;
use std::ops::Range;

use rayon::prelude::*;

use super::bank::{Bank, TestIndex, place};
use super::coordinates::{FARTHEST, Observed};
use super::normal;

/// A reading in a test's coordinate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Which test.
    pub test: TestIndex,
    /// What was read.
    pub observed: Observed,
}

/// The lightest components, of this weight together, are left out of predictions.
const NEGLIGIBLE: f64 = 1e-4;
/// Components that one thread takes at a time.
const CHUNK: usize = 32;

/// Weights of all components given readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Posterior {
    /// Probability of every component.
    pub weights: Vec<f64>,
    /// Σ d²/v of every component, to be compared with a χ² of as many degrees as readings.
    pub squares: Vec<f64>,
    /// How many readings they rest on.
    pub readings: usize,
}

/// What further readings would give: mean and variance (reading error not in it) of tests under the components that
/// still weigh something, those of the unlisted fault always among them.
#[derive(Clone, Debug, PartialEq)]
pub struct Prediction {
    /// Components, ascending.
    pub components: Vec<usize>,
    /// Their probabilities.
    pub weights: Vec<f64>,
    /// Which of them belong to a part, by its index (one more than the last: the unlisted fault), as places in
    /// `components`; parts without any are left out.
    pub classes: Vec<(usize, Range<usize>)>,
    /// The tests asked for.
    pub tests: Vec<TestIndex>,
    means: Vec<f64>,
    variances: Vec<f64>,
}

impl Reading {
    /// The order in which readings are taken into account.
    pub fn canonical(&self, other: &Self) -> Ordering {
        let ends = |observed: &Observed| match *observed {
            Observed::Point(value) => (value, value),
            Observed::Between { low, high } => (low, high),
        };
        let ((low, high), (other_low, other_high)) = (ends(&self.observed), ends(&other.observed));
        self.test.cmp(&other.test).then(low.total_cmp(&other_low)).then(high.total_cmp(&other_high))
    }

    /// The reading with its numbers brought within reach; `None` if they are no numbers, or the ends not in order.
    pub fn checked(self) -> Option<Self> {
        // Zero is added so that −0 and 0 are the same byte.
        let near = |value: f64| value.clamp(-FARTHEST, FARTHEST) + 0.0;
        let observed = match self.observed {
            Observed::Point(value) if value.is_finite() => Observed::Point(near(value)),
            Observed::Between { low, high } if low < high => {
                let end = |value: f64| if value.is_finite() { near(value) } else { value };
                let (low, high) = (end(low), end(high));
                // An interval that lies wholly out of reach keeps a width.
                let low = if low < high { low } else { low - 1.0 };
                Observed::Between { low, high }
            }
            _ => return None,
        };
        Some(Self { observed, ..self })
    }
}

impl Posterior {
    /// The posterior of the readings. `excluded`: components that cannot be, one flag each, or empty.
    ///
    /// Readings have passed [`Reading::checked`] and name tests of the bank; their order does not matter.
    pub fn of(bank: &Bank, readings: &[Reading], excluded: &[bool]) -> Self {
        let (groups, tests) = grouped(readings);
        let out = |component: usize| excluded.get(component).copied().unwrap_or(false);
        let conditioned: Vec<(f64, f64)> = (0..bank.len())
            .into_par_iter()
            .with_min_len(CHUNK)
            .map_init(Workspace::default, |workspace, component| {
                if out(component) || bank.weight_of(component) <= 0.0 {
                    return (f64::NEG_INFINITY, 0.0);
                }
                let (ln_likelihood, square) = workspace.condition(bank, component, &groups, &tests);
                (bank.weight_of(component).ln() + ln_likelihood, square)
            })
            .collect();
        let most = conditioned.iter().map(|(ln_weight, _)| *ln_weight).fold(f64::NEG_INFINITY, f64::max);
        // Where nothing at all is possible any more, nothing weighs anything.
        let most = if most.is_finite() { most } else { 0.0 };
        let mut weights: Vec<f64> = conditioned.iter().map(|(ln_weight, _)| (ln_weight - most).exp()).collect();
        let total: f64 = weights.iter().sum();
        if total > 0.0 {
            weights.iter_mut().for_each(|weight| *weight /= total);
        }
        let squares = conditioned.iter().map(|(_, square)| *square).collect();
        Self { weights, squares, readings: readings.len() }
    }

    /// Probability of every part; one more entry for the unlisted fault.
    pub fn parts(&self, bank: &Bank) -> Vec<f64> {
        bank.ranges().iter().map(|range| self.weights[range.clone()].iter().sum()).collect()
    }

    /// What the `tests` would give now. `readings`: those of this posterior.
    pub fn predict(&self, bank: &Bank, readings: &[Reading], tests: &[TestIndex]) -> Prediction {
        let (groups, mut rows) = grouped(readings);
        let read = rows.len();
        rows.extend(tests);
        let components = self.heavy(bank);
        // Each chunk test by test, so that the whole is put together from runs of a chunk's length.
        let chunks: Vec<(Vec<f64>, Vec<f64>)> = components
            .par_chunks(CHUNK)
            .map_init(Workspace::default, |workspace, few| {
                let (mut means, mut variances) =
                    (vec![0.0; tests.len() * few.len()], vec![0.0; tests.len() * few.len()]);
                for (at, &component) in few.iter().enumerate() {
                    workspace.condition(bank, component, &groups, &rows);
                    for test in 0..tests.len() {
                        means[test * few.len() + at] = workspace.mean[read + test];
                        variances[test * few.len() + at] = workspace.variance[read + test];
                    }
                }
                (means, variances)
            })
            .collect();
        let mut means = Vec::with_capacity(tests.len() * components.len());
        let mut variances = Vec::with_capacity(tests.len() * components.len());
        for test in 0..tests.len() {
            for (few, chunk) in components.chunks(CHUNK).zip(&chunks) {
                means.extend_from_slice(&chunk.0[test * few.len()..][..few.len()]);
                variances.extend_from_slice(&chunk.1[test * few.len()..][..few.len()]);
            }
        }
        let classes = bank.ranges().iter().map(|range| {
            let place = |component: usize| components.partition_point(|&own| own < component);
            place(range.start)..place(range.end)
        });
        Prediction {
            weights: components.iter().map(|&component| self.weights[component]).collect(),
            classes: classes.enumerate().filter(|(_, range)| !range.is_empty()).collect(),
            tests: tests.to_vec(),
            means,
            variances,
            components,
        }
    }

    /// Components without the lightest, ascending.
    fn heavy(&self, bank: &Bank) -> Vec<usize> {
        let listed = bank.ranges().last().map_or(0, |unlisted| unlisted.start);
        let mut rising: Vec<usize> = (0..listed).collect();
        rising.sort_by(|&a, &b| self.weights[a].total_cmp(&self.weights[b]));
        let mut light = 0.0;
        let first = rising.iter().position(|&component| {
            light += self.weights[component];
            light > NEGLIGIBLE
        });
        let mut heavy = rising.split_off(first.unwrap_or(listed));
        heavy.sort_unstable();
        heavy.extend((listed..bank.len()).filter(|&component| self.weights[component] > 0.0));
        heavy
    }
}

impl Prediction {
    /// Means of one of the tests, by its place, one a component.
    pub fn means(&self, place: usize) -> &[f64] {
        &self.means[place * self.components.len()..][..self.components.len()]
    }

    /// Variances of one of the tests, by its place, one a component; the reading error is not in them.
    pub fn variances(&self, place: usize) -> &[f64] {
        &self.variances[place * self.components.len()..][..self.components.len()]
    }
}

/// Readings in canonical order, those of one test together; the place of each group is that of its test in the rows.
fn grouped(readings: &[Reading]) -> (Vec<Vec<Observed>>, Vec<TestIndex>) {
    let mut sorted = readings.to_vec();
    sorted.sort_by(Reading::canonical);
    let (mut groups, mut tests): (Vec<Vec<Observed>>, Vec<TestIndex>) = (Vec::new(), Vec::new());
    for reading in sorted {
        match groups.last_mut() {
            Some(group) if tests.last() == Some(&reading.test) => group.push(reading.observed),
            _ => {
                tests.push(reading.test);
                groups.push(vec![reading.observed]);
            }
        }
    }
    (groups, tests)
}

/// Room for the columns of one component.
#[derive(Default)]
struct Workspace {
    mean: Vec<f64>,
    variance: Vec<f64>,
    /// The columns c, one after the other.
    columns: Vec<f64>,
    /// D of every column.
    taken: Vec<f64>,
}

impl Workspace {
    /// Conditions one component on the groups of readings; `rows` begins with their tests. Returns ln of the likelihood
    /// (up to a constant that all components share) and Q.
    fn condition(&mut self, bank: &Bank, component: usize, groups: &[Vec<Observed>], rows: &[TestIndex]) -> (f64, f64) {
        let (packed, count) = (bank.packed(component), rows.len());
        let (means, variances) = (bank.mean_of(component), bank.variances_of(component));
        self.mean.clear();
        self.mean.extend(rows.iter().map(|row| means[row.0]));
        self.variance.clear();
        self.variance.extend(rows.iter().map(|row| variances[row.0]));
        self.columns.clear();
        self.taken.clear();
        let (mut ln_likelihood, mut square) = (0.0, 0.0);
        for (own, group) in groups.iter().enumerate() {
            let test = rows[own].0;
            self.columns.extend(rows.iter().map(|row| packed[place(row.0, test)]));
            let (before, column) = self.columns.split_at_mut(own * count);
            for (earlier, &taken) in before.chunks_exact(count).zip(&self.taken) {
                let factor = taken * earlier[own];
                column.iter_mut().zip(earlier).for_each(|(entry, earlier)| *entry -= factor * earlier);
            }
            // Rounding may leave a variance just below zero.
            let variance = column[own].max(0.0);
            let (mut scale, mut along, mut taken, mut mean) = (1.0, 0.0, 0.0, self.mean[own]);
            for observed in group {
                let gain = Gain::of(observed, mean, scale * variance);
                ln_likelihood += gain.ln_likelihood;
                square += gain.square;
                along += scale * gain.shift;
                mean += scale * variance * gain.shift;
                taken += scale * scale * gain.taken;
                scale *= 1.0 - scale * variance * gain.taken;
            }
            self.mean.iter_mut().zip(&*column).for_each(|(mean, entry)| *mean += along * entry);
            self.variance.iter_mut().zip(&*column).for_each(|(variance, entry)| *variance -= taken * entry * entry);
            self.taken.push(taken);
        }
        self.variance.iter_mut().for_each(|variance| *variance = variance.max(0.0));
        (ln_likelihood, square)
    }
}

/// What one reading does: µ moves by `shift` times the column of its test, Σ loses `taken` times its square.
struct Gain {
    ln_likelihood: f64,
    square: f64,
    shift: f64,
    taken: f64,
}

impl Gain {
    fn of(observed: &Observed, mean: f64, variance: f64) -> Self {
        let v = variance + 1.0;
        match *observed {
            Observed::Point(value) => {
                let d = value - mean;
                let square = d * d / v;
                // ln(0.99·e^(−q/2) + 0.0025·e^(−q/32)) with the slower exponential taken out.
                let tail = -square / 32.0 + (0.99 * (-15.0 / 32.0 * square).exp() + 0.0025).ln();
                Self { ln_likelihood: tail - 0.5 * v.ln(), square, shift: d / v, taken: 1.0 / v }
            }
            Observed::Between { low, high } => {
                let sd = v.sqrt();
                let (alpha, beta) = ((low - mean) / sd, (high - mean) / sd);
                let inside = normal::truncated(alpha, beta);
                let broad = normal::ln_probability(0.25 * alpha, 0.25 * beta);
                let outside = 0.0_f64.max(low - mean).max(mean - high);
                Self {
                    ln_likelihood: ln_sum(0.99_f64.ln() + inside.ln_probability, 0.01_f64.ln() + broad),
                    square: outside * outside / v,
                    shift: inside.mean / sd,
                    taken: (1.0 - inside.variance) / v,
                }
            }
        }
    }
}

/// ln(eᵃ + eᵇ).
fn ln_sum(a: f64, b: f64) -> f64 {
    let (more, less) = if a > b { (a, b) } else { (b, a) };
    if more == f64::NEG_INFINITY { more } else { more + (less - more).exp().ln_1p() }
}
