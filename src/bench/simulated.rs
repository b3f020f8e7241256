//! A unit with a hidden fault on the bench: every tolerance drawn, every reading from the full nonlinear solution, and
//! the instruments' errors added. It judges diagnosis, and teaches.
//!
//! Nothing here is linearised about a nominal unit or kept from one reading to the next but bias points.

use super::instrument::Scope;
use super::reading::{How, Measure, Reading, Value, Word};
use super::sheet::settings::ReadingErrors;
use super::sheet::{Resolved, Sheet, Target};
use super::tolerance::{Coordinate, Effect, Stream, draw};
use super::touch::Touch;
use super::{Fault, ListedFault, Point};
use crate::bias::SolveError;
use crate::circuit::{Adjustment, Change, Circuit, Quantity};
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, PartId};
use crate::noise::Weighting;
use crate::operating::Operating;

/// Relative error of a hiss figure: far below that of any instrument.
const TOLERANCE: f64 = 1e-4;
/// Keeps streams of one seed apart: of tolerances, of the healthy channel, of reading errors, of the choice of a fault.
const OF_TWIN: u64 = 1 << 40;
const OF_ERRORS: u64 = 2 << 40;
const OF_FAULTS: u64 = 3 << 40;
const OF_SPARES: u64 = 4 << 40;

/// How the bench of one unit differs from the nominal one.
#[derive(Clone, Copy, Debug, PartialEq)]
struct OwnBench {
    meter: f64,
    observer: f64,
    freeze_celsius: f64,
    cool_celsius: f64,
    finger_celsius: f64,
    heat_celsius: f64,
    spill: f64,
    leak_exponent: f64,
}

/// One unit under repair.
#[derive(Clone, Debug)]
pub struct SimulatedUnit<'s> {
    sheet: &'s Sheet,
    circuit: Circuit,
    twin: Circuit,
    bench: OwnBench,
    errors: Stream,
    /// Its tolerances, one a coordinate of the sheet.
    own: Vec<f64>,
}

impl<'s> SimulatedUnit<'s> {
    /// Unit number `unit` of a seed with a fault, given by its changes; none for a healthy one. Tolerances and instruments
    /// are those of the sheet, which may be another than the one that diagnosis is told.
    ///
    /// # Errors
    /// Changes that do not fit the circuit, or values that no part can have.
    pub fn new(sheet: &'s Sheet, changes: &[Change], seed: u64, unit: u64) -> Result<Self, Vec<Diagnostic>> {
        let coordinates = sheet.coordinates();
        let own = draw(&coordinates, seed, unit);
        let mut others = draw(&coordinates, seed, OF_TWIN + unit);
        for ((coordinate, own), other) in coordinates.iter().zip(&own).zip(&mut others) {
            if coordinate.shared {
                *other = *own;
            }
        }
        Ok(Self {
            circuit: made(sheet, changes, &coordinates, &own)?,
            twin: made(sheet, &[], &coordinates, &others)?,
            bench: OwnBench::of(sheet, &coordinates, &own),
            errors: Stream::new(seed, OF_ERRORS + unit),
            own,
            sheet,
        })
    }

    /// The same unit with a new part in the place of one, with tolerances of its own and none but the `changes` that are left:
    /// spare number `spare` of a seed.
    ///
    /// # Errors
    /// As [`SimulatedUnit::new`].
    pub fn with_new_part(
        &self,
        part: PartId,
        changes: &[Change],
        seed: u64,
        spare: u64,
    ) -> Result<Self, Vec<Diagnostic>> {
        let coordinates = self.sheet.coordinates();
        let new = draw(&coordinates, seed, OF_SPARES + spare);
        let is_own = |coordinate: &Coordinate| match &coordinate.effect {
            Effect::Factor(_, parts) | Effect::To(_, parts) => parts[..] == [part],
            _ => false,
        };
        let each = coordinates.iter().zip(self.own.iter().zip(&new));
        let own: Vec<f64> = each.map(|(coordinate, (old, new))| if is_own(coordinate) { *new } else { *old }).collect();
        Ok(Self { circuit: made(self.sheet, changes, &coordinates, &own)?, own, ..self.clone() })
    }

