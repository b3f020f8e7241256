//! What figures of merit refer to: the source resistance of a noise figure, the signal of a signal-to-noise ratio, the
//! load of an output.

use super::Point;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, PartId};
use crate::noise::SourceResistance;
use crate::units::{Quantity, read_number};

/// Reads a source resistance: the name of a resistor, or ohms at the input source.
///
/// # Errors
/// [`Code::UnknownPart`] and [`Code::UnfitPart`] for a name, [`Code::BadFlag`] for a value, [`Code::MissingInput`] where
/// ohms are given and there is no input source to put them at.
pub fn read_source_resistance(
    circuit: &Circuit,
    input: Option<PartId>,
    text: &str,
) -> Result<SourceResistance, Diagnostic> {
    let text = text.trim();
    match circuit.find_part(text) {
        Ok(part) if matches!(circuit.part(part).element, Element::Resistor(_)) => {
            return Ok(SourceResistance::Resistor(part));
        }
        Ok(_) => {
            let error = Diagnostic::error(Code::UnfitPart, format!("{text} is no resistor"));
            return Err(error.help("name a resistor, or give ohms: 1k"));
        }
        // R47 is a name with a slip in it rather than 0.47 Ω.
        Err(unknown) if text.starts_with(['R', 'r']) => return Err(unknown),
        Err(_) => {}
    }
    let ohms = above_zero(text, Quantity::Resistance, "a resistance", "write ohms, 1k, or name a resistor: RS")?;
    match input {
        Some(input) => Ok(SourceResistance::of_value(circuit, input, ohms)),
        None => Err(Diagnostic::error(Code::MissingInput, "ohms of which source?")
            .help("name the source with --from VIN, or a resistor of the netlist")),
    }
}

/// Reads a signal level, V rms.
///
/// # Errors
/// [`Code::BadFlag`] says what is wrong with it.
pub fn read_level(text: &str) -> Result<f64, Diagnostic> {
    above_zero(text.trim(), Quantity::Other, "a signal level", "write volts rms: 0.775, or 500m")
}

/// What takes the power of an output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Load {
    /// A resistor of the netlist across the output.
    Resistor(PartId),
    /// A resistor that comes across the output besides, Ω.
    Added(f64),
}

/// Reads a load: the name of a resistor across the output, or ohms, which are the resistor of that value across it or else
/// come across it besides.
///
/// # Errors
/// [`Code::UnknownPart`] and [`Code::UnfitPart`] for a name, [`Code::BadFlag`] for a value.
pub fn read_load(circuit: &Circuit, output: &Point, text: &str) -> Result<Load, Diagnostic> {
    let text = text.trim();
    let ends = [output.plus, output.minus];
    let across = |part: PartId| match &circuit.part(part).element {
        Element::Resistor(resistor) => {
            (resistor.nodes == ends || resistor.nodes == [ends[1], ends[0]]).then_some(resistor.ohms)
        }
        _ => None,
    };
    match circuit.find_part(text) {
        Ok(part) if across(part).is_some() => return Ok(Load::Resistor(part)),
        Ok(_) => {
            let error = Diagnostic::error(Code::UnfitPart, format!("{text} is no resistor across {}", output.name));
            return Err(error.help("name one that is, or give ohms: 15"));
        }
        Err(unknown) if text.starts_with(['R', 'r', 'X', 'x']) => return Err(unknown),
        Err(_) => {}
    }
    let ohms = above_zero(text, Quantity::Resistance, "a load", "write ohms, 15, or name a resistor: RL")?;
    let known = circuit.parts().find(|(part, _)| across(*part) == Some(ohms));
    Ok(known.map_or(Load::Added(ohms), |(part, _)| Load::Resistor(part)))
}

/// Reads a number above zero; `what` it is, for the message.
pub(super) fn above_zero(text: &str, quantity: Quantity, what: &str, example: &str) -> Result<f64, Diagnostic> {
    let text = text.trim();
    let reading = read_number(text, quantity).map_err(|problem| {
        Diagnostic::error(Code::BadFlag, problem.to_string()).help(problem.help().unwrap_or(example.into()))
    })?;
    match reading.warning {
        // Nobody means 10 milliohms by 10M.
        Some(warning) => Err(Diagnostic::error(Code::BadFlag, warning.message()).help(warning.help())),
        None if reading.value > 0.0 => Ok(reading.value),
        None => Err(Diagnostic::error(Code::BadFlag, format!("{what} must be above zero, not {text}")).help(example)),
    }
}
