//! Circuits without text: parts added one by one, the same circuit as of a netlist that says so.
//!
//! A builder writes the netlist that a person would type, with numbers to their last digit, and has it read and built: names,
//! defaults, checks and messages are those of the text, and no second way from values to a circuit can go another way.

use std::fmt::Write as _;
use std::sync::Arc;

use super::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::netlist::{self, ModelKind};

/// A value: a number in SI units, or an expression of parameters.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Amount {
    /// A number in SI units.
    Number(f64),
    /// An expression of parameters: `25k*volume+10`.
    Expression(String),
}

impl From<f64> for Amount {
    fn from(number: f64) -> Self {
        Self::Number(number)
    }
}

impl From<&str> for Amount {
    fn from(expression: &str) -> Self {
        Self::Expression(expression.to_owned())
    }
}

/// Adds parts to a circuit.
///
/// Names of parts begin with the letter of their kind, as in a netlist; node `0` is ground. Mistakes are kept and told by
/// [`Builder::build`], all at once.
///
/// ```
/// use hissmap::circuit::Builder;
/// use hissmap::netlist::ModelKind;
///
/// let mut stage = Builder::new("A common-emitter stage");
/// stage
///     .voltage("VCC", ["vcc", "0"], 9.0)
///     .voltage("VIN", ["src", "0"], 0.0).ac(1.0)
///     .resistor("RS", ["src", "in"], 1e3)
///     .capacitor("C1", ["in", "b"], 10e-6)
///     .resistor("R1", ["vcc", "b"], 82e3)
///     .resistor("R2", ["b", "0"], 15e3)
///     .transistor("Q1", ["c", "b", "e"], "SMALL").with("ICBO", 5e-6)
///     .resistor("RC", ["vcc", "c"], 4.7e3)
///     .resistor("RE", ["e", "0"], 1e3)
///     .model("SMALL", ModelKind::Npn, &[("IS", 2e-6), ("BF", 60.0), ("EG", 0.67), ("RB", 100.0)])
///     .noise("c", "VIN", [20.0, 20e3]);
/// let (circuit, warnings) = stage.build().map_err(|errors| format!("{errors:?}"))?;
/// assert!(warnings.is_empty());
/// assert_eq!(circuit.parts().len(), 9);
/// # Ok::<(), String>(())
/// ```
#[derive(Clone, Debug, Default)]
pub struct Builder {
    title: String,
    cards: Vec<String>,
    problems: Vec<Diagnostic>,
}

impl Builder {
    /// A circuit of a title, without parts.
    pub fn new(title: &str) -> Self {
        let title = title.replace(|c: char| c.is_control(), " ");
        Self { title, cards: Vec::new(), problems: Vec::new() }
    }

    /// A resistor, Ω.
    pub fn resistor(&mut self, name: &str, nodes: [&str; 2], ohms: impl Into<Amount>) -> &mut Self {
        self.part('R', name, &nodes, Some(ohms.into()))
    }

    /// A capacitor, F.
    pub fn capacitor(&mut self, name: &str, nodes: [&str; 2], farads: impl Into<Amount>) -> &mut Self {
        self.part('C', name, &nodes, Some(farads.into()))
    }

    /// A winding, H.
    pub fn inductor(&mut self, name: &str, nodes: [&str; 2], henries: impl Into<Amount>) -> &mut Self {
        self.part('L', name, &nodes, Some(henries.into()))
    }

    /// Two windings coupled, 0 to 1.
    pub fn coupling(&mut self, name: &str, windings: [&str; 2], coupling: impl Into<Amount>) -> &mut Self {
        self.part('K', name, &windings, Some(coupling.into()))
    }

    /// A voltage source: its plus and minus node, DC volts.
    pub fn voltage(&mut self, name: &str, nodes: [&str; 2], volts: impl Into<Amount>) -> &mut Self {
        self.part('V', name, &nodes, Some(volts.into()))
    }

    /// A current source: DC amperes from its first node through itself to the second.
    pub fn current(&mut self, name: &str, nodes: [&str; 2], amps: impl Into<Amount>) -> &mut Self {
        self.part('I', name, &nodes, Some(amps.into()))
    }

    /// A source controlled by the volts between two nodes: `E` of volts (gain in V/V), `G` of current (A/V).
    pub fn controlled_by_volts(
        &mut self,
        name: &str,
        nodes: [&str; 2],
        control: [&str; 2],
        gain: impl Into<Amount>,
    ) -> &mut Self {
        let letter = if name.starts_with(['g', 'G']) { 'G' } else { 'E' };
        self.part(letter, name, &[nodes[0], nodes[1], control[0], control[1]], Some(gain.into()))
    }

    /// A source controlled by the current through a voltage source: `F` of current (gain in A/A), `H` of volts (V/A).
    pub fn controlled_by_current(
        &mut self,
        name: &str,
        nodes: [&str; 2],
        source: &str,
        gain: impl Into<Amount>,
    ) -> &mut Self {
        let letter = if name.starts_with(['h', 'H']) { 'H' } else { 'F' };
        self.part(letter, name, &[nodes[0], nodes[1], source], Some(gain.into()))
    }

    /// A diode of a model: anode and cathode.
    pub fn diode(&mut self, name: &str, nodes: [&str; 2], model: &str) -> &mut Self {
        self.part('D', name, &[nodes[0], nodes[1], model], None)
    }

    /// A bipolar transistor of a model: collector, base, emitter.
    pub fn transistor(&mut self, name: &str, nodes: [&str; 3], model: &str) -> &mut Self {
        self.part('Q', name, &[nodes[0], nodes[1], nodes[2], model], None)
    }

