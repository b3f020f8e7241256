//! One file per element kind: equations and their sources on top, and the only place with device physics.
//!
//! Every element gives three answers: its terms of the bias equations, its terms of the linearised equations, and its
//! noise sources. The closed [`Element`] is matched without a catch-all arm, so that the compiler lists what a new kind
//! needs.

mod bjt;
mod capacitor;
mod controlled;
mod coupling;
mod diode;
mod inductor;
mod jfet;
mod junction;
mod parameters;
mod pin;
mod resistor;
mod source;

use crate::mna::{BiasEquations, NodeId, SignalEquations, Unknown};
use crate::physics::Kelvin;

pub use bjt::{Bjt, BjtModel, BjtRegion, Polarity};
pub use capacitor::Capacitor;
pub use controlled::{Control, Controlled, Drive};
pub use coupling::Coupling;
pub use diode::{Diode, DiodeModel};
pub use inductor::Inductor;
pub use jfet::{Jfet, JfetModel, JfetRegion};
pub(crate) use parameters::parameter_set;
pub use parameters::{Parameter, Range};
pub use pin::Pin;
pub use resistor::{Excess, Resistor};
pub use source::{Source, SourceKind};

/// Number of a part in its circuit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PartId(pub u32);

impl PartId {
    /// Position in tables of parts.
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// The kinds of elements.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Element {
    /// R, and a what-if bridge.
    Resistor(Resistor),
    /// C
    Capacitor(Capacitor),
    /// L
    Inductor(Inductor),
    /// K
    Coupling(Coupling),
    /// V and I
    Source(Source),
    /// E G F H
    Controlled(Controlled),
    /// D
    Diode(Diode),
    /// Q
    Bjt(Bjt),
    /// J
    Jfet(Jfet),
}

/// Where the inner unknowns of each part lie.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Layout {
    /// First inner unknown of each part, by [`PartId`].
    pub first_inner: Vec<Unknown>,
    /// Unknown of each self-heating part's temperature rise, beyond the electrical ones.
    pub temperature: Vec<Option<Unknown>>,
    /// Number of electrical unknowns besides ground: node voltages, inner nodes, branch currents.
    pub electrical: usize,
    /// The same with the temperatures of self-heating parts.
    pub with_temperatures: usize,
}

/// A part's place in the equations and its surroundings.
#[derive(Clone, Copy, Debug)]
pub struct Place<'a> {
    /// Which part.
    pub part: PartId,
    /// Inner unknowns of all parts.
    pub layout: &'a Layout,
    /// Temperature inside the set.
    pub ambient: Kelvin,
}

impl Place<'_> {
    fn inner(&self, nth: u32) -> Unknown {
        Unknown(self.layout.first_inner[self.part.index()].0 + nth)
    }

    fn inner_of(&self, part: PartId) -> Unknown {
        self.layout.first_inner[part.index()]
    }

    fn temperature_unknown(&self) -> Option<Unknown> {
        self.layout.temperature[self.part.index()]
    }

    /// Temperature of a part: its own if given, else ambient plus its rise, else ambient.
    pub(crate) fn temperature(&self, own_celsius: Option<f64>, x: &[f64]) -> Kelvin {
        match (own_celsius, self.temperature_unknown()) {
            (Some(celsius), _) => Kelvin::from_celsius(celsius),
            (None, Some(rise)) => Kelvin(self.ambient.0 + x[rise.index()]),
            (None, None) => self.ambient,
        }
    }
}

/// The junction voltages at which a device is evaluated; those of the trial point, or limited ones.
pub type JunctionVolts = [f64; 2];

/// What step limiting must know about one junction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JunctionScale {
    /// Volts over which the current rises e-fold.
    pub scale_volts: f64,
    /// Voltage beyond which steps are limited, V.
    pub critical_volts: f64,
    /// Breakdown voltage, beyond which steps are limited on the reverse side.
    pub breakdown_volts: Option<f64>,
}

/// What causes a contribution to the hiss.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Mechanism {
    /// Thermal agitation in a resistor.
    Thermal,
    /// Thermal noise of the base resistance.
    ThermalRb,
    /// Thermal noise of the collector resistance.
    ThermalRc,
    /// Thermal noise of the emitter resistance.
    ThermalRe,
    /// Thermal noise of a diode's or source's series resistance.
    ThermalRs,
    /// Thermal noise of the drain resistance.
    ThermalRd,
    /// Excess (current) noise of a resistor.
    Excess,
    /// Noise of a what-if bridge beyond its thermal noise.
    BridgeExcess,
    /// Shot noise of a junction.
    JunctionShot,
    /// Shot noise of the collector current.
    CollectorShot,
    /// Shot noise of the base-emitter current.
    BaseShot,
    /// Shot noise of the base-collector current.
    ReverseBaseShot,
    /// 1/f noise.
    Flicker,
    /// Noise of the excess collector-base leakage.
    Leakage,
    /// Thermal noise of a field-effect transistor's channel.
    Channel,
}

