//! Controls: a `.param` of the netlist that somebody turns, between two ends.
//!
//! A potentiometer is two resistors that share a parameter, so a parameter is known for one where turning it from 0 to 1
//! makes one resistor larger and another one smaller; 0 and 1 are then its ends. Any other parameter is a control where its
//! ends are given.

use crate::circuit::{Change, Circuit};
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::element::Element;
use crate::units::{Quantity, exact, read_number};

/// A parameter and the ends that it is turned between.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Control {
    /// The `.param`, as first written.
    pub name: String,
    /// Its value at the lower and at the upper end.
    pub ends: [f64; 2],
}

impl Control {
    /// Every parameter that turns a potentiometer, in the order of the netlist, from 0 to 1.
    pub fn all(circuit: &Circuit) -> Vec<Control> {
        let names = circuit.netlist().top.parameters.iter().map(|parameter| parameter.name.text.clone());
        names.map(|name| Control { name, ends: [0.0, 1.0] }).filter(|control| control.turns(circuit)).collect()
    }

    /// Reads `volume`, or `volume=0.1:1` with its ends.
    ///
    /// # Errors
    /// [`Code::UnknownParameter`], naming the controls that there are; [`Code::MissingInput`] for a parameter that turns no
    /// potentiometer and comes without ends; [`Code::BadFlag`] for ends that are no two different numbers.
    pub fn read(circuit: &Circuit, text: &str) -> Result<Control, Diagnostic> {
        let (name, ends) = match text.split_once('=') {
            Some((name, ends)) => (name.trim(), Some(ends)),
            None => (text.trim(), None),
        };
        let known = || circuit.netlist().top.parameters.iter().map(|parameter| parameter.name.text.as_str());
        let Some(written) = known().find(|known| known.to_lowercase() == name.to_lowercase()) else {
            let error = Diagnostic::error(Code::UnknownParameter, format!("no .param is called {name}"));
            let controls: Vec<String> = Self::all(circuit).into_iter().map(|control| control.name).collect();
            return Err(match nearest(name, known()) {
                Some(near) => error.help(format!("try {near}")),
                None if controls.is_empty() => error.help("no .param of the netlist turns a potentiometer"),
                None => error.help(format!("controls are {}", controls.join(", "))),
            });
        };
        let control = |ends| Control { name: written.to_owned(), ends };
        match ends {
            Some(ends) => read_ends(ends, written).map(control),
            None if control([0.0, 1.0]).turns(circuit) => Ok(control([0.0, 1.0])),
            None => Err(Diagnostic::error(Code::MissingInput, format!("{written} turns no potentiometer"))
                .help(format!("give the ends to turn it between: {written}=0.1:1"))),
        }
    }

    /// The circuit with the control at its lower and at its upper end, all else as it is.
    ///
    /// # Errors
    /// What makes the circuit impossible there.
    pub fn at_ends(&self, circuit: &Circuit) -> Result<[Circuit; 2], Vec<Diagnostic>> {
        let at = |value| circuit.changed(&[Change::Parameter { name: self.name.clone(), value }]);
        Ok([at(self.ends[0])?, at(self.ends[1])?])
    }

    /// `volume from 0 to 1`
    pub fn text(&self) -> String {
        let [low, high] = self.ends.map(exact);
        format!("{} from {low} to {high}", self.name)
    }

    fn turns(&self, circuit: &Circuit) -> bool {
        let Ok([low, high]) = self.at_ends(circuit) else { return false };
        let steps =
            low.parts().zip(high.parts()).filter_map(|((_, low), (_, high))| match (&low.element, &high.element) {
                (Element::Resistor(low), Element::Resistor(high)) => Some(high.ohms - low.ohms),
                _ => None,
            });
        let steps: Vec<f64> = steps.collect();
        steps.iter().any(|&step| step > 0.0) && steps.iter().any(|&step| step < 0.0)
    }
}

fn read_ends(text: &str, name: &str) -> Result<[f64; 2], Diagnostic> {
    let help = format!("write both ends: {name}=0:1");
    let bad = |message: String| Diagnostic::error(Code::BadFlag, message).help(help.clone());
    let Some((low, high)) = text.split_once(':') else { return Err(bad(format!("{text} is one end"))) };
    let read = |text: &str| match read_number(text.trim(), Quantity::Other) {
        Ok(reading) => Ok(reading.value),
        Err(problem) => Err(bad(problem.to_string())),
    };
    let ends = [read(low)?, read(high)?];
    if ends[0] == ends[1] { Err(bad(format!("the ends of {text} are the same"))) } else { Ok(ends) }
}
