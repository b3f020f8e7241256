//! How the readings of a state follow the tolerances: one column a coordinate, per sd of it.

use std::collections::BTreeMap;

use super::evaluate::{InState, instrument};
use super::plan::{Act, Plan, State};
use crate::bench::reading::How;
use crate::bench::tolerance::{Coordinate, Effect, Law};
use crate::bias::SolveError;
use crate::circuit::{Circuit, Quantity};
use crate::element::{Element, PartId};
use crate::mna::NodeId;
use crate::noise::Weighting;
use crate::sensitivity::{BandRule, Load, Sensitivity, SensitivityError};
use crate::smallsignal::SmallSignal;
use crate::sweep::Sweep;

/// Derivatives of the readings of one state by all coordinates.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Slopes {
    /// d ln(rms) of every output, `[output][coordinate]`, before floors.
    pub hiss: Vec<Vec<f64>>,
    /// dV of every DC point.
    pub dc: Vec<Vec<f64>>,
    /// Resistance of every DC point, Ω.
    pub ohms: Vec<f64>,
}

impl Slopes {
    /// Between two, `share` of the way to the other.
    pub fn between(&self, other: &Self, share: f64) -> Self {
        let mix = |a: &f64, b: &f64| a + share * (b - a);
        let rows = |a: &[Vec<f64>], b: &[Vec<f64>]| -> Vec<Vec<f64>> {
            a.iter().zip(b).map(|(a, b)| a.iter().zip(b).map(|(a, b)| mix(a, b)).collect()).collect()
        };
        Self {
            hiss: rows(&self.hiss, &other.hiss),
            dc: rows(&self.dc, &other.dc),
            ohms: self.ohms.iter().zip(&other.ohms).map(|(a, b)| mix(a, b)).collect(),
        }
    }

    /// Those of one circuit in a state.
    pub fn of(plan: &Plan<'_>, state: &State, at: &InState) -> Result<Self, SensitivityError> {
        let circuit = &at.circuit;
        let mut values = Values::default();
        values.list(plan, state, circuit);
        let signal = SmallSignal::linearise(circuit, &at.bias);
        let mut hiss = vec![Vec::new(); state.outputs.len()];
        let (mut dc, mut ohms) = (Vec::new(), Vec::new());
        for scope in [false, true] {
            let places: Vec<usize> = (0..state.outputs.len()).filter(|&at| state.outputs[at].1 == scope).collect();
            let with_dc = !scope && !state.dc.is_empty();
            if places.is_empty() && !with_dc {
                continue;
            }
            let (observer, band_hz) = instrument(plan, scope);
            let sweep = Sweep::new(circuit, &signal, band_hz);
            let sensitivity = Sensitivity::of(&sweep, &at.bias, &values.all)?;
            let nodes = |at: usize| (plan.points[at].plus, plan.points[at].minus);
            let outputs: Vec<(NodeId, NodeId)> = places.iter().map(|&at| nodes(state.outputs[at].0)).collect();
            let rule = BandRule::gauss(band_hz, Weighting::Flat, BandRule::POINTS);
            let rule = coupled(&rule, observer.coupling_hz);
            let load = Load { ohms: 1.0 / observer.siemens, farads: observer.farads, kelvin: observer.temperature };
            let load = observer.siemens.is_normal().then_some(load);
            for (&place, gradient) in places.iter().zip(sensitivity.hiss(&outputs, &rule, load.as_ref())?) {
                hiss[place] = values.columns(plan, state, at, &gradient.by);
            }
            if with_dc {
                let points: Vec<(NodeId, NodeId)> = state.dc.iter().map(|&at| nodes(at)).collect();
                for gradient in sensitivity.dc(&points)? {
                    dc.push(values.columns(plan, state, at, &gradient.by));
                    ohms.push(gradient.ohms);
                }
            }
        }
        let finite = hiss.iter().chain(&dc).flatten().chain(&ohms).all(|slope| slope.is_finite());
        match finite {
            true => Ok(Self { hiss, dc, ohms }),
            false => {
                let unknown = "a derivative".to_owned();
                Err(SensitivityError::Unsolved(SolveError::Singular { unknown, frequency_hz: None, reason: None }))
            }
        }
    }
}

/// Values that readings follow, each once.
#[derive(Default)]
struct Values {
    all: Vec<(PartId, Quantity)>,
    place: BTreeMap<(PartId, Quantity), usize>,
}

impl Values {
    fn list(&mut self, plan: &Plan<'_>, state: &State, circuit: &Circuit) {
        for coordinate in &plan.coordinates {
            match &coordinate.effect {
                Effect::Factor(quantity, parts) | Effect::To(quantity, parts) => {
                    parts.iter().for_each(|&part| self.add(part, *quantity));
                }
                Effect::Ambient => self.add(PartId(0), Quantity::Ambient),
                _ => {}
            }
        }
        if let Some(Act::Touch(_, touch)) = &state.act {
            for part in std::iter::once(touch.part).chain(touch.near.iter().copied()) {
                self.add(part, Quantity::Celsius);
                if matches!(circuit.part(part).element, Element::Bjt(_)) {
                    self.add(part, Quantity::LeakageMultiplier);
                    self.add(part, Quantity::LeakageCorner);
                }
            }
        }
    }

