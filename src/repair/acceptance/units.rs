//! What drawn units would read, at each temperature and setting of the controls.

use super::list::{Set, Wanted};
use super::shown::Bench;
use super::{AcceptanceError, Draw, Subject};
use crate::bench::reading::When;
use crate::bench::tolerance::{Coordinate, Effect, Law, adjustments, stratified};
use crate::bias::{self, devices};
use crate::circuit::{Change, Circuit};
use crate::diagnostic::{Code, Diagnostic};
use crate::operating::Operating;
use crate::repair::swing::Swing;
use crate::variants::{Family, Variant};

/// Fewer units than this make no limits.
const FEWEST: usize = 20;

/// What healthy units would read.
#[derive(Clone, Debug, Default)]
pub(super) struct Healthy {
    /// For each thing that is asked, what units show an instrument without error; empty where nothing is known.
    pub values: Vec<Vec<f64>>,
    /// Drawn, and of them those that found a bias in every state.
    pub units: [usize; 2],
    /// Rated output, V rms.
    pub rated_volts: Option<f64>,
    /// What a reader should know.
    pub cautions: Vec<Diagnostic>,
    /// Swing of the nominal channels, this one and the other.
    pub swings: [Option<Swing>; 2],
}

/// How the set stands: its temperature, and controls that are elsewhere.
#[derive(Clone, Copy, Debug, PartialEq)]
struct State<'a> {
    when: Option<When>,
    with: &'a [(usize, f64)],
}

impl<'a> State<'a> {
    fn of(wanted: &'a Wanted) -> Self {
        Self { when: wanted.when, with: &wanted.with }
    }
}

pub(super) fn healthy(
    set: &Set<'_>,
    list: &[Wanted],
    draw: &Draw,
    progress: &dyn Fn(usize, usize),
) -> Result<Healthy, AcceptanceError> {
    let mut states = vec![State { when: None, with: &[] }];
    for wanted in list {
        let state = State::of(wanted);
        if !states.contains(&state) {
            states.push(state);
        }
    }
    let mut healthy = Healthy { values: vec![Vec::new(); list.len()], units: [draw.units; 2], ..Healthy::default() };
    for (done, &state) in states.iter().enumerate() {
        progress(done, states.len());
        let here: Vec<usize> = (0..list.len()).filter(|&at| State::of(&list[at]) == state).collect();
        fill(set, list, &here, state, draw, &mut healthy)?;
    }
    progress(states.len(), states.len());
    Ok(healthy)
}

fn fill(
    set: &Set<'_>,
    list: &[Wanted],
    here: &[usize],
    State { when, with }: State<'_>,
    draw: &Draw,
    healthy: &mut Healthy,
) -> Result<(), AcceptanceError> {
    let ambient = ambient(set, when);
    let mut changes: Vec<Change> = with
        .iter()
        .map(|&(at, value)| Change::Parameter { name: set.sheet.controls[at].parameter.clone(), value })
        .collect();
    // Where the temperature is no matter of tolerance, no draw sets it.
    if when.is_some() || ambient[0] == ambient[1] {
        changes.push(Change::Ambient { celsius: 0.5 * (ambient[0] + ambient[1]) });
    }
    let nominal = match changes.as_slice() {
        [] => set.circuit.clone(),
        changes => set.circuit.changed(changes).map_err(AcceptanceError::Refused)?,
    };
    let operating = Operating::of(&nominal)?;
    if with.is_empty() {
        healthy.cautions.extend(cautions(&nominal, &operating, when));
    }
    let family = Family::at(&nominal, operating.bias.clone())?;
    let coordinates = coordinates(set, &nominal, ambient);
    let draws = stratified(&coordinates, draw.seed, draw.units);
    let drawn = |draws: &[Vec<f64>]| -> Vec<Circuit> {
        // A draw that no part can have counts as a unit that does not work.
        draws.iter().filter_map(|z| nominal.adjusted(&adjustments(&coordinates, z)).ok()).collect()
    };
    let circuits = drawn(&draws);
    let solved = family.solve(&circuits);
    let units: Vec<&Variant> = solved.iter().flatten().collect();
    if units.len() < FEWEST.min(draw.units) {
        let refused = || {
            let error = Diagnostic::error(Code::BadSheetValue, "hardly any unit within these tolerances can be");
            AcceptanceError::Refused(vec![error.help("narrow [tolerance] of the sheet")])
        };
        return Err(solved
            .iter()
            .find_map(|unit| unit.as_ref().err())
            .map_or_else(refused, |error| error.clone().into()));
    }
    healthy.units[1] = healthy.units[1].min(units.len());
    let other_circuits = match here.iter().any(|&at| list[at].subject == Subject::Balance) && set.twin.is_none() {
        true => drawn(&others(&coordinates, &draws, draw)),
        false => Vec::new(),
    };
    let other_solved = family.solve(&other_circuits);
    let others: Vec<&Variant> = other_solved.iter().flatten().collect();
    let bench =
        Bench { set, nominal: &nominal, operating: &operating, family: &family, units: &units, others: &others };
    bench.fill(list, here, healthy)
}

/// Temperature inside the set, °C.
fn ambient(set: &Set<'_>, when: Option<When>) -> [f64; 2] {
    match when {
        Some(When::Warm) => set.sheet.acceptance.warm_celsius,
        Some(When::Cold) => set.sheet.acceptance.cold_celsius,
        None => set.sheet.tolerances.ambient_celsius,
    }
}

fn coordinates(set: &Set<'_>, circuit: &Circuit, [low, high]: [f64; 2]) -> Vec<Coordinate> {
    let sheet = set.sheet;
    let mut all = sheet.tolerances.coordinates(circuit, sheet.input, &sheet.surroundings);
    let signal = set.twin.and_then(|twin| twin.input);
    all.retain(|coordinate| coordinate.acts_on_circuit() && coordinate.effect != Effect::Ambient);
    // The other channel's source is no supply either.
    all.retain(|coordinate| match &coordinate.effect {
        Effect::Factor(_, parts) => signal.is_none_or(|source| parts.as_slice() != [source]),
        _ => true,
    });
    if low < high {
        let law = Law::Uniform { low, high };
        all.push(Coordinate { name: "ambient".to_owned(), law, effect: Effect::Ambient, shared: true });
    }
    all
}

/// The other channels of the drawn sets: other parts of the same batch, on the same supply.
fn others(coordinates: &[Coordinate], draws: &[Vec<f64>], draw: &Draw) -> Vec<Vec<f64>> {
    let mut others = stratified(coordinates, draw.seed.wrapping_add(1), draw.units);
    for (other, own) in others.iter_mut().zip(draws) {
        for ((z, own), coordinate) in other.iter_mut().zip(own).zip(coordinates) {
            if coordinate.shared {
                *z = *own;
            }
        }
    }
    others
}

fn cautions(circuit: &Circuit, operating: &Operating, when: Option<When>) -> Vec<Diagnostic> {
    let mut all = bias::cautions(circuit, &devices(circuit, &operating.bias));
    all.extend(operating.cautions(circuit));
    let Some(when) = when else { return all };
    let at = format!("{} ({:.0} °C inside)", when.name(), circuit.ambient.celsius());
    all.into_iter().map(|caution| Diagnostic { message: format!("{at}: {}", caution.message), ..caution }).collect()
}
