//! How healthy units differ: every tolerance of a circuit and its bench as one coordinate, all of them independent.
//!
//! A coordinate takes a standardised value z of mean 0 and sd 1 to a factor on a part's value, or to a figure:
//!
//! evenly between a and b             (a + b)/2 + (b − a)/√12·z,    |z| ≤ √3
//! even in the logarithm              exp of the same with ln a, ln b
//! normal in the logarithm, sd σ      exp(σ·z)
//!
//! So the covariance of all z is the unit matrix. Two coordinates may act on one value, a batch and the device's own:
//! their factors multiply. Stratified draws: McKay, Beckman and Conover, Technometrics 21 (1979) 239.

mod draw;
mod normal;

use super::sheet::Sheet;
use super::sheet::settings::{Surroundings, Tolerances};
use crate::circuit::{Adjustment, Circuit, Quantity, Shift};
use crate::element::{Capacitor, Element, Excess, PartId, SourceKind};

pub(crate) use draw::Stream;
pub use draw::{draw, stratified};
pub use normal::{NORMAL_QUANTILE_95, normal_quantile};

/// How a value varies.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Law {
    /// Evenly between two ends.
    Uniform {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
    },
    /// Evenly in its logarithm between two ends, both above zero.
    LogUniform {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
    },
    /// Normal in its logarithm about 1.
    LogNormal {
        /// sd of the logarithm.
        sd: f64,
    },
}

impl Law {
    /// The value at a standardised z.
    pub fn at(self, z: f64) -> f64 {
        // Half the width of an even distribution is √3 of its sd.
        let even = |low: f64, high: f64| 0.5 * (low + high) + 0.5 * (high - low) * z / 3f64.sqrt();
        match self {
            Law::Uniform { low, high } => even(low, high),
            Law::LogUniform { low, high } => even(low.ln(), high.ln()).exp(),
            Law::LogNormal { sd } => (sd * z).exp(),
        }
    }

    /// sd of the value, or of its logarithm for the two laws of the logarithm.
    pub fn sd(self) -> f64 {
        match self {
            Law::Uniform { low, high } => (high - low) / 12f64.sqrt(),
            Law::LogUniform { low, high } => (high / low).ln() / 12f64.sqrt(),
            Law::LogNormal { sd } => sd,
        }
    }

    /// The standardised z that a fraction `u` of all units, above 0 and below 1, stays below.
    pub fn standard(self, u: f64) -> f64 {
        match self {
            Law::Uniform { .. } | Law::LogUniform { .. } => 3f64.sqrt() * (2.0 * u - 1.0),
            Law::LogNormal { .. } => normal_quantile(u),
        }
    }
}

/// What a coordinate acts on.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Effect {
    /// The quantity of these parts is multiplied by the value.
    Factor(Quantity, Vec<PartId>),
    /// The quantity of these parts becomes the value.
    To(Quantity, Vec<PartId>),
    /// The temperature inside the set becomes the value, °C.
    Ambient,
    /// All readings of the hiss meter are multiplied by the value.
    Meter,
    /// All readings of the scope are multiplied by the value.
    Observer,
    /// The value is added to the temperature of a frozen part, °C.
    Freeze,
    /// The value is added to the temperature of a cooled part, °C.
    Cool,
    /// The value is added to the temperature of a part under a finger, °C.
    Finger,
    /// The value is added to the temperature of a heated part, °C.
    Heat,
    /// This part of a swing in temperature reaches parts that are near.
    Spill,
    /// Power of the current that the excess noise of a leak follows with temperature.
    LeakExponent,
}

/// One way in which healthy units, or the bench, differ.
#[derive(Clone, Debug, PartialEq)]
pub struct Coordinate {
    /// In words: `R5`, `beta of Q2`, `RB of the batch`, `supply`.
    pub name: String,
    /// How its value varies.
    pub law: Law,
    /// What the value acts on.
    pub effect: Effect,
    /// Whether another channel of the same set, of the same batch and on the same bench, has the same value.
    pub shared: bool,
}

impl Coordinate {
    /// What it does to the circuit at a standardised z; nothing where it acts on the bench.
    pub fn adjustments(&self, z: f64) -> Vec<Adjustment> {
        let value = self.law.at(z);
        let each = |quantity: Quantity, parts: &[PartId], value: Shift| {
            parts.iter().map(|&part| Adjustment { part, quantity, value }).collect()
        };
        match &self.effect {
            Effect::Factor(quantity, parts) => each(*quantity, parts, Shift::Factor(value)),
            Effect::To(quantity, parts) => each(*quantity, parts, Shift::To(value)),
            // The part of an ambient adjustment plays no role.
            Effect::Ambient => each(Quantity::Ambient, &[PartId(0)], Shift::To(value)),
            Effect::Meter
            | Effect::Observer
            | Effect::Freeze
            | Effect::Cool
            | Effect::Finger
            | Effect::Heat
            | Effect::Spill
            | Effect::LeakExponent => Vec::new(),
        }
    }