    /// The circuit of the same unit without a fault, its tolerances as they are.
    ///
    /// # Errors
    /// As [`SimulatedUnit::new`].
    pub fn healthy_circuit(&self) -> Result<Circuit, Vec<Diagnostic>> {
        made(self.sheet, &[], &self.sheet.coordinates(), &self.own)
    }

    /// A unit with one of the listed faults, drawn by weight, of a severity drawn evenly; the first of at most `tries` that
    /// shows the complaint. The same seed and number give the same unit.
    pub fn with_listed_fault(
        sheet: &'s Sheet,
        listed: &[ListedFault],
        seed: u64,
        unit: u64,
        tries: u64,
    ) -> Option<(Self, usize)> {
        let healthy = HealthyHiss::of(sheet)?;
        (0..tries).find_map(|attempt| {
            let (simulated, position, _) = Self::drawn(sheet, listed, seed, unit, attempt)?;
            (simulated.complains(&healthy) == Some(true)).then_some((simulated, position))
        })
    }

    /// Unit number `unit`, attempt number `attempt`, of a seed: with one of the listed faults, drawn by weight, of a severity
    /// drawn evenly; its place in the list. Whether it shows the complaint is another question. `None` where no such unit can be.
    pub fn drawn(
        sheet: &'s Sheet,
        listed: &[ListedFault],
        seed: u64,
        unit: u64,
        attempt: u64,
    ) -> Option<(Self, usize, Fault)> {
        let total: f64 = listed.iter().map(|fault| fault.prior.weight).sum();
        let mut stream = Stream::new(seed ^ attempt.wrapping_mul(0x9E37_79B9_7F4A_7C15), OF_FAULTS + unit);
        let share = stream.uniform() * total;
        let mut reached = 0.0;
        let position = listed.iter().position(|fault| {
            reached += fault.prior.weight;
            reached >= share
        })?;
        let fractions: Vec<f64> = listed[position].prior.ranges.iter().map(|_| stream.uniform()).collect();
        let fault = listed[position].at(&fractions);
        let changes = fault.changes(&sheet.circuit).ok()?;
        let own = unit.wrapping_mul(1000).wrapping_add(attempt);
        Some((Self::new(sheet, &changes, seed, own).ok()?, position, fault))
    }

    /// Whether the unit shows the complaint of the sheet; `None` where it finds no bias.
    pub fn complains(&self, healthy: &HealthyHiss) -> Option<bool> {
        let limit = self.sheet.complaint.as_ref().map_or(super::sheet::Complaint::default().hiss_db, |own| own.hiss_db);
        let over: Vec<bool> = self.over_db(healthy)?.into_iter().map(|over| over >= limit).collect();
        Some(if healthy.all { over.iter().all(|over| *over) } else { over.contains(&true) })
    }

    /// dB of hiss over the healthy model where that is most, of the settings at which the complaint is judged.
    pub fn excess_db(&self, healthy: &HealthyHiss) -> Option<f64> {
        self.over_db(healthy)?.into_iter().reduce(f64::max)
    }

    fn over_db(&self, healthy: &HealthyHiss) -> Option<Vec<f64>> {
        let of_setting = |(positions, rms): &(Vec<(usize, f64)>, f64)| {
            let circuit = self.at_positions(positions)?;
            Some(20.0 * (true_hiss(self.sheet, &circuit)? / rms).log10())
        };
        healthy.settings.iter().map(of_setting).collect()
    }

    /// The circuit of the unit, every tolerance and the fault in it.
    pub fn circuit(&self) -> &Circuit {
        &self.circuit
    }

