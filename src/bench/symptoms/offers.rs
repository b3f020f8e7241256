//! Which acts may be proposed. A shunt can destroy, and heat can run a device away: what is computed for the chart is not
//! therefore advised.
//!
//! A shunt is clipped in through 1 kΩ and bridged once it has charged. It is refused at the output, a supply, a power
//! device or the device that drives one; where the shunted circuit has a natural frequency with positive real part; and where
//! the charging current takes a device past its ratings. The limits of currents and power: common practice, no source.

use rayon::prelude::*;

use super::effects::{Doing, To};
use super::{ActOffer, Measured, Pair, SymptomQuestion};
use crate::bench::reading::How;
use crate::bias::{self, DeviceBias, DeviceCurrents};
use crate::circuit::{Change, Circuit};
use crate::element::{Element, Excess, PartId, Pin};
use crate::mna::{NodeId, Unknown};
use crate::operating::Operating;
use crate::stability::{Stability, stability};

/// A rated dissipation from which on a transistor is a power transistor, W.
const POWER_WATTS: f64 = 1.0;
/// A collector current at rest from which on a transistor drives something, A.
const DRIVER_AMPS: f64 = 5e-3;
/// What a shunt charges through, Ω.
const CHARGING_OHMS: f64 = 1e3;
/// Part of the rated dissipation above which no heat is added.
const HOT_PART: f64 = 0.5;

/// Why a shunt that would tell nobody apart is not proposed.
const NOT_NEEDED: &str = "it tells no pair apart better than what is less trouble, and was not judged";

/// What acts are judged by.
pub(super) struct Judge<'a> {
    circuit: &'a Circuit,
    operating: &'a Operating,
    devices: Vec<DeviceBias>,
    question: &'a SymptomQuestion,
}

impl<'a> Judge<'a> {
    /// At the bias of the healthy circuit.
    pub fn new(circuit: &'a Circuit, operating: &'a Operating, question: &'a SymptomQuestion) -> Self {
        Self { circuit, operating, devices: bias::devices(circuit, &operating.bias), question }
    }

    /// Judges every act, in order, and finds the pairs with those that may be proposed. The costly questions about a shunt are
    /// put only where some pair asks for it. `healthy_effects_db`: what each act does to the healthy circuit.
    pub fn proposed(
        &self,
        acts: &[Doing],
        healthy_effects_db: &[Option<f64>],
        pairs: impl Fn(&[ActOffer]) -> Vec<Pair>,
    ) -> (Vec<ActOffer>, Vec<Pair>) {
        let offer = |(doing, effect): (&Doing, &Option<f64>)| {
            let refused = match (doing.to, doing.act.how) {
                _ if effect.is_none() => Some("the healthy circuit finds no bias so".to_owned()),
                (To::Node(node), _) => self.shunt(node),
                (To::Device(part, _), How::Heat) => self.heat(part),
                (To::Device(..) | To::Control(_), _) => None,
            };
            ActOffer { act: doing.act.clone(), refused }
        };
        let mut offers: Vec<ActOffer> = acts.iter().zip(healthy_effects_db).map(offer).collect();
        let mut judged = vec![false; acts.len()];
        loop {
            let found = pairs(&offers);
            let asked = |at: usize| found.iter().any(|pair| pair.test == Some(Measured::Act(at)));
            let shunts: Vec<(usize, NodeId)> = acts
                .iter()
                .enumerate()
                .filter_map(|(at, doing)| match doing.to {
                    To::Node(node) if !judged[at] && asked(at) => Some((at, node)),
                    _ => None,
                })
                .collect();
            let reasons: Vec<Option<String>> =
                shunts.par_iter().map(|&(_, node)| self.unstable(node).or_else(|| self.overloaded(node))).collect();
            let settled = reasons.iter().all(Option::is_none);
            for (&(at, _), reason) in shunts.iter().zip(reasons) {
                judged[at] = true;
                offers[at].refused = reason;
            }
            if settled {
                for ((offer, judged), doing) in offers.iter_mut().zip(&judged).zip(acts) {
                    if matches!(doing.to, To::Node(_)) && offer.refused.is_none() && !judged {
                        offer.refused = Some(NOT_NEEDED.to_owned());
                    }
                }
                return (offers, found);
            }
        }
    }

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
        None
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

    fn unstable(&self, node: NodeId) -> Option<String> {
        let mut shunted = self.operating.signal.clone();
        let farads = self.question.surroundings.shunt_farads;
        let place = Unknown::from(node);
        match shunted.equations.entries.iter_mut().find(|entry| (entry.row, entry.column) == (place, place)) {
            Some(entry) => entry.c += farads,
            None => return Some("nothing but sources is connected there".to_owned()),
        }
        match stability(&shunted) {
            Stability::Stable => None,
            Stability::Unstable(_) => Some("the shunted circuit would oscillate or run away".to_owned()),
            Stability::NotJudged(_) => Some("whether the shunted circuit is stable was not judged".to_owned()),
        }
    }

    /// What the charging current does, at its largest: the capacitor still empty.
    fn overloaded(&self, node: NodeId) -> Option<String> {
        let nodes = [self.circuit.node_name(node).to_owned(), "0".to_owned()];
        let charging = Change::Bridge { nodes, ohms: CHARGING_OHMS, excess: Excess::None };
        let circuit = self.circuit.changed(&[charging]).ok();
        let Some((circuit, bias)) = circuit
            .and_then(|circuit| bias::solve_from(&circuit, &self.operating.bias).ok().map(|bias| (circuit, bias)))
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
