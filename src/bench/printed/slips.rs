//! Slips of typing and drawing, card by card.

use crate::circuit::{Adjustment, Change, Circuit, Part, Quantity, Shift};
use crate::diagnostic::{Diagnostic, Span};
use crate::element::{Element, PartId, Pin, SourceKind};
use crate::units::short;

/// What may have gone wrong with a card.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Slip {
    /// A resistor or source with another value.
    Value {
        /// The parts made of the card.
        parts: Vec<PartId>,
        /// Its value as it should be.
        value: f64,
    },
    /// Two pins exchanged.
    Pins {
        /// The parts made of the card.
        parts: Vec<PartId>,
        /// The pins.
        pins: [Pin; 2],
    },
    /// A transistor of the other polarity.
    Polarity {
        /// The parts made of the card.
        parts: Vec<PartId>,
    },
    /// A parameter of a transistor's model.
    Parameter {
        /// The parts made of the card.
        parts: Vec<PartId>,
        /// Which.
        quantity: Quantity,
        /// So many times what is typed.
        factor: f64,
    },
}

/// Volts across a resistor below which no value of it matters.
const CURRENTLESS_VOLTS: f64 = 1e-6;

/// Every slip of every card of a circuit. `volts` are those of the nodes as typed, where they are known: resistors without
/// current are passed over.
pub(super) fn slips(circuit: &Circuit, volts: Option<&[f64]>) -> Vec<Slip> {
    let mut all = Vec::new();
    for parts in cards(circuit) {
        let part = circuit.part(parts[0]);
        let currentless = |nodes: [crate::mna::NodeId; 2]| {
            volts.is_some_and(|volts| (volts[nodes[0].index()] - volts[nodes[1].index()]).abs() < CURRENTLESS_VOLTS)
        };
        let parts = || parts.clone();
        match &part.element {
            Element::Resistor(e) if !currentless(e.nodes) => {
                all.extend(values(e.ohms).into_iter().map(|value| Slip::Value { parts: parts(), value }));
            }
            Element::Source(e) if e.dc != 0.0 => {
                let values = [10.0 * e.dc, 0.1 * e.dc, -e.dc];
                all.extend(values.map(|value| Slip::Value { parts: parts(), value }));
            }
            Element::Diode(_) => all.push(Slip::Pins { parts: parts(), pins: [Pin::Anode, Pin::Cathode] }),
            Element::Bjt(e) => {
                for pins in [[Pin::Collector, Pin::Base], [Pin::Collector, Pin::Emitter], [Pin::Base, Pin::Emitter]] {
                    all.push(Slip::Pins { parts: parts(), pins });
                }
                all.push(Slip::Polarity { parts: parts() });
                let mut parameter = |quantity, factors: [f64; 2]| {
                    all.extend(factors.map(|factor| Slip::Parameter { parts: parts(), quantity, factor }));
                };
                parameter(Quantity::ForwardBeta, [0.1, 0.3]);
                parameter(Quantity::ForwardBeta, [3.0, 10.0]);
                parameter(Quantity::SaturationCurrent, [0.1, 10.0]);
                if e.model.icbo > 0.0 {
                    parameter(Quantity::Icbo, [0.1, 10.0]);
                }
            }
            Element::Jfet(_) => {
                for pins in [[Pin::Drain, Pin::Gate], [Pin::Drain, Pin::Source], [Pin::Gate, Pin::Source]] {
                    all.push(Slip::Pins { parts: parts(), pins });
                }
                all.push(Slip::Polarity { parts: parts() });
            }
            Element::Resistor(_)
            | Element::Source(_)
            | Element::Capacitor(_)
            | Element::Inductor(_)
            | Element::Coupling(_)
            | Element::Controlled(_) => {}
        }
    }
    all
}

