//! Which acts may be proposed. A shunt can destroy, and heat can run a device away: what is computed for the chart is not
//! therefore advised.
//!
//! A shunt is clipped in through 1 kΩ and bridged once it has charged. It is refused at the output, a supply, a power
//! device or the device that drives one; where the shunted circuit has a natural frequency with positive real part; and where
//! the charging current takes a device past its ratings. The limits of currents and power: common practice, no source.

use rayon::prelude::*;

use super::effects::{Doing, To};
use super::{ActOffer, SymptomQuestion};
use crate::bench::reading::How;
use crate::bias::{self, BiasPoint, DeviceBias, DeviceCurrents};
use crate::circuit::{Change, Circuit};
use crate::element::{Element, Excess, PartId, Pin};
use crate::mna::{NodeId, Unknown};
use crate::smallsignal::SmallSignal;
use crate::stability::{Stability, stability};

/// A rated dissipation from which on a transistor is a power transistor, W.
const POWER_WATTS: f64 = 1.0;
/// A collector current at rest from which on a transistor drives something, A.
const DRIVER_AMPS: f64 = 5e-3;
/// What a shunt charges through, Ω.
const CHARGING_OHMS: f64 = 1e3;
/// Part of the rated dissipation above which no heat is added.
const HOT_PART: f64 = 0.5;

/// Judges every act, in order. `healthy_effects_db`: what each does to the healthy circuit.
pub(super) fn judge(
    circuit: &Circuit,
    nominal: &BiasPoint,
    acts: &[Doing],
    healthy_effects_db: &[Option<f64>],
    question: &SymptomQuestion,
) -> Vec<ActOffer> {
    let devices = bias::devices(circuit, nominal);
    let signal = SmallSignal::linearise(circuit, nominal);
    let judge = Judge { circuit, nominal, devices: &devices, signal: &signal, question };
    let offer = |(doing, effect): (&Doing, &Option<f64>)| {
        let refused = match (doing.to, doing.act.how) {
            _ if effect.is_none() => Some("the healthy circuit finds no bias so".to_owned()),
            (To::Node(node), _) => judge.shunt(node),
            (To::Device(part, _), How::Heat) => judge.heat(part),
            (To::Device(..) | To::Control(_), _) => None,
        };
        ActOffer { act: doing.act.clone(), refused }
    };
    acts.par_iter().zip(healthy_effects_db).map(offer).collect()
}

struct Judge<'a> {
    circuit: &'a Circuit,
    nominal: &'a BiasPoint,
    devices: &'a [DeviceBias],
    signal: &'a SmallSignal,
    question: &'a SymptomQuestion,
}

impl Judge<'_> {
    fn heat(&self, part: PartId) -> Option<String> {
        let element = &self.circuit.part(part).element;
        if element.heats_itself() {
            return Some("it heats itself and may run away".to_owned());
        }
        let watts = self.devices.iter().find(|device| device.part == part).map(|device| device.watts)?;
        let rated = ratings(element).map(|[ptot, ..]| ptot)?;
        (rated > 0.0 && watts > HOT_PART * rated).then(|| "it works near its rating already".to_owned())
    }

    fn shunt(&self, node: NodeId) -> Option<String> {
        let output = &self.question.output;
        if node == output.plus || node == output.minus {
            return Some("it is the output".to_owned());
        }
        if self.circuit.held_groups()[node.index()] == NodeId::GROUND {
            return Some("a source holds it".to_owned());
        }
        if let Some(name) = self.strong(node) {
            return Some(format!("{name} there is a power device or drives one"));
        }
        if self.unstable(node) {
            return Some("the shunted circuit would oscillate or run away".to_owned());
        }
        self.overloaded(node)
    }

    /// A power device or driver that has a pin at the node; of drivers the base counts.
    fn strong(&self, node: NodeId) -> Option<&str> {
        let at = |element: &Element, pin| element.pin_node(pin) == Some(node);
        let parts = || self.circuit.parts();
        let is_power = |element: &Element| ratings(element).is_some_and(|[ptot, ..]| ptot >= POWER_WATTS);
        let driven = |element: &Element| {
            let outputs = [Pin::Collector, Pin::Emitter].map(|pin| element.pin_node(pin));
            parts().any(|(_, other)| is_power(&other.element) && outputs.contains(&other.element.pin_node(Pin::Base)))
        };
        let large = |id: PartId| {
            let device = self.devices.iter().find(|device| device.part == id);
            device.is_some_and(|device| match device.currents {
                DeviceCurrents::Bjt { ic_a, .. } => ic_a.abs() >= DRIVER_AMPS,
                DeviceCurrents::Jfet { id_a, .. } => id_a.abs() >= DRIVER_AMPS,
                DeviceCurrents::Diode { .. } => false,
            })
        };
        let strong = parts().find(|(id, part)| {
            let element = &part.element;
            let pins = element.pins().iter().any(|&pin| at(element, pin));
            let control = at(element, Pin::Base) || at(element, Pin::Gate);
            (is_power(element) && pins) || (control && (large(*id) || driven(element)))
        });
        strong.map(|(_, part)| part.name.as_str())
    }

    fn unstable(&self, node: NodeId) -> bool {
        let mut shunted = self.signal.clone();
        let farads = self.question.surroundings.shunt_farads;
        let place = Unknown::from(node);
        match shunted.equations.entries.iter_mut().find(|entry| (entry.row, entry.column) == (place, place)) {
            Some(entry) => entry.c += farads,
            // Nothing but sources at the node.
            None => return true,
        }
        !matches!(stability(&shunted), Stability::Stable)
    }

    /// What the charging current does, at its largest: the capacitor still empty.
    fn overloaded(&self, node: NodeId) -> Option<String> {
        let nodes = [self.circuit.node_name(node).to_owned(), "0".to_owned()];
        let charging = Change::Bridge { nodes, ohms: CHARGING_OHMS, excess: Excess::None };
        let circuit = self.circuit.changed(&[charging]).ok();
        let Some((circuit, bias)) =
            circuit.and_then(|circuit| bias::solve_from(&circuit, self.nominal).ok().map(|bias| (circuit, bias)))
        else {
            return Some("while it charges the circuit finds no bias".to_owned());
        };
        let devices = bias::devices(&circuit, &bias);
        let device = devices.iter().find(|device| {
            let Some([ptot, vceo, icm]) = ratings(&circuit.part(device.part).element) else { return false };
            let beyond = |value: f64, rated: f64| rated > 0.0 && value.abs() > rated;
            let currents = match device.currents {
                DeviceCurrents::Bjt { ic_a, vce_v, .. } => beyond(ic_a, icm) || beyond(vce_v, vceo),
                DeviceCurrents::Jfet { .. } | DeviceCurrents::Diode { .. } => false,
            };
            currents || beyond(device.watts, ptot)
        })?;
        Some(format!("charging it would take {} past its ratings", circuit.part(device.part).name))
    }
}

/// Rated dissipation, collector-emitter volts and collector current of a transistor, 0 where not given.
fn ratings(element: &Element) -> Option<[f64; 3]> {
    match element {
        Element::Bjt(device) => Some([device.model.ptot, device.model.vceo, device.model.icm]),
        _ => None,
    }
}
