//! A device at the highest temperature inside the cabinet: how warm its junction gets, what it leaks there, and whether its
//! heat feeds on itself.
//!
//! A rise dT of the junction makes the power grow by dT·∂P/∂T; that heats it by RTH·∂P/∂T·dT. The junction stays where it is
//! only while
//!
//! loop = RTH·∂P/∂T < 1                                                                          [1]
//!
//! ∂P/∂T is taken of the whole circuit solved again, its other parts held at their temperatures: it has in it the leakage
//! (ICBO doubles every TDBL), the base-emitter drop, and what emitter resistor and load take back. For a collector straight
//! at V with a fixed base current it is V·(BF + 1)·ICBO(T)·ln 2/TDBL.
//!
//! Where no card gives RTH it is reckoned from the rating, (limit − 25 °C)/PTOT, with the temperatures that junctions stand
//! by common practice; a power device whose rating holds at its case sits on more than that.
//!
//! [1] Millman and Halkias, Electronic Devices and Circuits, McGraw-Hill 1967, on thermal runaway: ∂P/∂T < 1/Θ

use super::finding::LIMIT_CELSIUS;
use super::tester::OnTester;
use crate::bias::{BiasPoint, DeviceBias, SolveError, devices, solve, solve_from};
use crate::circuit::{Adjustment, Circuit, Quantity, Rewiring, Shift};
use crate::element::{Bjt, Element, PartId};
use crate::physics::LEAKAGE_CELSIUS;

/// A device at the highest temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct Hot {
    /// Inside the cabinet, °C.
    pub ambient_celsius: f64,
    /// Its thermal resistance, °C/W; `None` where neither card nor rating tell.
    pub rth: Option<f64>,
    /// Whether that was reckoned from its rating.
    pub rth_assumed: bool,
    /// Its junction, °C.
    pub junction_celsius: f64,
    /// W.
    pub watts: f64,
    /// Collector-base leakage there with open emitter, A.
    pub leakage_amps: Option<f64>,
    /// So much of a degree comes back for each; it runs away at 1. `None` without a thermal resistance.
    pub thermal_loop: Option<f64>,
    /// All devices of the circuit there.
    pub devices: Vec<DeviceBias>,
}

/// Step to either side of the difference that gives ∂P/∂T, °C: its error is of second order, (step·ln 2/TDBL)²/6.
const STEP_CELSIUS: f64 = 0.02;

/// The temperature that the junction of a device stands, °C.
pub(super) fn limit_celsius(device: &Bjt) -> f64 {
    LIMIT_CELSIUS[usize::from(!device.is_germanium())]
}

/// Its thermal resistance, °C/W, and whether it was reckoned from the rating.
pub(super) fn thermal_resistance(device: &Bjt) -> Option<(f64, bool)> {
    match (device.model.rth, device.model.ptot) {
        (rth, _) if rth > 0.0 => Some((rth, false)),
        (_, ptot) if ptot > 0.0 => Some(((limit_celsius(device) - LEAKAGE_CELSIUS) / ptot, true)),
        _ => None,
    }
}

/// Heats the set with `device` in its place.
///
/// # Errors
/// Why the circuit finds no rest at that temperature, in words.
pub(super) fn heated(
    circuit: &Circuit,
    part: PartId,
    device: &Bjt,
    celsius: f64,
    tester_volts: f64,
) -> Result<Hot, String> {
    let why = |error: &SolveError| error.to_string();
    let ambient = Adjustment { part, quantity: Quantity::Ambient, value: Shift::To(celsius) };
    let hot = circuit.adjusted(&[ambient]).map_err(|error| error.message)?;
    let resistance = thermal_resistance(device);
    let mut warming = device.clone();
    warming.model.rth = resistance.map_or(0.0, |(rth, _)| rth);
    let hot = in_place(&hot, part, &warming);
    let bias = solve(&hot).map_err(|error| why(&error))?;
    let junction = warming.temperature(hot.place(part), &bias.x).celsius();
    let watts_at = |celsius: f64, near: Option<&BiasPoint>| -> Result<(BiasPoint, f64), String> {
        let held = Bjt { celsius: Some(celsius), ..warming.clone() };
        let circuit = in_place(&hot, part, &held);
        let bias = near.map_or_else(|| solve(&circuit), |near| solve_from(&circuit, near));
        let bias = bias.map_err(|error| why(&error))?;
        let watts = held.watts(circuit.place(part), &bias.x);
        Ok((bias, watts))
    };
    let thermal_loop = match resistance {
        None => None,
        Some((rth, _)) => {
            let (near, _) = watts_at(junction, None)?;
            let (_, above) = watts_at(junction + STEP_CELSIUS, Some(&near))?;
            let (_, below) = watts_at(junction - STEP_CELSIUS, Some(&near))?;
            Some(rth * (above - below) / (2.0 * STEP_CELSIUS))
        }
    };
    // The junction's temperature is known: no heat of the test comes on top.
    let mut alone = device.clone();
    alone.model.rth = 0.0;
    let on = OnTester { device: &alone, faults: &[], celsius: junction };
    Ok(Hot {
        ambient_celsius: celsius,
        rth: resistance.map(|(rth, _)| rth),
        rth_assumed: resistance.is_some_and(|(_, assumed)| assumed),
        junction_celsius: junction,
        watts: warming.watts(hot.place(part), &bias.x),
        leakage_amps: on.icbo(tester_volts),
        thermal_loop,
        devices: devices(&hot, &bias),
    })
}

/// The circuit with a device in a place.
pub(super) fn in_place(circuit: &Circuit, part: PartId, device: &Bjt) -> Circuit {
    let mut rewiring = Rewiring::default();
    rewiring.replace(part, Element::Bjt(device.clone()));
    circuit.rewired(rewiring)
}