    /// Makes a reading: hiss, pp, dc, or a change by freeze, cool, finger, heat, shunt or turn. Every call errs anew.
    ///
    /// # Errors
    /// A test that names what is not there, or a state without a bias: the set does something no meter could show.
    pub fn read(&mut self, test: &Reading) -> Result<Value, Diagnostic> {
        let resolved = self.sheet.resolve(test).map_err(|problems| {
            let first = problems.into_iter().next();
            first.map_or_else(|| no_reading("it names nothing"), |(_, error)| error)
        })?;
        let errors = self.sheet.reading_errors;
        match test.measure {
            Measure::Hiss | Measure::PeakToPeak => self.read_hiss(test, &resolved, &errors),
            Measure::Dc => {
                let (circuit, point) = self.place(test, &resolved)?;
                let operating = operating(&circuit)?;
                let volts = self.sheet.instruments.dc_meter.read(&circuit, &operating.bias, &point);
                let volts = volts.map_err(|error| error.diagnostic())?;
                Ok(Value::number(volts + errors.dc_sd_volts(volts) * self.errors.normal()))
            }
            Measure::Change => {
                let (before, after) = self.before_and_after(test, &resolved)?;
                Ok(Value::number(20.0 * (after / before).log10() + errors.change_db * self.errors.normal()))
            }
            _ => Err(no_reading("this unit is read for hiss, pp, dc and changes")),
        }
    }

    fn read_hiss(&mut self, test: &Reading, resolved: &Resolved, errors: &ReadingErrors) -> Result<Value, Diagnostic> {
        let (circuit, point) = self.place(test, resolved)?;
        let operating = operating(&circuit)?;
        let at = std::slice::from_ref(&point);
        let instruments = &self.sheet.instruments;
        let unsolved = |error: SolveError| error.diagnostic();
        let (shown, floor, scale, error) = if test.measure == Measure::Hiss {
            let band = (self.sheet.band_hz, Weighting::Flat);
            let rms = instruments.meter.hiss(&circuit, &operating, at, band, TOLERANCE).map_err(unsolved)?;
            let floor = instruments.meter.shows(0.0);
            (instruments.meter.shows(rms.first().copied().unwrap_or(0.0)), floor, self.bench.meter, errors.hiss)
        } else {
            let rms = instruments.scope.hiss(&circuit, &operating, at, TOLERANCE).map_err(unsolved)?;
            let shows = |rms: f64| peak_to_peak(&instruments.scope, rms);
            (shows(rms.first().copied().unwrap_or(0.0)), shows(0.0), self.bench.observer, errors.peak_to_peak)
        };
        let read = shown * scale * (error * self.errors.normal()).exp();
        // Hiss no stronger than the instrument's own noise is not seen as such.
        Ok(if read < std::f64::consts::SQRT_2 * floor { Value::word(Word::NotVisible) } else { Value::number(read) })
    }

    /// Circuit and point of a reading without an act.
    fn place(&self, test: &Reading, resolved: &Resolved) -> Result<(Circuit, Point), Diagnostic> {
        let Some(point) = resolved.point.clone() else { return Err(no_reading("it is made nowhere")) };
        let circuit = if test.twin && resolved.twin_is_model { &self.twin } else { &self.circuit };
        Ok((self.with(circuit, &resolved.with)?, point))
    }

    fn with(&self, circuit: &Circuit, positions: &[(usize, f64)]) -> Result<Circuit, Diagnostic> {
        let changes: Vec<Change> = positions
            .iter()
            .map(|&(control, value)| Change::Parameter { name: self.sheet.controls[control].parameter.clone(), value })
            .collect();
        if changes.is_empty() {
            return Ok(circuit.clone());
        }
        circuit.changed(&changes).map_err(first)
    }

    fn at_positions(&self, positions: &[(usize, f64)]) -> Option<Circuit> {
        self.with(&self.circuit, positions).ok()
    }

