//! Hiss and DC at every point under every fault, and which faults cause the complaint.

use rayon::prelude::*;

use super::families::Families;
use super::recipes::{Base, Bases, Recipe};
use super::{Fingerprint, HealthyReading, SHOWS_DB, SymptomQuestion};
use crate::bench::Point;
use crate::bias::{BiasPoint, SolveError};
use crate::circuit::{Adjustment, Change, Circuit, Quantity};
use crate::diagnostic::Diagnostic;
use crate::element::{Element, PartId};
use crate::mna::LANES;
use crate::noise::Weighting;
use crate::variants::{Family, Hiss, HissRequest, Output, Points, Variant, nearby};

/// The scope is only asked where the meter's lead sees this much of its floor, or more: what a wider band and AC coupling
/// at 10 Hz add to the hiss of the audio band is far less than the rest.
const ASK_SCOPE_FROM: f64 = 1.0 / 3.0;
/// Nor where the hiss in the meter's band has risen by less than this, for the same reason, dB.
const ASK_SCOPE_RISE_DB: f64 = 1.0;
/// Fixed points are good enough where they agree so far with the adaptive rule, in rms.
const FIXED_WITHIN: f64 = 1e-3;
/// Relative error of the rms to work for elsewhere.
const ADAPTIVE: f64 = 1e-4;
/// Volts across a resistor below which it carries no current that its value could move: what the bias promises.
const NO_VOLTS: f64 = 1e-9;

/// The circuit by itself and under every fault.
pub(super) struct Everywhere {
    pub healthy: Vec<HealthyReading>,
    pub healthy_output_rms: f64,
    /// How bands are sampled.
    pub points: Points,
    /// In the order of the recipes.
    pub cases: Vec<Option<CaseReading>>,
    meter: crate::bench::instrument::Meter,
}

/// The circuit under one fault.
pub(super) struct CaseReading {
    pub bias: BiasPoint,
    pub rms_volts: Vec<f64>,
    pub output_rms: f64,
    pub dc_volts: Vec<f64>,
    pub first: Option<usize>,
    pub first_on_scope: Option<usize>,
}

/// Reads the circuit at every point, healthy and with every fault.
///
/// # Errors
/// [`SolveError`] of the healthy circuit.
pub(super) fn read(
    bases: &Bases,
    families: &Families,
    recipes: &[Option<Recipe>],
    question: &SymptomQuestion,
) -> Result<Everywhere, SolveError> {
    let circuits = [bases.plain.clone()];
    let healthy = families.plain().solve(&circuits).pop().expect("one circuit gives one result")?;
    let request = |points| HissRequest { points, ..meter_request(bases, question, &all_points(question)) };
    let one = |points| {
        let hiss = families.plain().noise(&[&healthy], &request(points)).pop();
        Ok(all_rms(&hiss.expect("one variant gives one result")?))
    };
    let adaptive: Vec<f64> = one(Points::Adaptive(ADAPTIVE))?;
    let fixed = one(Points::Fixed)?;
    let agree = |(fixed, adaptive): (&f64, &f64)| (fixed - adaptive).abs() <= FIXED_WITHIN * adaptive;
    let smooth = fixed.iter().zip(&adaptive).all(agree);
    let points = if smooth { Points::Fixed } else { Points::Adaptive(ADAPTIVE) };
    let mut healthy_rms = if smooth { fixed } else { adaptive };
    let healthy_output_rms = healthy_rms.pop().unwrap_or_default();
    let dc = |bias: &BiasPoint| question.points.iter().map(|point| dc_volts(bias, point)).collect::<Vec<_>>();
    let meter = question.instruments.meter;
    let readings = question.points.iter().zip(&healthy_rms).zip(dc(healthy.bias())).map(|((point, &rms), dc)| {
        HealthyReading { name: point.name.clone(), rms_volts: rms, reading_volts: meter.shows(rms), dc_volts: dc }
    });
    let mut base = Everywhere { healthy: readings.collect(), healthy_output_rms, points, cases: Vec::new(), meter };
    let request = request(points);
    let neutral: Vec<Option<PartId>> = match points {
        Points::Fixed => recipes.iter().map(|recipe| neutral(bases, healthy.bias(), recipe.as_ref()?)).collect(),
        Points::Adaptive(_) => vec![None; recipes.len()],
    };
    let read = |rms_volts: Vec<f64>, bias: &BiasPoint| base.case(rms_volts, dc(bias), bias.clone());
    let chosen: Vec<usize> = (0..recipes.len()).filter(|&at| neutral[at].is_none()).collect();
    let start = |_: usize| families.plain().nominal().clone();
    let solved = families.solve(bases, recipes, &chosen, &start, &|family, variants| {
        let only: Vec<&Variant> = variants.iter().map(|(_, variant)| *variant).collect();
        let hiss = family.noise(&only, &request).into_iter().zip(&only);
        hiss.map(|(hiss, variant)| read(all_rms(&hiss.ok()?), variant.bias())).collect()
    });
    let mut cases: Vec<Option<CaseReading>> = recipes.iter().map(|_| None).collect();
    for (at, case) in chosen.into_iter().zip(solved) {
        cases[at] = case;
    }
    for (at, rms_volts) in at_the_same_bias(bases, healthy.bias(), recipes, &neutral, &request)? {
        cases[at] = read(rms_volts, healthy.bias());
    }
    base.cases = cases;
    first_on_scope(bases, families, &healthy, recipes, &mut base, question)?;
    Ok(base)
}

