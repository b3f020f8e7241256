//! Whether a netlist is sound, and how much of a circuit it holds.

use crate::bench::advice;
use crate::bench::printed::{Printed, printed};
use crate::bench::sheet::Sheet;
use crate::bias;
use crate::circuit::Circuit;
use crate::diagnostic::{Diagnostic, Severity};
use crate::element::Element;
use crate::operating::Operating;

/// A sound netlist.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckResult {
    /// Its title.
    pub title: String,
    /// Parts, sub-circuits expanded.
    pub parts: usize,
    /// Transistors and diodes among them.
    pub devices: usize,
    /// Nodes besides ground.
    pub nodes: usize,
    /// Advice, the bias with its own cautions included; where no bias was found, one of them says so.
    pub cautions: Vec<Diagnostic>,
    /// What a bench sheet adds; `None` for a netlist.
    pub sheet: Option<SheetCheck>,
}

/// What a sound bench sheet holds.
#[derive(Clone, Debug, PartialEq)]
pub struct SheetCheck {
    /// Points with names of their own.
    pub points: usize,
    /// Controls.
    pub controls: usize,
    /// Spares.
    pub spares: usize,
    /// Readings.
    pub readings: usize,
    /// Printed voltages against computed ones.
    pub printed: Printed,
}

/// Counts what a circuit holds and gives advice about it. No bias is no fault of the netlist's text: it comes as a
/// warning, and the advice that needs one is left out.
pub fn check(circuit: &Circuit) -> CheckResult {
    let is_device = |element: &Element| matches!(element, Element::Diode(_) | Element::Bjt(_) | Element::Jfet(_));
    CheckResult {
        title: circuit.title.clone(),
        parts: circuit.parts().len(),
        devices: circuit.parts().filter(|(_, part)| is_device(&part.element)).count(),
        nodes: circuit.nodes().len(),
        cautions: cautions(circuit),
        sheet: None,
    }
}

/// The same for a bench sheet, its printed voltages compared with the computed ones.
pub fn check_sheet(sheet: &Sheet) -> CheckResult {
    let mut result = check(&sheet.circuit);
    let printed = printed(sheet);
    result.cautions.extend(printed.warning());
    result.sheet = Some(SheetCheck {
        points: sheet.points.len(),
        controls: sheet.controls.len(),
        spares: sheet.spares.len(),
        readings: sheet.readings.len(),
        printed,
    });
    result
}

fn cautions(circuit: &Circuit) -> Vec<Diagnostic> {
    let mut cautions: Vec<Diagnostic> = advice::of_title(circuit.netlist()).into_iter().collect();
    cautions.extend(advice::of_circuit(circuit));
    match Operating::of(circuit) {
        Ok(operating) => {
            cautions.extend(bias::cautions(circuit, &bias::devices(circuit, &operating.bias)));
            cautions.extend(operating.cautions(circuit));
            cautions.extend(advice::at_bias(circuit, &operating));
        }
        Err(error) => cautions.push(Diagnostic { severity: Severity::Warning, ..error.diagnostic() }),
    }
    cautions
}