    /// Whether it acts on the circuit, and not only on the bench.
    pub fn acts_on_circuit(&self) -> bool {
        matches!(self.effect, Effect::Factor(..) | Effect::To(..) | Effect::Ambient)
    }
}

/// The adjustments of all coordinates at their standardised values, in order.
pub fn adjustments(coordinates: &[Coordinate], z: &[f64]) -> Vec<Adjustment> {
    coordinates.iter().zip(z).flat_map(|(coordinate, &z)| coordinate.adjustments(z)).collect()
}

impl Tolerances {
    /// All coordinates of a circuit: parts in netlist order, then what is common to all, then the bench.
    ///
    /// `input`: the source of the signal, which is no supply. What has no width is left out where it is as the netlist says.
    pub fn coordinates(
        &self,
        circuit: &Circuit,
        input: Option<PartId>,
        surroundings: &Surroundings,
    ) -> Vec<Coordinate> {
        let mut all = Coordinates(Vec::new());
        let mut devices = Vec::new();
        for (id, part) in circuit.parts().filter(|(_, part)| part.card.is_some()) {
            all.part(self, id, &part.name, &part.element);
            if let Element::Bjt(device) = &part.element
                && device.model.rb > 0.0
            {
                devices.push(id);
            }
        }
        let flickers = |element: &Element| match element {
            Element::Diode(e) => e.model.kf > 0.0,
            Element::Bjt(e) => e.model.kf > 0.0,
            Element::Jfet(e) => e.model.kf > 0.0,
            _ => false,
        };
        let with_kf = circuit.parts().filter(|(_, part)| part.card.is_some() && flickers(&part.element));
        let with_kf: Vec<PartId> = with_kf.map(|(id, _)| id).collect();
        let supplies = circuit.parts().filter(|(id, part)| Some(*id) != input && is_supply(&part.element));
        let supplies: Vec<PartId> = supplies.map(|(id, _)| id).collect();
        let own = all.0.len();
        all.factor(
            "RB of the batch".into(),
            Law::LogNormal { sd: self.rb_batch_sd },
            Quantity::BaseResistance,
            devices,
        );
        all.factor("KF of the batch".into(), Law::LogNormal { sd: self.kf_batch_sd }, Quantity::Flicker, with_kf);
        all.factor("supply".into(), uniform_factor(self.supply), Quantity::SourceDc, supplies);
        let [low, high] = self.ambient_celsius;
        all.add("ambient".into(), Law::Uniform { low, high }, Effect::Ambient);
        all.bench(self, surroundings);
        all.0[own..].iter_mut().for_each(|coordinate| coordinate.shared = true);
        all.0
    }
}

impl Sheet {
    /// All coordinates of the sheet's circuit and bench.
    pub fn coordinates(&self) -> Vec<Coordinate> {
        let mut all = self.tolerances.coordinates(&self.circuit, self.input, &self.surroundings);
        let observer = Law::LogNormal { sd: self.reading_errors.observer };
        all.extend((observer.sd() > 0.0).then(|| Coordinate {
            name: "observer of the scope".into(),
            law: observer,
            effect: Effect::Observer,
            shared: true,
        }));
        all
    }
}

struct Coordinates(Vec<Coordinate>);

impl Coordinates {
    fn add(&mut self, name: String, law: Law, effect: Effect) {
        if law.sd() > 0.0 || moves(law.at(0.0), &effect) {
            self.0.push(Coordinate { name, law, effect, shared: false });
        }
    }

    fn factor(&mut self, name: String, law: Law, quantity: Quantity, parts: Vec<PartId>) {
        if !parts.is_empty() {
            self.add(name, law, Effect::Factor(quantity, parts));
        }
    }

