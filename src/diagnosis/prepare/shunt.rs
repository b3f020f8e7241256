//! Where a capacitor to ground may be clipped: it takes the hiss away if its source lies before that node, and it can
//! destroy. Never at the output, a supply, the base of a driver or output device, where the shunted circuit would not stay
//! at its bias point, or where charging takes a device past its ratings.

use crate::bench::Point;
use crate::bench::sheet::Sheet;
use crate::bias::{self, DeviceBias};
use crate::circuit::{Change, Circuit};
use crate::element::{Element, Excess};
use crate::mna::NodeId;
use crate::operating::Operating;
use crate::smallsignal::SmallSignal;
use crate::stability::{Stability, stability};

/// The capacitor is charged through so many ohms.
pub const CHARGING_OHMS: f64 = 1e3;
/// A device that carries more at rest drives power, A: common practice, no source.
const DRIVER_AMPS: f64 = 5e-3;
/// A device rated for more is a driver or output device, W: common practice, no source.
const DRIVER_WATTS: f64 = 0.5;

/// Nodes of bases, collectors, gates and drains that may be shunted, and those that may not, with the reason.
pub(super) fn nodes(sheet: &Sheet, healthy: &Operating, output: &Point) -> (Vec<NodeId>, Vec<(String, String)>) {
    let circuit = &sheet.circuit;
    let devices = bias::devices(circuit, &healthy.bias);
    let (mut allowed, mut refused) = (Vec::new(), Vec::new());
    let mut seen: Vec<NodeId> = Vec::new();
    let candidates =
        circuit.parts().filter(|(_, part)| part.card.is_some()).flat_map(|(_, part)| match &part.element {
            Element::Bjt(_) | Element::Jfet(_) => part.element.nodes()[..2].to_vec(),
            _ => Vec::new(),
        });
    for node in candidates {
        if node == NodeId::GROUND || seen.contains(&node) {
            continue;
        }
        seen.push(node);
        match refusal(sheet, healthy, &devices, output, node) {
            None => allowed.push(node),
            Some(why) => refused.push((circuit.node_name(node).to_owned(), why)),
        }
    }
    (allowed, refused)
}

/// Why a shunt at a node is refused; `None` where it may be made. `operating`: of the sheet's circuit.
pub fn refuses_shunt(sheet: &Sheet, operating: &Operating, node: NodeId) -> Option<String> {
    let devices = bias::devices(&sheet.circuit, &operating.bias);
    let output = sheet.output.clone()?;
    refusal(sheet, operating, &devices, &output, node)
}

fn refusal(sheet: &Sheet, healthy: &Operating, devices: &[DeviceBias], output: &Point, node: NodeId) -> Option<String> {
    let circuit = &sheet.circuit;
    if node == output.plus || node == output.minus {
        return Some("it is the output".to_owned());
    }
    let held = circuit.held_groups();
    if held[node.index()] == held[NodeId::GROUND.index()] {
        return Some("a source holds it".to_owned());
    }
    let bypassed = circuit.parts().any(|(_, part)| match &part.element {
        Element::Capacitor(c) => {
            c.nodes.contains(&node)
                && c.nodes.contains(&NodeId::GROUND)
                && c.farads >= 0.1 * sheet.surroundings.shunt_farads
        }
        _ => false,
    });
    if bypassed {
        return Some("a large capacitor holds it already, as it does a supply".to_owned());
    }
    for device in devices {
        let Element::Bjt(bjt) = &circuit.part(device.part).element else { continue };
        let amps = match device.currents {
            bias::DeviceCurrents::Bjt { ic_a, .. } => ic_a.abs(),
            _ => 0.0,
        };
        let drives = bjt.model.ptot >= DRIVER_WATTS || amps > DRIVER_AMPS;
        if drives && circuit.part(device.part).element.nodes()[1] == node {
            return Some(format!("it is the base of {}, a driver or output device", circuit.part(device.part).name));
        }
    }
    let name = circuit.node_name(node).to_owned();
    let farads = sheet.surroundings.shunt_farads;
    let shunted = circuit.changed(&[Change::Shunt { node: name.clone(), farads }]).ok()?;
    let signal = SmallSignal::linearise(&shunted, &healthy.bias);
    if matches!(stability(&signal), Stability::Unstable(_)) && !matches!(healthy.stability, Stability::Unstable(_)) {
        return Some("the circuit would not stay at its bias point with it".to_owned());
    }
    let nodes = [name, "0".to_owned()];
    let bridge = Change::Bridge { nodes, ohms: CHARGING_OHMS, excess: Excess::None };
    let charging = circuit.changed(&[bridge]).ok()?;
    match bias::solve_from(&charging, &healthy.bias) {
        Ok(bias) => overrated(&charging, &bias::devices(&charging, &bias)),
        Err(_) => Some("the circuit finds no bias while it charges".to_owned()),
    }
}

/// The first device beyond a rating.
fn overrated(circuit: &Circuit, devices: &[DeviceBias]) -> Option<String> {
    devices.iter().find_map(|device| {
        let part = circuit.part(device.part);
        let Element::Bjt(bjt) = &part.element else { return None };
        let bias::DeviceCurrents::Bjt { ic_a, vce_v, .. } = device.currents else { return None };
        let over = |value: f64, rating: f64| rating > 0.0 && value.abs() > rating;
        let beyond = over(device.watts, bjt.model.ptot) || over(ic_a, bjt.model.icm) || over(vce_v, bjt.model.vceo);
        beyond.then(|| format!("charging takes {} past its ratings", part.name))
    })
}
