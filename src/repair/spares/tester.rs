//! A transistor out of the set, on a simple tester: what it reads, and the transistor that would read so.
//!
//! Each reading is the bias of a little circuit with the device itself in it, so that leakage, knees and heat count as they
//! do in the set:
//!
//! iceo     collector to emitter at so many volts, base open                                   A
//! icbo     collector to base at so many volts, emitter open                                   A
//! hfe      collector over base current, with so much into the base; `gain` has ICEO taken off
//! drops    so much through base and emitter, collector open; through base and collector, emitter open   V
//!
//! For a device with neither Early voltage nor leakage of its own junctions ICEO = (BF + 1)·ICBO, by Kirchhoff's current law
//! at the open base. Readings of a PNP are shown without their signs, as a tester does.

use std::sync::Arc;

use crate::bias::solve;
use crate::circuit::{Adjustment, Change, Circuit, Quantity, Rewiring, Shift};
use crate::element::{Bjt, BjtModel, Element, PartId};

/// The settings of a simple tester. Common practice, no source: 6 V, 10 µA, 1 mA, at a room temperature of 25 °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tester {
    /// Across collector and emitter, V.
    pub volts: f64,
    /// Into the base for the current gain, A.
    pub base_amps: f64,
    /// Through a junction for its drop, A.
    pub drop_amps: f64,
    /// Temperature of the room, and of a device that has lain in it, °C.
    pub celsius: f64,
}

impl Default for Tester {
    fn default() -> Self {
        Self { volts: 6.0, base_amps: 10e-6, drop_amps: 1e-3, celsius: 25.0 }
    }
}

/// What a tester reads; `None` where a junction is open, or the device finds no rest on it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Readings {
    /// Collector current with open base, A.
    pub iceo_amps: Option<f64>,
    /// Collector over base current as a plain tester shows it, leakage included.
    pub hfe: Option<f64>,
    /// The same with ICEO taken off the collector current first.
    pub gain: Option<f64>,
    /// Base against emitter, V.
    pub emitter_drop_volts: Option<f64>,
    /// Base against collector, V.
    pub collector_drop_volts: Option<f64>,
}

/// How the device is held.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Hold {
    /// Volts at the collector, a current into the base.
    Amplifying { volts: f64, base_amps: f64 },
    /// Volts at the collector, emitter open.
    EmitterOpen { volts: f64 },
    /// A current from base to emitter, collector open.
    EmitterJunction { amps: f64 },
    /// A current from base to collector, emitter open.
    CollectorJunction { amps: f64 },
}

/// A device on the tester, with what is connected to its pins from inside its can: a leak, a broken lead.
#[derive(Clone, Debug)]
pub(super) struct OnTester<'a> {
    pub device: &'a Bjt,
    /// About a part called `Q1`.
    pub faults: &'a [Change],
    pub celsius: f64,
}

impl Tester {
    /// What it reads on a transistor.
    pub fn read(&self, device: &Bjt) -> Readings {
        self.read_faulty(device, &[])
    }

    pub(super) fn read_faulty(&self, device: &Bjt, faults: &[Change]) -> Readings {
        let on = OnTester { device, faults, celsius: self.celsius };
        let iceo_amps = on.iceo(self.volts);
        let hfe = on.collector_amps(self.volts, self.base_amps).map(|amps| amps / self.base_amps);
        Readings {
            iceo_amps,
            hfe,
            gain: hfe.zip(iceo_amps).map(|(hfe, iceo)| hfe - iceo / self.base_amps),
            emitter_drop_volts: on.reads(Hold::EmitterJunction { amps: self.drop_amps }),
            collector_drop_volts: on.reads(Hold::CollectorJunction { amps: self.drop_amps }),
        }
    }

    /// Its current gain with the leakage taken off.
    fn gain(&self, device: &Bjt) -> Option<f64> {
        let on = OnTester { device, faults: &[], celsius: self.celsius };
        let (amps, iceo) = (on.collector_amps(self.volts, self.base_amps)?, on.iceo(self.volts)?);
        Some((amps - iceo) / self.base_amps)
    }

