//! What it costs to go on: unsoldering parts in the order of suspicion until the right one is found.
//!
//! Parts by falling probability p, rem = 1: each adds min(30(rem − p), 15 rem) — replaced blindly, the cost of a wrong
//! part with the probability that it is wrong; or one leg lifted first, which tells. Then rem −= p. One may stop after any
//! part, and searches openly then: 60 rem. The cost to go is the least over where one stops.
//!
//! Troubleshooting with costs: Breese and Heckerman, UAI 1996, 124.

use super::bank::PartIndex;

/// Costs of acting, in bench units (common practice, no source).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Costs {
    /// A part replaced that was not guilty.
    pub wrong_part: f64,
    /// A leg lifted to see whether the part is guilty.
    pub lift: f64,
    /// Nothing listed fits: the open search.
    pub open_search: f64,
}

impl Default for Costs {
    fn default() -> Self {
        Self { wrong_part: 30.0, lift: 15.0, open_search: 60.0 }
    }
}

/// What is done to a part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Act {
    /// It is replaced.
    Replace,
    /// A leg is lifted first.
    Lift,
}

/// One part of a plan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Which part.
    pub part: PartIndex,
    /// What is done to it.
    pub act: Act,
    /// What that is expected to cost, the chance that one need not come so far included.
    pub cost: f64,
}

/// The cheapest order of acting without any further test.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Parts in order; the open search comes after the last.
    pub steps: Vec<Step>,
    /// Expected cost of all, bench units: the cost to go F(P).
    pub cost: f64,
}

impl Plan {
    /// What this plan would cost under other probabilities, which is never less than the cost to go under them.
    pub(super) fn cost_under(&self, costs: &Costs, probabilities: &[f64]) -> f64 {
        let (mut rem, mut cost) = (1.0, 0.0);
        for step in &self.steps {
            let p = probabilities[step.part.0];
            cost += match step.act {
                Act::Replace => costs.wrong_part * (rem - p),
                Act::Lift => costs.lift * rem,
            };
            rem -= p;
        }
        cost + costs.open_search * rem
    }
}

/// The cheapest plan, and with it the cost to go.
///
/// `probabilities`: one a part; what is missing to 1 is nothing listed.
pub fn plan(costs: &Costs, probabilities: &[f64]) -> Plan {
    let mut steps = Vec::new();
    let (cost, count) = search(costs, probabilities, &mut vec![false; probabilities.len()], |step| steps.push(step));
    steps.truncate(count);
    Plan { steps, cost }
}

/// The cost to go F(P) alone. `taken`: working space of the length of `probabilities`.
pub(super) fn cost_to_go(costs: &Costs, probabilities: &[f64], taken: &mut [bool]) -> f64 {
    search(costs, probabilities, taken, |_| {}).0
}

/// Least cost, and after how many parts it stops.
fn search(costs: &Costs, probabilities: &[f64], taken: &mut [bool], mut visit: impl FnMut(Step)) -> (f64, usize) {
    taken.fill(false);
    let (mut rem, mut so_far) = (1.0_f64, 0.0);
    let mut best = (f64::INFINITY, 0);
    for count in 1..=probabilities.len() {
        // Picked one by one: costs never fall, so that a few parts decide.
        let mut next = None;
        for (part, &p) in probabilities.iter().enumerate() {
            if !taken[part] && next.is_none_or(|(_, most)| p > most) {
                next = Some((part, p));
            }
        }
        let Some((part, p)) = next else { break };
        taken[part] = true;
        let (replace, lift) = (costs.wrong_part * (rem - p).max(0.0), costs.lift * rem);
        let (act, cost) = if replace <= lift { (Act::Replace, replace) } else { (Act::Lift, lift) };
        visit(Step { part: PartIndex(part), act, cost });
        so_far += cost;
        rem = (rem - p).max(0.0);
        let stopping_here = so_far + costs.open_search * rem;
        if stopping_here < best.0 {
            best = (stopping_here, count);
        }
        if so_far >= best.0 {
            break;
        }
    }
    if best.1 == 0 { (costs.open_search, 0) } else { best }
}
