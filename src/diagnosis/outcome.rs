//! Possible outcomes of one test, and what each would do to the probabilities of the parts.
//!
//! For the parts only the weights count: w_c·N(y; µ_c, v_c) of every component, with the same broad tail as in the update,
//! summed over the components of a part. Outcomes are stratified twice, over the components by weight and inside a
//! component by quantile (a Hammersley set), the same set for every test, so that tests are compared on equal terms.
//!
//! Hammersley, Ann. New York Acad. Sci. 86 (1960) 844

use std::ops::Range;

use pulp::Arch;

use super::normal;
use super::update::Prediction;

/// Outcomes looked at, a power of two.
pub(super) const OUTCOMES: usize = 64;
/// Outcomes worked on at a time.
const LANES: usize = 16;

/// What one test would read, component by component, those of a class together.
#[derive(Clone, Debug)]
pub(super) struct Mixture<'a> {
    classes: &'a [(usize, Range<usize>)],
    weights: &'a [f64],
    means: &'a [f64],
    sds: Vec<f64>,
    /// −1/(32v): the exponent of the broad tail is this times d².
    slow: Vec<f64>,
    /// w/√v.
    heights: Vec<f64>,
}

impl<'a> Mixture<'a> {
    /// The mixture of a predicted test, by its place, over some classes (not none) and with weights of the caller's.
    pub fn new(
        prediction: &'a Prediction,
        place: usize,
        classes: &'a [(usize, Range<usize>)],
        weights: &'a [f64],
    ) -> Self {
        let sds: Vec<f64> = prediction.variances(place).iter().map(|variance| (variance + 1.0).sqrt()).collect();
        Self {
            classes,
            weights,
            means: prediction.means(place),
            slow: sds.iter().map(|sd| -1.0 / (32.0 * sd * sd)).collect(),
            heights: weights.iter().zip(&sds).map(|(weight, sd)| weight / sd).collect(),
            sds,
        }
    }

    /// Stratified outcomes. `quantiles`: of [`quantiles`].
    pub fn outcomes(&self, quantiles: &[f64; OUTCOMES]) -> [f64; OUTCOMES] {
        let components: Vec<usize> = self.classes.iter().flat_map(|(_, range)| range.clone()).collect();
        let total: f64 = components.iter().map(|&component| self.weights[component]).sum();
        let (mut at, mut reached) = (0, self.weights[components[0]]);
        std::array::from_fn(|outcome| {
            let share = (outcome as f64 + 0.5) / OUTCOMES as f64 * total;
            while reached < share && at + 1 < components.len() {
                at += 1;
                reached += self.weights[components[at]];
            }
            self.means[components[at]] + self.sds[components[at]] * quantiles[outcome]
        })
    }

    /// Probability of every class after every outcome, `[outcome][class]`.
    pub fn after(&self, arch: Arch, outcomes: &[f64; OUTCOMES], classes: usize) -> Vec<f64> {
        let mut after = vec![0.0; OUTCOMES * classes];
        for (class, range) in self.classes {
            let components = (&self.means[range.clone()], &self.slow[range.clone()], &self.heights[range.clone()]);
            for (block, few) in outcomes.as_chunks::<LANES>().0.iter().enumerate() {
                let sums = arch.dispatch(
                    #[inline(always)]
                    || likelihoods(components, few),
                );
                for (lane, sum) in sums.iter().enumerate() {
                    after[(block * LANES + lane) * classes + class] = *sum;
                }
            }
        }
        for after in after.chunks_exact_mut(classes) {
            let total: f64 = after.iter().sum();
            after.iter_mut().for_each(|probability| *probability /= total);
        }
        after
    }