    /// The parameters of `device` with which it reads what was measured.
    pub fn fit(&self, device: &Bjt, measured: &Measured) -> Fit {
        let mut fitted = device.clone();
        let mut beyond = Vec::new();
        for _ in 0..PASSES {
            let before = (fitted.model.bf, fitted.model.icbo);
            beyond.clear();
            if let Some(beta) = measured.beta {
                let range = [beta / BF_RANGE, beta * BF_RANGE];
                let found = rising(range, beta, |bf| self.gain(&with(&fitted, |model| model.bf = bf)));
                fitted.model.bf = found.unwrap_or(fitted.model.bf);
                beyond.extend(found.is_none().then_some(Beyond::Beta));
            }
            if let Some((wanted, volts, open_base)) = measured.leak(self.volts) {
                let leak = |icbo: f64| {
                    let device = with(&fitted, |model| model.icbo = icbo);
                    let on = OnTester { device: &device, faults: &[], celsius: self.celsius };
                    if open_base { on.iceo(volts) } else { on.icbo(volts) }
                };
                // What its own junctions leak comes without any ICBO, and no more than all of it can be ICBO.
                let cold = crate::physics::leakage_factor(
                    crate::physics::Kelvin::from_celsius(self.celsius),
                    fitted.model.tdbl,
                );
                let own = leak(0.0);
                if own.is_some_and(|own| own >= wanted) {
                    fitted.model.icbo = 0.0;
                    beyond.push(Beyond::Leakage(own.unwrap_or(wanted)));
                } else {
                    let found = rising([wanted * LEAST_LEAK, wanted / cold], wanted, leak);
                    fitted.model.icbo = found.unwrap_or(fitted.model.icbo);
                    beyond.extend(found.is_none().then_some(Beyond::Unsolved));
                }
            }
            let settled = |before: f64, after: f64| (after - before).abs() <= SETTLED * after.abs();
            if settled(before.0, fitted.model.bf) && settled(before.1, fitted.model.icbo) {
                break;
            }
        }
        Fit { device: fitted, beyond }
    }
}

/// What was measured on a spare.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Measured {
    /// Current gain, leakage taken off.
    pub beta: Option<f64>,
    /// Collector current with open base, A, and the volts it was measured at; those of the tester where not given.
    pub iceo: Option<(f64, Option<f64>)>,
    /// Collector-base leakage with open emitter at the volts of the tester, A.
    pub icbo_amps: Option<f64>,
}

impl Measured {
    /// The leakage, the volts it was measured at, and whether the base was open; ICEO goes before ICBO.
    fn leak(&self, volts: f64) -> Option<(f64, f64, bool)> {
        let iceo = self.iceo.map(|(amps, at)| (amps, at.map_or(volts, f64::abs), true));
        iceo.or(self.icbo_amps.map(|amps| (amps, volts, false)))
    }
}

/// A transistor that reads what was measured.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The transistor.
    pub device: Bjt,
    /// What its model cannot be made to read.
    pub beyond: Vec<Beyond>,
}

/// What was measured that a model cannot read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Beyond {
    /// No BF gives the current gain.
    Beta,
    /// The junctions of the model leak so much by themselves, A: more than was measured.
    Leakage(f64),
    /// No ICBO gives the leakage.
    Unsolved,
}

/// The tester gives no more volts than this to drive a current: what wants more is open. Common practice, no source.
const COMPLIANCE_VOLTS: f64 = 3.0;
/// Rounds of fitting BF and ICBO in turn; each depends little on the other.
const PASSES: usize = 30;
/// Relative change from round to round that ends them.
const SETTLED: f64 = 1e-12;
/// How far BF may lie from the gain that was measured, either way: base leakage and knee take their part of it.
const BF_RANGE: f64 = 1e3;
/// The least part of a measured leakage that ICBO is looked for at.
const LEAST_LEAK: f64 = 1e-9;
/// Halvings of a bracket at most.
const HALVINGS: usize = 200;

fn with(device: &Bjt, set: impl FnOnce(&mut BjtModel)) -> Bjt {
    let mut device = device.clone();
    set(&mut device.model);
    device
}

/// Where a rising function takes a value, between two limits above zero; `None` where it does not. Secants inside a bracket
/// in the logarithm, halved where they hardly move (the Illinois rule; Dowell and Jarratt, BIT 11 (1971) 168).
fn rising([low, high]: [f64; 2], wanted: f64, value: impl Fn(f64) -> Option<f64>) -> Option<f64> {
    let error = |ln: f64| Some(value(ln.exp())? / wanted - 1.0);
    let (mut a, mut b) = (low.ln(), high.ln());
    let (mut at_a, mut at_b) = (error(a)?, error(b)?);
    // At a limit rounding may leave the value on either side.
    let near = |error: f64| error.abs() < SETTLED;
    if near(at_a) || near(at_b) {
        return Some(if near(at_a) { low } else { high });
    }
    if at_a > 0.0 || at_b < 0.0 {
        return None;
    }
    let mut kept = 0;
    for _ in 0..HALVINGS {
        let secant = (a * at_b - b * at_a) / (at_b - at_a);
        let middle = if secant > a && secant < b { secant } else { 0.5 * (a + b) };
        let at = error(middle)?;
        if at.abs() < 1e-14 || b - a < 1e-15 * a.abs().max(b.abs()) {
            return Some(middle.exp());
        }
        if at < 0.0 {
            (a, at_a) = (middle, at);
            at_b *= if kept == 1 { 0.5 } else { 1.0 };
            kept = 1;
        } else {
            (b, at_b) = (middle, at);
            at_a *= if kept == -1 { 0.5 } else { 1.0 };
            kept = -1;
        }
    }
    Some((0.5 * (a + b)).exp())
}

