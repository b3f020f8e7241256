//! Whom the chart has rows for: every kind of fault of every part, or those that a sheet suspects.

use crate::bench::fault::{Case, Fault, FaultKind, Prior, SeverityRange, hypotheses};
use crate::bench::sheet::Sheet;
use crate::bench::sheet::settings::FaultSettings;
use crate::circuit::Circuit;
use crate::element::{Element, Pin};

/// One kind of fault of one part.
#[derive(Clone, Debug, PartialEq)]
pub struct Suspect {
    /// The part, as first written.
    pub part: String,
    /// What is wrong with it.
    pub kind: FaultKind,
    /// Where, for kinds that are at some pins.
    pub pins: Vec<Pin>,
    /// How bad it may be.
    pub prior: Prior,
}

impl Suspect {
    /// Every kind of fault that a part may have without being asked for, in netlist order.
    pub fn all(circuit: &Circuit) -> Vec<Suspect> {
        let each = hypotheses(circuit).into_iter();
        each.map(|(id, kind, prior)| Suspect { part: circuit.part(id).name.clone(), kind, pins: Vec::new(), prior })
            .collect()
    }

    /// Those of a sheet with its ranges, in netlist order; every one of [`Suspect::all`] where it lists none. `circuit`: of
    /// the sheet, with what-ifs.
    pub fn of_sheet(sheet: &Sheet, circuit: &Circuit) -> Vec<Suspect> {
        let mut all = if sheet.suspects.is_empty() { Self::all(circuit) } else { listed(sheet, circuit) };
        all.retain_mut(|suspect| {
            let Ok(id) = circuit.find_part(&suspect.part) else { return false };
            let kind = suspect.kind.name();
            let mut met = true;
            for settings in sheet.faults.iter().filter(|settings| settings.kind == kind) {
                met &= settle(suspect, &circuit.part(id).element, settings);
            }
            met
        });
        all
    }

    /// The fault in a case; `None` for one that is there or not, besides the typical case.
    pub fn fault(&self, case: Case) -> Option<Fault> {
        if self.prior.ranges.is_empty() && case != Case::Typical {
            return None;
        }
        let mut fault = Fault::new(&self.part, self.kind).at(&self.pins);
        for range in &self.prior.ranges {
            fault = fault.with(range.key, range.at(case.fraction()));
        }
        Some(fault)
    }
}

fn listed(sheet: &Sheet, circuit: &Circuit) -> Vec<Suspect> {
    let mut all: Vec<(usize, Suspect)> = Vec::new();
    for suspect in &sheet.suspects {
        // A what-if may have taken a part out, which moves the numbers of those behind it.
        let name = &sheet.circuit.part(suspect.part).name;
        let Ok(id) = circuit.find_part(name) else { continue };
        let element = &circuit.part(id).element;
        for &kind in FaultKind::ALL {
            let asked = suspect.kinds.iter().any(|asked| asked == kind.name());
            let Some(prior) = kind.prior(element) else { continue };
            if !asked && (!suspect.kinds.is_empty() || prior.weight == 0.0) {
                continue;
            }
            let pin = suspect.pin.as_deref().and_then(|pin| Pin::named(pin, element));
            for pins in places(kind, element, pin) {
                all.push((id.index(), Suspect { part: name.clone(), kind, pins, prior: prior.clone() }));
            }
        }
    }
    all.sort_by_key(|(at, suspect)| (*at, suspect.kind));
    all.into_iter().map(|(_, suspect)| suspect).collect()
}

/// The pins that a kind may be at: all choices where the sheet names none.
fn places(kind: FaultKind, element: &Element, pin: Option<Pin>) -> Vec<Vec<Pin>> {
    let pins = element.pins();
    match (kind.pins(), pin) {
        (1, Some(pin)) => vec![vec![pin]],
        (1, None) if pins.len() > 2 => pins.iter().map(|&pin| vec![pin]).collect(),
        (2, _) if pins.len() > 2 => {
            (0..pins.len()).flat_map(|a| (a + 1..pins.len()).map(move |b| vec![pins[a], pins[b]])).collect()
        }
        _ => vec![Vec::new()],
    }
}

/// Takes ranges from a sheet; false where the sheet says that the kind is never met.
fn settle(suspect: &mut Suspect, element: &Element, settings: &FaultSettings) -> bool {
    let germanium = matches!(element, Element::Bjt(device) if device.is_germanium());
    let (times, own_weight, mildest) = match germanium {
        true => ("times_germanium", "weight_germanium", 3.0),
        false => ("times_silicon", "weight_silicon", 100.0),
    };
    let ranges = &mut suspect.prior.ranges;
    for (key, [mild, severe]) in &settings.ranges {
        if key == times {
            // Multiples of the leakage of a healthy device, which the mild end of the default range tells.
            if let Some(leak) = ranges.first_mut() {
                let unit = leak.mild / mildest;
                (leak.mild, leak.severe) = (mild * unit, severe * unit);
            }
        } else if let Some(range) = ranges.iter_mut().find(|range| range.key == key) {
            (range.mild, range.severe) = (*mild, *severe);
        } else if key == "ohm" && suspect.kind == FaultKind::CapDried && *mild > 0.0 {
            ranges.push(SeverityRange { key: "ohm", mild: *mild, severe: *severe });
        }
    }
    settings.weights.iter().all(|(key, weight)| (key != "weight" && key != own_weight) || *weight > 0.0)
}
