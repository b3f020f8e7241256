//! The text of a what-if to a change.

use super::{Action, Temperatures, WhatIf, text};
use crate::circuit::{Change, Circuit, Model, Part};
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::element::{Element, Excess};
use crate::physics::GERMANIUM_BELOW_EV;
use crate::units::{Quantity, read_number, unit_of};

/// Reads the text of one what-if.
pub(super) struct Reader<'a> {
    pub circuit: &'a Circuit,
    pub temperatures: &'a Temperatures,
    /// All that was asked for: a part may be of another material once it is swapped.
    pub asked: &'a [(Action, String)],
    pub action: Action,
    pub warnings: &'a mut Vec<Diagnostic>,
}

impl Reader<'_> {
    pub fn what_if(&mut self, text: &str) -> Result<WhatIf, Diagnostic> {
        let action = self.action;
        let change = match action {
            Action::Fault => {
                let fault = self.fault(text)?;
                let changes = fault.changes(self.circuit)?;
                return Ok(WhatIf { action, changes, text: format!("fault {}", fault.text()) });
            }
            Action::Set => {
                let (name, value) = self.sides(text)?;
                Change::Parameter { name: self.parameter(name)?, value: self.number(value, None)? }
            }
            Action::Leak => {
                let (part, rest) = self.sides(text)?;
                let (amps, [times, corner_hz, doubling_celsius]) =
                    self.settings(rest, [("x", ""), ("corner", "Hz"), ("double", "°C")])?;
                let amps = self.number(amps, Some("A"))?;
                Change::Leak { part: self.part(part)?.name.clone(), amps, times, corner_hz, doubling_celsius }
            }
            Action::Freeze => self.touch(text, self.temperatures.freeze_celsius)?,
            Action::Cool => self.touch(text, self.temperatures.cool_celsius)?,
            Action::Finger => self.touch(text, self.temperatures.finger_celsius)?,
            Action::Heat if self.is_germanium(text) => self.touch(text, self.temperatures.heat_germanium_celsius)?,
            Action::Heat => self.touch(text, self.temperatures.heat_silicon_celsius)?,
            Action::Temp => {
                let (part, value) = self.sides(text)?;
                let celsius = self.celsius(value)?;
                self.touch(part, celsius)?
            }
            Action::Value => {
                let (part, value) = self.sides(text)?;
                let part = self.part(part)?;
                let (name, unit) = (part.name.clone(), text::unit(&part.element));
                Change::Value { part: name, value: self.number(value, unit)? }
            }
            Action::Bridge => self.bridge(text)?,
            Action::Swap => {
                let (part, model) = self.sides(text)?;
                Change::Swap { part: self.part(part)?.name.clone(), model: self.model(model)? }
            }
            Action::Lift => Change::Lift { part: self.alone(text, "to change its value: --value C3=1u")?.name.clone() },
            Action::Ambient => Change::Ambient { celsius: self.celsius(text)? },
        };
        let text = text::line(self.circuit, action, &change);
        Ok(WhatIf { action, changes: vec![change], text })
    }

    fn bridge(&mut self, text: &str) -> Result<Change, Diagnostic> {
        let (nodes, rest) = self.sides(text)?;
        let Some((a, b)) = nodes.split_once(',') else {
            return Err(self.bad(format!("{nodes} is one node, and a bridge has two ends")));
        };
        let nodes = [a.trim().to_owned(), b.trim().to_owned()];
        for node in &nodes {
            self.circuit.find_node(node)?;
        }
        let (ohms, [times, corner_hz, index_db]) = self.settings(rest, [("x", ""), ("corner", "Hz"), ("ni", "dB")])?;
        let ohms = self.number(ohms, Some("Ω"))?;
        let excess = match (times, corner_hz, index_db) {
            (None, None, None) => Excess::None,
            (None, None, Some(db)) => Excess::Index(db),
            (_, _, Some(_)) => return Err(self.bad("ni stands in place of x and corner".to_owned())),
            (times, corner_hz, None) => {
                let (times, corner_hz) = (times.unwrap_or(1.0), corner_hz.unwrap_or(0.0));
                if times < 1.0 {
                    return Err(self.bad(format!("x must be 1 or above, not {times}")));
                }
                if corner_hz < 0.0 {
                    return Err(self.bad(format!("corner must be zero or above, not {corner_hz}")));
                }
                Excess::Bridge { times, corner_hz }
            }
        };
        Ok(Change::Bridge { nodes, ohms, excess })
    }

    /// Degrees Celsius: a plain number, with or without the unit. A scale letter would turn 95F into next to nothing.
    fn celsius(&self, text: &str) -> Result<f64, Diagnostic> {
        let number = text.trim().trim_end_matches(['C', 'c']).trim_end_matches('°').trim();
        number.parse().ok().filter(|celsius: &f64| celsius.is_finite()).ok_or_else(|| {
            self.bad(format!("{} is no temperature in °C", text.trim())).help(format!(
                "write plain degrees Celsius: --{} {}",
                self.action.flag(),
                self.action.example()
            ))
        })
    }

    fn touch(&self, part: &str, celsius: f64) -> Result<Change, Diagnostic> {
        let name = part.split('=').next().unwrap_or_default().trim();
        let part = self.alone(part, &format!("to choose the temperature: --temp {name}=-30"))?;
        Ok(Change::Temperature { part: part.name.clone(), celsius })
    }

    /// A part with nothing behind it; `help` says what takes a value.
    fn alone(&self, text: &str, help: &str) -> Result<&Part, Diagnostic> {
        if text.contains('=') {
            return Err(self.bad(format!("{} takes a part alone", self.action.flag())).help(help));
        }
        self.part(text)
    }

    /// What stands before and behind the first equals sign; neither may be missing.
    pub(super) fn sides<'a>(&self, text: &'a str) -> Result<(&'a str, &'a str), Diagnostic> {
        match text.split_once('=') {
            Some((subject, value)) if !subject.trim().is_empty() && !value.trim().is_empty() => {
                Ok((subject.trim(), value.trim()))
            }
            _ => Err(self.bad(format!("something of {} is missing", self.action.form()))),
        }
    }

    /// A value, and behind commas the settings that are given of those `known`, each with its unit.
    fn settings<'a, const N: usize>(
        &mut self,
        text: &'a str,
        known: [(&str, &str); N],
    ) -> Result<(&'a str, [Option<f64>; N]), Diagnostic> {
        let mut fields = text.split(',');
        let value = fields.next().unwrap_or_default().trim();
        let mut given = [None; N];
        for field in fields {
            let (name, number) = field.split_once('=').unwrap_or((field, ""));
            let name = name.trim().to_lowercase();
            let Some(at) = known.iter().position(|(known, _)| *known == name) else {
                let error = self.bad(format!("{name} is no setting of a {}", self.action.flag()));
                return Err(match nearest(&name, known.map(|(known, _)| known)) {
                    Some(near) => error.help(format!("try {near}=")),
                    None => error.help(format!(
                        "settings are {}: --{} {}",
                        known.map(|(known, _)| known).join(", "),
                        self.action.flag(),
                        self.action.example()
                    )),
                });
            };
            given[at] = Some(self.number(number.trim(), Some(known[at].1))?);
        }
        Ok((value, given))
    }

    /// A number in a unit: empty for a pure number, `None` where any will do. Another unit behind it is refused.
    pub(super) fn number(&mut self, text: &str, unit: Option<&str>) -> Result<f64, Diagnostic> {
        if text.is_empty() {
            return Err(self.bad("a number is missing".to_owned()));
        }
        let quantity = match unit {
            Some("Ω") => Quantity::Resistance,
            Some("F") => Quantity::Capacitance,
            _ => Quantity::Other,
        };
        if let (Some(wanted), Some(written)) = (unit, unit_of(text))
            && wanted != written
        {
            let wanted = if wanted.is_empty() { "a pure number".to_owned() } else { format!("a number of {wanted}") };
            return Err(self.bad(format!("{text} is in {written}, and {wanted} belongs here")));
        }
        let reading = read_number(text, quantity).map_err(|problem| {
            let error = self.bad(problem.to_string());
            match problem.help() {
                Some(help) => error.help(help),
                None => error,
            }
        })?;
        if let Some(warning) = reading.warning {
            let message = format!("--{}: {}", self.action.flag(), warning.message());
            self.warnings.push(Diagnostic::warning(Code::AmbiguousScale, message).help(warning.help()));
        }
        Ok(reading.value)
    }

    pub(super) fn part(&self, name: &str) -> Result<&Part, Diagnostic> {
        if name.trim().is_empty() {
            return Err(self.bad("a part is missing".to_owned()));
        }
        self.circuit.find_part(name.trim()).map(|id| self.circuit.part(id))
    }

    /// The name of a parameter as first written.
    fn parameter(&self, name: &str) -> Result<String, Diagnostic> {
        let known = || self.circuit.netlist().top.parameters.iter().map(|assignment| assignment.name.text.as_str());
        if let Some(known) = known().find(|known| known.to_lowercase() == name.to_lowercase()) {
            return Ok(known.to_owned());
        }
        let error = Diagnostic::error(Code::UnknownParameter, format!("no .param is called {name}"));
        Err(match nearest(name, known()) {
            Some(near) => error.help(format!("try {near}")),
            None if known().next().is_none() => error.help("the netlist has no .param; for a part: --value R1=10k"),
            None => error.help(format!("known are {}", known().collect::<Vec<_>>().join(", "))),
        })
    }

    /// The name of a model as first written.
    fn model(&self, name: &str) -> Result<String, Diagnostic> {
        let known = || self.circuit.model_names();
        if let Some(known) = known().find(|known| known.to_lowercase() == name.to_lowercase()) {
            return Ok(known.to_owned());
        }
        let error = Diagnostic::error(Code::UnknownModel, format!("no model is called {name}"));
        Err(match nearest(name, known()) {
            Some(near) => error.help(format!("try {near}")),
            None => error.help(format!("models are {}", known().collect::<Vec<_>>().join(", "))),
        })
    }

    /// Whether a part will be of germanium, swaps considered.
    fn is_germanium(&self, part: &str) -> bool {
        // Text with a value behind it is refused where the part alone is expected.
        let Ok(part) = self.part(part.split('=').next().unwrap_or_default()) else { return false };
        let swapped = self.asked.iter().rev().find_map(|(action, text)| {
            let (swapped, model) = text.split_once('=').filter(|_| *action == Action::Swap)?;
            (swapped.trim().to_lowercase() == part.name.to_lowercase()).then(|| self.circuit.model(model.trim()))?
        });
        match (swapped, &part.element) {
            (Some(Model::Bjt(_, model)), _) => model.eg < GERMANIUM_BELOW_EV,
            (Some(Model::Diode(model)), _) => model.eg < GERMANIUM_BELOW_EV,
            (None, Element::Bjt(device)) => device.is_germanium(),
            (None, Element::Diode(device)) => device.is_germanium(),
            _ => false,
        }
    }

    pub(super) fn bad(&self, message: String) -> Diagnostic {
        let help = format!("write --{} {}", self.action.flag(), self.action.example());
        Diagnostic::error(Code::BadFlag, message).help(help)
    }
}
