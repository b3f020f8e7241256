//! Which test next?
//!
//! Of every possible test 64 outcomes are looked at (`outcome.rs`). With F the cost to go and P over *parts* (so that no
//! test is spent on telling two kinds of fault of one part apart):
//!
//! ```text
//! saving = F(P) − mean F(P after an outcome)        bits = H(P) − mean H(P after an outcome)
//! ```
//!
//! If any saving exceeds its test's cost: the best (saving − cost)/cost. Else the most bits per cost while the saving is
//! at least 0.3 of the cost. Else it is time to act. De Kleer and Williams, Artif. Intell. 32 (1987) 97; Golovin, Krause
//! and Ray, NIPS 2010, 766.
//!
//! Both means are taken of differences whose own mean is nought, so that a test which tells nothing saves exactly nothing:
//! the plan that is best now, costed under the outcome, less F there; and Σ Pᵢ' ln(Pᵢ'/Pᵢ), whose mean is the same.

use pulp::Arch;
use rayon::prelude::*;

use super::bank::{Bank, PartIndex, TestIndex};
use super::cost::{self, Plan};
use super::outcome::{Mixture, OUTCOMES, quantiles};
use super::update::Prediction;

/// Bits still count while the saving is at least this fraction of the cost.
const LEAST_SAVING: f64 = 0.3;
/// Tests shown.
const SHOWN: usize = 3;
/// Readings below which a verdict is verified before anything is unsoldered, and how many tests are offered for it.
const ENOUGH_READINGS: usize = 8;
const VERIFYING: usize = 4;
/// Suspects for which an expected reading is shown: at most so many, and none less likely.
const SUSPECTS_SHOWN: usize = 5;
const LEAST_SUSPECT: f64 = 0.01;

/// A test worth doing.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// Which test.
    pub test: TestIndex,
    /// What it tells about the part at fault, bits.
    pub bits: f64,
    /// Expected saving of bench units later on; the cost is not yet taken off.
    pub saving: f64,
    /// What it costs.
    pub cost: f64,
    /// Whether it is to verify a verdict before anything is unsoldered.
    pub verify: bool,
    /// Suspects that it tells apart: those of one group would read much the same. One group: it tells none apart.
    pub separates: Vec<Vec<PartIndex>>,
    /// The reading to expect, by falling probability of the suspects.
    pub expect: Vec<Expectation>,
}

/// The reading to expect if a part is at fault, in volts or dB.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expectation {
    /// Which part.
    pub part: PartIndex,
    /// Median.
    pub value: f64,
    /// One in ten lies below.
    pub low: f64,
    /// One in ten lies above.
    pub high: f64,
}

/// Worth of one test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worth {
    /// Which test.
    pub test: TestIndex,
    /// Expected saving.
    pub saving: f64,
    /// Information on the part.
    pub bits: f64,
}

/// Worth of every predicted test, in their order. `parts`: probability of every part, then of the unlisted fault.
pub fn worth(bank: &Bank, prediction: &Prediction, parts: &[f64]) -> Vec<Worth> {
    let listed = bank.parts.len();
    let now = cost::plan(&bank.costs, &parts[..listed]);
    let quantiles = quantiles();
    let arch = Arch::new();
    let places: Vec<usize> = (0..prediction.tests.len()).collect();
    places
        .par_iter()
        .map(|&place| {
            let mixture = Mixture::new(prediction, place, &prediction.classes, &prediction.weights);
            let after = mixture.after(arch, &mixture.outcomes(&quantiles), parts.len());
            let mut taken = vec![false; listed];
            let (mut saving, mut nats) = (0.0, 0.0);
            for after in after.chunks_exact(parts.len()) {
                let listed = &after[..listed];
                saving += now.cost_under(&bank.costs, listed) - cost::cost_to_go(&bank.costs, listed, &mut taken);
                nats += divergence(after, parts);
            }
            Worth {
                test: prediction.tests[place],
                saving: (saving / OUTCOMES as f64).max(0.0),
                bits: nats / OUTCOMES as f64 / std::f64::consts::LN_2,
            }
        })
        .collect()
}

/// The best tests in order, by the rule above; none when it is time to act.
///
/// `prediction` holds the tests that can be done, `readings` how many there have been.
pub fn next(bank: &Bank, prediction: &Prediction, parts: &[f64], readings: usize) -> Vec<Proposal> {
    if prediction.tests.is_empty() || prediction.components.is_empty() {
        return Vec::new();
    }
    let worth = worth(bank, prediction, parts);
    let ranked = ranked(bank, &worth);
    let acts = ranked.first().is_none_or(|&best| bank.tests[worth[best].test.0].unsolders);
    if acts && readings < ENOUGH_READINGS {
        let verifying = verifying(bank, prediction, parts);
        if !verifying.is_empty() {
            let few = verifying.into_iter().take(VERIFYING.min(ENOUGH_READINGS - readings));
            return few.map(|place| proposal(bank, prediction, parts, place, worth[place], true)).collect();
        }
    }
    let shown = one_of_a_group(bank, prediction, ranked).into_iter().take(SHOWN);
    shown.map(|place| proposal(bank, prediction, parts, place, worth[place], false)).collect()
}

