//! How bad a fault may be and how often it is met, unless a bench sheet says otherwise: common practice, no source.

use super::{Fault, FaultKind};
use crate::circuit::{Circuit, Part};
use crate::element::{Bjt, Element, PartId};
use crate::units::short;

/// What stands for the KF of a device whose model gives none, with AF 1.
pub const UNIT_KF: f64 = 1e-15;

/// Leakage at 25 °C that a germanium transistor of a model without ICBO is taken to have, A: small and power transistors.
const GERMANIUM_ICBO_AMPS: [f64; 2] = [2e-6, 200e-6];
/// The same of a silicon transistor, A.
const SILICON_ICBO_AMPS: f64 = 1e-9;
/// Rated dissipation from which on a transistor is a power transistor, W.
const POWER_WATTS: f64 = 1.0;

/// How bad a fault of a part may be, and how often it is met.
#[derive(Clone, Debug, PartialEq)]
pub struct Prior {
    /// Relative frequency; 0 for a kind that is only considered where somebody asks for it.
    pub weight: f64,
    /// Each number's range, the severity first; all grow worse together, evenly in their logarithms. Empty for a fault that
    /// is there or not.
    pub ranges: Vec<SeverityRange>,
    /// What was assumed where the model does not say, for the reader of the result.
    pub assumed: Option<String>,
}

/// The range of one number of a fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeverityRange {
    /// Which number: a name of [`FaultKind::keys`].
    pub key: &'static str,
    /// Its value where the fault is hardly one; may lie above `severe`.
    pub mild: f64,
    /// Its value at the worst.
    pub severe: f64,
}

/// How bad a fault is, for a person.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Case {
    /// A tenth of the range from its mild end.
    Mild,
    /// The middle.
    Typical,
    /// A tenth from its severe end.
    Severe,
}

impl Case {
    /// All, the mildest first.
    pub const ALL: [Case; 3] = [Case::Mild, Case::Typical, Case::Severe];

    /// Its word.
    pub fn name(self) -> &'static str {
        match self {
            Case::Mild => "mild",
            Case::Typical => "typical",
            Case::Severe => "severe",
        }
    }

    /// Where it lies in the range: 0 is the mild end, 1 the severe one.
    pub fn fraction(self) -> f64 {
        match self {
            Case::Mild => 0.1,
            Case::Typical => 0.5,
            Case::Severe => 0.9,
        }
    }
}

impl SeverityRange {
    /// The number at a fraction of the way to the severe end, even in its logarithm.
    pub fn at(&self, fraction: f64) -> f64 {
        (self.mild.ln() + fraction * (self.severe.ln() - self.mild.ln())).exp()
    }
}

impl FaultKind {
    /// How bad it may be in a part, and how often it is met; `None` where it does not fit.
    ///
    /// `open`, `short`, `contact` and the drift of a winding have weight 0: they count where a sheet lists them.
    pub fn prior(self, element: &Element) -> Option<Prior> {
        if !self.fits(element) {
            return None;
        }
        let range = |key, mild, severe| SeverityRange { key, mild, severe };
        let excess = range("uv_per_v", 1.0, 100.0);
        let mut assumed = None;
        // Drift down and up are one kind of failure.
        let drift = if matches!(element, Element::Inductor(_)) { 0.0 } else { 0.15 };
        let (weight, ranges) = match (self, element) {
            (FaultKind::JunctionLeak, Element::Bjt(device)) => {
                let icbo = healthy_icbo(device, &mut assumed);
                let (weight, [low, high]) =
                    if device.is_germanium() { (10.0, [3.0, 300.0]) } else { (4.0, [100.0, 20_000.0]) };
                let leak = range("icbo", low * icbo, high * icbo);
                (weight, vec![leak, range("x", 1.0, 100.0), range("corner", 20.0, 3000.0)])
            }
            (FaultKind::JunctionLeak, _) => return None,
            (FaultKind::OhmicLeak, _) => (1.5, vec![range("ohm", 3e6, 20e3), excess]),
            (FaultKind::Flicker, _) => {
                if flicker_coefficient(element) == Some(0.0) {
                    assumed = Some(format!("the model gives no KF: {UNIT_KF:e} with AF 1 is the unit of its flicker"));
                }
                (2.0, vec![range("factor", 10.0, 3000.0)])
            }
            (FaultKind::LowBeta, _) => (0.5, vec![range("factor", 0.4, 0.08)]),
            (FaultKind::CapLeaky, _) => (1.5, vec![range("ohm", 500e3, 3e3), excess]),
            (FaultKind::CapDried, _) => (1.5, vec![range("factor", 0.1, 0.02)]),
            (FaultKind::ResistorNoisy, _) => (0.3, vec![range("uv_per_v", 2.0, 100.0)]),
            (FaultKind::ValueLow, _) => (drift, vec![range("factor", 0.4, 0.1)]),
            (FaultKind::ValueHigh, _) => (drift, vec![range("factor", 2.0, 6.0)]),
            (FaultKind::Open | FaultKind::Short, _) => (0.0, Vec::new()),
            (FaultKind::Contact, _) => (0.0, vec![range("ohm", 10.0, 10e3), range("uv_per_v", 10.0, 1000.0)]),
        };
        Some(Prior { weight, ranges, assumed })
    }

    /// The weight of a contact that a sheet lists as suspect.
    pub const LISTED_CONTACT_WEIGHT: f64 = 1.0;
}

impl Prior {
    /// A fault at a fraction of the way from mild to severe; without pins, which a fault of three-legged parts may need.
    pub fn fault(&self, kind: FaultKind, part: &Part, fraction: f64) -> Fault {
        let mut fault = Fault::new(&part.name, kind);
        for range in &self.ranges {
            fault = fault.with(range.key, range.at(fraction));
        }
        fault
    }
}

/// Every part with every kind of fault it may have without being asked for, in netlist order.
pub fn hypotheses(circuit: &Circuit) -> Vec<(PartId, FaultKind, Prior)> {
    let of_part = |(id, part): (PartId, &Part)| {
        let likely =
            |&kind: &FaultKind| Some((id, kind, kind.prior(&part.element).filter(|prior| prior.weight > 0.0)?));
        FaultKind::ALL.iter().filter_map(likely).collect::<Vec<_>>()
    };
    circuit.parts().filter(|(_, part)| part.card.is_some()).flat_map(of_part).collect()
}

fn healthy_icbo(device: &Bjt, assumed: &mut Option<String>) -> f64 {
    let model = &device.model;
    if model.icbo > 0.0 {
        return model.icbo;
    }
    let [small, power] = GERMANIUM_ICBO_AMPS;
    let amps = match device.is_germanium() {
        true if model.ptot < POWER_WATTS => small,
        true => power,
        false => SILICON_ICBO_AMPS,
    };
    let unit = short(amps, "A");
    *assumed = Some(format!("the model gives no ICBO: {unit} is the unit of its leak (common practice, no source)"));
    amps
}

fn flicker_coefficient(element: &Element) -> Option<f64> {
    match element {
        Element::Diode(e) => Some(e.model.kf),
        Element::Bjt(e) => Some(e.model.kf),
        Element::Jfet(e) => Some(e.model.kf),
        Element::Resistor(_)
        | Element::Capacitor(_)
        | Element::Inductor(_)
        | Element::Coupling(_)
        | Element::Source(_)
        | Element::Controlled(_) => None,
    }
}
