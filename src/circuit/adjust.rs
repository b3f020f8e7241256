//! Single values of an elaborated circuit shifted: tolerances, the severity of a fault, drift. Cheap, since nothing is
//! read again; the structure of the equations stays as it is.

use std::sync::Arc;

use super::{Circuit, build, couplings, topology};
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, Excess, PartId, Range};
use crate::physics::{Kelvin, ZERO_CELSIUS};

/// One value of a part shifted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Adjustment {
    /// The part; for [`Quantity::Ambient`] any.
    pub part: PartId,
    /// Which of its values.
    pub quantity: Quantity,
    /// Where to.
    pub value: Shift,
}

/// How far a value is shifted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shift {
    /// The value times this. A shift by 2 and then by 0.5 gives back the bits of the value.
    Factor(f64),
    /// This in its place, in the unit of the quantity.
    To(f64),
}

/// A value that can be shifted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum Quantity {
    /// Of a resistor or a bridge, Ω.
    Resistance,
    /// Of a capacitor, F.
    Capacitance,
    /// Of an inductor, H; couplings follow.
    Inductance,
    /// Volts or amperes at rest of an independent source.
    SourceDc,
    /// Gain of a controlled source.
    Gain,
    /// BF of a transistor; BR stays.
    ForwardBeta,
    /// BR of a transistor.
    ReverseBeta,
    /// IS, A, of a diode or a transistor, of a field-effect transistor that of its gate; with it ISE and ISC in proportion, so that beta stays.
    SaturationCurrent,
    /// ICBO of a transistor, A.
    Icbo,
    /// LEAKM of a transistor.
    LeakageMultiplier,
    /// LEAKFC of a transistor, Hz.
    LeakageCorner,
    /// RB of a transistor that has one, Ω.
    BaseResistance,
    /// KF of a diode or a transistor.
    Flicker,
    /// Excess noise of a resistor, µV per volt and decade (IEC 60195); 0 for none.
    ExcessNoise,
    /// VTO of a field-effect transistor, V.
    Threshold,
    /// BETA of a field-effect transistor, A/V².
    Transconductance,
    /// Its own temperature, °C, of a resistor, diode or transistor. A factor is taken of the one it has, or of ambient.
    Celsius,
    /// The temperature inside the set, °C.
    Ambient,
}

impl Quantity {
    /// The quantity in words that follow "the" and come before "of".
    pub fn words(self) -> &'static str {
        match self {
            Quantity::Resistance => "resistance",
            Quantity::Capacitance => "capacitance",
            Quantity::Inductance => "inductance",
            Quantity::SourceDc => "value at rest",
            Quantity::Gain => "gain",
            Quantity::ForwardBeta => "forward current gain",
            Quantity::ReverseBeta => "reverse current gain",
            Quantity::SaturationCurrent => "saturation current",
            Quantity::Icbo => "collector-base leakage",
            Quantity::LeakageMultiplier => "noise multiple of the leakage",
            Quantity::LeakageCorner => "corner of the leakage noise",
            Quantity::BaseResistance => "base resistance",
            Quantity::Flicker => "flicker coefficient",
            Quantity::ExcessNoise => "excess noise",
            Quantity::Threshold => "threshold voltage",
            Quantity::Transconductance => "transconductance parameter",
            Quantity::Celsius => "temperature",
            Quantity::Ambient => "ambient temperature",
        }
    }
}

/// Makes the adjustments in order on a copy.
pub(super) fn adjusted(circuit: &Circuit, adjustments: &[Adjustment]) -> Result<Circuit, Box<Diagnostic>> {
    let mut circuit = circuit.clone();
    let mut heated = false;
    for adjustment in adjustments {
        if adjustment.quantity == Quantity::Ambient {
            let celsius = shifted(adjustment, circuit.ambient.celsius(), Range::Celsius, "the set")?;
            circuit.ambient = Kelvin(celsius + ZERO_CELSIUS);
            continue;
        }
        let ambient_celsius = circuit.ambient.celsius();
        let Some((_, part)) = circuit.parts.get_index_mut(adjustment.part.index()) else {
            return Err(no_part(adjustment));
        };
        let heats_itself = part.element.heats_itself();
        shift(&mut part.element, &part.name, adjustment, ambient_celsius)?;
        heated |= heats_itself != part.element.heats_itself();
    }
    let made = |quantity: Quantity| adjustments.iter().any(|adjustment| adjustment.quantity == quantity);
    if made(Quantity::Inductance) {
        couplings::fill(&mut circuit.parts);
    }
    if [Quantity::Resistance, Quantity::Celsius, Quantity::Ambient].into_iter().any(made) {
        let mut problems = Vec::new();
        topology::check_resistances(&circuit.parts, circuit.ambient, &mut problems);
        if let Some(problem) = problems.into_iter().next() {
            return Err(Box::new(problem));
        }
    }
    if heated {
        circuit.layout = Arc::new(build::layout(circuit.nodes.len(), &circuit.parts));
    }
    circuit.adjustments.extend_from_slice(adjustments);
    Ok(circuit)
}

/// What one part becomes by an adjustment of a value of its own.
pub(super) fn shifted_element(circuit: &Circuit, adjustment: &Adjustment) -> Result<Element, Box<Diagnostic>> {
    let Some((_, part)) = circuit.parts.get_index(adjustment.part.index()) else { return Err(no_part(adjustment)) };
    let mut element = part.element.clone();
    shift(&mut element, &part.name, adjustment, circuit.ambient.celsius())?;
    Ok(element)
}

