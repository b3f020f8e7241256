//! What is not done on a bench: decided by the computed volts, powers and temperatures of the unit that stands there.
//!
//! high volts    DC beyond 60 V can hurt: the limit of energy class ES1 for DC                            [1]
//! burns         a finger rests on a part for about a minute: 51 °C is the limit for any material         [2]
//! watts         a part without a thermal resistance in the netlist is hot from 1 W on                    common practice
//! heat          no warm air where a transistor spends half its rating already                            common practice
//! clip          the ground clip of a scope is at earth: it joins what it is clipped to with it           common practice
//! shunt         as diagnosis refuses it (`diagnosis::prepare`)
//!
//! [1] IEC 62368-1, electrical energy sources   [2] ISO 13732-1, contact of one minute

use crate::bench::reading::{How, Measure, Reading};
use crate::bench::sheet::{Resolved, Sheet, Target};
use crate::bias::{self, BiasPoint, DeviceBias};
use crate::circuit::Circuit;
use crate::diagnosis::prepare::refuses_shunt;
use crate::diagnostic::Diagnostic;
use crate::element::{Element, PartId};
use crate::mna::NodeId;
use crate::operating::Operating;
use crate::units::short;

/// DC volts from which on a bare hand, spray or a charged capacitor is out of the question.
pub const HIGH_VOLTS: f64 = 60.0;
/// Temperature from which on a finger that stays is burnt, °C.
pub const BURNS_CELSIUS: f64 = 51.0;
/// Power from which on a part whose thermal resistance nobody gave is hot, W.
const HOT_WATTS: f64 = 1.0;
/// Part of the rating from which on no heat is added.
const HOT_PART: f64 = 0.5;
/// A scope's clip may be joined to no more than this, V: less drives no current that counts.
const CLIP_VOLTS: f64 = 0.1;

/// The unit as it stands, before anything is done to it.
#[derive(Clone, Debug)]
pub(super) struct Safety {
    circuit: Circuit,
    bias: BiasPoint,
    devices: Vec<DeviceBias>,
    /// The circuit as the sheet has it, for judging shunts.
    nominal: Option<Operating>,
}

impl Safety {
    /// # Errors
    /// A unit without a bias.
    pub fn of(sheet: &Sheet, circuit: &Circuit) -> Result<Self, Diagnostic> {
        let bias = bias::solve(circuit).map_err(|error| error.diagnostic())?;
        let devices = bias::devices(circuit, &bias);
        Ok(Self { circuit: circuit.clone(), bias, devices, nominal: Operating::of(&sheet.circuit).ok() })
    }

    /// Why a test is not made; `None` where it may be.
    pub fn refuses(&self, sheet: &Sheet, test: &Reading, resolved: &Resolved) -> Option<String> {
        match &resolved.act {
            Some((How::Shunt, Target::Point(point))) => self.shunt(sheet, point.plus, &point.name),
            Some((how, Target::Part(part))) => self.touch(*how, *part),
            Some(_) => None,
            None if test.measure == Measure::PeakToPeak => {
                let minus = resolved.point.as_ref()?.minus;
                let volts = self.bias.volts(minus);
                (volts.abs() > CLIP_VOLTS).then(|| {
                    let name = self.circuit.node_name(minus);
                    format!(
                        "the scope's clip is at earth and would join {name}, at {}, to it; use two channels to ground, or the meter",
                        short(rounded(volts), "V")
                    )
                })
            }
            None => None,
        }
    }

    fn touch(&self, how: How, part: PartId) -> Option<String> {
        let known = self.circuit.part(part);
        let name = &known.name;
        let volts = known.element.nodes().into_iter().map(|node| self.bias.volts(node));
        let highest = volts.reduce(|most, next| if next.abs() > most.abs() { next } else { most }).unwrap_or(0.0);
        if highest.abs() > HIGH_VOLTS && how != How::Heat {
            let at = short(rounded(highest), "V");
            return Some(match how {
                How::Finger => format!("{name} stands at {at}: no finger goes there"),
                How::Tap => format!("{name} stands at {at}: nothing is tapped there by hand"),
                _ => format!("{name} stands at {at}: water that spray leaves would bridge it"),
            });
        }
        let device = self.devices.iter().find(|device| device.part == part);
        let watts = device.map_or_else(|| self.resistor_watts(part), |device| device.watts);
        if how == How::Finger {
            let celsius = device.map_or(self.circuit.ambient.celsius(), |device| device.celsius);
            let unknown = !known.element.heats_itself() && watts >= HOT_WATTS;
            if celsius >= BURNS_CELSIUS || unknown {
                let hot = if unknown { String::new() } else { format!(" and is at {}", short(celsius.round(), "°C")) };
                return Some(format!(
                    "{name} turns {} to heat{hot}: a finger that stays is burnt",
                    short(rounded(watts), "W")
                ));
            }
        }
        if how == How::Heat {
            let rated = match &known.element {
                Element::Bjt(bjt) => bjt.model.ptot,
                _ => 0.0,
            };
            if rated > 0.0 && watts >= HOT_PART * rated {
                return Some(format!(
                    "{name} spends {} of its {} already: warm air may run it away",
                    short(rounded(watts), "W"),
                    short(rated, "W")
                ));
            }
            if highest.abs() > HIGH_VOLTS {
                return Some(format!(
                    "{name} stands at {}: no hot-air nozzle goes near it",
                    short(rounded(highest), "V")
                ));
            }
        }
        None
    }

    fn resistor_watts(&self, part: PartId) -> f64 {
        match &self.circuit.part(part).element {
            Element::Resistor(resistor) => {
                let [a, b] = resistor.nodes.map(|node| self.bias.volts(node));
                (a - b).powi(2) / resistor.ohms
            }
            _ => 0.0,
        }
    }

    fn shunt(&self, sheet: &Sheet, node: NodeId, name: &str) -> Option<String> {
        let volts = self.bias.volts(node);
        if volts.abs() > HIGH_VOLTS {
            let at = short(rounded(volts), "V");
            return Some(format!("{name} stands at {at}: a capacitor charged to that kills"));
        }
        let nominal = self.nominal.as_ref()?;
        refuses_shunt(sheet, nominal, node).map(|why| format!("{name} is not shunted: {why}"))
    }
}

/// Two digits.
fn rounded(value: f64) -> f64 {
    format!("{value:.1e}").parse().unwrap_or(value)
}
