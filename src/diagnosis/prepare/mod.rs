//! The bank of a sheet: every fault it lists, at thirty severities, in every state that a bench can put the set in.
//!
//! 1. Every severity point at rest, by the nonlinear solution; points that cannot show the complaint are left out.
//! 2. The points that are left in every state: controls, temperatures, shunts. That gives the means.
//! 3. At a few of them the derivatives by all tolerances, by the adjoint network; between them they are interpolated.
//! 4. Each point stands for the cell around it: what the means of its neighbours say the readings move in there.
//! 5. The complaint is a reading: a point that shows it only with luck weighs less, and its tolerances lie accordingly.
//!
//! Work is shared out by fault and collected in order, so that no byte depends on the number of threads.

mod component;
mod evaluate;
mod observe;
mod plan;
mod shunt;
mod slopes;
mod spread;

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use nalgebra::DMatrix;
use rayon::prelude::*;

use super::bank::{Bank, BankBuilder, BankError, Component, Hypothesis, HypothesisIndex, PartIndex, Test, TestIndex};
use super::cost::Costs;
use super::inseparable::inseparable;
use super::misfit::DEFAULT_THRESHOLD;
use super::other::OtherSettings;
use crate::bench::reading::{How, Measure, Reading};
use crate::bench::sheet::Sheet;
use crate::bench::simulated::healthy_adjustments;
use crate::bench::tolerance::Effect;
use crate::bench::{FaultKind, ListedFault};
use crate::bias::{BiasPoint, SolveError};
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;
use crate::variants::Family;
use component::{Model, Moments, Solved, columns, crackles, moments, scale};
use evaluate::{InState, Solver};
use plan::Plan;
pub use plan::PlanError;
pub use shunt::{CHARGING_OHMS, refuses_shunt};
use slopes::Slopes;

/// Severity points of each fault.
pub const POINTS: usize = 30;
/// Severity points with derivatives of their own.
const SLOPE_POINTS: usize = 4;
/// Points that show the complaint less often than this are left out.
const LEAST_SHOWN: f64 = 0.01;
/// A replacement that may move a reading by so many sd makes it void.
const TOUCHED_SD: f64 = 0.3;

/// Units a part that are drawn to find out what cannot be told apart, and the seed of all draws.
const INSEPARABLE_UNITS: usize = 16;
const SEED: u64 = 1;

/// Why there is no bank.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PrepareError {
    /// Something about the sheet.
    #[error(transparent)]
    Sheet(Diagnostic),
    /// The healthy circuit has no bias.
    #[error(transparent)]
    Unsolved(SolveError),
    /// No listed fault can cause the complaint.
    #[error(transparent)]
    Bank(BankError),
}

impl From<PlanError> for PrepareError {
    fn from(error: PlanError) -> Self {
        match error {
            PlanError::Sheet(problem) => Self::Sheet(problem),
            PlanError::Unsolved(error) => Self::Unsolved(error),
        }
    }
}

/// A bank, and what its tests are.
#[derive(Debug)]
pub struct Prepared<'s> {
    plan: Plan<'s>,
    /// The bank.
    pub bank: Arc<Bank>,
    /// Misfit below which no listed fault explains the readings.
    pub threshold: f64,
    /// Sets of parts that no test tells apart.
    pub inseparable: Vec<Vec<String>>,
    /// Kinds of fault that cannot cause this complaint, by part, in netlist order.
    pub impossible: Vec<(String, FaultKind)>,
}

impl<'s> Prepared<'s> {
    /// Prepares the bank of a sheet. `progress` is told how many of how many faults are done, from any thread.
    ///
    /// # Errors
    /// [`PrepareError`]
    pub fn of(sheet: &'s Sheet, progress: &(dyn Fn(usize, usize) + Sync)) -> Result<Self, PrepareError> {
        let plan = Plan::of(sheet)?;
        let healthy = Healthy::of(&plan)?;
        let done = AtomicUsize::new(0);
        let all = plan.faults.len();
        let components: Vec<Vec<OneComponent>> = plan
            .faults
            .par_iter()
            .map(|fault| {
                let of_fault = of_fault(&plan, &healthy, fault);
                progress(done.fetch_add(1, Ordering::Relaxed) + 1, all);
                of_fault
            })
            .collect();
        let impossible = plan.faults.iter().zip(&components).filter(|(_, components)| components.is_empty());
        let impossible = impossible.map(|(fault, _)| (fault.name.clone(), fault.kind)).collect();
        let bank = bank(&plan, &healthy, components).map_err(PrepareError::Bank)?;
        let tests: Vec<TestIndex> = (0..bank.tests.len()).map(TestIndex).collect();
        let sets = inseparable(&bank, &tests, INSEPARABLE_UNITS, SEED);
        let name = |part: PartIndex| bank.parts[part.0].clone();
        let inseparable = sets.into_iter().map(|set| set.into_iter().map(name).collect()).collect();
        let threshold = DEFAULT_THRESHOLD;
        Ok(Self { bank: Arc::new(bank), threshold, inseparable, impossible, plan })
    }