impl Mechanism {
    /// Every mechanism.
    pub const ALL: [Mechanism; 15] = [
        Mechanism::Thermal,
        Mechanism::ThermalRb,
        Mechanism::ThermalRc,
        Mechanism::ThermalRe,
        Mechanism::ThermalRs,
        Mechanism::ThermalRd,
        Mechanism::Excess,
        Mechanism::BridgeExcess,
        Mechanism::JunctionShot,
        Mechanism::CollectorShot,
        Mechanism::BaseShot,
        Mechanism::ReverseBaseShot,
        Mechanism::Flicker,
        Mechanism::Leakage,
        Mechanism::Channel,
    ];

    /// The stable name of results: `collector_shot`.
    pub fn name(self) -> &'static str {
        match self {
            Mechanism::Thermal => "thermal",
            Mechanism::ThermalRb => "thermal_rb",
            Mechanism::ThermalRc => "thermal_rc",
            Mechanism::ThermalRe => "thermal_re",
            Mechanism::ThermalRs => "thermal_rs",
            Mechanism::ThermalRd => "thermal_rd",
            Mechanism::Excess => "excess",
            Mechanism::BridgeExcess => "bridge_excess",
            Mechanism::JunctionShot => "junction_shot",
            Mechanism::CollectorShot => "collector_shot",
            Mechanism::BaseShot => "base_shot",
            Mechanism::ReverseBaseShot => "reverse_base_shot",
            Mechanism::Flicker => "flicker",
            Mechanism::Leakage => "leakage",
            Mechanism::Channel => "channel",
        }
    }
}

/// An independent noise current between two unknowns, one-sided density S(f) = white + flicker/f.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NoiseSource {
    /// Whose it is.
    pub part: PartId,
    /// What causes it.
    pub mechanism: Mechanism,
    /// The current leaves here …
    pub from: Unknown,
    /// … and enters here.
    pub to: Unknown,
    /// Part that does not depend on frequency, A²/Hz.
    pub white: f64,
    /// Part that falls as 1/f: its value at 1 Hz, A²/Hz.
    pub flicker: f64,
}

/// Collects the noise sources of a part, leaving out those that are silent.
pub struct NoiseList<'a> {
    part: PartId,
    sources: &'a mut Vec<NoiseSource>,
}

impl<'a> NoiseList<'a> {
    /// A list for one part.
    pub fn new(part: PartId, sources: &'a mut Vec<NoiseSource>) -> Self {
        Self { part, sources }
    }

    fn add(&mut self, mechanism: Mechanism, from: Unknown, to: Unknown, white: f64, flicker: f64) {
        if from != to && (white != 0.0 || flicker != 0.0) {
            self.sources.push(NoiseSource { part: self.part, mechanism, from, to, white, flicker });
        }
    }
}

impl Element {
    /// Nodes of the card, in its order (output first for controlled sources; none for couplings).
    pub fn nodes(&self) -> Vec<NodeId> {
        match self {
            Element::Resistor(e) => e.nodes.to_vec(),
            Element::Capacitor(e) => e.nodes.to_vec(),
            Element::Inductor(e) => e.nodes.to_vec(),
            Element::Coupling(_) => Vec::new(),
            Element::Source(e) => e.nodes.to_vec(),
            Element::Controlled(e) => e.all_nodes(),
            Element::Diode(e) => e.nodes.to_vec(),
            Element::Bjt(e) => e.nodes.to_vec(),
            Element::Jfet(e) => e.nodes.to_vec(),
        }
    }

    /// Gives every node of the element another number.
    pub fn renumber(&mut self, new: impl Fn(NodeId) -> NodeId) {
        let nodes: &mut [NodeId] = match self {
            Element::Resistor(e) => &mut e.nodes,
            Element::Capacitor(e) => &mut e.nodes,
            Element::Inductor(e) => &mut e.nodes,
            Element::Coupling(_) => &mut [],
            Element::Source(e) => &mut e.nodes,
            Element::Controlled(e) => {
                let (Control::Voltage(control) | Control::Current(_, control)) = &mut e.control;
                control.iter_mut().for_each(|node| *node = new(*node));
                &mut e.nodes
            }
            Element::Diode(e) => &mut e.nodes,
            Element::Bjt(e) => &mut e.nodes,
            Element::Jfet(e) => &mut e.nodes,
        };
        nodes.iter_mut().for_each(|node| *node = new(*node));
    }

    /// How many inner nodes and branch currents the element adds to the unknowns.
    pub fn inner_unknowns(&self) -> u32 {
        match self {
            Element::Resistor(_) | Element::Capacitor(_) | Element::Coupling(_) => 0,
            Element::Inductor(_) => 1,
            Element::Source(e) => e.inner_unknowns(),
            Element::Controlled(e) => e.inner_unknowns(),
            Element::Diode(e) => e.inner_unknowns(),
            Element::Bjt(e) => e.inner_unknowns(),
            Element::Jfet(e) => e.inner_unknowns(),
        }
    }

    /// Whether the element's temperature is solved with the bias.
    pub fn heats_itself(&self) -> bool {
        match self {
            Element::Bjt(e) => e.heats_itself(),
            Element::Resistor(_)
            | Element::Capacitor(_)
            | Element::Inductor(_)
            | Element::Coupling(_)
            | Element::Source(_)
            | Element::Controlled(_)
            | Element::Diode(_)
            | Element::Jfet(_) => false,
        }
    }