    /// The outcome that a class stays below with this probability, by bisection; `None` for a class without components.
    pub fn quantile(&self, class: usize, probability: f64) -> Option<f64> {
        let range = self.classes.iter().find(|(own, _)| *own == class)?.1.clone();
        let (means, sds, weights) = (&self.means[range.clone()], &self.sds[range.clone()], &self.weights[range]);
        let total: f64 = weights.iter().sum();
        let below = |y: f64| -> f64 {
            let each = means.iter().zip(sds).zip(weights);
            each.map(|((mean, sd), weight)| weight * normal::cumulative((y - mean) / sd)).sum::<f64>() / total
        };
        let ends = means.iter().zip(sds);
        let mut low = ends.clone().map(|(mean, sd)| mean - 9.0 * sd).fold(f64::INFINITY, f64::min);
        let mut high = ends.map(|(mean, sd)| mean + 9.0 * sd).fold(f64::NEG_INFINITY, f64::max);
        // A thousandth of a reading sd is more than anybody reads.
        while high - low > 1e-3 {
            let middle = 0.5 * (low + high);
            if below(middle) < probability { low = middle } else { high = middle }
        }
        Some(0.5 * (low + high))
    }
}

/// Quantiles of 0.99·N(0,1) + 0.01·N(0,16), the error a component expects, in the order of the outcomes.
pub(super) fn quantiles() -> [f64; OUTCOMES] {
    let bits = OUTCOMES.trailing_zeros();
    std::array::from_fn(|outcome| {
        let reversed = (outcome as u32).reverse_bits() >> (u32::BITS - bits);
        let probability = (f64::from(reversed) + 0.5) / OUTCOMES as f64;
        let mut x = normal::quantile(probability);
        for _ in 0..20 {
            let below = 0.99 * normal::cumulative(x) + 0.01 * normal::cumulative(0.25 * x);
            x -= (below - probability) / (0.99 * normal::density(x) + 0.0025 * normal::density(0.25 * x));
        }
        x
    })
}

#[inline(always)]
fn likelihoods((means, slow, heights): (&[f64], &[f64], &[f64]), outcomes: &[f64; LANES]) -> [f64; LANES] {
    let mut sums = [0.0; LANES];
    for ((&mean, &slow), &height) in means.iter().zip(slow).zip(heights) {
        for lane in 0..LANES {
            let d = outcomes[lane] - mean;
            let tail = exp_of_negative(d * d * slow);
            let twice = tail * tail;
            let fourth = twice * twice;
            let eighth = fourth * fourth;
            sums[lane] = height.mul_add(eighth.mul_add(0.99 * eighth, 0.0025 * tail), sums[lane]);
        }
    }
    sums
}

/// exp(x) for x ≤ 0, to 1e-10 of it, in steps that run on many numbers at once and are the same on every machine; never
/// below exp(−700).
///
/// x = n·ln 2 + r with |r| ≤ ln 2/2 (Cody and Waite, Software Manual for the Elementary Functions, 1980), exp(r) by its
/// Taylor series: the tenth term is below 1e-11.
#[inline(always)]
fn exp_of_negative(x: f64) -> f64 {
    /// Adding it leaves n + 1023 in the lowest bits: the exponent of 2ⁿ.
    const SHIFT: f64 = 6_755_399_441_055_744.0 + 1023.0;
    const LN_2_HIGH: f64 = 6.931_471_803_691_238e-1;
    const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;
    let x = if x > -700.0 { x } else { -700.0 };
    let shifted = x.mul_add(std::f64::consts::LOG2_E, SHIFT);
    let n = shifted - SHIFT;
    let r = n.mul_add(-LN_2_LOW, n.mul_add(-LN_2_HIGH, x));
    let power = f64::from_bits(shifted.to_bits() << 52);
    let mut series = 1.0 / 362_880.0;
    for term in [1.0 / 40320.0, 1.0 / 5040.0, 1.0 / 720.0, 1.0 / 120.0, 1.0 / 24.0, 1.0 / 6.0, 0.5, 1.0, 1.0] {
        series = r.mul_add(series, term);
    }
    power * series
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fast_exponential_agrees_with_the_libraries() {
        for step in 0..=70_000 {
            let x = -0.01 * f64::from(step);
            let exact = libm::exp(x);
            assert!((exp_of_negative(x) - exact).abs() <= 1e-10 * exact, "{x}");
        }
        assert!(exp_of_negative(f64::NEG_INFINITY) <= 1e-300);
    }
}