/// Which cases cause the complaint: at every setting of controls that it names, or where they stand.
///
/// # Errors
/// What makes the circuit impossible at such a setting.
pub(super) fn complaining(
    bases: &Bases,
    families: &Families,
    recipes: &[Option<Recipe>],
    base: &Everywhere,
    question: &SymptomQuestion,
) -> Result<Vec<bool>, Vec<Diagnostic>> {
    let over = |rms: f64, healthy: f64| 20.0 * (rms / healthy).log10() >= question.complaint.hiss_db;
    let now =
        |&(control, value): &(usize, f64)| question.controls.get(control).is_none_or(|control| control.now == value);
    let settings = &question.complaint.settings;
    let mut complaining: Vec<bool> = base.cases.iter().map(Option::is_some).collect();
    if settings.is_empty() || settings.iter().any(|setting| setting.iter().all(now)) {
        for (complains, case) in complaining.iter_mut().zip(&base.cases) {
            *complains = case.as_ref().is_some_and(|case| over(case.output_rms, base.healthy_output_rms));
        }
    }
    for setting in settings.iter().filter(|setting| !setting.iter().all(now)) {
        let mut there = bases.clone();
        for &(control, value) in setting {
            let Some(control) = question.controls.get(control) else { continue };
            there = there.changed(&Change::Parameter { name: control.parameter.clone(), value })?;
        }
        let request = output_request(&there, question, base.points);
        let read = |family: &Family, variants: &[(usize, &Variant)]| output_rms(family, variants, &request);
        let nominal = families.plain().nominal();
        let healthy = [Some(there.recipe_of_none())];
        let healthy = families.solve(&there, &healthy, &[0], &|_| nominal.clone(), &read);
        let Some(&Some(healthy)) = healthy.first() else { continue };
        let chosen: Vec<usize> = (0..complaining.len()).filter(|&at| complaining[at]).collect();
        let start = |at: usize| base.cases[at].as_ref().map_or(nominal, |case| &case.bias).clone();
        for (at, rms) in chosen.iter().zip(families.solve(&there, recipes, &chosen, &start, &read)) {
            complaining[*at] = rms.is_some_and(|rms| over(rms, healthy));
        }
    }
    Ok(complaining)
}

/// Hiss at the output with the meter there, before its own noise.
pub(super) fn output_request(bases: &Bases, question: &SymptomQuestion, points: Points) -> HissRequest {
    HissRequest { points, ..meter_request(bases, question, std::slice::from_ref(&question.output)) }
}

/// V rms at the only output of a request.
pub(super) fn output_rms(family: &Family, variants: &[(usize, &Variant)], request: &HissRequest) -> Vec<Option<f64>> {
    let only: Vec<&Variant> = variants.iter().map(|(_, variant)| *variant).collect();
    let hiss = family.noise(&only, request).into_iter();
    hiss.map(|hiss| hiss.ok()?.outputs.first().map(|output| output.mean_square_v2.max(0.0).sqrt())).collect()
}