    fn part(&mut self, tolerances: &Tolerances, id: PartId, name: &str, element: &Element) {
        let own = |tolerance: f64| uniform_factor([-tolerance, tolerance]);
        let device = |what: &str| format!("{what} of {name}");
        let ln_ratio = |ratio: f64| Law::LogUniform { low: ratio.sqrt().recip(), high: ratio.sqrt() };
        match element {
            Element::Resistor(e) => {
                let law = e.tolerance.map_or(uniform_factor(tolerances.resistor), own);
                self.factor(name.to_owned(), law, Quantity::Resistance, vec![id]);
                let [low, high] = tolerances.resistor_noise_uv;
                let name = device("excess noise");
                match e.excess {
                    Excess::None => {
                        self.add(name, Law::LogUniform { low, high }, Effect::To(Quantity::ExcessNoise, vec![id]));
                    }
                    // What the netlist gives stays in the middle.
                    _ => self.factor(name, ln_ratio(high / low), Quantity::ExcessNoise, vec![id]),
                }
            }
            Element::Capacitor(e) => {
                let [low, high] = if is_electrolytic(e) { tolerances.electrolytic } else { tolerances.capacitor };
                let law = e.tolerance.map_or(Law::LogUniform { low: 1.0 + low, high: 1.0 + high }, own);
                self.factor(name.to_owned(), law, Quantity::Capacitance, vec![id]);
            }
            Element::Inductor(e) => {
                let law = e.tolerance.map_or(uniform_factor(tolerances.inductor), own);
                self.factor(name.to_owned(), law, Quantity::Inductance, vec![id]);
            }
            Element::Bjt(e) => {
                self.factor(device("beta"), ln_ratio(tolerances.beta_ratio), Quantity::ForwardBeta, vec![id]);
                if e.model.icbo > 0.0 {
                    self.factor(device("ICBO"), ln_ratio(tolerances.icbo_ratio), Quantity::Icbo, vec![id]);
                }
                self.device(tolerances, id, name, e.model.kf);
                if e.model.rb > 0.0 {
                    let law = Law::LogNormal { sd: tolerances.rb_sd };
                    self.factor(device("RB"), law, Quantity::BaseResistance, vec![id]);
                }
            }
            Element::Diode(e) => self.device(tolerances, id, name, e.model.kf),
            Element::Jfet(e) => self.device(tolerances, id, name, e.model.kf),
            Element::Coupling(_) | Element::Source(_) | Element::Controlled(_) => {}
        }
    }

    /// What all semiconductors have.
    fn device(&mut self, tolerances: &Tolerances, id: PartId, name: &str, kf: f64) {
        let saturation = Law::LogNormal { sd: tolerances.is_sd };
        self.factor(format!("IS of {name}"), saturation, Quantity::SaturationCurrent, vec![id]);
        if kf > 0.0 {
            let flicker = Law::LogNormal { sd: tolerances.kf_sd };
            self.factor(format!("KF of {name}"), flicker, Quantity::Flicker, vec![id]);
        }
    }

    fn bench(&mut self, tolerances: &Tolerances, surroundings: &Surroundings) {
        let either_way = |half: f64| Law::Uniform { low: -half, high: half };
        let between = |[low, high]: [f64; 2]| Law::Uniform { low, high };
        let cool = tolerances.cool_celsius.map(|celsius| celsius - surroundings.temperatures.cool_celsius);
        self.add("scale of the meter".into(), Law::LogNormal { sd: tolerances.meter_sd }, Effect::Meter);
        self.add("freezing".into(), either_way(tolerances.freeze_celsius), Effect::Freeze);
        self.add("cooling".into(), between(cool), Effect::Cool);
        self.add("finger".into(), either_way(tolerances.finger_celsius), Effect::Finger);
        self.add("heating".into(), either_way(tolerances.heat_celsius), Effect::Heat);
        if !surroundings.near.is_empty() {
            self.add("spill of the spray".into(), between(tolerances.spill), Effect::Spill);
        }
        self.add("law of leakage noise".into(), between(tolerances.leak_exponent), Effect::LeakExponent);
    }
}

/// Whether a value that is the same for all still makes units other than the netlist says: a temperature inside the set, or
/// parts that are all 5 % high.
fn moves(value: f64, effect: &Effect) -> bool {
    match effect {
        Effect::Factor(..) | Effect::Meter | Effect::Observer => value != 1.0,
        Effect::Freeze | Effect::Cool | Effect::Finger | Effect::Heat => value != 0.0,
        Effect::To(..) | Effect::Ambient => true,
        // Without a coordinate their middles stand.
        Effect::Spill | Effect::LeakExponent => false,
    }
}

fn uniform_factor([low, high]: [f64; 2]) -> Law {
    Law::Uniform { low: 1.0 + low, high: 1.0 + high }
}

/// From this value on a capacitor of unknown kind counts as an electrolytic, F.
const ELECTROLYTIC_FROM_FARADS: f64 = 1e-6;

fn is_electrolytic(capacitor: &Capacitor) -> bool {
    capacitor.polarised || capacitor.farads >= ELECTROLYTIC_FROM_FARADS
}

fn is_supply(element: &Element) -> bool {
    matches!(element, Element::Source(source) if source.kind == SourceKind::Voltage && source.dc != 0.0)
}
