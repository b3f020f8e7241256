//! From a fault to a circuit that has it, so that as many as possible share one structure of their equations.
//!
//! Shifts of values keep the structure. Leaks put a resistor across two pins; a circuit that holds the places for all of
//! them, with next to nothing in each, makes them shifts of values too.

use crate::bench::fault::Fault;
use crate::circuit::{Adjustment, Change, Circuit, Quantity, Shift};
use crate::diagnostic::Diagnostic;
use crate::element::{Element, Excess, PartId};

/// What stands in a place for a leak that nobody asks for, Ω: its current is lost in the rounding of any other.
const NO_LEAK_OHMS: f64 = 1e20;

/// How a faulty circuit is made.
#[derive(Clone, Debug)]
pub(super) enum Recipe {
    /// Values shifted in one of the [`Bases`].
    Shift(Base, Vec<Adjustment>),
    /// A structure of its own.
    Change(Vec<Change>),
}

/// Which circuit values are shifted in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Base {
    /// The circuit as it is.
    Plain,
    /// With places for leaks.
    Leaks,
}

/// The circuits that values are shifted in.
#[derive(Clone, Debug)]
pub(super) struct Bases {
    pub plain: Circuit,
    /// `None` where there are no places for leaks.
    pub leaks: Option<Circuit>,
}

impl Bases {
    /// Places for every leak that the faults have.
    pub fn new<'f>(plain: &Circuit, faults: impl Iterator<Item = &'f Fault>) -> Self {
        let mut places: Vec<Change> = Vec::new();
        for fault in faults {
            for change in fault.changes(plain).unwrap_or_default() {
                let Change::Across { part, pins, .. } = change else { continue };
                let Ok(id) = plain.find_part(&part) else { continue };
                let element = &plain.part(id).element;
                // Where two pins are one node no leak shows; one that a what-if put there already is a place as it is.
                let open = element.pin_node(pins[0]) != element.pin_node(pins[1]);
                let place = Change::Across { part, pins, ohms: NO_LEAK_OHMS, excess: Excess::None };
                if open && across(plain, &place).is_none() && !places.contains(&place) {
                    places.push(place);
                }
            }
        }
        let leaks = (!places.is_empty()).then(|| plain.changed(&places).ok()).flatten();
        Self { plain: plain.clone(), leaks }
    }

    /// Each base with a change, such as another setting of a control.
    pub fn changed(&self, change: &Change) -> Result<Self, Vec<Diagnostic>> {
        let change = std::slice::from_ref(change);
        let leaks = self.leaks.as_ref().map(|leaks| leaks.changed(change)).transpose()?;
        Ok(Self { plain: self.plain.changed(change)?, leaks })
    }

    /// Each base with values shifted; parts have the same numbers in all.
    pub fn adjusted(&self, adjustments: &[Adjustment]) -> Result<Self, Box<Diagnostic>> {
        let leaks = self.leaks.as_ref().map(|leaks| leaks.adjusted(adjustments)).transpose()?;
        Ok(Self { plain: self.plain.adjusted(adjustments)?, leaks })
    }

    /// The one of them.
    pub fn of(&self, base: Base) -> &Circuit {
        match (base, &self.leaks) {
            (Base::Leaks, Some(leaks)) => leaks,
            _ => &self.plain,
        }
    }

    /// How to make the circuit without a fault.
    pub fn recipe_of_none(&self) -> Recipe {
        Recipe::Shift(Base::Plain, Vec::new())
    }

    /// How to make a circuit with a fault.
    ///
    /// # Errors
    /// As [`Fault::changes`].
    pub fn recipe(&self, fault: &Fault) -> Result<Recipe, Diagnostic> {
        let changes = fault.changes(&self.plain)?;
        let leaks = changes.iter().any(|change| matches!(change, Change::Across { .. }));
        let base = if leaks && self.leaks.is_some() { Base::Leaks } else { Base::Plain };
        let shifts: Option<Vec<Vec<Adjustment>>> =
            changes.iter().map(|change| adjustments(self.of(base), change)).collect();
        Ok(match shifts {
            Some(shifts) => Recipe::Shift(base, shifts.concat()),
            None => Recipe::Change(changes),
        })
    }

    /// The circuit of a recipe; `None` where it cannot be.
    pub fn cook(&self, recipe: &Recipe) -> Option<Circuit> {
        match recipe {
            Recipe::Shift(base, adjustments) => self.of(*base).adjusted(adjustments).ok(),
            Recipe::Change(changes) => self.plain.changed(changes).ok(),
        }
    }
}

