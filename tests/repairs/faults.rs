//! Single faults that no sheet lists: a stray conductance, an open, a short.

use hissmap::bench::simulated::{HealthyHiss, SimulatedUnit};
use hissmap::bench::{OPEN_OHMS, SHORT_OHMS, sheet::Sheet};
use hissmap::circuit::{Change, Circuit};
use hissmap::diagnosis::Draw;
use hissmap::element::{Element, Excess, PartId, Pin};
use hissmap::mna::NodeId;

/// A unit with an unlisted fault.
pub struct Unlisted<'s> {
    pub unit: SimulatedUnit<'s>,
    /// The parts that it may rightly be laid to.
    pub parts: Vec<String>,
    pub words: String,
}

struct Fault {
    change: Change,
    parts: Vec<String>,
    words: String,
}

/// Unit number `unit` with the first unlisted fault, of so many tries, that shows the complaint.
pub fn unlisted<'s>(sheet: &'s Sheet, healthy: &HealthyHiss, seed: u64, unit: u64, tries: u64) -> Option<Unlisted<'s>> {
    let mut draw = Draw::new(seed, unit);
    (0..tries).find_map(|attempt| {
        let Fault { change, parts, words } = one(&sheet.circuit, &mut draw)?;
        let own = unit.wrapping_mul(1000).wrapping_add(attempt);
        let unit = SimulatedUnit::new(sheet, &[change], seed, own).ok()?;
        (unit.complains(healthy) == Some(true)).then_some(Unlisted { unit, parts, words })
    })
}

fn one(circuit: &Circuit, draw: &mut Draw) -> Option<Fault> {
    let below = |draw: &mut Draw, count: usize| ((draw.uniform() * count as f64) as usize).min(count - 1);
    let parts: Vec<PartId> = circuit.parts().filter(|(_, part)| !is_source(&part.element)).map(|(id, _)| id).collect();
    let kind = below(draw, 3);
    if kind == 0 {
        return stray(circuit, draw);
    }
    let part = circuit.part(parts[below(draw, parts.len())]);
    let pins = part.element.pins();
    let first = below(draw, pins.len());
    if kind == 1 {
        let pin = pins[first];
        let change = Change::Series { part: part.name.clone(), pin, ohms: OPEN_OHMS, excess: Excess::None };
        return Some(Fault {
            change,
            parts: vec![part.name.clone()],
            words: format!("{} open at {}", part.name, pin.name()),
        });
    }
    let second = (first + 1 + below(draw, pins.len() - 1)) % pins.len();
    let pins: [Pin; 2] = [pins[first], pins[second]];
    let at = |pin: Pin| part.element.pin_node(pin);
    if at(pins[0]) == at(pins[1]) {
        return None;
    }
    let change = Change::Across { part: part.name.clone(), pins, ohms: SHORT_OHMS, excess: Excess::None };
    // What lies beside a short cannot be told from it.
    let parts = beside(circuit, [at(pins[0])?, at(pins[1])?]);
    Some(Fault { change, parts, words: format!("{} short from {} to {}", part.name, pins[0].name(), pins[1].name()) })
}

/// Dirt between two nodes, 3 kΩ to 3 MΩ with an excess noise of 1 to 100 µV/V; not where it would be a listed leak.
fn stray(circuit: &Circuit, draw: &mut Draw) -> Option<Fault> {
    let nodes: Vec<(NodeId, String)> = circuit.nodes().map(|(id, name)| (id, name.to_owned())).collect();
    let mut node = || {
        let at = (draw.uniform() * (nodes.len() + 1) as f64) as usize;
        nodes.get(at).cloned().unwrap_or((NodeId::GROUND, "0".to_owned()))
    };
    let (a, b) = (node(), node());
    let ohms = 3e3 * 1e3f64.powf(draw.uniform());
    let decibels = 40.0 * draw.uniform();
    let both = [a.0, b.0];
    if a.0 == b.0 || is_listed(circuit, both) {
        return None;
    }
    let words = format!("{ohms:.0} ohms from {} to {}, {decibels:.0} dB", a.1, b.1);
    let change = Change::Bridge { nodes: [a.1, b.1], ohms, excess: Excess::Index(decibels) };
    Some(Fault { change, parts: beside(circuit, both), words })
}

fn is_source(element: &Element) -> bool {
    matches!(element, Element::Source(_) | Element::Controlled(_) | Element::Coupling(_))
}

/// Whether a leak of a capacitor or transistor is listed between these nodes.
fn is_listed(circuit: &Circuit, between: [NodeId; 2]) -> bool {
    circuit.parts().any(|(_, part)| match &part.element {
        Element::Capacitor(capacitor) => between.iter().all(|node| capacitor.nodes.contains(node)),
        Element::Bjt(_) => {
            let ends = [Pin::Collector, Pin::Base].map(|pin| part.element.pin_node(pin));
            between.iter().all(|node| ends.contains(&Some(*node)))
        }
        _ => false,
    })
}

/// Parts with a pin at each of two nodes.
fn beside(circuit: &Circuit, between: [NodeId; 2]) -> Vec<String> {
    let touches = |element: &Element| {
        let nodes: Vec<Option<NodeId>> = element.pins().iter().map(|&pin| element.pin_node(pin)).collect();
        between.iter().all(|node| nodes.contains(&Some(*node)))
    };
    circuit.parts().filter(|(_, part)| touches(&part.element)).map(|(_, part)| part.name.clone()).collect()
}
