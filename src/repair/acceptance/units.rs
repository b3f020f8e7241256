//! What drawn units would read, at each temperature and setting of the controls.

use rayon::prelude::*;

use super::list::{Belongs, Ends, Set, Wanted, balance_control};
use super::{AcceptanceError, Draw, Subject};
use crate::bench::Point;
use crate::bench::reading::When;
use crate::bench::simulated::peak_to_peak;
use crate::bench::tolerance::{Coordinate, Effect, Law, adjustments, stratified};
use crate::bias::{self, devices};
use crate::circuit::{Change, Circuit};
use crate::diagnostic::{Code, Diagnostic};
use crate::noise::{Observer, Weighting};
use crate::operating::Operating;
use crate::repair::swing::{MID_HERTZ, Swing, SwingError, SwingQuestion, swing};
use crate::repair::{Channel, Clipping, balance, clippings};
use crate::smallsignal::Stimulus;
use crate::variants::{Family, HissRequest, Output, Points, Variant};

/// Fewer units than this make no limits.
const FEWEST: usize = 20;
/// Relative error of each unit's hiss: far below that of any meter.
const HISS_TOLERANCE: f64 = 1e-3;
/// Settings of the balance control on each side of where the nominal channels are equally loud.
const BALANCE_STEPS: i32 = 6;
/// How far they reach on each side, as a fraction of its travel.
const BALANCE_SPAN: f64 = 0.3;

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
    if when.is_some() {
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
    let mut bench =
        Bench { set, nominal: &nominal, operating: &operating, family: &family, units: &units, others: &others };
    bench.fill(list, here, healthy)
}

