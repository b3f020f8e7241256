//! What a reader of the figures should know about them.

use crate::bias::BiasPoint;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::Element;

/// Upper band edge beyond which the capacitances of the devices decide where the hiss ends, Hz.
const CAPACITANCE_MATTERS_HZ: f64 = 100e3;

/// Warnings about figures of gain or hiss up to `top_hz` at a bias point.
pub fn cautions(circuit: &Circuit, bias: &BiasPoint, top_hz: f64) -> Vec<Diagnostic> {
    let mut cautions = Vec::new();
    let mut without = Vec::new();
    for (id, part) in circuit.parts() {
        match &part.element {
            Element::Bjt(transistor) => {
                let (depletion, artefact) = transistor.collector_farads(circuit.place(id), &bias.x);
                if artefact.abs() > depletion {
                    let message = format!(
                        "{}: the model's transit time and Early voltage together put more capacitance between base \
                         and collector than CJC; figures at high frequencies rest on that",
                        part.name
                    );
                    cautions.push(
                        Diagnostic::warning(Code::DiffusionArtefact, message)
                            .help(format!("give model {} its CJC from the data sheet", transistor.model_name)),
                    );
                }
                let model = &transistor.model;
                if model.cje == 0.0 && model.cjc == 0.0 && model.tf == 0.0 {
                    without.push(part.name.as_str());
                }
            }
            Element::Jfet(transistor) => {
                if transistor.model.cgs == 0.0 && transistor.model.cgd == 0.0 {
                    without.push(part.name.as_str());
                }
            }
            Element::Diode(_)
            | Element::Resistor(_)
            | Element::Capacitor(_)
            | Element::Inductor(_)
            | Element::Coupling(_)
            | Element::Source(_)
            | Element::Controlled(_) => {}
        }
    }
    if top_hz > CAPACITANCE_MATTERS_HZ && !without.is_empty() {
        let message = format!(
            "the band reaches {} and {} no capacitance in the model: in a real set it would end the hiss earlier",
            crate::units::engineering(top_hz, "Hz", 3),
            match without.as_slice() {
                [one] => format!("{one} has"),
                several => format!("{} have", several.join(", ")),
            }
        );
        cautions.push(Diagnostic::warning(Code::BandUnlimited, message).help("give the models CJE, CJC and TF"));
    }
    cautions
}