/// A change as shifts of values; `None` where it is none.
fn adjustments(circuit: &Circuit, change: &Change) -> Option<Vec<Adjustment>> {
    let find = |name: &str| circuit.find_part(name).ok();
    let shift = |part, quantity, value| Adjustment { part, quantity, value };
    match change {
        Change::Leak { part, amps, times, corner_hz, doubling_celsius: None } => {
            let part = find(part)?;
            let times = times.map(|times| shift(part, Quantity::LeakageMultiplier, Shift::To(times)));
            let corner = corner_hz.map(|corner| shift(part, Quantity::LeakageCorner, Shift::To(corner)));
            let amps = shift(part, Quantity::Icbo, Shift::To(*amps));
            Some(std::iter::once(amps).chain(times).chain(corner).collect())
        }
        Change::Beta { part, factor } => Some(vec![shift(find(part)?, Quantity::ForwardBeta, Shift::Factor(*factor))]),
        Change::Scale { part, factor } => {
            let part = find(part)?;
            let quantity = match &circuit.part(part).element {
                Element::Resistor(_) => Quantity::Resistance,
                Element::Capacitor(_) => Quantity::Capacitance,
                Element::Inductor(_) => Quantity::Inductance,
                _ => return None,
            };
            Some(vec![shift(part, quantity, Shift::Factor(*factor))])
        }
        Change::Excess { part, excess } => {
            let part = find(part)?;
            let Element::Resistor(resistor) = &circuit.part(part).element else { return None };
            let bridge = matches!(resistor.excess, Excess::Bridge { .. });
            let microvolts = microvolts_per_volt(*excess).filter(|_| !bridge)?;
            Some(vec![shift(part, Quantity::ExcessNoise, Shift::To(microvolts))])
        }
        Change::Flicker { part, factor, unit_kf } => {
            let part = find(part)?;
            let (kf, af) = match &circuit.part(part).element {
                Element::Diode(e) => (e.model.kf, e.model.af),
                Element::Bjt(e) => (e.model.kf, e.model.af),
                Element::Jfet(e) => (e.model.kf, e.model.af),
                _ => return None,
            };
            let value = match kf {
                0.0 if af == 1.0 => Shift::To(unit_kf * factor),
                0.0 => return None,
                _ => Shift::Factor(*factor),
            };
            Some(vec![shift(part, Quantity::Flicker, value)])
        }
        Change::Across { ohms, excess, .. } => {
            let part = across(circuit, change)?;
            let resistance = shift(part, Quantity::Resistance, Shift::To(*ohms));
            Some(vec![resistance, shift(part, Quantity::ExcessNoise, Shift::To(microvolts_per_volt(*excess)?))])
        }
        _ => None,
    }
}

/// The resistor across two pins that a leak there has.
fn across(circuit: &Circuit, leak: &Change) -> Option<PartId> {
    let Change::Across { part, pins: [a, b], .. } = leak else { return None };
    let (of_two, of_more) = (format!("across {part}"), format!("across {part} {},{}", a.name(), b.name()));
    circuit.find_part(&of_more).or_else(|_| circuit.find_part(&of_two)).ok()
}

/// Excess noise in µV per volt and decade; `None` where it does not follow the volts.
fn microvolts_per_volt(excess: Excess) -> Option<f64> {
    match excess {
        Excess::None => Some(0.0),
        Excess::Index(db) => Some(10f64.powf(db / 20.0)),
        Excess::Bridge { .. } => None,
    }
}