    /// What the meter shows at the output before and after an act, V.
    fn before_and_after(&self, test: &Reading, resolved: &Resolved) -> Result<(f64, f64), Diagnostic> {
        let (circuit, point) = self.place(test, resolved)?;
        let Some((how, target)) = &resolved.act else { return Err(no_reading("a change by what?")) };
        let before = operating(&circuit)?;
        let after = match (how, target) {
            (How::Turn, Target::Control(control)) => {
                self.with(&circuit, &[(*control, self.sheet.controls[*control].range[0])])?
            }
            (How::Shunt, Target::Point(node)) => {
                let farads = self.sheet.surroundings.shunt_farads;
                circuit.changed(&[Change::Shunt { node: node.name.clone(), farads }]).map_err(first)?
            }
            (_, Target::Part(part)) if *how != How::Tap => {
                let at = &self.sheet.surroundings.temperatures;
                let germanium = match &circuit.part(*part).element {
                    Element::Bjt(device) => device.is_germanium(),
                    Element::Diode(device) => device.is_germanium(),
                    _ => false,
                };
                let celsius = match how {
                    How::Freeze => at.freeze_celsius + self.bench.freeze_celsius,
                    How::Cool => at.cool_celsius + self.bench.cool_celsius,
                    How::Finger => at.finger_celsius + self.bench.finger_celsius,
                    _ if germanium => at.heat_germanium_celsius + self.bench.heat_celsius,
                    _ => at.heat_silicon_celsius + self.bench.heat_celsius,
                };
                let touch = Touch {
                    part: *part,
                    celsius,
                    near: self.sheet.near(*part),
                    spill: self.bench.spill,
                    leak_exponent: self.bench.leak_exponent,
                };
                circuit.adjusted(&touch.adjustments(&circuit, &before.bias)).map_err(|error| *error)?
            }
            _ => return Err(no_reading("this unit does not tell what a tap does")),
        };
        let meter = &self.sheet.instruments.meter;
        let shown = |circuit: &Circuit, operating: &Operating| {
            let band = (self.sheet.band_hz, Weighting::Flat);
            let rms = meter.hiss(circuit, operating, std::slice::from_ref(&point), band, TOLERANCE);
            rms.map(|rms| meter.shows(rms.first().copied().unwrap_or(0.0))).map_err(|error| error.diagnostic())
        };
        Ok((shown(&circuit, &before)?, shown(&after, &operating(&after)?)?))
    }
}

/// Hiss at the output of the healthy model at each setting of the complaint, to compare units with.
#[derive(Clone, Debug, PartialEq)]
pub struct HealthyHiss {
    /// Positions of controls, by index, and V rms.
    pub settings: Vec<(Vec<(usize, f64)>, f64)>,
    /// Whether the complaint shows at every setting; else at any of them.
    pub all: bool,
}

impl HealthyHiss {
    /// That of a sheet, its middle values; `None` without an output or a bias.
    pub fn of(sheet: &Sheet) -> Option<Self> {
        let (positions, all) = sheet.complaint_settings();
        let coordinates = sheet.coordinates();
        let middle = vec![0.0; coordinates.len()];
        let settings = positions.into_iter().map(|positions| {
            let circuit = sheet.with_controls(&positions).ok()?;
            let adjustments = healthy_adjustments(&coordinates, &middle, &circuit, &sheet.circuit);
            let rms = true_hiss(sheet, &circuit.adjusted(&adjustments).ok()?)?;
            Some((positions, rms))
        });
        Some(Self { settings: settings.collect::<Option<_>>()?, all })
    }
}

impl Sheet {
    /// Settings at which the complaint is judged, and whether it shows at every one of them or at any: by default where the
    /// controls stand, or one of them at its lower end.
    pub fn complaint_settings(&self) -> (Vec<Vec<(usize, f64)>>, bool) {
        if let Some(complaint) = &self.complaint
            && !complaint.settings.is_empty()
        {
            return (complaint.settings.clone(), true);
        }
        let lower = self.controls.iter().enumerate().filter(|(_, control)| control.now != control.range[0]);
        let lower = lower.map(|(at, control)| vec![(at, control.range[0])]);
        (std::iter::once(Vec::new()).chain(lower).collect(), false)
    }
}

