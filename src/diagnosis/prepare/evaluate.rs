//! Circuits in every state: bias and hiss by the full nonlinear solution, eight at a time.

use super::plan::{Plan, State};
use crate::bias::BiasPoint;
use crate::circuit::Circuit;
use crate::noise::{Observer, Weighting};
use crate::variants::{Family, HissRequest, Output, Points, Variant};

/// One circuit in one state.
#[derive(Clone, Debug)]
pub(super) struct InState {
    /// The circuit in that state.
    pub circuit: Circuit,
    /// Its bias.
    pub bias: BiasPoint,
    /// Hiss of every output of the state, V rms at the input of the instrument.
    pub rms: Vec<f64>,
    /// Volts of every DC point of the state, no meter there.
    pub volts: Vec<f64>,
}

/// Families by structure, one of them common to all.
pub(super) struct Solver<'f> {
    common: &'f Family,
    own: Vec<Family>,
}

impl<'f> Solver<'f> {
    pub fn new(common: &'f Family) -> Self {
        Self { common, own: Vec::new() }
    }

    /// Place of the family of a circuit: 0 is the common one. `None` where no bias is found for its structure.
    fn family(&mut self, circuit: &Circuit) -> Option<usize> {
        if self.common.fits(circuit) {
            return Some(0);
        }
        if let Some(at) = self.own.iter().position(|family| family.fits(circuit)) {
            return Some(at + 1);
        }
        self.own.push(Family::new(circuit).ok()?);
        Some(self.own.len())
    }

    fn at(&self, place: usize) -> &Family {
        if place == 0 { self.common } else { &self.own[place - 1] }
    }

    /// Every circuit in every one of `states`, indexed `[state][circuit]`; `None` without a solution. `rest` holds the bias
    /// of each circuit at rest, `None` for circuits that are left out.
    pub fn solve(
        &mut self,
        plan: &Plan<'_>,
        circuits: &[Circuit],
        rest: &[Option<BiasPoint>],
        states: &[usize],
    ) -> Vec<Vec<Option<InState>>> {
        let mut jobs: Vec<Job> = Vec::new();
        let mut made: Vec<Circuit> = Vec::new();
        for (row, &state) in states.iter().enumerate() {
            for (column, (circuit, rest)) in circuits.iter().zip(rest).enumerate() {
                let Some(rest) = rest else { continue };
                let adjustments = plan.adjustments(&plan.states[state], circuit, rest);
                let Ok(circuit) = circuit.adjusted(&adjustments) else { continue };
                let Some(family) = self.family(&circuit) else { continue };
                jobs.push(Job { row, column, family });
                made.push(circuit);
            }
        }
        let mut results: Vec<Vec<Option<InState>>> = states.iter().map(|_| vec![None; circuits.len()]).collect();
        for family in 0..=self.own.len() {
            let chosen: Vec<usize> = (0..jobs.len()).filter(|&at| jobs[at].family == family).collect();
            if chosen.is_empty() {
                continue;
            }
            let family = self.at(family);
            let own: Vec<Circuit> = chosen.iter().map(|&at| made[at].clone()).collect();
            let start = |at: usize| {
                let near = rest[jobs[chosen[at]].column].as_ref();
                near.filter(|near| near.x.len() == family.nominal().x.len()).unwrap_or(family.nominal())
            };
            let solved = family.solve_from(&own, start);
            for (row, &state) in states.iter().enumerate() {
                let of_state: Vec<usize> =
                    (0..chosen.len()).filter(|&at| jobs[chosen[at]].row == row && solved[at].is_ok()).collect();
                let variants: Vec<&Variant> = of_state.iter().filter_map(|&at| solved[at].as_ref().ok()).collect();
                let hisses = hiss(plan, family, &plan.states[state], &variants);
                for ((&at, variant), rms) in of_state.iter().zip(&variants).zip(hisses) {
                    let Some(rms) = rms else { continue };
                    let volts = plan.states[state].dc.iter().map(|&point| {
                        let point = &plan.points[point];
                        variant.bias().volts(point.plus) - variant.bias().volts(point.minus)
                    });
                    results[row][jobs[chosen[at]].column] = Some(InState {
                        circuit: own[at].clone(),
                        bias: variant.bias().clone(),
                        rms,
                        volts: volts.collect(),
                    });
                }
            }
        }
        results
    }

    /// The bias of every circuit at rest.
    pub fn rest(&mut self, circuits: &[Circuit]) -> Vec<Option<BiasPoint>> {
        let Some(middle) = circuits.get(circuits.len() / 2) else { return Vec::new() };
        // Where the middle of the range has none, another severity may.
        let family = self.family(middle).or_else(|| circuits.iter().find_map(|circuit| self.family(circuit)));
        let Some(family) = family else { return vec![None; circuits.len()] };
        self.at(family).solve(circuits).into_iter().map(|solved| solved.ok().map(|it| it.bias().clone())).collect()
    }
}

/// A circuit in a state: which, and by which family.
struct Job {
    row: usize,
    column: usize,
    family: usize,
}

/// V rms at each output of a state, each with its instrument.
fn hiss(plan: &Plan<'_>, family: &Family, state: &State, variants: &[&Variant]) -> Vec<Option<Vec<f64>>> {
    if variants.is_empty() {
        return Vec::new();
    }
    let mut rms: Vec<Option<Vec<f64>>> = vec![Some(vec![0.0; state.outputs.len()]); variants.len()];
    for scope in [false, true] {
        let places: Vec<usize> = (0..state.outputs.len()).filter(|&at| state.outputs[at].1 == scope).collect();
        if places.is_empty() {
            continue;
        }
        let (observer, band_hz) = instrument(plan, scope);
        let outputs = places.iter().map(|&at| {
            let point = &plan.points[state.outputs[at].0];
            Output { plus: point.plus, minus: point.minus, observer }
        });
        let request = HissRequest {
            outputs: outputs.collect(),
            band_hz,
            weighting: Weighting::Flat,
            points: Points::Fixed,
            by_source: false,
            stimulus: None,
            gain_hz: Vec::new(),
        };
        for (all, hiss) in rms.iter_mut().zip(family.noise(variants, &request)) {
            match (all.as_mut(), hiss) {
                (Some(all), Ok(hiss)) => {
                    places.iter().zip(&hiss.outputs).for_each(|(&at, output)| all[at] = output.mean_square_v2.sqrt());
                }
                _ => *all = None,
            }
        }
    }
    rms
}

/// What is put to a point, and its band.
pub(super) fn instrument(plan: &Plan<'_>, scope: bool) -> (Observer, [f64; 2]) {
    let instruments = &plan.sheet.instruments;
    let (loading, coupling_hz, band_hz) = match scope {
        false => (instruments.meter.loading, 0.0, plan.sheet.band_hz),
        true => (instruments.scope.probe.loading, instruments.scope.coupling_hz, instruments.scope.band_hz()),
    };
    let temperature = plan.circuit.ambient;
    (Observer { siemens: 1.0 / loading.ohms, farads: loading.farads, temperature, coupling_hz }, band_hz)
}