    /// A junction field-effect transistor of a model: drain, gate, source.
    pub fn field_effect(&mut self, name: &str, nodes: [&str; 3], model: &str) -> &mut Self {
        self.part('J', name, &[nodes[0], nodes[1], nodes[2], model], None)
    }

    /// A figure of the part added last, as behind its card: `NI` in dB of a resistor, `POL` of a capacitor, `ICBO` of a
    /// transistor.
    pub fn with(&mut self, key: &str, value: impl Into<Amount>) -> &mut Self {
        let text = format!(" {}={}", self.word(key), self.amount(value.into()));
        self.behind(&text, "with")
    }

    /// The signal of the source added last: its magnitude, V or A.
    pub fn ac(&mut self, magnitude: impl Into<Amount>) -> &mut Self {
        let text = format!(" AC {}", self.amount(magnitude.into()));
        self.behind(&text, "ac")
    }

    /// A model card.
    pub fn model(&mut self, name: &str, kind: ModelKind, figures: &[(&str, f64)]) -> &mut Self {
        let mut card = format!(".model {} {} (", self.word(name), kind.word());
        for (key, value) in figures {
            let _ = write!(card, "{}={} ", self.word(key), self.amount(Amount::Number(*value)));
        }
        self.cards.push(card + ")");
        self
    }

    /// A parameter that expressions use: a control.
    pub fn parameter(&mut self, name: &str, value: impl Into<Amount>) -> &mut Self {
        let card = format!(".param {}={}", self.word(name), self.amount(value.into()));
        self.cards.push(card);
        self
    }

    /// The temperature inside the set, °C; 27 unless given.
    pub fn ambient(&mut self, celsius: f64) -> &mut Self {
        let card = format!(".temp {}", self.amount(Amount::Number(celsius)));
        self.cards.push(card);
        self
    }

    /// Where the hiss is heard, the source the signal comes from, the band in Hz; 20 plot points a decade.
    pub fn noise(&mut self, output: &str, source: &str, band_hz: [f64; 2]) -> &mut Self {
        let [low, high] = band_hz.map(|hertz| self.amount(Amount::Number(hertz)));
        let card = format!(".noise v({}) {} dec 20 {low} {high}", self.word(output), self.word(source));
        self.cards.push(card);
        self
    }

    /// The netlist that says the same.
    pub fn netlist(&self) -> String {
        let cards: String = self.cards.iter().map(|card| format!("{card}\n")).collect();
        format!("{}\n{cards}", self.title)
    }

    /// The circuit, with warnings. Messages point into [`Builder::netlist`].
    ///
    /// # Errors
    /// All that is wrong: names that are no words, and whatever would be wrong with the netlist.
    pub fn build(&self) -> Result<(Circuit, Vec<Diagnostic>), Vec<Diagnostic>> {
        if !self.problems.is_empty() {
            return Err(self.problems.clone());
        }
        let (netlist, mut messages) = netlist::read("builder", &self.netlist(), &mut |request| {
            Err(format!("a builder includes nothing, and not {}", request.path))
        });
        if messages.iter().any(Diagnostic::is_error) {
            return Err(messages);
        }
        let (circuit, warnings) = Circuit::build(Arc::new(netlist))?;
        messages.extend(warnings);
        Ok((circuit, messages))
    }

    fn part(&mut self, letter: char, name: &str, fields: &[&str], value: Option<Amount>) -> &mut Self {
        if !name.starts_with([letter, letter.to_ascii_lowercase()]) {
            let error = Diagnostic::error(Code::UnknownElement, format!("{name:?} does not begin with {letter}"));
            self.problems.push(error.help(format!("call it {letter}{name}")));
        }
        let mut card = self.word(name);
        for field in fields {
            let _ = write!(card, " {}", self.word(field));
        }
        if let Some(value) = value {
            let _ = write!(card, " {}", self.amount(value));
        }
        self.cards.push(card);
        self
    }

    fn behind(&mut self, text: &str, what: &str) -> &mut Self {
        match self.cards.last_mut().filter(|card| !card.starts_with('.')) {
            Some(card) => *card += text,
            None => {
                let error = Diagnostic::error(Code::FieldCount, format!("{what} stands behind no part"));
                self.problems.push(error.help("add the part first"));
            }
        }
        self
    }

    /// A name as it is, if it is one word.
    fn word(&mut self, word: &str) -> String {
        let splits = |c: char| c.is_whitespace() || c.is_control() || "={}(),;'\"".contains(c);
        if word.is_empty() || word.contains(splits) {
            let error = Diagnostic::error(Code::BadCharacter, format!("{word:?} is no name"));
            self.problems.push(error.help("name it with letters, digits, _, . or -"));
        }
        word.to_owned()
    }

    fn amount(&mut self, amount: Amount) -> String {
        match amount {
            Amount::Number(number) if number.is_finite() => format!("{number:e}"),
            Amount::Number(number) => {
                let error = Diagnostic::error(Code::BadNumber, format!("{number} is no value of a part"));
                self.problems.push(error.help("give a number"));
                "0".to_owned()
            }
            Amount::Expression(text) => {
                if text.contains(|c: char| c.is_control() || "{};".contains(c)) {
                    let error = Diagnostic::error(Code::BadExpression, format!("{text:?} is no expression"));
                    self.problems.push(error.help("write one such as 25k*volume+10"));
                }
                format!("{{{text}}}")
            }
        }
    }
}