    /// The unknowns whose voltages against each other steer the element's linearised equations and its noise, some of
    /// them perhaps twice; `None` where these do not depend on the bias point. A temperature unknown steers besides.
    pub fn steering_unknowns(&self, place: Place) -> Option<[Unknown; 3]> {
        match self {
            Element::Resistor(e) => e.steering_unknowns(),
            Element::Diode(e) => Some(e.steering_unknowns(place)),
            Element::Bjt(e) => Some(e.terminals(place)),
            Element::Jfet(e) => Some(e.terminals(place)),
            Element::Capacitor(_)
            | Element::Inductor(_)
            | Element::Coupling(_)
            | Element::Source(_)
            | Element::Controlled(_) => None,
        }
    }

    /// Its own temperature, °C, as far as it has one and depends on it: outer `None` where no temperature matters.
    pub fn own_celsius(&self) -> Option<Option<f64>> {
        match self {
            Element::Resistor(e) => Some(e.celsius),
            Element::Diode(e) => Some(e.celsius),
            Element::Bjt(e) => Some(e.celsius),
            Element::Jfet(e) => Some(e.celsius),
            Element::Capacitor(_)
            | Element::Inductor(_)
            | Element::Coupling(_)
            | Element::Source(_)
            | Element::Controlled(_) => None,
        }
    }

    /// Voltages of the element's junctions at the trial point `x`, forward positive; zero where there is none.
    pub fn junction_volts(&self, place: Place, x: &[f64]) -> JunctionVolts {
        match self {
            Element::Diode(e) => e.junction_volts(place, x),
            Element::Bjt(e) => e.junction_volts(place, x),
            Element::Jfet(e) => e.junction_volts(place, x),
            Element::Resistor(_)
            | Element::Capacitor(_)
            | Element::Inductor(_)
            | Element::Coupling(_)
            | Element::Source(_)
            | Element::Controlled(_) => [0.0; 2],
        }
    }

    /// What limits the steps of each junction; `None` where there is none.
    pub fn junction_scales(&self, place: Place, x: &[f64]) -> [Option<JunctionScale>; 2] {
        match self {
            Element::Diode(e) => e.junction_scales(place, x),
            Element::Bjt(e) => e.junction_scales(place, x),
            Element::Jfet(e) => e.junction_scales(place, x),
            Element::Resistor(_)
            | Element::Capacitor(_)
            | Element::Inductor(_)
            | Element::Coupling(_)
            | Element::Source(_)
            | Element::Controlled(_) => [None; 2],
        }
    }

    /// Adds the element's terms of the bias equations at the trial point `x`, its junctions evaluated at `junctions`
    /// and continued along their tangents to the voltages of `x`.
    pub fn stamp_bias(&self, place: Place, x: &[f64], junctions: JunctionVolts, equations: &mut BiasEquations) {
        match self {
            Element::Resistor(e) => e.stamp_bias(place, x, equations),
            Element::Capacitor(_) | Element::Coupling(_) => {}
            Element::Inductor(e) => e.stamp_bias(place, x, equations),
            Element::Source(e) => e.stamp_bias(place, x, equations),
            Element::Controlled(e) => e.stamp_bias(place, x, equations),
            Element::Diode(e) => e.stamp_bias(place, x, junctions, equations),
            Element::Bjt(e) => e.stamp_bias(place, x, junctions, equations),
            Element::Jfet(e) => e.stamp_bias(place, x, junctions, equations),
        }
    }

    /// Adds the element's terms of the equations linearised at the bias point `x`.
    pub fn stamp_signal(&self, place: Place, x: &[f64], equations: &mut SignalEquations) {
        match self {
            Element::Resistor(e) => e.stamp_signal(place, x, equations),
            Element::Capacitor(e) => e.stamp_signal(equations),
            Element::Inductor(e) => e.stamp_signal(place, equations),
            Element::Coupling(e) => e.stamp_signal(place, equations),
            Element::Source(e) => e.stamp_signal(place, equations),
            Element::Controlled(e) => e.stamp_signal(place, equations),
            Element::Diode(e) => e.stamp_signal(place, x, equations),
            Element::Bjt(e) => e.stamp_signal(place, x, equations),
            Element::Jfet(e) => e.stamp_signal(place, x, equations),
        }
    }

    /// Lists the element's noise sources at the bias point `x`.
    pub fn list_noise(&self, place: Place, x: &[f64], list: &mut NoiseList) {
        match self {
            Element::Resistor(e) => e.list_noise(place, x, list),
            Element::Diode(e) => e.list_noise(place, x, list),
            Element::Bjt(e) => e.list_noise(place, x, list),
            Element::Jfet(e) => e.list_noise(place, x, list),
            Element::Capacitor(_)
            | Element::Inductor(_)
            | Element::Coupling(_)
            | Element::Source(_)
            | Element::Controlled(_) => {}
        }
    }
}
