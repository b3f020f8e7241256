//! Devices that run hot or beyond their ratings.
//!
//! Hot is above half of the rated dissipation, or above 60 °C for germanium and 100 °C for silicon.

use super::{DeviceBias, DeviceCurrents};
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{BjtModel, Element};
use crate::units::{engineering, short};

const HOT_GERMANIUM_CELSIUS: f64 = 60.0;
const HOT_SILICON_CELSIUS: f64 = 100.0;

/// A warning for each device that runs hot or beyond a rating, in the order of `devices`.
pub fn cautions(circuit: &Circuit, devices: &[DeviceBias]) -> Vec<Diagnostic> {
    let warnings = devices.iter().filter_map(|device| {
        let part = circuit.part(device.part);
        let mut reasons = Vec::new();
        if let Element::Bjt(transistor) = &part.element {
            reasons = beyond_ratings(&transistor.model, device);
        }
        let (hot_celsius, material) = match device.germanium {
            true => (HOT_GERMANIUM_CELSIUS, "germanium"),
            false => (HOT_SILICON_CELSIUS, "silicon"),
        };
        if device.celsius > hot_celsius {
            let at = format!("{:.0} °C", device.celsius);
            reasons.push(format!("it is at {at}, where {material} should stay below {hot_celsius} °C"));
        }
        if reasons.is_empty() {
            return None;
        }
        let message = format!("{} runs hot or beyond its rating: {}", part.name, reasons.join("; "));
        let warning = Diagnostic::warning(Code::DeviceHot, message);
        let warning = warning.help("look for a short, an open emitter path, a wrong value or a leak around it");
        Some(match part.card {
            Some(card) => warning.at(card).in_statement(card),
            None => warning,
        })
    });
    warnings.collect()
}

/// A rating of zero is not known.
fn beyond_ratings(model: &BjtModel, device: &DeviceBias) -> Vec<String> {
    let mut reasons = Vec::new();
    if model.ptot > 0.0 && device.watts > model.ptot / 2.0 {
        reasons.push(format!("{:.0} % of its rated {}", 100.0 * device.watts / model.ptot, short(model.ptot, "W")));
    }
    let DeviceCurrents::Bjt { ic_a, vce_v, .. } = device.currents else { return reasons };
    if model.vceo > 0.0 && vce_v.abs() > model.vceo {
        reasons.push(format!(
            "{} between collector and emitter, rated {}",
            engineering(vce_v.abs(), "V", 3),
            short(model.vceo, "V")
        ));
    }
    if model.icm > 0.0 && ic_a.abs() > model.icm {
        reasons.push(format!("collector current {}, rated {}", engineering(ic_a.abs(), "A", 3), short(model.icm, "A")));
    }
    reasons
}