    fn add(&mut self, part: PartId, quantity: Quantity) {
        if !self.place.contains_key(&(part, quantity)) {
            self.place.insert((part, quantity), self.all.len());
            self.all.push((part, quantity));
        }
    }

    fn of(&self, by: &[f64], part: PartId, quantity: Quantity) -> f64 {
        self.place.get(&(part, quantity)).map_or(0.0, |&at| by[at])
    }

    /// Derivatives by values to those by coordinates, per sd.
    fn columns(&self, plan: &Plan<'_>, state: &State, at: &InState, by: &[f64]) -> Vec<f64> {
        let touched = match &state.act {
            Some(Act::Touch(how, touch)) => Some((*how, touch)),
            _ => None,
        };
        let warmed = |wanted: How| match touched {
            Some((how, touch)) if how == wanted => {
                let near: f64 = touch.near.iter().map(|&part| self.of(by, part, Quantity::Celsius)).sum();
                self.of(by, touch.part, Quantity::Celsius) + touch.spill * near
            }
            _ => 0.0,
        };
        let column = |coordinate: &Coordinate| {
            let sd = coordinate.law.sd();
            match &coordinate.effect {
                Effect::Factor(quantity, parts) | Effect::To(quantity, parts) => {
                    let each: f64 = parts.iter().map(|&part| self.of(by, part, *quantity)).sum();
                    each * logarithmic_sd(coordinate.law)
                }
                Effect::Ambient => {
                    let near: f64 = touched.map_or(0.0, |(_, touch)| {
                        let each = touch.near.iter().map(|&part| self.of(by, part, Quantity::Celsius));
                        (1.0 - touch.spill) * each.sum::<f64>()
                    });
                    sd * (self.of(by, PartId(0), Quantity::Ambient) + near)
                }
                Effect::Freeze => sd * warmed(How::Freeze),
                Effect::Cool => sd * warmed(How::Cool),
                Effect::Finger => sd * warmed(How::Finger),
                Effect::Heat => sd * warmed(How::Heat),
                Effect::Spill => touched.map_or(0.0, |(_, touch)| {
                    // Temperatures before are those of the set, but for parts that heat themselves.
                    let swing = touch.celsius - at.circuit.ambient.celsius();
                    let each = touch.near.iter().map(|&part| self.of(by, part, Quantity::Celsius));
                    sd * swing * each.sum::<f64>()
                }),
                Effect::LeakExponent => touched.map_or(0.0, |(_, touch)| {
                    let parts = std::iter::once((touch.part, 1.0)).chain(touch.near.iter().map(|&p| (p, touch.spill)));
                    let each = parts.map(|(part, share)| {
                        let swing = share * (touch.celsius - at.circuit.ambient.celsius());
                        self.by_exponent(&at.circuit, by, part, swing)
                    });
                    sd * each.sum::<f64>()
                }),
                // These act on the reading itself.
                Effect::Meter | Effect::Observer => 0.0,
            }
        };
        plan.coordinates.iter().map(column).collect()
    }

    /// By the power that excess leakage noise follows: M' = 1 + k(M − 1) and M'·fc' = k·M·fc with ln k = (a − 1)·ln r, so
    /// d ln M'/da = (M' − 1)/M'·ln r and d ln fc'/da = ln r/M'.
    fn by_exponent(&self, circuit: &Circuit, by: &[f64], part: PartId, swing: f64) -> f64 {
        let Element::Bjt(device) = &circuit.part(part).element else { return 0.0 };
        let model = &device.model;
        if model.icbo == 0.0 || model.leakm == 0.0 {
            return 0.0;
        }
        let ln_ratio = swing / model.tdbl * std::f64::consts::LN_2;
        let multiplier = (model.leakm - 1.0) / model.leakm * ln_ratio;
        let corner = ln_ratio / model.leakm;
        multiplier * self.of(by, part, Quantity::LeakageMultiplier)
            + corner * self.of(by, part, Quantity::LeakageCorner)
    }
}

/// sd of the logarithm of a value about its middle.
fn logarithmic_sd(law: Law) -> f64 {
    match law {
        Law::Uniform { .. } => law.sd() / law.at(0.0),
        Law::LogUniform { .. } | Law::LogNormal { .. } => law.sd(),
    }
}

/// The rule behind AC coupling of first order.
fn coupled(rule: &BandRule, corner_hz: f64) -> BandRule {
    if corner_hz == 0.0 {
        return rule.clone();
    }
    let weights =
        rule.hertz().iter().zip(rule.weights()).map(|(hertz, weight)| weight / (1.0 + (corner_hz / hertz).powi(2)));
    BandRule::new(rule.hertz().to_vec(), weights.collect()).unwrap_or_else(|| rule.clone())
}