    /// The sheet.
    pub fn sheet(&self) -> &'s Sheet {
        self.plan.sheet
    }

    /// The tests, in the order of the bank's.
    pub fn tests(&self) -> impl ExactSizeIterator<Item = &Reading> {
        self.plan.tests.iter().map(|test| &test.reading)
    }

    /// The test of the bank that a reading is of.
    ///
    /// # Errors
    /// Names that stand for nothing, and tests that are not prepared.
    pub fn find(&self, reading: &Reading) -> Result<TestIndex, Diagnostic> {
        self.plan.find(reading).map(TestIndex)
    }

    /// Nodes that must not be shunted, and why.
    pub fn refused(&self) -> &[(String, String)] {
        &self.plan.refused
    }
}

/// The healthy circuit in its middle.
struct Healthy {
    family: Family,
    /// ln of the hiss from which on the complaint shows, one a setting.
    limits: Vec<f64>,
    /// sd of ln(hiss) at each setting.
    spreads: Vec<f64>,
    model: Model,
}

impl Healthy {
    fn of(plan: &Plan<'_>) -> Result<Self, PrepareError> {
        let middle = middle(plan, &plan.circuit).map_err(|error| PrepareError::Sheet(*error))?;
        let family = Family::new(&middle).map_err(PrepareError::Unsolved)?;
        let circuits = [middle];
        let rest = [Some(family.nominal().clone())];
        let mut solver = Solver::new(&family);
        let states: Vec<usize> = (0..plan.states.len()).collect();
        let solved = solver.solve(plan, &circuits, &rest, &states);
        let mut model = Model { states: Vec::new(), slopes: Vec::new() };
        for (state, solved) in solved.into_iter().enumerate() {
            let at = solved.into_iter().next().flatten();
            let slopes = at.as_ref().and_then(|at| Slopes::of(plan, &plan.states[state], at).ok());
            let (Some(at), Some(slopes)) = (at, slopes) else {
                let unknown = "a state of a test".to_owned();
                let error = SolveError::Singular { unknown, frequency_hz: None, reason: None };
                return Err(PrepareError::Unsolved(error));
            };
            model.states.push(at);
            model.slopes.push(slopes);
        }
        let complaint = plan.sheet.complaint.clone().unwrap_or_default();
        let over = complaint.hiss_db * std::f64::consts::LN_10 / 20.0;
        let settings = &plan.complaint.0;
        let limits = settings.iter().map(|&(state, output)| model.states[state].rms[output].ln() + over).collect();
        let spreads = settings
            .iter()
            .map(|&(state, output)| model.slopes[state].hiss[output].iter().map(|by| by * by).sum::<f64>().sqrt());
        let spreads = spreads.collect();
        Ok(Self { family, limits, spreads, model })
    }
}

/// A component with its factor.
struct OneComponent {
    severity: Option<f64>,
    share: f64,
    mean: Vec<f64>,
    factor: DMatrix<f64>,
}

/// A circuit with every tolerance at its middle.
fn middle(plan: &Plan<'_>, circuit: &Circuit) -> Result<Circuit, Box<Diagnostic>> {
    let zeros = vec![0.0; plan.coordinates.len()];
    circuit.adjusted(&healthy_adjustments(&plan.coordinates, &zeros, circuit, &plan.circuit))
}

/// Where the points of a fault lie between mild and severe, one fraction a number of it: the first stratified, the others
/// in a Kronecker sequence of the plastic constant (Roberts 2018), so that no pair of them lines up.
fn fractions(ranges: usize) -> Vec<Vec<f64>> {
    const STEPS: [f64; 3] = [0.754_877_666_246_692_7, 0.569_840_290_998_053_3, 0.430_159_709_001_946_7];
    let count = if ranges == 0 { 1 } else { POINTS };
    let of = |at: usize, number: usize| match number {
        0 => (at as f64 + 0.5) / count as f64,
        _ => (0.5 + (at + 1) as f64 * STEPS[(number - 1) % STEPS.len()]).fract(),
    };
    (0..count).map(|at| (0..ranges).map(|number| of(at, number)).collect()).collect()
}