impl OnTester<'_> {
    pub fn iceo(&self, volts: f64) -> Option<f64> {
        self.collector_amps(volts, 0.0)
    }

    fn collector_amps(&self, volts: f64, base_amps: f64) -> Option<f64> {
        self.reads(Hold::Amplifying { volts, base_amps })
    }

    pub fn icbo(&self, volts: f64) -> Option<f64> {
        self.reads(Hold::EmitterOpen { volts })
    }

    fn reads(&self, hold: Hold) -> Option<f64> {
        let held = Held::new(hold)?;
        let sign = self.device.polarity.sign();
        let circuit = held.circuit.changed(self.faults).ok()?;
        let Element::Bjt(stand_in) = &circuit.part(circuit.find_part("Q1").ok()?).element else { return None };
        let device = Bjt { nodes: stand_in.nodes, celsius: None, ..self.device.clone() };
        let mut rewiring = Rewiring::default();
        rewiring.replace(circuit.find_part("Q1").ok()?, Element::Bjt(device));
        let shift = |part: PartId, value: f64| Adjustment {
            part,
            quantity: Quantity::SourceDc,
            value: Shift::To(sign * value),
        };
        let sources = [held.volts.map(|value| ("V1", value)), held.amps.map(|value| ("I1", value))];
        let mut adjustments =
            vec![Adjustment { part: PartId(0), quantity: Quantity::Ambient, value: Shift::To(self.celsius) }];
        for (name, value) in sources.into_iter().flatten() {
            adjustments.push(shift(circuit.find_part(name).ok()?, value));
        }
        let circuit = circuit.rewired(rewiring).adjusted(&adjustments).ok()?;
        let bias = solve(&circuit).ok()?;
        let at = |node: &str| Some(sign * bias.volts(circuit.find_node(node).ok()?));
        let beyond = |volts: f64| volts > COMPLIANCE_VOLTS;
        if let Hold::Amplifying { volts, base_amps } = hold
            && base_amps > 0.0
            && beyond(at("b")?)
        {
            return self.reads(Hold::Amplifying { volts, base_amps: 0.0 });
        }
        let reading = match held.meter {
            Meter::Volts(node) => return at(node).filter(|volts| !beyond(*volts)),
            // Through the source, from its first node on: what it delivers has the other sign.
            Meter::Amps => -bias.x[circuit.layout().first_inner[circuit.find_part("V1").ok()?.index()].index()],
        };
        Some(sign * reading)
    }
}

/// Where the tester reads.
enum Meter {
    Amps,
    Volts(&'static str),
}

/// The tester's own circuit, with a stand-in for the device.
struct Held {
    circuit: Circuit,
    volts: Option<f64>,
    amps: Option<f64>,
    meter: Meter,
}

impl Held {
    fn new(hold: Hold) -> Option<Self> {
        let (parts, volts, amps, meter) = match hold {
            Hold::Amplifying { volts, base_amps } => {
                ("V1 c 0 1\nI1 0 b 1\nQ1 c b 0 T", Some(volts), Some(base_amps), Meter::Amps)
            }
            Hold::EmitterOpen { volts } => ("V1 c 0 1\nQ1 c 0 e T", Some(volts), None, Meter::Amps),
            Hold::EmitterJunction { amps } => ("I1 0 b 1\nQ1 c b 0 T", None, Some(amps), Meter::Volts("b")),
            Hold::CollectorJunction { amps } => ("I1 0 b 1\nQ1 0 b e T", None, Some(amps), Meter::Volts("b")),
        };
        let text = format!("tester\n{parts}\n.model T NPN\n");
        let (netlist, _) = crate::netlist::read("tester", &text, &mut |_| Err(String::new()));
        let (circuit, _) = Circuit::build(Arc::new(netlist)).ok()?;
        Some(Self { circuit, volts, amps, meter })
    }
}
