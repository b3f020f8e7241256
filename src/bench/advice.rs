//! The advice a colleague gives about a netlist that is sound: what may not be meant, and what will not work well.
//!
//! Warnings only, with codes of their own. [`of_title`] needs no circuit, so it also helps where the circuit has faults;
//! [`of_circuit`] needs the connections, [`at_bias`] the bias point.

mod bypass;
mod connections;
mod unused;

pub use connections::of_circuit;

use crate::bias::{BiasPoint, Region, devices};
use crate::circuit::{Circuit, Part};
use crate::diagnostic::{Code, Diagnostic, SourceId, Span};
use crate::element::{BjtRegion, Element, JfetRegion};
use crate::netlist::{Netlist, looks_like_statement};
use crate::operating::Operating;
use crate::units::engineering;

/// Volts of the wrong polarity that an electrolytic does not mind.
const REVERSED_VOLTS: f64 = 0.05;

/// A missing title: the first part is then taken for one, and is missed elsewhere.
pub fn of_title(netlist: &Netlist) -> Option<Diagnostic> {
    if !looks_like_statement(&netlist.title) {
        return None;
    }
    let place = Span { source: SourceId(0), start: 0, end: 0 };
    let message = "the first line is the title, and this one looks like a part or statement";
    let warning = Diagnostic::warning(Code::TitleMissing, message).at(place).in_statement(place);
    Some(warning.help("put a line with a title above it"))
}

/// Advice that needs the bias: polarity of electrolytics, transistors that do not work, bypass capacitors too small.
pub fn at_bias(circuit: &Circuit, operating: &Operating) -> Vec<Diagnostic> {
    let mut advice = reversed(circuit, &operating.bias);
    advice.extend(idle(circuit, &operating.bias));
    advice.extend(bypass::too_small(circuit, operating));
    advice
}

fn reversed(circuit: &Circuit, bias: &BiasPoint) -> Vec<Diagnostic> {
    let parts = circuit.parts().filter_map(|(_, part)| {
        let Element::Capacitor(capacitor) = &part.element else { return None };
        let volts = bias.volts(capacitor.nodes[0]) - bias.volts(capacitor.nodes[1]);
        if !capacitor.polarised || volts > -REVERSED_VOLTS {
            return None;
        }
        let [plus, minus] = capacitor.nodes.map(|node| circuit.node_name(node));
        let message = format!(
            "{} is the wrong way round: its positive end {plus} is {} below {minus}",
            part.name,
            engineering(-volts, "V", 3)
        );
        let warning = Diagnostic::warning(Code::ElectrolyticReversed, message);
        Some(about(part, warning).help(format!("the positive end comes first: {} {minus} {plus}", own_name(part))))
    });
    parts.collect()
}

/// The name of a part on its own card.
fn own_name(part: &Part) -> &str {
    part.name.rsplit('.').next().unwrap_or(&part.name)
}

/// Transistors that do not work: off, saturated or working backwards.
pub fn idle(circuit: &Circuit, bias: &BiasPoint) -> Vec<Diagnostic> {
    let warnings = devices(circuit, bias).into_iter().filter_map(|device| {
        let part = circuit.part(device.part);
        let (code, state, help) = match device.region {
            Region::Bjt(BjtRegion::Off) | Region::Jfet(JfetRegion::Off) => (
                Code::DeviceOff,
                "conducts no current",
                "check what feeds its base or gate, its supply and its polarity",
            ),
            Region::Bjt(BjtRegion::Saturated) => {
                (Code::DeviceSaturated, "is saturated", "check its collector resistor and what drives its base")
            }
            Region::Bjt(BjtRegion::Reversed) => {
                (Code::DeviceSaturated, "works backwards", "check its pins, NPN or PNP, and the polarity of the supply")
            }
            Region::Bjt(BjtRegion::Active) | Region::Jfet(JfetRegion::Ohmic | JfetRegion::PinchedOff) => return None,
            Region::Diode(_) => return None,
        };
        Some(about(part, Diagnostic::warning(code, format!("{} {state}", part.name))).help(help))
    });
    warnings.collect()
}

/// Marks a part's card, and the calls it was reached by.
fn about(part: &Part, warning: Diagnostic) -> Diagnostic {
    let warning = match part.card {
        Some(card) => warning.at(card).in_statement(card),
        None => warning,
    };
    part.calls.iter().fold(warning, |warning, &call| warning.label(call, "reached by this call"))
}
