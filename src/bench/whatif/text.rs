//! A change as a line of text.

use super::Action;
use crate::circuit::{Change, Circuit};
use crate::element::{Element, Excess, SourceKind};
use crate::units::{exact, short};

/// `leak Q2 20 µA ×300, corner 1 kHz`
pub(super) fn line(circuit: &Circuit, action: Action, change: &Change) -> String {
    let rest = match change {
        Change::Parameter { name, value } => format!("{name} {}", plain(*value)),
        Change::Swap { part, model } => format!("{part} {model}"),
        Change::Value { part, value } => {
            match circuit.find_part(part).ok().and_then(|id| unit(&circuit.part(id).element)) {
                None => format!("{part} {}", plain(*value)),
                Some(unit) => format!("{part} {}", short(*value, unit)),
            }
        }
        Change::Scale { part, factor } => format!("{part} value ×{}", plain(*factor)),
        Change::Excess { part, excess } => format!("{part} excess noise{}", excess_noise(*excess)),
        Change::Flicker { part, factor, .. } => format!("{part} KF ×{}", plain(*factor)),
        Change::Exchange { part, pins: [a, b] } => format!("{part} {} and {} exchanged", a.name(), b.name()),
        Change::Mirror { part } => format!("{part} of the other polarity"),
        Change::Beta { part, factor } => format!("{part} BF ×{}", plain(*factor)),
        Change::Series { part, pin, ohms, excess } => {
            format!("{part} {} in series with {}{}", short(*ohms, "Ω"), pin.name(), excess_noise(*excess))
        }
        Change::Across { part, pins: [a, b], ohms, excess } => {
            format!("{part} {} across {}-{}{}", short(*ohms, "Ω"), a.name(), b.name(), excess_noise(*excess))
        }
        Change::Lift { part } => part.clone(),
        Change::Shunt { node, farads } => format!("{node} {}", short(*farads, "F")),
        Change::Bridge { nodes: [a, b], ohms, excess } => {
            format!("{a},{b} {}{}", short(*ohms, "Ω"), excess_noise(*excess))
        }
        Change::Leak { part, amps, times, corner_hz, doubling_celsius } => {
            let doubling = doubling_celsius.map(|celsius| format!(", doubling every {celsius} °C")).unwrap_or_default();
            format!("{part} {}{}{doubling}", short(*amps, "A"), noise(*times, *corner_hz))
        }
        Change::Temperature { part, celsius } => format!("{part} {celsius} °C"),
        Change::Ambient { celsius } => format!("{celsius} °C"),
    };
    format!("{} {rest}", action.flag())
}

/// A number without a unit; with an exponent only where it would be long without.
fn plain(value: f64) -> String {
    if value == 0.0 || (1e-4..1e7).contains(&value.abs()) { value.to_string() } else { exact(value) }
}

fn excess_noise(excess: Excess) -> String {
    match excess {
        Excess::None => String::new(),
        Excess::Index(db) => format!(", noise index {db} dB"),
        Excess::Bridge { times, corner_hz } => noise(Some(times), Some(corner_hz).filter(|hertz| *hertz > 0.0)),
    }
}

fn noise(times: Option<f64>, corner_hz: Option<f64>) -> String {
    let times = times.map(|times| format!(" ×{times}")).unwrap_or_default();
    let corner = corner_hz.map(|hertz| format!(", corner {}", short(hertz, "Hz"))).unwrap_or_default();
    times + &corner
}

/// Unit of the value of a part; controlled sources have several kinds of gain, devices no single value.
pub(super) fn unit(element: &Element) -> Option<&'static str> {
    match element {
        Element::Resistor(_) => Some("Ω"),
        Element::Capacitor(_) => Some("F"),
        Element::Inductor(_) => Some("H"),
        Element::Source(source) => Some(match source.kind {
            SourceKind::Voltage => "V",
            SourceKind::Current => "A",
        }),
        Element::Controlled(_) | Element::Coupling(_) | Element::Diode(_) | Element::Bjt(_) | Element::Jfet(_) => None,
    }
}
