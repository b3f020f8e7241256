//! What is wrong with the unit: drawn as faults come, until one shows the complaint and is as hard as it was asked to be.
//!
//! easy   it is loud, and tracing the hiss from the input on ends at the bad device
//! fair   as faults come
//! hard   tracing ends at a good part, or the bad one is no device
//!
//! Tracing is done without errors here: the first point in signal order where the hiss stands 3 dB over that of the same unit
//! without the fault, by the meter.

use crate::bench::sheet::Sheet;
use crate::bench::sheet::settings::Level;
use crate::bench::simulated::{HealthyHiss, SimulatedUnit};
use crate::bench::{Fault, Point};
use crate::circuit::{Change, Circuit};
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, Pin};
use crate::noise::Weighting;
use crate::operating::Operating;

/// Faults drawn, at most, until one shows the complaint; of those, how many until one is as hard as asked.
const TRIES: u64 = 900;
const JUDGED: usize = 60;
/// So loud is easy, dB over the healthy model.
const LOUD_DB: f64 = 10.0;
/// From so many dB on hiss is seen to have risen.
pub(super) const RISEN_DB: f64 = 3.0;
/// Relative error of hiss figures: far below that of any instrument.
pub(super) const TOLERANCE: f64 = 1e-4;

/// The fault and the unit that has it.
#[derive(Clone, Debug)]
pub(super) struct Hidden<'s> {
    pub fault: Fault,
    pub changes: Vec<Change>,
    pub unit: SimulatedUnit<'s>,
    pub level: Option<Level>,
    pub excess_db: f64,
}

impl<'s> Hidden<'s> {
    pub fn drawn(sheet: &'s Sheet, seed: u64, level: Level) -> Result<Self, Diagnostic> {
        let healthy = healthy_hiss(sheet)?;
        let listed = sheet.listed_faults();
        let shown = (0..TRIES).filter_map(|attempt| {
            let (unit, _, fault) = SimulatedUnit::drawn(sheet, &listed, seed, 0, attempt)?;
            if unit.complains(&healthy) != Some(true) {
                return None;
            }
            let changes = fault.changes(&sheet.circuit).ok()?;
            let excess_db = unit.excess_db(&healthy)?;
            Some(Self { fault, changes, unit, level: Some(level), excess_db })
        });
        let mut spare = None;
        for hidden in shown.take(JUDGED) {
            if hidden.is(sheet, level) {
                return Ok(hidden);
            }
            spare = spare.or(Some(hidden));
        }
        // Some circuits have no fault that is hard, or none that is easy.
        spare.ok_or_else(|| {
            let error = Diagnostic::error(Code::BadSheetValue, "no fault that the sheet lists shows the complaint");
            error.help("lower hiss_db of the complaint, or list more suspects")
        })
    }

    pub fn chosen(sheet: &'s Sheet, seed: u64, fault: &Fault) -> Result<Self, Diagnostic> {
        let healthy = healthy_hiss(sheet)?;
        let fault = fault.checked(&sheet.circuit)?;
        let changes = fault.changes(&sheet.circuit)?;
        let unit = SimulatedUnit::new(sheet, &changes, seed, 0).map_err(super::head)?;
        let excess_db = unit.excess_db(&healthy).ok_or_else(|| {
            let message = format!("with {} the unit finds no bias", fault.text());
            Diagnostic::error(Code::NoBias, message).help("choose a milder fault")
        })?;
        Ok(Self { fault, changes, unit, level: None, excess_db })
    }

    fn is(&self, sheet: &Sheet, level: Level) -> bool {
        if level == Level::Fair {
            return true;
        }
        let Some(traced) = self.traced(sheet) else { return false };
        let is_device = matches!(traced.culprit, Element::Bjt(_) | Element::Jfet(_) | Element::Diode(_));
        match level {
            Level::Easy => is_device && traced.misled_to.is_none() && traced.at_culprit && self.excess_db >= LOUD_DB,
            _ => traced.misled_to.is_some() || !is_device,
        }
    }

    /// Where tracing the hiss ends.
    fn traced(&self, sheet: &Sheet) -> Option<Traced> {
        let healthy = self.unit.healthy_circuit().ok()?;
        let points = Point::all(&sheet.circuit, sheet.input);
        let [before, after] = [&healthy, self.unit.circuit()].map(|circuit| hiss(sheet, circuit, &points).ok());
        let (before, after) = (before?, after?);
        let culprit = sheet.circuit.part(sheet.circuit.find_part(&self.fault.part).ok()?).element.clone();
        let first = first_risen(&before, &after).map(|at| &points[at]);
        let at_culprit = first.is_some_and(|point| culprit.nodes().contains(&point.plus));
        let misled_to = first.and_then(|point| ends_at(&sheet.circuit, point, &self.fault.part));
        Some(Traced { culprit, at_culprit, misled_to })
    }
}

struct Traced {
    culprit: Element,
    at_culprit: bool,
    misled_to: Option<String>,
}

fn healthy_hiss(sheet: &Sheet) -> Result<HealthyHiss, Diagnostic> {
    if sheet.output.is_none() {
        let error = Diagnostic::error(Code::MissingInput, "the sheet does not say where the complaint is heard");
        return Err(error.help("name the output: output = \"out\", or .noise in the netlist"));
    }
    HealthyHiss::of(sheet).ok_or_else(|| {
        let error = Diagnostic::error(Code::NoBias, "the healthy circuit finds no bias");
        error.help("see what is wrong with it: hissmap bias FILE")
    })
}

/// What the meter shows of each point, V.
pub(super) fn hiss(sheet: &Sheet, circuit: &Circuit, points: &[Point]) -> Result<Vec<f64>, Diagnostic> {
    let operating = Operating::of(circuit).map_err(|error| error.diagnostic())?;
    let meter = &sheet.instruments.meter;
    let rms = meter.hiss(circuit, &operating, points, (sheet.band_hz, Weighting::Flat), TOLERANCE);
    Ok(rms.map_err(|error| error.diagnostic())?.into_iter().map(|rms| meter.shows(rms)).collect())
}

/// The first point at which the hiss has risen.
pub(super) fn first_risen(before: &[f64], after: &[f64]) -> Option<usize> {
    before.iter().zip(after).position(|(before, after)| 20.0 * (after / before).log10() >= RISEN_DB)
}

/// The device whose output a point is, if that is another part than the one at fault.
pub(super) fn ends_at(circuit: &Circuit, point: &Point, part: &str) -> Option<String> {
    let ends = |element: &Element| {
        [Pin::Collector, Pin::Drain].into_iter().any(|pin| element.pin_node(pin) == Some(point.plus))
    };
    let mut names = circuit.parts().filter(|(_, known)| ends(&known.element)).map(|(_, known)| known.name.clone());
    let first = names.next()?;
    (first != part && names.all(|name| name != part)).then_some(first)
}
