//! What a hand, a spray or warm air does to parts: the one that is meant comes to a temperature, those beside it a little.
//!
//! swing      T − T before, of the part that is meant; a fraction `spill` of it reaches each part that is near      °C
//! leak       the excess part of leakage noise follows the leakage current to the power a, 1 … 2:
//!            M(1 + fc/f) − 1 becomes k times itself with k = (ICBO(T)/ICBO(T before))^(a − 1)
//!
//! `LEAKM` as such keeps a at 1 (SPEC's law); what a faulty surface does is not known, so a is a tolerance (common
//! practice, no source).

use super::sheet::Sheet;
use crate::bias::BiasPoint;
use crate::circuit::{Adjustment, Circuit, Quantity, Shift};
use crate::element::{Element, PartId};

/// A part brought to a temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct Touch {
    /// The part that is meant.
    pub part: PartId,
    /// Its temperature, °C.
    pub celsius: f64,
    /// Parts beside it.
    pub near: Vec<PartId>,
    /// Fraction of the swing that reaches them.
    pub spill: f64,
    /// Power of the leakage current that the excess of its noise follows.
    pub leak_exponent: f64,
}

impl Touch {
    /// Temperatures of all that it touches, °C, the part that is meant first. `bias`: of the circuit left alone.
    pub fn celsius(&self, circuit: &Circuit, bias: &BiasPoint) -> Vec<(PartId, f64)> {
        let swing = self.celsius - before(circuit, bias, self.part);
        let near = self.near.iter().map(|&part| (part, before(circuit, bias, part) + self.spill * swing));
        std::iter::once((self.part, self.celsius)).chain(near).collect()
    }

    /// What it does to a circuit whose bias, left alone, is known.
    pub fn adjustments(&self, circuit: &Circuit, bias: &BiasPoint) -> Vec<Adjustment> {
        let mut all = Vec::new();
        for (part, celsius) in self.celsius(circuit, bias) {
            all.push(Adjustment { part, quantity: Quantity::Celsius, value: Shift::To(celsius) });
            let Element::Bjt(device) = &circuit.part(part).element else { continue };
            let model = &device.model;
            if model.icbo == 0.0 || model.leakm == 0.0 {
                continue;
            }
            let doublings = (celsius - before(circuit, bias, part)) / model.tdbl;
            let k = (doublings * (self.leak_exponent - 1.0)).exp2();
            let times = (1.0 + k * (model.leakm - 1.0)).max(0.0);
            let corner = if times > 0.0 { k * model.leakm * model.leakfc / times } else { 0.0 };
            all.push(Adjustment { part, quantity: Quantity::LeakageMultiplier, value: Shift::To(times) });
            all.push(Adjustment { part, quantity: Quantity::LeakageCorner, value: Shift::To(corner) });
        }
        all
    }
}

impl Sheet {
    /// Parts that the sheet says lie beside one.
    pub fn near(&self, part: PartId) -> Vec<PartId> {
        let name = &self.circuit.part(part).name;
        let groups = self.surroundings.near.iter().filter(|group| group.contains(name));
        let mut near: Vec<PartId> = Vec::new();
        for other in groups.flatten().filter(|other| *other != name) {
            if let Ok(id) = self.circuit.find_part(other)
                && self.circuit.part(id).element.own_celsius().is_some()
                && !near.contains(&id)
            {
                near.push(id);
            }
        }
        near
    }
}

/// The temperature of a part before it is touched, °C.
fn before(circuit: &Circuit, bias: &BiasPoint, part: PartId) -> f64 {
    let rise = circuit.layout().temperature[part.index()].map_or(0.0, |rise| bias.x[rise.index()]);
    let own = circuit.part(part).element.own_celsius().flatten();
    own.unwrap_or(circuit.ambient.celsius() + rise)
}