/// Shifts one value of one part.
fn shift(
    element: &mut Element,
    name: &str,
    adjustment: &Adjustment,
    ambient_celsius: f64,
) -> Result<(), Box<Diagnostic>> {
    let set = |field: &mut f64, range: Range| {
        *field = shifted(adjustment, *field, range, name)?;
        Ok(())
    };
    match (adjustment.quantity, element) {
        (Quantity::Resistance, Element::Resistor(e)) => set(&mut e.ohms, Range::Positive),
        (Quantity::Capacitance, Element::Capacitor(e)) => set(&mut e.farads, Range::NonNegative),
        (Quantity::Inductance, Element::Inductor(e)) => set(&mut e.henries, Range::Positive),
        (Quantity::SourceDc, Element::Source(e)) => set(&mut e.dc, Range::Any),
        (Quantity::Gain, Element::Controlled(e)) => set(&mut e.gain, Range::Any),
        (Quantity::ForwardBeta, Element::Bjt(e)) => set(&mut e.model.bf, Range::Positive),
        (Quantity::ReverseBeta, Element::Bjt(e)) => set(&mut e.model.br, Range::Positive),
        (Quantity::SaturationCurrent, Element::Diode(e)) => set(&mut e.model.is, Range::Positive),
        (Quantity::SaturationCurrent, Element::Bjt(e)) => {
            let before = e.model.is;
            set(&mut e.model.is, Range::Positive)?;
            let factor = e.model.is / before;
            e.model.ise *= factor;
            e.model.isc *= factor;
            Ok(())
        }
        (Quantity::SaturationCurrent, Element::Jfet(e)) => set(&mut e.model.is, Range::Positive),
        (Quantity::Icbo, Element::Bjt(e)) => set(&mut e.model.icbo, Range::NonNegative),
        (Quantity::LeakageMultiplier, Element::Bjt(e)) => set(&mut e.model.leakm, Range::NonNegative),
        (Quantity::LeakageCorner, Element::Bjt(e)) => set(&mut e.model.leakfc, Range::NonNegative),
        // Without a base resistance there is no inner node to put one before.
        (Quantity::BaseResistance, Element::Bjt(e)) if e.model.rb > 0.0 => set(&mut e.model.rb, Range::Positive),
        (Quantity::Flicker, Element::Diode(e)) => set(&mut e.model.kf, Range::NonNegative),
        (Quantity::Flicker, Element::Bjt(e)) => set(&mut e.model.kf, Range::NonNegative),
        (Quantity::Flicker, Element::Jfet(e)) => set(&mut e.model.kf, Range::NonNegative),
        (Quantity::ExcessNoise, Element::Resistor(e)) => match e.excess {
            Excess::Bridge { .. } => Err(unfit(adjustment, name)),
            Excess::None | Excess::Index(_) => {
                e.excess = shifted_excess(adjustment, e.excess, name)?;
                Ok(())
            }
        },
        (Quantity::Threshold, Element::Jfet(e)) => set(&mut e.model.vto, Range::Any),
        (Quantity::Transconductance, Element::Jfet(e)) => set(&mut e.model.beta, Range::Positive),
        (Quantity::Celsius, Element::Resistor(e)) => shift_own(&mut e.celsius, adjustment, ambient_celsius, name),
        (Quantity::Celsius, Element::Diode(e)) => shift_own(&mut e.celsius, adjustment, ambient_celsius, name),
        (Quantity::Celsius, Element::Bjt(e)) => shift_own(&mut e.celsius, adjustment, ambient_celsius, name),
        (Quantity::Celsius, Element::Jfet(e)) => shift_own(&mut e.celsius, adjustment, ambient_celsius, name),
        _ => Err(unfit(adjustment, name)),
    }
}

fn shift_own(
    own: &mut Option<f64>,
    adjustment: &Adjustment,
    ambient_celsius: f64,
    name: &str,
) -> Result<(), Box<Diagnostic>> {
    *own = Some(shifted(adjustment, own.unwrap_or(ambient_celsius), Range::Celsius, name)?);
    Ok(())
}

/// 20·log10 of µV per volt is the noise index, dB (IEC 60195); a factor on the former adds to the latter.
fn shifted_excess(adjustment: &Adjustment, before: Excess, name: &str) -> Result<Excess, Box<Diagnostic>> {
    let index = match (before, adjustment.value) {
        (_, Shift::To(microvolts)) => {
            shifted(adjustment, microvolts, Range::NonNegative, name)?;
            20.0 * microvolts.log10()
        }
        (Excess::Index(index), Shift::Factor(factor)) => {
            shifted(adjustment, 1.0, Range::NonNegative, name)?;
            index + 20.0 * factor.log10()
        }
        (Excess::None | Excess::Bridge { .. }, Shift::Factor(_)) => return Ok(before),
    };
    Ok(if index == f64::NEG_INFINITY { Excess::None } else { Excess::Index(index) })
}

fn shifted(adjustment: &Adjustment, before: f64, range: Range, name: &str) -> Result<f64, Box<Diagnostic>> {
    let value = match adjustment.value {
        Shift::Factor(factor) => before * factor,
        Shift::To(value) => value,
    };
    if range.contains(value) {
        return Ok(value);
    }
    let message = format!("the {} of {name} must be {}, not {value}", adjustment.quantity.words(), range.words());
    Err(Box::new(Diagnostic::error(Code::ValueOutOfRange, message).help(format!("give a value {}", range.words()))))
}

fn no_part(adjustment: &Adjustment) -> Box<Diagnostic> {
    let message = format!("the circuit has no part of number {}", adjustment.part.0);
    Box::new(Diagnostic::error(Code::UnknownPart, message).help("take the number from the circuit"))
}

fn unfit(adjustment: &Adjustment, name: &str) -> Box<Diagnostic> {
    let message = format!("{name} has no {} that could be shifted", adjustment.quantity.words());
    Box::new(Diagnostic::error(Code::UnfitPart, message).help("shift a value that its card or its model gives"))
}
