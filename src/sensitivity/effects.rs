//! What every value does, and every voltage that steers a device: derivatives of stamps, taken once for all outputs.

use super::stamps::{Derivatives, Factors, Side, Terms, Writer};
use super::{SensitivityError, unsolved};
use crate::bias::{BiasPoint, Slopes};
use crate::circuit::{Adjustment, Circuit, Quantity, Shift};
use crate::element::{Element, PartId, Place};
use crate::mna::Unknown;
use crate::physics::Kelvin;

/// Step of a voltage to either side, V. Currents bend over a thermal voltage, so the difference is off by
/// (2e-6/0.025)²/6 = 1e-9 of itself, and rounding of the voltage by as much.
const VOLT_STEP: f64 = 2e-6;
/// Step of a temperature to either side, K. Saturation currents bend over some 10 K.
const KELVIN_STEP: f64 = 2e-3;
/// Step of the logarithm of a value to either side.
const LOG_STEP: f64 = 1e-5;

/// What one value does.
#[derive(Clone, Debug)]
pub(super) enum Effect {
    /// It changes stamps.
    Stamps(Terms),
    /// It is the temperature of a self-heating device, whose rise answers with so many kelvin to a watt.
    Rise(Unknown, f64),
}

/// A voltage or temperature that steers an element, and what its other voltages are counted from.
#[derive(Clone, Debug)]
struct Steering {
    unknown: Unknown,
    from: Unknown,
    terms: Terms,
}

/// All effects.
#[derive(Debug)]
pub(super) struct Effects {
    pub derivatives: Derivatives,
    /// In the order of the values asked for.
    pub values: Vec<Effect>,
    steering: Vec<Steering>,
}

impl Effects {
    pub fn of(
        circuit: &Circuit,
        bias: &BiasPoint,
        slopes: &Slopes,
        values: &[(PartId, Quantity)],
    ) -> Result<Self, SensitivityError> {
        let mut writer = Writer::new(circuit);
        let steering = steering(circuit, bias, &mut writer);
        let value = |&(part, quantity): &(PartId, Quantity)| value(circuit, bias, slopes, &mut writer, part, quantity);
        let values = values.iter().map(value).collect::<Result<_, SensitivityError>>()?;
        Ok(Self { derivatives: writer.derivatives, values, steering })
    }

    /// The derivatives of a figure by every unknown of the bias, ground first.
    pub fn by_unknown(&self, factors: &Factors, length: usize) -> Vec<f64> {
        let mut by_unknown = vec![0.0; length];
        for Steering { unknown, from, terms } in &self.steering {
            let slope = self.derivatives.contract(terms, factors);
            by_unknown[unknown.index()] += slope;
            by_unknown[from.index()] -= slope;
        }
        by_unknown[Unknown::GROUND.index()] = 0.0;
        by_unknown
    }

    /// The derivative of a figure by a value while the bias stands.
    pub fn by_stamps(&self, effect: &Effect, factors: &Factors) -> f64 {
        match effect {
            Effect::Stamps(terms) => self.derivatives.contract(terms, factors),
            Effect::Rise(..) => 0.0,
        }
    }

    /// The derivative by way of the bias.
    pub fn through_bias(&self, effect: &Effect, adjoint: &[f64]) -> f64 {
        match effect {
            Effect::Stamps(terms) => -self.derivatives.through_bias(terms, adjoint),
            // Whatever moves the rise by a kelvin: the same as if it were held there.
            Effect::Rise(rise, kelvin_per_watt) => adjoint[rise.index()] / kelvin_per_watt,
        }
    }
}

