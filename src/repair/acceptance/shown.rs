//! What the instruments of the bench would show of drawn units in one state of the set.

use rayon::prelude::*;

use super::list::{Belongs, Ends, Set, Wanted, balance_control};
use super::units::Healthy;
use super::{AcceptanceError, Subject};
use crate::bench::Point;
use crate::bench::simulated::peak_to_peak;
use crate::bias::devices;
use crate::circuit::{Change, Circuit};
use crate::element::PartId;
use crate::noise::{Observer, Weighting};
use crate::operating::Operating;
use crate::repair::swing::{MID_HERTZ, Swing, SwingError, SwingQuestion, swing};
use crate::repair::{Channel, Clipping, balance, clippings};
use crate::smallsignal::Stimulus;
use crate::variants::{Family, HissRequest, Output, Points, Variant};

/// Relative error of each unit's hiss: far below that of any meter.
const HISS_TOLERANCE: f64 = 1e-3;
/// Settings of the balance control on each side of where the nominal channels are equally loud.
const BALANCE_STEPS: i32 = 6;
/// How far they reach on each side, as a fraction of its travel.
const BALANCE_SPAN: f64 = 0.3;

/// Units on the bench, all in one state.
pub(super) struct Bench<'a> {
    pub set: &'a Set<'a>,
    pub nominal: &'a Circuit,
    pub operating: &'a Operating,
    pub family: &'a Family,
    pub units: &'a [&'a Variant<'a>],
    pub others: &'a [&'a Variant<'a>],
}

impl Bench<'_> {
    pub fn fill(&self, list: &[Wanted], here: &[usize], healthy: &mut Healthy) -> Result<(), AcceptanceError> {
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
        self.hum(list, here, healthy);
        self.gains(list, here, healthy);
        for channel in [Belongs::Own, Belongs::Twin] {
            self.swings(list, here, channel, healthy)?;
        }
        for &at in here {
            let values = match &list[at].subject {
                Subject::Dc(point) => self.volts(point),
                Subject::Temperature(part) => self.celsius(*part),
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
        let over = |over: f64, under: f64| 20.0 * (over / under).log10();
        let of = |units: &[&Variant], ends: &Ends, point: &Point, hertz: &[f64]| {
            let stimulus = ends.input.and_then(|input| Stimulus::of(self.nominal, input));
            stimulus.map_or_else(Vec::new, |stimulus| self.magnitudes(units, stimulus, point, hertz))
        };
        // All frequencies of a channel's output at once, that of levels first.
        let hertz = |subject: &Subject| match subject {
            Subject::Gain(point, hertz) | Subject::Response(point, hertz) => Some((point.clone(), *hertz)),
            _ => None,
        };
        let mut done: Vec<usize> = Vec::new();
        for &first in here {
            let (Some((place, _)), false) = (hertz(&list[first].subject), done.contains(&first)) else { continue };
            let same = |at: &usize| {
                let here = hertz(&list[*at].subject).is_some_and(|(point, _)| point == place);
                here && list[*at].channel == list[first].channel
            };
            let rows: Vec<usize> = here.iter().copied().filter(same).collect();
            let mut asked = vec![MID_HERTZ];
            asked.extend(rows.iter().filter_map(|&at| hertz(&list[at].subject)).map(|(_, hertz)| hertz));
            for gains in of(self.units, self.set.ends(list[first].channel), &place, &asked) {
                for (&at, &gain) in rows.iter().zip(&gains[1..]) {
                    let under = if matches!(list[at].subject, Subject::Gain(..)) { 1.0 } else { gains[0] };
                    healthy.values[at].extend(Some(over(gain, under)).filter(|db| db.is_finite()));
                }
            }
            done.extend(rows);
        }
        for &at in here.iter().filter(|&&at| list[at].subject == Subject::Balance) {
            let own = of(self.units, self.set.own, &self.set.own.output, &[MID_HERTZ]);
            let other = match self.set.twin {
                Some(twin) => of(self.units, twin, &twin.output, &[MID_HERTZ]),
                None => of(self.others, self.set.own, &self.set.own.output, &[MID_HERTZ]),
            };
            let differences = own.iter().zip(&other).map(|(own, other)| over(own[0], other[0]));
            healthy.values[at] = differences.filter(|db| db.is_finite()).collect();
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
        // Warm and cold it clips near where it clips now.
        let place = usize::from(channel == Belongs::Twin);
        if healthy.swings[place].is_none() {
            healthy.swings[place] = match swing(self.nominal, self.operating, &question) {
                Ok(nominal) => Some(nominal),
                Err(SwingError::Unsolved(error)) => return Err(error.into()),
                // Nothing clips: nothing is asked.
                Err(_) => return Ok(()),
            };
        }
        let Some(nominal) = &healthy.swings[place] else { return Ok(()) };
        let asked = &self.set.sheet.acceptance;
        if channel == Belongs::Own && healthy.rated_volts.is_none() {
            healthy.rated_volts = rated(nominal, asked.rated_watts, asked.distortion);
            healthy.cautions.extend(nominal.cautions.iter().cloned());
        }
        let found = clippings(self.nominal, self.operating, &question, nominal, self.units, asked.distortion);
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

    fn celsius(&self, part: PartId) -> Vec<f64> {
        if !self.nominal.part(part).element.heats_itself() {
            return Vec::new();
        }
        let of_unit = |unit: &&Variant| {
            let all = devices(unit.circuit(), unit.bias());
            all.iter().find(|device| device.part == part).map(|device| device.celsius)
        };
        self.units.iter().filter_map(of_unit).collect()
    }

    fn hum(&self, list: &[Wanted], here: &[usize], healthy: &mut Healthy) {
        let Some(ripple) = &self.set.sheet.acceptance.ripple else { return };
        let point = |at: usize| match &list[at].subject {
            Subject::Hum(point) => Some((at, (point.plus, point.minus))),
            _ => None,
        };
        let (rows, points): (Vec<usize>, Vec<_>) = here.iter().filter_map(|&at| point(at)).unzip();
        if rows.is_empty() {
            return;
        }
        let floor = self.set.sheet.instruments.meter.floor_volts;
        let band = self.set.sheet.band_hz;
        let of_unit = |unit: &&Variant| {
            ripple.hum_volts(unit.circuit(), &unit.signal(), &points, band, Weighting::Flat).unwrap_or_default()
        };
        let all: Vec<Vec<f64>> = self.units.par_iter().map(of_unit).collect();
        for volts in all {
            rows.iter().zip(volts).for_each(|(&at, volts)| healthy.values[at].push(volts.hypot(floor)));
        }
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
