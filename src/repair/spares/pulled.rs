//! The part that was pulled, on a simple tester: what it reads if it is good, and what if it is guilty.
//!
//! Good is the middle nine tenths of devices drawn from the tolerances, at the temperature of the tester's room. Guilty is
//! each fault of the list, mild, typical and severe, of a device otherwise as its card says.

use super::tester::{Readings, Tester};
use crate::bench::healthy::{Band, HEALTHY_SEED, HEALTHY_UNITS};
use crate::bench::tolerance::{Coordinate, Effect, adjustments, stratified};
use crate::bench::{Case, Fault, ListedFault};
use crate::circuit::{Change, Circuit};
use crate::diagnostic::Diagnostic;
use crate::element::{Bjt, Element, PartId};
use crate::units::engineering;

/// What is asked about a pulled part.
#[derive(Clone, Debug)]
pub struct PulledQuestion<'a> {
    /// The circuit it comes from, without a fault.
    pub circuit: &'a Circuit,
    /// The part, a bipolar transistor.
    pub part: PartId,
    /// How healthy units differ.
    pub coordinates: &'a [Coordinate],
    /// Faults it may have.
    pub faults: Vec<ListedFault>,
    /// Changes that make it guilty besides, and their words.
    pub what_ifs: Vec<(String, Vec<Change>)>,
    /// The tester.
    pub tester: Tester,
}

/// What a pulled part reads.
#[derive(Clone, Debug, PartialEq)]
pub struct Pulled {
    /// As its card says.
    pub nominal: Readings,
    /// Good devices.
    pub good: Good,
    /// Guilty ones, in order of the faults.
    pub guilty: Vec<Guilty>,
}

/// What good devices read; `None` for what they do not read at all.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Good {
    /// ICEO, A.
    pub iceo_amps: Option<Band>,
    /// Current gain, leakage included.
    pub hfe: Option<Band>,
    /// Current gain, leakage taken off.
    pub gain: Option<Band>,
    /// Base against emitter, V.
    pub emitter_drop_volts: Option<Band>,
    /// Base against collector, V.
    pub collector_drop_volts: Option<Band>,
}

/// A guilty device.
#[derive(Clone, Debug, PartialEq)]
pub struct Guilty {
    /// The fault in full, or the what-if.
    pub text: String,
    /// The fault by its kind and how bad it is: `junction_leak icbo 20 µA`.
    pub title: String,
    /// How bad; `None` for a fault that is there or not, or a what-if.
    pub case: Option<Case>,
    /// What it reads.
    pub readings: Readings,
    /// Readings that lie outside those of good devices, by their names in results.
    pub told_by: Vec<&'static str>,
}

/// Puts the part on the tester, good and guilty. `None` where it is no bipolar transistor.
///
/// # Errors
/// A fault or a what-if that does not fit.
pub fn pulled(question: &PulledQuestion<'_>) -> Result<Option<Pulled>, Vec<Diagnostic>> {
    let Element::Bjt(device) = &question.circuit.part(question.part).element else { return Ok(None) };
    let tester = &question.tester;
    let good = good(question);
    let mut guilty = Vec::new();
    for fault in &question.faults {
        let cases: &[Case] = if fault.prior.ranges.is_empty() { &[Case::Typical] } else { &Case::ALL };
        for &case in cases {
            let fault: Fault = fault.at(&vec![case.fraction(); fault.prior.ranges.len()]);
            let changes = fault.changes(question.circuit).map_err(|error| vec![error])?;
            let readings = with_changes(question, &changes)?;
            guilty.push(Guilty {
                text: fault.text(),
                title: title(&fault),
                case: (cases.len() > 1).then_some(case),
                readings,
                told_by: told_by(&good, &readings),
            });
        }
    }
    for (text, changes) in &question.what_ifs {
        let readings = with_changes(question, changes)?;
        let told_by = told_by(&good, &readings);
        guilty.push(Guilty { text: text.clone(), title: text.clone(), case: None, readings, told_by });
    }
    Ok(Some(Pulled { nominal: tester.read(device), good, guilty }))
}

/// A fault by the number that says how bad it is; its others are of hiss, which no tester shows.
fn title(fault: &Fault) -> String {
    let worst = fault.kind.keys().first().and_then(|key| Some((key, *fault.values.get(key.name)?)));
    let worst = worst.map_or_else(String::new, |(key, value)| {
        // Three digits, as of the others: 173, 0.342.
        let factor = format!("{value:.2e}").parse().unwrap_or(value);
        let amount = if key.unit.is_empty() { format!("{factor}") } else { engineering(value, key.unit, 3) };
        format!(" {} {amount}", key.name)
    });
    format!("{}{worst}", fault.kind.name())
}

/// What good devices read.
fn good(question: &PulledQuestion<'_>) -> Good {
    let own = question.coordinates.iter().filter(|coordinate| match &coordinate.effect {
        Effect::Factor(_, parts) | Effect::To(_, parts) => parts.contains(&question.part),
        _ => false,
    });
    let own: Vec<Coordinate> = own.cloned().collect();
    let drawn = stratified(&own, HEALTHY_SEED, HEALTHY_UNITS);
    let read = drawn.iter().filter_map(|z| {
        let unit = question.circuit.adjusted(&adjustments(&own, z)).ok()?;
        let Element::Bjt(device) = &unit.part(question.part).element else { return None };
        Some(question.tester.read(device))
    });
    let read: Vec<Readings> = read.collect();
    let band = |value: fn(&Readings) -> Option<f64>| Band::of(read.iter().filter_map(value).collect());
    Good {
        iceo_amps: band(|read| read.iceo_amps),
        hfe: band(|read| read.hfe),
        gain: band(|read| read.gain),
        emitter_drop_volts: band(|read| read.emitter_drop_volts),
        collector_drop_volts: band(|read| read.collector_drop_volts),
    }
}

/// What changes inside the can show on the tester: those of the device itself, and leaks and cuts at its pins.
fn with_changes(question: &PulledQuestion<'_>, changes: &[Change]) -> Result<Readings, Vec<Diagnostic>> {
    let circuit = question.circuit.changed(changes)?;
    let name = &question.circuit.part(question.part).name;
    let found = circuit.find_part(name).map_err(|error| vec![error])?;
    let Element::Bjt(device) = &circuit.part(found).element else { return Ok(Readings::default()) };
    let on_tester = |change: &Change| {
        let mut change = change.clone();
        match &mut change {
            Change::Series { part, .. } | Change::Across { part, .. } => "Q1".clone_into(part),
            _ => return None,
        }
        Some(change)
    };
    let faults: Vec<Change> = changes.iter().filter_map(on_tester).collect();
    let device = Bjt { celsius: None, ..device.clone() };
    Ok(question.tester.read_faulty(&device, &faults))
}

/// Readings outside those of good devices.
fn told_by(good: &Good, read: &Readings) -> Vec<&'static str> {
    let pairs = [
        ("iceo_a", good.iceo_amps, read.iceo_amps),
        ("hfe", good.hfe, read.hfe),
        ("gain", good.gain, read.gain),
        ("emitter_drop_v", good.emitter_drop_volts, read.emitter_drop_volts),
        ("collector_drop_v", good.collector_drop_volts, read.collector_drop_volts),
    ];
    let outside = |band: Option<Band>, value: Option<f64>| match (band, value) {
        (Some(Band { low, high }), Some(value)) => value < low || value > high,
        (Some(_), None) => true,
        (None, _) => false,
    };
    pairs.into_iter().filter(|(_, band, value)| outside(*band, *value)).map(|(name, ..)| name).collect()
}