impl OwnBench {
    fn of(sheet: &Sheet, coordinates: &[Coordinate], z: &[f64]) -> Self {
        let mut own = Self {
            meter: 1.0,
            observer: 1.0,
            freeze_celsius: 0.0,
            cool_celsius: 0.0,
            finger_celsius: 0.0,
            heat_celsius: 0.0,
            spill: 0.5 * (sheet.tolerances.spill[0] + sheet.tolerances.spill[1]),
            leak_exponent: 0.5 * (sheet.tolerances.leak_exponent[0] + sheet.tolerances.leak_exponent[1]),
        };
        for (coordinate, &z) in coordinates.iter().zip(z) {
            let value = coordinate.law.at(z);
            match coordinate.effect {
                Effect::Meter => own.meter = value,
                Effect::Observer => own.observer = value,
                Effect::Freeze => own.freeze_celsius = value,
                Effect::Cool => own.cool_celsius = value,
                Effect::Finger => own.finger_celsius = value,
                Effect::Heat => own.heat_celsius = value,
                Effect::Spill => own.spill = value,
                Effect::LeakExponent => own.leak_exponent = value,
                Effect::Factor(..) | Effect::To(..) | Effect::Ambient => {}
            }
        }
        own
    }
}

/// The circuit of a sheet with a fault and its tolerances.
fn made(sheet: &Sheet, changes: &[Change], coordinates: &[Coordinate], z: &[f64]) -> Result<Circuit, Vec<Diagnostic>> {
    let faulty = sheet.circuit.changed(changes)?;
    let adjustments = healthy_adjustments(coordinates, z, &faulty, &sheet.circuit);
    faulty.adjusted(&adjustments).map_err(|error| vec![*error])
}

/// The adjustments of tolerances on a circuit with a fault: a resistor whose excess noise is the fault keeps it.
pub fn healthy_adjustments(
    coordinates: &[Coordinate],
    z: &[f64],
    circuit: &Circuit,
    healthy: &Circuit,
) -> Vec<Adjustment> {
    let is_fault = |adjustment: &Adjustment| {
        let excess = |circuit: &Circuit| match &circuit.part(adjustment.part).element {
            Element::Resistor(resistor) => Some(resistor.excess),
            _ => None,
        };
        adjustment.quantity == Quantity::ExcessNoise && excess(circuit) != excess(healthy)
    };
    let all = coordinates.iter().zip(z).flat_map(|(coordinate, &z)| coordinate.adjustments(z));
    all.filter(|adjustment| !is_fault(adjustment)).collect()
}

/// What a scope shows peak to peak of hiss of `rms` volts, its own noise included.
pub fn peak_to_peak(scope: &Scope, rms: f64) -> f64 {
    crate::noise::PEAK_TO_PEAK_PER_RMS * rms.hypot(scope.floor_volts * scope.probe.division)
}

fn true_hiss(sheet: &Sheet, circuit: &Circuit) -> Option<f64> {
    let operating = Operating::of(circuit).ok()?;
    let at = [sheet.output.clone()?];
    let band = (sheet.band_hz, Weighting::Flat);
    sheet.instruments.meter.hiss(circuit, &operating, &at, band, TOLERANCE).ok()?.first().copied()
}

fn operating(circuit: &Circuit) -> Result<Operating, Diagnostic> {
    Operating::of(circuit).map_err(|error| error.diagnostic())
}

fn first(problems: Vec<Diagnostic>) -> Diagnostic {
    problems.into_iter().next().unwrap_or_else(|| no_reading("the circuit cannot be so"))
}

fn no_reading(why: &str) -> Diagnostic {
    Diagnostic::error(Code::BadReading, format!("this cannot be read: {why}")).help("read hiss, pp, dc or a change")
}