fn of_fault(plan: &Plan<'_>, healthy: &Healthy, fault: &ListedFault) -> Vec<OneComponent> {
    let points = fractions(fault.prior.ranges.len());
    let mut solver = Solver::new(&healthy.family);
    // Points that no circuit can have are left out with their weight.
    let made: Vec<(usize, Circuit)> = points
        .iter()
        .enumerate()
        .filter_map(|(at, fractions)| {
            let changes = fault.at(fractions).changes(&plan.circuit).ok()?;
            Some((at, middle(plan, &plan.circuit.changed(&changes).ok()?).ok()?))
        })
        .collect();
    let (places, circuits): (Vec<usize>, Vec<Circuit>) = made.into_iter().unzip();
    let mut rest = solver.rest(&circuits);
    let heard: Vec<usize> = plan.complaint.0.iter().map(|(state, _)| *state).collect();
    let solved = solver.solve(plan, &circuits, &rest, &heard);
    for (column, rest) in rest.iter_mut().enumerate() {
        if !may_complain(plan, healthy, &solved, column) {
            *rest = None;
        }
    }
    let kept: Vec<usize> = (0..circuits.len()).filter(|&column| rest[column].is_some()).collect();
    if kept.is_empty() {
        return Vec::new();
    }
    let kept_circuits: Vec<Circuit> = kept.iter().map(|&column| circuits[column].clone()).collect();
    let kept_rest: Vec<Option<BiasPoint>> = kept.iter().map(|&column| rest[column].clone()).collect();
    let states: Vec<usize> = (0..plan.states.len()).collect();
    let solved = solver.solve(plan, &kept_circuits, &kept_rest, &states);
    let whole: Vec<usize> = (0..kept.len()).filter(|&at| solved.iter().all(|state| state[at].is_some())).collect();
    let slopes = Sloped::of(plan, &solved, &whole);
    let Some(slopes) = slopes else { return Vec::new() };
    let component = |(order, &at): (usize, &usize)| {
        let states: Vec<&InState> = solved.iter().filter_map(|state| state[at].as_ref()).collect();
        let moments = moments(plan, &Solved { states, slopes: slopes.at(order) }, &healthy.model, &healthy.limits);
        let finite = moments.mean.iter().chain(moments.factor.iter()).all(|number| number.is_finite());
        (finite && moments.shows >= LEAST_SHOWN).then_some((&points[places[kept[at]]], moments))
    };
    let shown: Vec<(&Vec<f64>, Moments)> = whole.iter().enumerate().filter_map(component).collect();
    let places: Vec<(&[f64], &[f64])> = shown.iter().map(|(at, moments)| (&at[..], &moments.mean[..])).collect();
    let spreads = spread::columns(&places, points.len());
    let crackles = crackles(plan, fault);
    let spread = |((fractions, mut moments), own): ((&Vec<f64>, Moments), DMatrix<f64>)| {
        let columns = moments.factor.ncols();
        let mut factor = moments.factor.resize_horizontally(columns + own.ncols() + crackles.len(), 0.0);
        factor.columns_mut(columns, own.ncols()).copy_from(&own);
        for (column, &(test, [mean, sd])) in crackles.iter().enumerate() {
            moments.mean[test] = mean;
            factor[(test, columns + own.ncols() + column)] = sd;
        }
        OneComponent {
            severity: fractions.first().and_then(|&fraction| fault.severity(fraction)),
            share: moments.shows / points.len() as f64,
            mean: moments.mean,
            factor,
        }
    };
    shown.into_iter().zip(spreads).map(spread).collect()
}

/// Whether a point may show the complaint with tolerances at their best.
fn may_complain(plan: &Plan<'_>, healthy: &Healthy, solved: &[Vec<Option<InState>>], column: usize) -> bool {
    const FARTHEST_SD: f64 = 3.0;
    let mut over = plan.complaint.0.iter().enumerate().map(|(setting, &(_, output))| {
        let Some(at) = &solved[setting][column] else { return false };
        at.rms[output].ln() > healthy.limits[setting] - FARTHEST_SD * healthy.spreads[setting]
    });
    if plan.complaint.1 { over.all(|over| over) } else { over.any(|over| over) }
}

/// Slopes at some of the points of a fault.
struct Sloped {
    /// Place in the order of points, and the slopes of every state.
    known: Vec<(usize, Vec<Slopes>)>,
}

impl Sloped {
    fn of(plan: &Plan<'_>, solved: &[Vec<Option<InState>>], whole: &[usize]) -> Option<Self> {
        let last = whole.len().checked_sub(1)?;
        let steps = SLOPE_POINTS.min(whole.len()) - 1;
        let mut chosen: Vec<usize> = (0..=steps).map(|step| step * last / steps.max(1)).collect();
        chosen.dedup();
        let of_point = |&order: &usize| {
            let each = solved
                .iter()
                .zip(&plan.states)
                .map(|(state, planned)| Slopes::of(plan, planned, state[whole[order]].as_ref()?).ok());
            Some((order, each.collect::<Option<Vec<Slopes>>>()?))
        };
        let known: Vec<(usize, Vec<Slopes>)> = chosen.par_iter().filter_map(of_point).collect();
        (!known.is_empty()).then_some(Self { known })
    }