impl Everywhere {
    /// What the case does, the rest left open.
    pub fn fingerprint(&self, case: &CaseReading) -> Fingerprint {
        let change_db =
            self.healthy.iter().zip(&case.rms_volts).map(|(healthy, rms)| decibels(rms / healthy.rms_volts));
        let shift = self.healthy.iter().zip(&case.dc_volts).map(|(healthy, dc)| dc - healthy.dc_volts);
        Fingerprint {
            change_db: change_db.collect(),
            reading_volts: case.rms_volts.iter().map(|rms| self.meter.shows(*rms)).collect(),
            dc_shift_volts: shift.collect(),
            output_change_db: decibels(case.output_rms / self.healthy_output_rms),
            output_volts: self.meter.shows(case.output_rms),
            complains: false,
            first: case.first,
            first_on_scope: case.first_on_scope,
            misleads_to: None,
            effects: None,
        }
    }

    /// Of hiss at every point and, behind them, at the output.
    fn case(&self, mut rms_volts: Vec<f64>, dc_volts: Vec<f64>, bias: BiasPoint) -> Option<CaseReading> {
        let output_rms = rms_volts.pop()?;
        let first = self.first(&rms_volts);
        Some(CaseReading { bias, rms_volts, output_rms, dc_volts, first, first_on_scope: None })
    }

    fn first(&self, rms_volts: &[f64]) -> Option<usize> {
        let shows = |(rms, healthy): (&f64, &HealthyReading)| {
            decibels(self.meter.shows(*rms) / healthy.reading_volts).is_some_and(|db| db >= SHOWS_DB)
        };
        rms_volts.iter().zip(&self.healthy).position(shows)
    }
}

/// The part that a fault changes where nothing of the bias depends on it: noise of another size, a capacitor, a resistor
/// without current.
fn neutral(bases: &Bases, bias: &BiasPoint, recipe: &Recipe) -> Option<PartId> {
    let Recipe::Shift(Base::Plain, adjustments) = recipe else { return None };
    let [first, ..] = adjustments.as_slice() else { return None };
    let keeps = |adjustment: &Adjustment| match (adjustment.quantity, &bases.plain.part(adjustment.part).element) {
        (Quantity::ExcessNoise | Quantity::Flicker | Quantity::Capacitance, _) => true,
        (Quantity::Resistance, Element::Resistor(resistor)) => {
            let [a, b] = resistor.nodes.map(|node| bias.volts(node));
            (a - b).abs() < NO_VOLTS
        }
        _ => false,
    };
    let one_part = adjustments.iter().all(|adjustment| adjustment.part == first.part && keeps(adjustment));
    one_part.then_some(first.part)
}

/// Hiss everywhere under the faults that leave the bias alone.
fn at_the_same_bias(
    bases: &Bases,
    bias: &BiasPoint,
    recipes: &[Option<Recipe>],
    neutral: &[Option<PartId>],
    request: &HissRequest,
) -> Result<Vec<(usize, Vec<f64>)>, SolveError> {
    let made: Vec<(usize, PartId, Circuit)> = neutral
        .par_iter()
        .enumerate()
        .filter_map(|(at, part)| Some((at, (*part)?, bases.cook(recipes[at].as_ref()?)?)))
        .collect();
    let others: Vec<(PartId, &Circuit)> = made.iter().map(|(_, part, circuit)| (*part, circuit)).collect();
    let squares = nearby(&bases.plain, bias, &others, request)?;
    Ok(made.iter().zip(squares).map(|((at, ..), squares)| (*at, rms(squares.into_iter()))).collect())
}