/// Places of the tests that are worth their cost, best first.
fn ranked(bank: &Bank, worth: &[Worth]) -> Vec<usize> {
    let cost = |place: usize| bank.tests[worth[place].test.0].cost.max(f64::MIN_POSITIVE);
    let pays: Vec<usize> = (0..worth.len()).filter(|&place| worth[place].saving > cost(place)).collect();
    if !pays.is_empty() {
        return by_falling(pays, |place| (worth[place].saving - cost(place)) / cost(place));
    }
    let tells = (0..worth.len()).filter(|&place| worth[place].saving >= LEAST_SAVING * cost(place));
    by_falling(tells.collect(), |place| worth[place].bits / cost(place))
}

/// Cheap tests that best tell the leading part from a fault nobody listed, both taken as equally likely; best first.
fn verifying(bank: &Bank, prediction: &Prediction, parts: &[f64]) -> Vec<usize> {
    let other = bank.parts.len();
    let leading = leading(&parts[..other], 1)[0];
    let both: Vec<_> =
        prediction.classes.iter().filter(|(class, _)| [leading, other].contains(class)).cloned().collect();
    if both.len() < 2 {
        return Vec::new();
    }
    let mut weights = prediction.weights.clone();
    for (_, range) in &both {
        let whole: f64 = weights[range.clone()].iter().sum();
        weights[range.clone()].iter_mut().for_each(|weight| *weight *= 0.5 / whole);
    }
    let mut before = vec![0.0; other + 1];
    (before[leading], before[other]) = (0.5, 0.5);
    let (quantiles, arch) = (quantiles(), Arch::new());
    let cheap: Vec<usize> = (0..prediction.tests.len())
        .filter(|&place| {
            let test = &bank.tests[prediction.tests[place].0];
            test.verifies && !test.unsolders
        })
        .collect();
    let rates: Vec<f64> = cheap
        .par_iter()
        .map(|&place| {
            let mixture = Mixture::new(prediction, place, &both, &weights);
            let after = mixture.after(arch, &mixture.outcomes(&quantiles), before.len());
            let nats: f64 = after.chunks_exact(before.len()).map(|after| divergence(after, &before)).sum();
            nats / bank.tests[prediction.tests[place].0].cost.max(f64::MIN_POSITIVE)
        })
        .collect();
    let order = by_falling((0..cheap.len()).collect(), |at| rates[at]);
    one_of_a_group(bank, prediction, order.into_iter().map(|at| cheap[at]).collect())
}

fn proposal(bank: &Bank, prediction: &Prediction, parts: &[f64], place: usize, worth: Worth, verify: bool) -> Proposal {
    let mixture = Mixture::new(prediction, place, &prediction.classes, &prediction.weights);
    let test = &bank.tests[worth.test.0];
    let suspects = leading(&parts[..bank.parts.len()], SUSPECTS_SHOWN);
    let expected: Vec<(PartIndex, [f64; 3])> = suspects
        .into_iter()
        .filter(|&part| parts[part] >= LEAST_SUSPECT)
        .filter_map(|part| {
            let quantile = |probability: f64| mixture.quantile(part, probability);
            Some((PartIndex(part), [quantile(0.1)?, quantile(0.5)?, quantile(0.9)?]))
        })
        .collect();
    let expect = expected.iter().map(|&(part, [low, value, high])| Expectation {
        part,
        value: test.scale.value(value),
        low: test.scale.value(low),
        high: test.scale.value(high),
    });
    Proposal {
        test: worth.test,
        bits: worth.bits,
        saving: worth.saving,
        cost: test.cost,
        verify,
        separates: separated(&expected),
        expect: expect.collect(),
    }
}

/// Groups of suspects, by rising reading, whose ranges overlap inside a group and not between groups.
fn separated(expected: &[(PartIndex, [f64; 3])]) -> Vec<Vec<PartIndex>> {
    let mut rising = expected.to_vec();
    rising.sort_by(|(_, a), (_, b)| a[0].total_cmp(&b[0]));
    let mut groups: Vec<Vec<PartIndex>> = Vec::new();
    let mut reached = f64::NEG_INFINITY;
    for (part, [low, _, high]) in rising {
        match groups.last_mut() {
            Some(group) if low <= reached => group.push(part),
            _ => groups.push(vec![part]),
        }
        reached = reached.max(high);
    }
    groups
}

fn one_of_a_group(bank: &Bank, prediction: &Prediction, places: Vec<usize>) -> Vec<usize> {
    let mut seen = Vec::new();
    let first = |place: &usize| {
        let group = bank.tests[prediction.tests[*place].0].group;
        let new = !seen.contains(&group);
        seen.push(group);
        new
    };
    places.into_iter().filter(first).collect()
}

/// Σ Pᵢ' ln(Pᵢ'/Pᵢ), nats.
fn divergence(after: &[f64], before: &[f64]) -> f64 {
    let each = after.iter().zip(before).filter(|(after, before)| **after > 1e-15 && **before > 0.0);
    each.map(|(after, before)| after * (after / before).ln()).sum()
}

/// The likeliest, by falling probability, those of equal probability in their order.
pub(super) fn leading(probabilities: &[f64], count: usize) -> Vec<usize> {
    let mut order = by_falling((0..probabilities.len()).collect(), |at| probabilities[at]);
    order.truncate(count);
    order
}

fn by_falling(mut places: Vec<usize>, key: impl Fn(usize) -> f64) -> Vec<usize> {
    places.sort_by(|&a, &b| key(b).total_cmp(&key(a)));
    places
}

/// The plan of acting now. `parts` as for [`next`].
pub fn plan_now(bank: &Bank, parts: &[f64]) -> Plan {
    cost::plan(&bank.costs, &parts[..bank.parts.len()])
}