/// Parts that come of one card, in order of the first of them.
fn cards(circuit: &Circuit) -> Vec<Vec<PartId>> {
    let mut all: Vec<(Span, Vec<PartId>)> = Vec::new();
    for (id, part) in circuit.parts() {
        let Some(card) = part.card else { continue };
        match all.iter_mut().find(|(known, _)| *known == card) {
            Some((_, parts)) => parts.push(id),
            None => all.push((card, vec![id])),
        }
    }
    all.into_iter().map(|(_, parts)| parts).collect()
}

/// What may have been meant by a value: a decade off, a thousand off, two digits exchanged.
fn values(typed: f64) -> Vec<f64> {
    let mut meant = vec![typed * 10.0, typed / 10.0, typed * 1e3, typed / 1e3];
    if !(typed > 0.0 && typed.is_finite()) {
        return Vec::new();
    }
    // The two leading digits, as printed on parts.
    let decade = 10f64.powf(typed.log10().floor() - 1.0);
    let digits = (typed / decade).round();
    let (first, second) = ((digits / 10.0).floor(), digits % 10.0);
    if second != 0.0 && second != first && (digits * decade - typed).abs() < 1e-6 * typed {
        meant.push((10.0 * second + first) * decade);
    }
    meant
}

impl Slip {
    /// The parts it is about.
    pub fn parts(&self) -> &[PartId] {
        match self {
            Slip::Value { parts, .. }
            | Slip::Pins { parts, .. }
            | Slip::Polarity { parts }
            | Slip::Parameter { parts, .. } => parts,
        }
    }

    /// The circuit with the slip mended.
    pub(super) fn mended(&self, circuit: &Circuit) -> Result<Circuit, Vec<Diagnostic>> {
        let name = |part: &PartId| circuit.part(*part).name.clone();
        let adjusted = |quantity: Quantity, value: Shift| {
            let each = self.parts().iter().map(|&part| Adjustment { part, quantity, value });
            circuit.adjusted(&each.collect::<Vec<_>>()).map_err(|problem| vec![*problem])
        };
        match self {
            Slip::Value { parts, value } => {
                let quantity = match circuit.part(parts[0]).element {
                    Element::Source(_) => Quantity::SourceDc,
                    _ => Quantity::Resistance,
                };
                adjusted(quantity, Shift::To(*value))
            }
            Slip::Parameter { quantity, factor, .. } => adjusted(*quantity, Shift::Factor(*factor)),
            Slip::Pins { parts, pins } => {
                let each = parts.iter().map(|part| Change::Exchange { part: name(part), pins: *pins });
                circuit.changed(&each.collect::<Vec<_>>())
            }
            Slip::Polarity { parts } => {
                circuit.changed(&parts.iter().map(|part| Change::Mirror { part: name(part) }).collect::<Vec<_>>())
            }
        }
    }

    /// In words: `RC1 typed 2.2 kΩ; 22 kΩ would fit`.
    pub(super) fn text(&self, circuit: &Circuit) -> String {
        let names: Vec<&str> = self.parts().iter().map(|part| circuit.part(*part).name.as_str()).collect();
        let names = names.join(" and ");
        match self {
            Slip::Value { parts, value } => {
                let (typed, unit) = typed(circuit.part(parts[0]));
                format!("{names} typed {}; {} would fit", short(typed, unit), short(*value, unit))
            }
            Slip::Pins { pins: [a, b], .. } => {
                format!("{names} with {} and {} exchanged would fit", a.name(), b.name())
            }
            Slip::Polarity { .. } => format!("{names} of the other polarity would fit"),
            Slip::Parameter { quantity, factor, .. } => {
                format!("{} of {names} {factor} times as large would fit", quantity.words())
            }
        }
    }
}

fn typed(part: &Part) -> (f64, &'static str) {
    match &part.element {
        Element::Resistor(e) => (e.ohms, "Ω"),
        Element::Source(e) => (e.dc, if e.kind == SourceKind::Voltage { "V" } else { "A" }),
        _ => (0.0, ""),
    }
}
