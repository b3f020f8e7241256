//! The statements of a netlist as data.

use super::expression::Expression;
use crate::diagnostic::{Sources, Span};

/// A word as written, with its place. Names compare without regard to case: see [`Word::key`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Word {
    /// As first written.
    pub text: String,
    /// Where it stands.
    pub span: Span,
}

impl Word {
    /// The form in which names are compared: lower case.
    pub fn key(&self) -> String {
        self.text.to_lowercase()
    }
}

/// A value as written: a number, or an expression in braces.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A number with its scale applied.
    Number(f64, Span),
    /// `{…}`, computed once the parameters are known.
    Expression(Expression, Span),
}

impl Value {
    /// Where it stands.
    pub fn span(&self) -> Span {
        match self {
            Value::Number(_, span) | Value::Expression(_, span) => *span,
        }
    }
}

/// `name=value`.
#[derive(Clone, Debug, PartialEq)]
pub struct Assignment {
    /// Left of the equals sign.
    pub name: Word,
    /// Right of it.
    pub value: Value,
}

/// One element card.
#[derive(Clone, Debug, PartialEq)]
pub struct Card {
    /// Name with its letter: `Q1`, `XA`.
    pub name: Word,
    /// Nodes in the order of the card. For `E G` all four; for `K` none.
    pub nodes: Vec<Word>,
    /// What follows the nodes.
    pub body: Body,
    /// `name=value` pairs, in order of writing. Whether a name fits the element is judged by `circuit`.
    pub parameters: Vec<Assignment>,
    /// The whole statement; it begins on the statement's first physical line.
    pub span: Span,
}

/// What an element card says after its nodes.
#[derive(Clone, Debug, PartialEq)]
pub enum Body {
    /// `R n1 n2 value`
    Resistor(Value),
    /// `C n1 n2 value`
    Capacitor(Value),
    /// `L n1 n2 value`
    Inductor(Value),
    /// `K L1 L2 … value`: names of the windings and the coupling.
    Coupling(Vec<Word>, Value),
    /// `V n+ n- [DC] value AC magnitude phase`
    VoltageSource(SourceValues),
    /// `I n+ n- [DC] value AC magnitude phase`
    CurrentSource(SourceValues),
    /// `E n+ n- nc+ nc- gain`: voltage from voltage.
    VoltageByVoltage(Value),
    /// `G n+ n- nc+ nc- siemens`: current from voltage.
    CurrentByVoltage(Value),
    /// `F n+ n- Vname gain`: current from the current through a voltage source.
    CurrentByCurrent(Word, Value),
    /// `H n+ n- Vname ohms`: voltage from the current through a voltage source.
    VoltageByCurrent(Word, Value),
    /// `D anode cathode model [area]`
    Diode(Word, Option<Value>),
    /// `Q collector base emitter model [area]`
    Bjt(Word, Option<Value>),
    /// `J drain gate source model [area]`
    Jfet(Word, Option<Value>),
    /// `X nodes… name a=1`
    Call(Word),
}

/// What a source card gives. Absent parts are `None`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SourceValues {
    /// Volts or amperes at rest.
    pub dc: Option<Value>,
    /// Magnitude of the stimulus; a bare `AC` stands for 1.
    pub ac_magnitude: Option<Value>,
    /// Phase of the stimulus in degrees.
    pub ac_phase_degrees: Option<Value>,
}

/// `.model name type (a=1 b=2)`
#[derive(Clone, Debug, PartialEq)]
pub struct ModelCard {
    /// Its name.
    pub name: Word,
    /// `NPN`, `PNP`, `D`, `NJF`, `PJF`.
    pub kind: ModelKind,
    /// Parameters in order of writing. Names are judged by `circuit` against the element's table.
    pub parameters: Vec<Assignment>,
    /// The whole statement.
    pub span: Span,
}

/// Type of a model.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ModelKind {
    /// NPN bipolar transistor.
    Npn,
    /// PNP bipolar transistor.
    Pnp,
    /// Diode.
    Diode,
    /// N-channel junction field-effect transistor.
    Njf,
    /// P-channel junction field-effect transistor.
    Pjf,
}

impl ModelKind {
    /// Every one.
    pub const ALL: [ModelKind; 5] = [ModelKind::Npn, ModelKind::Pnp, ModelKind::Diode, ModelKind::Njf, ModelKind::Pjf];

    /// As it is written: `NPN`.
    pub fn word(self) -> &'static str {
        match self {
            ModelKind::Npn => "NPN",
            ModelKind::Pnp => "PNP",
            ModelKind::Diode => "D",
            ModelKind::Njf => "NJF",
            ModelKind::Pjf => "PJF",
        }
    }
}

/// What stands on one level of a netlist: the top, or inside a sub-circuit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Scope {
    /// `.param` assignments in order of writing.
    pub parameters: Vec<Assignment>,
    /// Element cards in order of writing.
    pub cards: Vec<Card>,
    /// Models defined here.
    pub models: Vec<ModelCard>,
    /// Sub-circuits defined here.
    pub subcircuits: Vec<Subcircuit>,
}

/// `.subckt name nodes… PARAMS: a=1` up to `.ends`.
#[derive(Clone, Debug, PartialEq)]
pub struct Subcircuit {
    /// Its name.
    pub name: Word,
    /// Its connections in order.
    pub ports: Vec<Word>,
    /// Declared parameters with their default values.
    pub defaults: Vec<Assignment>,
    /// What stands inside.
    pub body: Scope,
    /// The `.subckt` statement.
    pub span: Span,
}

/// `.noise v(out[,ref]) SOURCE dec N f1 f2`
#[derive(Clone, Debug, PartialEq)]
pub struct NoiseStatement {
    /// Observed node.
    pub output: Word,
    /// Node it is measured against, if not ground.
    pub reference: Option<Word>,
    /// Input source.
    pub source: Word,
    /// Plot points.
    pub sweep: Sweep,
    /// The whole statement.
    pub span: Span,
}

/// `.ac dec|oct|lin N f1 f2`
#[derive(Clone, Debug, PartialEq)]
pub struct AcStatement {
    /// Plot points.
    pub sweep: Sweep,
    /// The whole statement.
    pub span: Span,
}

/// How plot points are spread over a band.
#[derive(Clone, Debug, PartialEq)]
pub struct Sweep {
    /// Spacing.
    pub spacing: Spacing,
    /// Points per decade, per octave, or in all.
    pub points: Value,
    /// Lower end, hertz.
    pub from_hz: Value,
    /// Upper end, hertz.
    pub to_hz: Value,
}

/// Spacing of plot points.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spacing {
    /// Points per decade.
    Decade,
    /// Points per octave.
    Octave,
    /// Points in all, evenly spaced.
    Linear,
}

/// A whole netlist as written.
#[derive(Clone, Debug, Default)]
pub struct Netlist {
    /// The first line.
    pub title: String,
    /// The outermost level.
    pub top: Scope,
    /// `.temp` in degrees Celsius: the last one holds.
    pub ambient_celsius: Option<Value>,
    /// `.noise`: the last one holds.
    pub noise: Option<NoiseStatement>,
    /// `.ac`: the last one holds.
    pub ac: Option<AcStatement>,
    /// The texts all spans point into.
    pub sources: Sources,
}
