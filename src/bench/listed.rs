//! The faults that a sheet lists: every kind of every part it suspects, how often each is met and how bad it may be.

use super::fault::{Fault, FaultKind, Prior, hypotheses};
use super::sheet::Sheet;
use super::sheet::settings::FaultSettings;
use crate::element::{Element, PartId, Pin};

/// One kind of fault of one part.
#[derive(Clone, Debug, PartialEq)]
pub struct ListedFault {
    /// The part.
    pub part: PartId,
    /// Its name.
    pub name: String,
    /// What is wrong with it.
    pub kind: FaultKind,
    /// Where, for kinds that concern a pin.
    pub pins: Vec<Pin>,
    /// How often, and how bad; the weight above zero.
    pub prior: Prior,
}

/// Probability before any reading that the fault is none of those listed.
const UNLISTED: f64 = 0.03;

impl ListedFault {
    /// The fault with each of its numbers at a fraction of the way from mild to severe; numbers without a fraction are in
    /// the middle.
    pub fn at(&self, fractions: &[f64]) -> Fault {
        let mut fault = Fault::new(&self.name, self.kind).at(&self.pins);
        for (at, range) in self.prior.ranges.iter().enumerate() {
            fault = fault.with(range.key, range.at(fractions.get(at).copied().unwrap_or(0.5)));
        }
        fault
    }

    /// How bad it is at a fraction, by its first number; `None` for a fault that is there or not.
    pub fn severity(&self, fraction: f64) -> Option<f64> {
        self.prior.ranges.first().map(|range| range.at(fraction))
    }
}

impl Sheet {
    /// Every fault the sheet lists, in netlist order of the parts.
    pub fn listed_faults(&self) -> Vec<ListedFault> {
        let listed = match self.suspects.is_empty() {
            true => {
                hypotheses(&self.circuit).into_iter().map(|(part, kind, prior)| (part, kind, prior, None)).collect()
            }
            false => self.of_suspects(),
        };
        let mut all = Vec::new();
        for (part, kind, prior, pin) in listed {
            let Some(prior) = self.settled(kind, part, prior) else { continue };
            let own = &self.circuit.part(part);
            let fault = |pins: Vec<Pin>| ListedFault { part, name: own.name.clone(), kind, pins, prior: prior.clone() };
            let pins = own.element.pins();
            match (kind.pins(), pin) {
                (0, _) => all.push(fault(Vec::new())),
                (1, Some(pin)) => all.push(fault(vec![pin])),
                (1, None) if pins.len() == 2 => all.push(fault(vec![pins[0]])),
                // Any of its leads, none more often than another.
                (1, None) => all.extend(pins.iter().map(|&pin| {
                    let mut fault = fault(vec![pin]);
                    fault.prior.weight /= pins.len() as f64;
                    fault
                })),
                (_, _) if pins.len() == 2 => all.push(fault(pins.to_vec())),
                (_, _) => {
                    let pairs = (0..pins.len()).flat_map(|a| (a + 1..pins.len()).map(move |b| [a, b]));
                    let pairs: Vec<[usize; 2]> = pairs.collect();
                    all.extend(pairs.iter().map(|&[a, b]| {
                        let mut fault = fault(vec![pins[a], pins[b]]);
                        fault.prior.weight /= pairs.len() as f64;
                        fault
                    }));
                }
            }
        }
        all.retain(|fault| fault.kind != FaultKind::OhmicLeak || self.has_two_nodes(fault));
        all
    }

    /// Probability before any reading that the fault is none of those listed.
    pub fn unlisted_probability(&self) -> f64 {
        let other = self.faults.iter().find(|settings| settings.kind == "other");
        let weight = other.and_then(|settings| weight(settings, "weight"));
        weight.unwrap_or(UNLISTED).clamp(1e-6, 0.9)
    }

    fn of_suspects(&self) -> Vec<(PartId, FaultKind, Prior, Option<Pin>)> {
        let mut all = Vec::new();
        for suspect in &self.suspects {
            let element = &self.circuit.part(suspect.part).element;
            let pin = suspect.pin.as_deref().and_then(|pin| Pin::named(pin, element));
            for &kind in FaultKind::ALL {
                let named = suspect.kinds.iter().any(|name| name == kind.name());
                let Some(mut prior) = kind.prior(element) else { continue };
                if !named && !suspect.kinds.is_empty() {
                    continue;
                }
                if named && prior.weight == 0.0 {
                    prior.weight = FaultKind::LISTED_CONTACT_WEIGHT;
                }
                prior.weight *= suspect.weight;
                all.push((suspect.part, kind, prior, pin));
            }
        }
        all.sort_by_key(|(part, kind, ..)| (*part, *kind));
        all
    }

    /// The prior as the sheet's table of the kind has it; `None` where it never happens.
    fn settled(&self, kind: FaultKind, part: PartId, mut prior: Prior) -> Option<Prior> {
        let element = &self.circuit.part(part).element;
        let germanium = matches!(element, Element::Bjt(device) if device.is_germanium());
        let default = kind.prior(element)?;
        for settings in self.faults.iter().filter(|settings| settings.kind == kind.name()) {
            let suffix = if germanium { "weight_germanium" } else { "weight_silicon" };
            if let Some(own) = weight(settings, "weight").or_else(|| weight(settings, suffix)) {
                // A suspect's own factor stays on it.
                prior.weight =
                    if default.weight > 0.0 { prior.weight / default.weight * own } else { prior.weight * own };
            }
            let times = if germanium { ("times_germanium", 3.0) } else { ("times_silicon", 100.0) };
            for (key, [mild, severe]) in &settings.ranges {
                if key == times.0
                    && let Some(range) = prior.ranges.first_mut()
                {
                    let unit = default.ranges.first().map_or(1.0, |range| range.mild / times.1);
                    (range.mild, range.severe) = (mild * unit, severe * unit);
                } else if let Some(range) = prior.ranges.iter_mut().find(|range| range.key == key) {
                    (range.mild, range.severe) = (*mild, *severe);
                } else if key == "ohm" && kind == FaultKind::CapDried && *mild > 0.0 {
                    prior.ranges.push(super::SeverityRange { key: "ohm", mild: *mild, severe: *severe });
                }
            }
        }
        (prior.weight > 0.0).then_some(prior)
    }

    fn has_two_nodes(&self, fault: &ListedFault) -> bool {
        let element = &self.circuit.part(fault.part).element;
        element.pin_node(Pin::Collector) != element.pin_node(Pin::Base)
    }
}

fn weight(settings: &FaultSettings, key: &str) -> Option<f64> {
    settings.weights.iter().find(|(name, _)| name == key).map(|(_, weight)| *weight)
}
