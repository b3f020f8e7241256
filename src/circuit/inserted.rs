//! What-ifs that add a resistor to a part or take the part out.
//!
//! A resistor in series is called `series Q2 base` and makes a node `Q2 base`, the pin behind the bad joint; parts of two
//! leads alike have it in their first one: `series C3`, node `C3 inside`. A resistor across two pins is called
//! `across Q2 collector,base`, or `across C3`. It sits inside the part, behind what is in series with the pins. No name of
//! a netlist has a space in it, so these are never taken.

use indexmap::IndexMap;

use super::change::{find, find_node, require, require_excess, unfit};
use super::{Part, node_id};
use crate::diagnostic::Diagnostic;
use crate::element::{Capacitor, Control, Element, Excess, PartId, Pin, Range, Resistor};
use crate::mna::NodeId;

/// Puts a resistor between a pin and the node it was connected to.
pub(super) fn series(
    parts: &mut IndexMap<String, Part>,
    nodes: &mut IndexMap<String, String>,
    part: &str,
    pin: Pin,
    ohms: f64,
    excess: Excess,
) -> Result<(), Diagnostic> {
    let part = find(parts, part)?;
    let outside = node_of(part, pin)?;
    let (name, inside) = match pin {
        Pin::First => (format!("series {}", part.name), format!("{} inside", part.name)),
        _ => (format!("series {} {}", part.name, pin.name()), format!("{} {}", part.name, pin.name())),
    };
    require(Range::Positive, ohms, &format!("the resistance in series with {}", part.name))?;
    require_excess(excess, &part.name)?;
    let inner = node_id(nodes.len());
    let part = part.name.clone();
    if let Some(Part { element: Element::Resistor(known), .. }) = parts.get_mut(&name.to_lowercase()) {
        (known.ohms, known.excess) = (ohms, excess);
        return Ok(());
    }
    nodes.insert(inside.to_lowercase(), inside);
    find(parts, &part)?.element.connect(pin, inner);
    add(parts, name, [outside, inner], ohms, excess);
    Ok(())
}

/// Puts a resistor across two pins.
pub(super) fn across(
    parts: &mut IndexMap<String, Part>,
    part: &str,
    pins: [Pin; 2],
    ohms: f64,
    excess: Excess,
) -> Result<(), Diagnostic> {
    let part = find(parts, part)?;
    let ends = [node_of(part, pins[0])?, node_of(part, pins[1])?];
    if ends[0] == ends[1] {
        let message = format!("the {} and {} of {} are one node", pins[0].name(), pins[1].name(), part.name);
        return Err(unfit(message, "nothing across them changes anything: name two other pins"));
    }
    let name = match part.element.pins() {
        [_, _] => format!("across {}", part.name),
        _ => format!("across {} {},{}", part.name, pins[0].name(), pins[1].name()),
    };
    require(Range::Positive, ohms, &format!("the resistance across {}", part.name))?;
    require_excess(excess, &part.name)?;
    add(parts, name, ends, ohms, excess);
    Ok(())
}

/// Puts a capacitor from a node to ground, called `shunt NODE`; one that is there already gets another value.
pub(super) fn shunt(
    parts: &mut IndexMap<String, Part>,
    nodes: &IndexMap<String, String>,
    node: &str,
    farads: f64,
) -> Result<(), Diagnostic> {
    let found = find_node(nodes, node)?;
    if found == NodeId::GROUND {
        return Err(unfit("a shunt from ground to ground".to_owned(), "name a node that carries signal"));
    }
    require(Range::NonNegative, farads, &format!("the capacitance from {node} to ground"))?;
    let name = format!("shunt {}", nodes[found.index()]);
    let element = Element::Capacitor(Capacitor::new([found, NodeId::GROUND], farads));
    parts.insert(name.to_lowercase(), Part { name, element, card: None, calls: Vec::new() });
    Ok(())
}

/// Takes a part out, and with it what was put in series with or across it.
pub(super) fn lift(parts: &mut IndexMap<String, Part>, name: &str) -> Result<(), Diagnostic> {
    let part = find(parts, name)?;
    let key = part.name.to_lowercase();
    if part.element.pins().is_empty() {
        let message = format!("{} is no part that can be taken out", part.name);
        return Err(unfit(message, "lift a resistor, capacitor, winding, source, diode or transistor: --lift C3"));
    }
    let name = part.name.clone();
    let id = parts.get_index_of(&key);
    let senses = |part: &Part| match &part.element {
        Element::Controlled(e) => matches!(e.control, Control::Current(sensed, _) if Some(sensed.index()) == id),
        _ => false,
    };
    if let Some(sensing) = parts.values().find(|part| senses(part)) {
        let message = format!("{} is controlled by the current of {name}, which therefore has to stay", sensing.name);
        return Err(unfit(message, "open the connection instead: --fault V1=open"));
    }
    let own = |added: &str| {
        let rest = added.strip_prefix("series ").or_else(|| added.strip_prefix("across "));
        rest.and_then(|rest| rest.strip_prefix(&key)).is_some_and(|rest| rest.is_empty() || rest.starts_with(' '))
    };
    let gone: Vec<usize> =
        parts.keys().enumerate().filter(|(_, known)| **known == key || own(known)).map(|(at, _)| at).collect();
    for &at in gone.iter().rev() {
        parts.shift_remove_index(at);
    }
    let is_gone = |id: PartId| gone.contains(&id.index());
    let moved = |id: PartId| super::part_id(id.index() - gone.iter().filter(|&&at| at < id.index()).count());
    for part in parts.values_mut() {
        match &mut part.element {
            Element::Coupling(coupling) => {
                coupling.windings.retain(|(winding, _)| !is_gone(*winding));
                coupling.windings.iter_mut().for_each(|(winding, _)| *winding = moved(*winding));
            }
            Element::Controlled(source) => {
                if let Control::Current(sensed, _) = &mut source.control {
                    *sensed = moved(*sensed);
                }
            }
            Element::Resistor(_)
            | Element::Capacitor(_)
            | Element::Inductor(_)
            | Element::Source(_)
            | Element::Diode(_)
            | Element::Bjt(_)
            | Element::Jfet(_) => {}
        }
    }
    Ok(())
}

/// Adds a resistor that no card has, or gives one that was added before another value.
pub(super) fn add(parts: &mut IndexMap<String, Part>, name: String, ends: [NodeId; 2], ohms: f64, excess: Excess) {
    let element = Element::Resistor(Resistor { excess, ..Resistor::new(ends, ohms) });
    parts.insert(name.to_lowercase(), Part { name, element, card: None, calls: Vec::new() });
}

fn node_of(part: &Part, pin: Pin) -> Result<NodeId, Diagnostic> {
    part.element.pin_node(pin).ok_or_else(|| {
        let pins: Vec<&str> = part.element.pins().iter().map(|pin| pin.name()).collect();
        let help = match pins.as_slice() {
            [] => "name a resistor, capacitor, winding, source, diode or transistor".to_owned(),
            pins => format!("its pins are {}", pins.join(", ")),
        };
        unfit(format!("{} has no pin {}", part.name, pin.name()), &help)
    })
}