/// Temperature inside the set, °C.
fn ambient(set: &Set<'_>, when: Option<When>) -> [f64; 2] {
    match when {
        Some(When::Warm) => set.sheet.acceptance.warm_celsius,
        Some(When::Cold) => set.sheet.acceptance.cold_celsius,
        // Somebody said which.
        None if set.circuit.ambient != set.sheet.circuit.ambient => [set.circuit.ambient.celsius(); 2],
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

/// Units on the bench, all in one state.
struct Bench<'a> {
    set: &'a Set<'a>,
    nominal: &'a Circuit,
    operating: &'a Operating,
    family: &'a Family,
    units: &'a [&'a Variant<'a>],
    others: &'a [&'a Variant<'a>],
}

impl Bench<'_> {
    fn fill(&mut self, list: &[Wanted], here: &[usize], healthy: &mut Healthy) -> Result<(), AcceptanceError> {
        for weighting in [Weighting::Flat, Weighting::A, Weighting::Itu468] {
            let asked = |wanted: &Wanted| match &wanted.subject {
                Subject::Hiss(point, weight) if *weight == weighting => Some(point.clone()),
                Subject::SignalToNoise(weight) if *weight == weighting => {
                    Some(self.set.ends(wanted.channel).output.clone())
                }
                _ => None,
            };
            let rows: Vec<(usize, Point)> = here.iter().filter_map(|&at| Some((at, asked(&list[at])?))).collect();
            self.hiss(&rows, Some(weighting), healthy);
        }
        let scoped = here.iter().filter_map(|&at| match &list[at].subject {
            Subject::PeakToPeak(point) => Some((at, point.clone())),
            _ => None,
        });
        self.hiss(&scoped.collect::<Vec<_>>(), None, healthy);
        self.gains(list, here, healthy);
        for channel in [Belongs::Own, Belongs::Twin] {
            self.swings(list, here, channel, healthy)?;
        }
        for &at in here {
            let values = match &list[at].subject {
                Subject::Dc(point) => self.volts(point),
                Subject::Temperature(part) => self.celsius(*part),
                Subject::Hum(point) => self.hum(point),
                Subject::BalancePosition => self.positions(),
                Subject::SignalToNoise(_) => {
                    let rated = healthy.rated_volts.unwrap_or(f64::NAN);
                    let hiss = std::mem::take(&mut healthy.values[at]);
                    let ratios = hiss.into_iter().map(|rms| 20.0 * (rated / rms).log10());
                    ratios.filter(|ratio| ratio.is_finite()).collect()
                }
                _ => continue,
            };
            healthy.values[at] = values;
        }
        Ok(())
    }

    /// What the meter shows, or without a weighting what the scope does.
    fn hiss(&self, rows: &[(usize, Point)], weighting: Option<Weighting>, healthy: &mut Healthy) {
        if rows.is_empty() {
            return;
        }
        let instruments = &self.set.sheet.instruments;
        let (loading, coupling_hz, band_hz) = match weighting {
            Some(_) => (instruments.meter.loading, 0.0, self.set.sheet.band_hz),
            None => (instruments.scope.probe.loading, instruments.scope.coupling_hz, instruments.scope.band_hz()),
        };
        let siemens = 1.0 / loading.ohms;
        let observer = Observer { siemens, farads: loading.farads, temperature: self.nominal.ambient, coupling_hz };
        let request = HissRequest {
            outputs: rows.iter().map(|(_, point)| output(point, observer)).collect(),
            band_hz,
            weighting: weighting.unwrap_or_default(),
            points: Points::Adaptive(HISS_TOLERANCE),
            by_source: false,
            stimulus: None,
            gain_hz: Vec::new(),
        };
        for unit in self.family.noise(self.units, &request).into_iter().flatten() {
            for ((at, _), found) in rows.iter().zip(unit.outputs) {
                let rms = found.mean_square_v2.sqrt();
                healthy.values[*at].push(match weighting {
                    Some(_) => instruments.meter.shows(rms),
                    None => peak_to_peak(&instruments.scope, rms),
                });
            }
        }
    }

    fn gains(&self, list: &[Wanted], here: &[usize], healthy: &mut Healthy) {
        for &at in here {
            let ends = self.set.ends(list[at].channel);
            let magnitude = |units: &[&Variant], ends: &Ends, point: &Point, hertz: &[f64]| {
                let stimulus = ends.input.and_then(|input| Stimulus::of(self.nominal, input));
                stimulus.map_or_else(Vec::new, |stimulus| self.magnitudes(units, stimulus, point, hertz))
            };
            let over = |over: f64, under: f64| 20.0 * (over / under).log10();
            let values: Vec<f64> = match &list[at].subject {
                Subject::Gain(point, hertz) => {
                    let gains = magnitude(self.units, ends, point, &[*hertz]);
                    gains.iter().map(|gain| over(gain[0], 1.0)).collect()
                }
                Subject::Response(point, hertz) => {
                    let gains = magnitude(self.units, ends, point, &[*hertz, MID_HERTZ]);
                    gains.iter().map(|gain| over(gain[0], gain[1])).collect()
                }
                Subject::Balance => {
                    let own = magnitude(self.units, self.set.own, &self.set.own.output, &[MID_HERTZ]);
                    let other = match self.set.twin {
                        Some(twin) => magnitude(self.units, twin, &twin.output, &[MID_HERTZ]),
                        None => magnitude(self.others, self.set.own, &self.set.own.output, &[MID_HERTZ]),
                    };
                    own.iter().zip(&other).map(|(own, other)| over(own[0], other[0])).collect()
                }
                _ => continue,
            };
            healthy.values[at] = values.into_iter().filter(|value| value.is_finite()).collect();
        }
    }

    /// Gains of each unit at frequencies, the meter across the point.
    fn magnitudes(&self, units: &[&Variant], stimulus: Stimulus, point: &Point, hertz: &[f64]) -> Vec<Vec<f64>> {
        let loading = self.set.sheet.instruments.meter.loading;
        let (siemens, temperature) = (1.0 / loading.ohms, self.nominal.ambient);
        let observer = Observer { siemens, farads: loading.farads, temperature, coupling_hz: 0.0 };
        let request = HissRequest {
            outputs: vec![output(point, observer)],
            band_hz: self.set.sheet.band_hz,
            weighting: Weighting::Flat,
            points: Points::Fixed,
            by_source: false,
            stimulus: Some(stimulus),
            gain_hz: hertz.to_vec(),
        };
        let found = self.family.noise(units, &request).into_iter().flatten();
        found.map(|unit| unit.outputs[0].gains.iter().map(|gain| gain.norm()).collect()).collect()
    }

    fn swings(
        &self,
        list: &[Wanted],
        here: &[usize],
        channel: Belongs,
        healthy: &mut Healthy,
    ) -> Result<(), AcceptanceError> {
        let is_of = |wanted: &Wanted| match wanted.channel {
            Belongs::Twin => channel == Belongs::Twin,
            Belongs::Own | Belongs::Other | Belongs::Set => channel == Belongs::Own,
        };
        let swings = [Subject::ClipUp, Subject::ClipDown, Subject::ClipSymmetry, Subject::Watts];
        let rows: Vec<usize> =
            here.iter().copied().filter(|&at| is_of(&list[at]) && swings.contains(&list[at].subject)).collect();
        let ends = self.set.ends(channel);
        let (Some(input), false) = (ends.input, rows.is_empty()) else { return Ok(()) };
        let output = (ends.output.plus, ends.output.minus);
        let question = SwingQuestion { input, output, mid_hz: MID_HERTZ, load: ends.load.map(|(part, _)| part) };
        let nominal = match swing(self.nominal, self.operating, &question) {
            Ok(nominal) => nominal,
            Err(SwingError::Unsolved(error)) => return Err(error.into()),
            // Nothing clips: nothing is asked.
            Err(_) => return Ok(()),
        };
        let asked = &self.set.sheet.acceptance;
        if channel == Belongs::Own && healthy.rated_volts.is_none() {
            healthy.rated_volts = rated(&nominal, asked.rated_watts, asked.distortion);
            healthy.cautions.extend(nominal.cautions.iter().cloned());
        }
        let found = clippings(self.nominal, self.operating, &question, &nominal, self.units, asked.distortion);
        let found = match found {
            Ok(found) => found,
            Err(SwingError::Unsolved(error)) => return Err(error.into()),
            Err(_) => return Ok(()),
        };
        for at in rows {
            let value = |clipping: &Clipping| match list[at].subject {
                Subject::ClipUp => clipping.up_volts,
                Subject::ClipDown => clipping.down_volts.map(f64::abs),
                Subject::ClipSymmetry => Some(20.0 * (clipping.up_volts? / clipping.down_volts?.abs()).log10()),
                _ => clipping.level.and_then(|level| level.watts),
            };
            healthy.values[at] = found.iter().flatten().filter_map(value).collect();
        }
        Ok(())
    }

    /// What the DC meter shows, which loads each unit as it loads the nominal one.
    fn volts(&self, point: &Point) -> Vec<f64> {
        let without = self.operating.bias.volts(point.plus) - self.operating.bias.volts(point.minus);
        let meter = &self.set.sheet.instruments.dc_meter;
        let shown = meter.read(self.nominal, &self.operating.bias, point).unwrap_or(without);
        let zero = self.set.sheet.reading_errors.dc_zero_volts;
        let loaded = |volts: f64| if without.abs() > zero { volts * shown / without } else { volts + shown - without };
        self.units.iter().map(|unit| loaded(unit.bias().volts(point.plus) - unit.bias().volts(point.minus))).collect()
    }

    fn celsius(&self, part: crate::element::PartId) -> Vec<f64> {
        if !self.nominal.part(part).element.heats_itself() {
            return Vec::new();
        }
        let of_unit = |unit: &&Variant| {
            let all = devices(unit.circuit(), unit.bias());
            all.iter().find(|device| device.part == part).map(|device| device.celsius)
        };
        self.units.iter().filter_map(of_unit).collect()
    }

    fn hum(&self, point: &Point) -> Vec<f64> {
        let Some(ripple) = &self.set.sheet.acceptance.ripple else { return Vec::new() };
        let (band, at) = (self.set.sheet.band_hz, [(point.plus, point.minus)]);
        let meter = &self.set.sheet.instruments.meter;
        let of_unit = |unit: &&Variant| {
            let volts = ripple.hum_volts(unit.circuit(), &unit.signal(), &at, band, Weighting::Flat).ok()?;
            Some(volts[0].hypot(meter.floor_volts))
        };
        let all: Vec<Option<f64>> = self.units.par_iter().map(of_unit).collect();
        all.into_iter().flatten().collect()
    }

    /// Where the balance control stands when both channels of a unit are equally loud: both gains of every unit at settings
    /// about that of the nominal one, the crossing in between in a line.
    fn positions(&self) -> Vec<f64> {
        let (Some(twin), Some(control)) = (self.set.twin, balance_control(self.set.sheet)) else { return Vec::new() };
        let (Some(own_input), Some(twin_input)) = (self.set.own.input, twin.input) else { return Vec::new() };
        let own = &self.set.own.output;
        let channel = |input, point: &Point| Channel { input, output: (point.plus, point.minus) };
        let channels = [channel(own_input, own), channel(twin_input, &twin.output)];
        let control = &self.set.sheet.controls[control];
        let [low, high] = control.range;
        let Ok(nominal) = balance(self.nominal, &channels, &control.parameter, control.range, MID_HERTZ) else {
            return Vec::new();
        };
        let middle = nominal.equal.map_or(0.5 * (low + high), |(position, _)| position);
        let step = BALANCE_SPAN * (high - low) / f64::from(BALANCE_STEPS);
        let settings = (-BALANCE_STEPS..=BALANCE_STEPS).map(|at| middle + f64::from(at) * step);
        let settings: Vec<f64> = settings.filter(|setting| (low..=high).contains(setting)).collect();
        let mut differences: Vec<Vec<f64>> = vec![Vec::new(); self.units.len()];
        for &value in &settings {
            let change = Change::Parameter { name: control.parameter.clone(), value };
            let moved = |unit: &&Variant| unit.circuit().changed(std::slice::from_ref(&change)).ok();
            let circuits: Vec<Option<Circuit>> = self.units.par_iter().map(moved).collect();
            let Some(circuits) = circuits.into_iter().collect::<Option<Vec<Circuit>>>() else { return Vec::new() };
            let solved = self.family.solve_from(&circuits, |at| self.units[at].bias());
            let Some(units) = solved.iter().map(|unit| unit.as_ref().ok()).collect::<Option<Vec<&Variant>>>() else {
                continue;
            };
            let of = |input, point: &Point| {
                let stimulus = Stimulus::of(self.nominal, input).unwrap_or_default();
                self.magnitudes(&units, stimulus, point, &[MID_HERTZ])
            };
            let [first, second] = [of(own_input, own), of(twin_input, &twin.output)];
            for ((differences, first), second) in differences.iter_mut().zip(&first).zip(&second) {
                differences.push(20.0 * (first[0] / second[0]).log10());
            }
        }
        let crossing = |differences: &Vec<f64>| {
            let at = differences.windows(2).position(|pair| pair[0] * pair[1] <= 0.0)?;
            let [a, b] = [differences[at], differences[at + 1]];
            Some(settings[at] + (settings[at + 1] - settings[at]) * a / (a - b))
        };
        let complete = differences.iter().filter(|differences| differences.len() == settings.len());
        complete.filter_map(crossing).filter(|position| position.is_finite()).collect()
    }
}

/// Rated output, V rms: what the sheet says into the load, else what the model gives.
fn rated(nominal: &Swing, watts: Option<f64>, distortion: Option<f64>) -> Option<f64> {
    if let (Some(watts), Some((_, ohms))) = (watts, nominal.load) {
        return Some((watts * ohms).sqrt());
    }
    let level = match distortion {
        Some(share) if share > 0.05 => nominal.at_ten_percent,
        Some(_) => nominal.at_one_percent,
        None => nominal.onset,
    };
    level.map(|level| level.output_rms_volts)
}

fn output(point: &Point, observer: Observer) -> Output {
    Output { plus: point.plus, minus: point.minus, observer }
}