/// One entry for each unknown that steers an element, but for the node that its voltages are counted from.
fn steering(circuit: &Circuit, bias: &BiasPoint, writer: &mut Writer) -> Vec<Steering> {
    let mut steering = Vec::new();
    let mut x = bias.x.clone();
    for (id, part) in circuit.parts() {
        let place = circuit.place(id);
        let Some(mut unknowns) = part.element.steering_unknowns(place) else { continue };
        // Ground in front, so that it is not moved.
        unknowns.sort_unstable();
        let from = unknowns[0];
        let mut moved: Vec<(Unknown, Unknown, f64)> = Vec::with_capacity(3);
        for pair in unknowns.windows(2) {
            if pair[0] != pair[1] {
                moved.push((pair[1], from, VOLT_STEP));
            }
        }
        let rise = circuit.layout().temperature[id.index()];
        moved.extend(rise.map(|rise| (rise, Unknown::GROUND, KELVIN_STEP)));
        for (unknown, from, step) in moved {
            let at = x[unknown.index()];
            let [above, below] = [at + step, at - step];
            let factor = 1.0 / (above - below);
            let terms = writer.terms(|writer| {
                for (value, factor) in [(above, factor), (below, -factor)] {
                    x[unknown.index()] = value;
                    writer.gather(id, &Side { element: &part.element, place, x: &x, factor }, false);
                }
                writer.keep(id);
            });
            x[unknown.index()] = at;
            steering.push(Steering { unknown, from, terms });
        }
    }
    steering
}

fn value(
    circuit: &Circuit,
    bias: &BiasPoint,
    slopes: &Slopes,
    writer: &mut Writer,
    part: PartId,
    quantity: Quantity,
) -> Result<Effect, SensitivityError> {
    if quantity == Quantity::Ambient {
        return Ok(Effect::Stamps(ambient(circuit, bias, writer)));
    }
    if quantity == Quantity::Celsius
        && let Some(rise) = circuit.layout().temperature.get(part.index()).copied().flatten()
    {
        let mut watt = vec![0.0; bias.x.len()];
        watt[rise.index()] = 1.0;
        let answer = slopes.solve_transposed(&watt).map_err(|error| unsolved(circuit, error))?;
        return Ok(Effect::Rise(rise, answer[rise.index()]));
    }
    let (shifts, step) = match quantity {
        Quantity::Celsius => {
            let own = circuit.parts().nth(part.index()).and_then(|(_, part)| part.element.own_celsius().flatten());
            let celsius = own.unwrap_or(circuit.ambient.celsius());
            ([KELVIN_STEP, -KELVIN_STEP].map(|step| Shift::To(celsius + step)), KELVIN_STEP)
        }
        _ => ([LOG_STEP, -LOG_STEP].map(|step| Shift::Factor(step.exp())), LOG_STEP),
    };
    let [above, below] = shifts.map(|value| circuit.shifted_element(&Adjustment { part, quantity, value }));
    let sides = [(above?, 0.5 / step), (below?, -0.5 / step)];
    let terms = writer.terms(|writer| {
        for (element, factor) in &sides {
            writer.gather(part, &Side { element, place: circuit.place(part), x: &bias.x, factor: *factor }, true);
        }
        writer.keep(part);
        if let [(Element::Inductor(above), _), (Element::Inductor(below), _)] = &sides {
            couplings(circuit, bias, writer, part, [(above.henries, sides[0].1), (below.henries, sides[1].1)]);
        }
    });
    Ok(Effect::Stamps(terms))
}

/// The mutual inductances that follow that of a winding.
fn couplings(circuit: &Circuit, bias: &BiasPoint, writer: &mut Writer, winding: PartId, sides: [(f64, f64); 2]) {
    for (id, part) in circuit.parts() {
        let Element::Coupling(coupling) = &part.element else { continue };
        if coupling.windings.iter().all(|&(part, _)| part != winding) {
            continue;
        }
        for (henries, factor) in sides {
            let mut coupling = coupling.clone();
            for (part, own) in &mut coupling.windings {
                if *part == winding {
                    *own = henries;
                }
            }
            let element = Element::Coupling(coupling);
            writer.gather(id, &Side { element: &element, place: circuit.place(id), x: &bias.x, factor }, true);
        }
        writer.keep(id);
    }
}

/// The temperature of everything that has none of its own.
fn ambient(circuit: &Circuit, bias: &BiasPoint, writer: &mut Writer) -> Terms {
    writer.terms(|writer| {
        for (id, part) in circuit.parts().filter(|(_, part)| part.element.own_celsius() == Some(None)) {
            for step in [KELVIN_STEP, -KELVIN_STEP] {
                let place = Place { ambient: Kelvin(circuit.ambient.0 + step), ..circuit.place(id) };
                writer.gather(id, &Side { element: &part.element, place, x: &bias.x, factor: 0.5 / step }, true);
            }
            writer.keep(id);
        }
    })
}