    /// Between the nearest two, held at the ends.
    fn at(&self, order: usize) -> Vec<Slopes> {
        let above = self.known.iter().position(|(known, _)| *known >= order).unwrap_or(self.known.len() - 1);
        let (to, upper) = &self.known[above];
        if above == 0 || *to == order {
            return upper.clone();
        }
        let (from, lower) = &self.known[above - 1];
        if order >= *to {
            return upper.clone();
        }
        let share = (order - from) as f64 / (to - from) as f64;
        lower.iter().zip(upper).map(|(lower, upper)| lower.between(upper, share)).collect()
    }
}

fn bank(plan: &Plan<'_>, healthy: &Healthy, components: Vec<Vec<OneComponent>>) -> Result<Bank, BankError> {
    let mut parts: Vec<String> = Vec::new();
    let hypotheses: Vec<Hypothesis> = plan
        .faults
        .iter()
        .map(|fault| {
            let known = parts.iter().position(|part| *part == fault.name);
            let part = known.unwrap_or_else(|| {
                parts.push(fault.name.clone());
                parts.len() - 1
            });
            Hypothesis {
                part: Some(PartIndex(part)),
                kind: fault.kind.name().to_owned(),
                weight: fault.prior.weight,
                moves_dc: moves_dc(fault.kind),
            }
        })
        .collect();
    let tests = tests(plan, healthy, &parts);
    let mut builder = BankBuilder::new(parts, hypotheses, tests);
    for (hypothesis, of_fault) in components.into_iter().enumerate() {
        for OneComponent { severity, share, mean, factor } in of_fault {
            let component = Component { hypothesis: HypothesisIndex(hypothesis), severity, share, mean };
            builder.add(component, &factor);
        }
    }
    let costs = &plan.sheet.costs;
    let costs = Costs { wrong_part: costs.wrong_part, lift: costs.lift, open_search: costs.open_search };
    let other = OtherSettings { probability: plan.sheet.unlisted_probability(), ..OtherSettings::default() };
    builder.finish(costs, &other)
}

fn moves_dc(kind: FaultKind) -> bool {
    !matches!(kind, FaultKind::Flicker | FaultKind::ResistorNoisy | FaultKind::CapDried)
}

/// The bank's tests, with the parts whose replacement makes each void: those whose own tolerances move it.
fn tests(plan: &Plan<'_>, healthy: &Healthy, parts: &[String]) -> Vec<Test> {
    let states: Vec<&InState> = healthy.model.states.iter().collect();
    let solved = Solved { states, slopes: healthy.model.slopes.clone() };
    let unbound = vec![f64::NEG_INFINITY; healthy.limits.len()];
    let factor = moments(plan, &solved, &healthy.model, &unbound).factor;
    debug_assert_eq!(factor.ncols(), columns(plan));
    let mut groups: Vec<(String, String)> = Vec::new();
    plan.tests
        .iter()
        .enumerate()
        .map(|(at, test)| {
            let group = group(&test.reading);
            let known = groups.iter().position(|known| *known == group).unwrap_or_else(|| {
                groups.push(group);
                groups.len() - 1
            });
            let moved = |part: &String| -> f64 {
                let own = plan.coordinates.iter().enumerate().filter(|(_, coordinate)| match &coordinate.effect {
                    Effect::Factor(_, parts) | Effect::To(_, parts) => {
                        parts.len() == 1 && plan.circuit.part(parts[0]).name == *part
                    }
                    _ => false,
                });
                own.map(|(column, _)| factor[(at, column)].powi(2)).sum::<f64>().sqrt()
            };
            let touched = parts.iter().enumerate().filter(|(_, part)| !test.of_model && moved(part) > TOUCHED_SD);
            let cost = plan.sheet.costs.of(&test.reading);
            Test {
                label: test.reading.text(),
                scale: scale(plan, test.kind),
                cost,
                unsolders: false,
                verifies: cost <= plan.sheet.costs.hiss.max(plan.sheet.costs.dc),
                group: known,
                touched_by: touched.map(|(part, _)| PartIndex(part)).collect(),
            }
        })
        .collect()
}

/// Tests that tell much the same: the meter and the scope at one point; all temperatures of one part.
fn group(reading: &Reading) -> (String, String) {
    let at = reading.at.clone().unwrap_or_default();
    match (&reading.act, reading.measure) {
        (Some(act), _) if matches!(act.how, How::Freeze | How::Cool | How::Finger | How::Heat) => {
            ("temperature".to_owned(), act.what.clone())
        }
        (Some(act), _) => (act.how.name().to_owned(), act.what.clone()),
        (None, Measure::Dc) => (format!("dc {}", reading.twin), at),
        (None, _) => (format!("hiss {} {:?}", reading.twin, reading.with), at),
    }
}