/// Adds to each case the first point at which the scope shows it, asking only where it may.
fn first_on_scope(
    bases: &Bases,
    families: &Families,
    healthy: &Variant,
    recipes: &[Option<Recipe>],
    base: &mut Everywhere,
    question: &SymptomQuestion,
) -> Result<(), SolveError> {
    let scope = &question.instruments.scope;
    let request = scope_request(bases, question, &question.points);
    let hiss = families.plain().noise(&[healthy], &request).pop().expect("one variant gives one result")?;
    let alone = all_rms(&hiss);
    let least = ASK_SCOPE_FROM * scope.floor_volts * scope.probe.division;
    let points = question.points.len();
    let may = |at: usize, point: usize| {
        base.cases[at].as_ref().is_some_and(|case| {
            let rise = decibels(case.rms_volts[point] / base.healthy[point].rms_volts);
            case.rms_volts[point] >= least && rise.is_none_or(|db| db >= ASK_SCOPE_RISE_DB)
        })
    };
    let loud: Vec<usize> = (0..recipes.len()).filter(|&at| (0..points).any(|point| may(at, point))).collect();
    let start = |at: usize| base.cases[at].as_ref().map_or(families.plain().nominal(), |case| &case.bias).clone();
    let firsts = families.solve(bases, recipes, &loud, &start, &|family, variants| {
        let few = |few: &[(usize, &Variant)]| {
            let wanted: Vec<usize> = (0..points).filter(|&point| few.iter().any(|&(at, _)| may(at, point))).collect();
            let at: Vec<Point> = wanted.iter().map(|&point| question.points[point].clone()).collect();
            let only: Vec<&Variant> = few.iter().map(|(_, variant)| *variant).collect();
            let first = |hiss: Result<Hiss, SolveError>| {
                let shows = |&(point, rms): &(usize, f64)| {
                    scope.trace(rms).shown.is_some() && scope.trace_over_db(rms, alone[point]) >= SHOWS_DB
                };
                wanted.iter().copied().zip(all_rms(&hiss.ok()?)).find(shows).map(|(point, _)| point)
            };
            let hiss = family.noise(&only, &scope_request(bases, question, &at));
            hiss.into_iter().map(first).collect::<Vec<Option<usize>>>()
        };
        let batches: Vec<Vec<Option<usize>>> = variants.par_chunks(LANES).map(few).collect();
        batches.into_iter().flatten().collect()
    });
    for (at, first) in loud.into_iter().zip(firsts) {
        if let Some(case) = &mut base.cases[at] {
            case.first_on_scope = first;
        }
    }
    Ok(())
}

fn meter_request(bases: &Bases, question: &SymptomQuestion, points: &[Point]) -> HissRequest {
    let observer = question.instruments.meter.loading.observer(&bases.plain, 0.0);
    let outputs = points.iter().map(|point| Output { plus: point.plus, minus: point.minus, observer });
    HissRequest {
        outputs: outputs.collect(),
        band_hz: question.band_hz,
        weighting: question.weighting,
        points: Points::Fixed,
        by_source: false,
        stimulus: None,
        gain_hz: Vec::new(),
    }
}

fn scope_request(bases: &Bases, question: &SymptomQuestion, points: &[Point]) -> HissRequest {
    let scope = &question.instruments.scope;
    let observer = scope.probe.loading.observer(&bases.plain, scope.coupling_hz);
    let outputs = points.iter().map(|point| Output { plus: point.plus, minus: point.minus, observer });
    let flat = Weighting::Flat;
    let outputs = outputs.collect();
    HissRequest { outputs, band_hz: scope.band_hz(), weighting: flat, ..meter_request(bases, question, &[]) }
}

/// Every point, and the output behind them.
fn all_points(question: &SymptomQuestion) -> Vec<Point> {
    question.points.iter().chain([&question.output]).cloned().collect()
}

fn dc_volts(bias: &BiasPoint, point: &Point) -> f64 {
    bias.volts(point.plus) - bias.volts(point.minus)
}

fn all_rms(hiss: &Hiss) -> Vec<f64> {
    rms(hiss.outputs.iter().map(|output| output.mean_square_v2))
}

fn rms(mean_squares: impl Iterator<Item = f64>) -> Vec<f64> {
    mean_squares.map(|square| square.max(0.0).sqrt()).collect()
}

pub(super) fn decibels(ratio: f64) -> Option<f64> {
    Some(20.0 * ratio.log10()).filter(|db| db.is_finite())
}
