//! Bypass capacitors of emitter and source resistors that leave a −3 dB point inside the band.
//!
//! Without feedback elsewhere, the gain of a stage with C across RE follows (jf + fz)/(jf + fp), where
//!
//! zero     fz = 1/(2π·RE·C)                                           Hz
//! pole     fp = 1/(2π·R·C)                                            Hz   R: the resistance that C sees, about
//!                                                                          (re + Rsource/β) parallel RE
//! −3 dB    f3 = √(fp² − 2·fz²), if RE/R > √2                          Hz
//!
//! R is not estimated but taken from the linearised circuit in the middle of the band, with everything else in place:
//! the admittance between the ends of C less that of C itself.

use num_complex::Complex64;

use super::about;
use crate::bench::DEFAULT_BAND_HZ;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Capacitor, Element};
use crate::mna::NodeId;
use crate::operating::Operating;
use crate::units::{engineering, short};

/// A warning for each bypass capacitor whose −3 dB point lies inside the band.
pub(super) fn too_small(circuit: &Circuit, operating: &Operating) -> Vec<Diagnostic> {
    let band_hz = circuit.noise.as_ref().map_or(DEFAULT_BAND_HZ, |noise| noise.points.band_hz);
    let mut advice = Vec::new();
    for (_, part) in circuit.parts() {
        let Element::Capacitor(capacitor) = &part.element else { continue };
        let Some((stage, ohms)) = bypassed(circuit, capacitor) else { continue };
        let corner = corner_hertz(circuit, operating, capacitor, ohms, band_hz);
        let Some(corner) = corner.filter(|corner| (band_hz[0]..band_hz[1]).contains(corner)) else { continue };
        let message = format!(
            "{} puts the -3 dB point of {stage} at {}, inside the band from {} to {}",
            part.name,
            engineering(corner, "Hz", 2),
            short(band_hz[0], "Hz"),
            short(band_hz[1], "Hz")
        );
        let enough = engineering(capacitor.farads * corner / band_hz[0], "F", 2);
        let warning = about(part, Diagnostic::warning(Code::BypassInBand, message));
        advice.push(warning.help(format!("it takes {enough} to bring it to {}", short(band_hz[0], "Hz"))));
    }
    advice
}

/// The amplifying transistor whose emitter or source resistor a capacitor bypasses, and that resistor.
fn bypassed<'a>(circuit: &'a Circuit, capacitor: &Capacitor) -> Option<(&'a str, f64)> {
    let held = circuit.held_groups();
    let grounded = |node: NodeId| held[node.index()] == NodeId::GROUND;
    let [a, b] = capacitor.nodes;
    let far = [(a, b), (b, a)].into_iter().find(|&(_, far)| grounded(far)).map(|(near, _)| near)?;
    let across = |nodes: &[NodeId; 2]| *nodes == [a, b] || *nodes == [b, a];
    let ohms = circuit.parts().find_map(|(_, part)| match &part.element {
        Element::Resistor(resistor) if across(&resistor.nodes) => Some(resistor.ohms),
        _ => None,
    })?;
    // The emitter itself, or one behind the part of its resistor that is left without bypass.
    let behind = |emitter: NodeId| {
        let joins = |nodes: &[NodeId; 2]| nodes.contains(&emitter) && nodes.contains(&far);
        emitter == far
            || circuit.parts().any(|(_, part)| matches!(&part.element, Element::Resistor(r) if joins(&r.nodes)))
    };
    circuit.parts().find_map(|(_, part)| {
        let [output, input, emitter] = match &part.element {
            Element::Bjt(transistor) => transistor.nodes,
            Element::Jfet(transistor) => transistor.nodes,
            _ => return None,
        };
        // With its collector on a supply it follows, and what lies across its emitter is a load.
        let amplifies = !grounded(output) && !grounded(emitter) && ![output, input].contains(&far);
        (amplifies && behind(emitter)).then_some((part.name.as_str(), ohms))
    })
}

/// f3 of the formula above; `None` where the step of the gain is too small for one.
fn corner_hertz(
    circuit: &Circuit,
    operating: &Operating,
    capacitor: &Capacitor,
    ohms: f64,
    band_hz: [f64; 2],
) -> Option<f64> {
    let middle = (band_hz[0] * band_hz[1]).sqrt();
    let [plus, minus] = capacitor.nodes;
    let factored = operating.signal.factor(circuit, middle).ok()?;
    let transfer = operating.signal.adjoint(circuit, &factored, plus, minus, middle).ok()?;
    let impedance = transfer[plus.index()] - transfer[minus.index()];
    let tau = std::f64::consts::TAU;
    let rest = impedance.inv() - Complex64::new(0.0, tau * middle * capacitor.farads);
    let pole = rest.norm() / (tau * capacitor.farads);
    let zero = 1.0 / (tau * ohms * capacitor.farads);
    let square = pole * pole - 2.0 * zero * zero;
    (square > 0.0 && square.is_finite()).then(|| square.sqrt())
}
