//! Controls as they are asked for: a `.param` and the limits between which it turns, `bass` or `bass=0.1:0.9`.

use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::units::{Quantity, read_number};

/// A control: a parameter of the netlist between two limits.
#[derive(Clone, Debug, PartialEq)]
pub struct ControlRange {
    /// Its name as first written.
    pub parameter: String,
    /// Lower and upper limit, ascending.
    pub limits: [f64; 2],
}

impl ControlRange {
    /// Reads `PARAM` (between 0 and 1) or `PARAM=LOW:HIGH`.
    ///
    /// # Errors
    /// [`Code::UnknownParameter`] names the nearest parameter; [`Code::BadFlag`] says what is wrong with the limits.
    pub fn read(circuit: &Circuit, text: &str) -> Result<Self, Diagnostic> {
        let (name, limits) = match text.split_once('=') {
            Some((name, limits)) => (name.trim(), Some(limits)),
            None => (text.trim(), None),
        };
        let known = || circuit.netlist().top.parameters.iter().map(|assignment| assignment.name.text.as_str());
        let Some(parameter) = known().find(|known| known.to_lowercase() == name.to_lowercase()) else {
            let error = Diagnostic::error(Code::UnknownParameter, format!("no .param is called {name}"));
            return Err(match nearest(name, known()) {
                Some(near) => error.help(format!("try {near}")),
                None if known().next().is_none() => error.help("make one of the control: .param bass=0.5"),
                None => error.help(format!("known are {}", known().collect::<Vec<_>>().join(", "))),
            });
        };
        let limits = limits.map_or(Ok([0.0, 1.0]), read_limits)?;
        Ok(Self { parameter: parameter.to_owned(), limits })
    }
}

fn read_limits(text: &str) -> Result<[f64; 2], Diagnostic> {
    const EXAMPLE: &str = "write the lower and the upper limit: bass=0.1:0.9";
    let bad = |message: String| Diagnostic::error(Code::BadFlag, message).help(EXAMPLE);
    let Some((low, high)) = text.split_once(':') else { return Err(bad(format!("{text} are no limits"))) };
    let number = |text: &str| {
        read_number(text.trim(), Quantity::Other).map(|reading| reading.value).map_err(|problem| {
            Diagnostic::error(Code::BadFlag, problem.to_string()).help(problem.help().unwrap_or(EXAMPLE.into()))
        })
    };
    let limits = [number(low)?, number(high)?];
    if limits[0] < limits[1] { Ok(limits) } else { Err(bad(format!("the limits {text} do not ascend"))) }
}
