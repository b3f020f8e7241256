//! Who did it: parts by falling probability, kinds and severities inside them, never more than 99 % sure.

use super::bank::{Bank, HypothesisIndex, PartIndex};
use super::next::leading;
use super::update::Posterior;

/// No part is ever named with more; the rest goes to the unlisted fault.
pub const MOST_CERTAIN: f64 = 0.99;
/// What the smallest set reaches.
const SET: f64 = 0.9;

/// A part under suspicion.
#[derive(Clone, Debug, PartialEq)]
pub struct Suspect {
    /// Which part.
    pub part: PartIndex,
    /// Its probability, kinds and severities merged, at most 0.99.
    pub probability: f64,
    /// What may be wrong with it, by falling probability; they add up to that of the part.
    pub kinds: Vec<KindOfFault>,
}

/// One kind of fault of a suspect.
#[derive(Clone, Debug, PartialEq)]
pub struct KindOfFault {
    /// Which hypothesis.
    pub hypothesis: HypothesisIndex,
    /// Its probability.
    pub probability: f64,
    /// How bad, in the unit of the hypothesis; `None` where it has no severity.
    pub severity: Option<Severity>,
}

/// How bad a fault is, given that it is this one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Severity {
    /// One in ten lies below.
    pub p10: f64,
    /// Half lie below.
    pub median: f64,
    /// One in ten lies above.
    pub p90: f64,
}

/// The verdict of a posterior.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// All parts that a fault is listed for, by falling probability.
    pub suspects: Vec<Suspect>,
    /// Probability that the fault is not listed; what any part exceeds 0.99 by is in it.
    pub unknown_probability: f64,
    /// The smallest set of parts that reaches 90 %.
    pub smallest_set: Vec<PartIndex>,
    /// Whether the unlisted fault belongs to that set as well.
    pub set_has_unknown: bool,
}

/// The verdict of a posterior.
pub fn verdict(bank: &Bank, posterior: &Posterior) -> Verdict {
    let parts = posterior.parts(bank);
    let listed = bank.parts.len();
    let capped: Vec<f64> = parts[..listed].iter().map(|probability| probability.min(MOST_CERTAIN)).collect();
    let excess: f64 = parts.iter().zip(&capped).map(|(whole, capped)| whole - capped).sum();
    let unknown_probability = (parts[listed] + excess).clamp(0.0, 1.0);
    let order = leading(&capped, listed);
    let (mut smallest_set, mut set_has_unknown, mut reached) = (Vec::new(), false, 0.0);
    let mut members: Vec<(Option<usize>, f64)> = order.iter().map(|&part| (Some(part), capped[part])).collect();
    let place = members.partition_point(|(_, probability)| *probability >= unknown_probability);
    members.insert(place, (None, unknown_probability));
    for (part, probability) in members {
        if reached >= SET {
            break;
        }
        reached += probability;
        match part {
            Some(part) => smallest_set.push(PartIndex(part)),
            None => set_has_unknown = true,
        }
    }
    let suspects = order
        .into_iter()
        .filter(|&part| !bank.ranges()[part].is_empty())
        .map(|part| {
            let factor = if parts[part] > 0.0 { capped[part] / parts[part] } else { 1.0 };
            Suspect { part: PartIndex(part), probability: capped[part], kinds: kinds(bank, posterior, part, factor) }
        })
        .collect();
    Verdict { suspects, unknown_probability, smallest_set, set_has_unknown }
}

fn kinds(bank: &Bank, posterior: &Posterior, part: usize, factor: f64) -> Vec<KindOfFault> {
    let mut kinds = Vec::new();
    let mut start = bank.ranges()[part].start;
    let end = bank.ranges()[part].end;
    while start < end {
        let hypothesis = bank.hypothesis_of(start);
        let stop = (start..end).find(|&at| bank.hypothesis_of(at) != hypothesis).unwrap_or(end);
        let weights = &posterior.weights[start..stop];
        let severities: Option<Vec<f64>> = (start..stop).map(|at| bank.severity_of(at)).collect();
        kinds.push(KindOfFault {
            hypothesis,
            probability: factor * weights.iter().sum::<f64>(),
            severity: severities.and_then(|severities| severity(&severities, weights)),
        });
        start = stop;
    }
    kinds.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    kinds
}

/// Quantiles over ascending severity points, each point's weight reaching half to either side on a logarithmic scale.
fn severity(severities: &[f64], weights: &[f64]) -> Option<Severity> {
    let total: f64 = weights.iter().sum();
    if total <= 0.0 {
        return None;
    }
    let mut below = 0.0;
    let middles: Vec<f64> = weights
        .iter()
        .map(|weight| {
            below += weight / total;
            below - 0.5 * weight / total
        })
        .collect();
    let quantile = |probability: f64| {
        let above = middles.partition_point(|middle| *middle < probability);
        if above == 0 {
            return severities[0];
        }
        if above == middles.len() {
            return severities[above - 1];
        }
        let (from, to) = (severities[above - 1].ln(), severities[above].ln());
        let share = (probability - middles[above - 1]) / (middles[above] - middles[above - 1]);
        (from + share * (to - from)).exp()
    };
    Some(Severity { p10: quantile(0.1), median: quantile(0.5), p90: quantile(0.9) })
}
