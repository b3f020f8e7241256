//! The text of a fault: `Q2=junction_leak,icbo=20uA,x=30`, `Q2=open,pin=base`, `Q2=short,pins=collector-emitter`.

use super::reading::Reader;
use crate::bench::fault::{Fault, FaultKind, kinds_for};
use crate::bench::whatif::{Action, Temperatures};
use crate::circuit::{Circuit, Part};
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::element::Pin;

impl Fault {
    /// Reads `Q2=junction_leak,icbo=20uA`: what is not said is as bad as it typically is.
    ///
    /// # Errors
    /// As [`Fault::checked`], or a text of another form.
    pub fn read(circuit: &Circuit, text: &str) -> Result<Fault, Diagnostic> {
        let (temperatures, action) = (Temperatures::default(), Action::Fault);
        let mut warnings = Vec::new();
        Reader { circuit, temperatures: &temperatures, asked: &[], action, warnings: &mut warnings }.fault(text)
    }
}

impl Reader<'_> {
    /// Reads a fault and settles what the text leaves open.
    pub(super) fn fault(&mut self, text: &str) -> Result<Fault, Diagnostic> {
        let (part, rest) = self.sides(text)?;
        let part = self.part(part)?.clone();
        let mut fields = rest.split(',').map(str::trim);
        let kind = kind(fields.next().unwrap_or_default(), &part)?;
        let mut fault = Fault::new(&part.name, kind);
        for field in fields {
            let Some((name, value)) = field.split_once('=').map(|(name, value)| (name.trim(), value.trim())) else {
                let error = self.bad(format!("{field} says no number"));
                return Err(error.help(format!("write --fault {}", kind.example())));
            };
            let name = name.to_lowercase();
            match name.as_str() {
                "pin" | "pins" => fault.pins = pins(value, &part, kind)?,
                _ => {
                    let key = kind.keys().iter().find(|key| key.name == name);
                    // µV per volt is a pure number of its own scale: 10uV would be a slip.
                    let unit = key.map(|key| if key.unit == "µV/V" { "" } else { key.unit });
                    fault = fault.with(&name, self.number(value, unit)?);
                }
            }
        }
        fault.checked(self.circuit)
    }
}

fn kind(word: &str, part: &Part) -> Result<FaultKind, Diagnostic> {
    FaultKind::named(word).ok_or_else(|| {
        let fitting: Vec<&str> = kinds_for(&part.element).map(FaultKind::name).collect();
        let error = Diagnostic::error(Code::BadFlag, format!("{word} is no kind of fault"));
        match nearest(word, FaultKind::ALL.iter().map(|kind| kind.name())) {
            Some(near) => error.help(format!("try {near}")),
            None => error.help(format!("faults of {} are {}", part.name, fitting.join(", "))),
        }
    })
}

/// `base`, `b`, `collector-emitter`, `c-e`, `ce`.
fn pins(text: &str, part: &Part, kind: FaultKind) -> Result<Vec<Pin>, Diagnostic> {
    let named = |word: &str| Pin::named(word.trim(), &part.element);
    if let Some(pins) = text.split('-').map(named).collect() {
        return Ok(pins);
    }
    let letters: Option<Vec<Pin>> = text.char_indices().map(|(at, c)| named(&text[at..at + c.len_utf8()])).collect();
    letters.ok_or_else(|| {
        let names: Vec<&str> = part.element.pins().iter().map(|pin| pin.name()).collect();
        let error = Diagnostic::error(Code::BadFlag, format!("{} has no pin {text}", part.name));
        error.help(format!("its pins are {}; write --fault {}", names.join(", "), kind.example()))
    })
}
