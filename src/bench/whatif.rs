//! What-ifs: the text of a flag to a change of the circuit, and a change to a line of text.

mod fault;
mod reading;
mod text;

use crate::circuit::{Change, Circuit};
use crate::diagnostic::Diagnostic;
use reading::Reader;

/// Declares the kinds of what-if once: variant, flag, form of its text, an example, what it does.
macro_rules! actions {
    ($($variant:ident = $flag:literal, $form:literal, $example:literal, $meaning:literal;)*) => {
        /// A kind of what-if.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
        #[serde(rename_all = "snake_case")]
        #[non_exhaustive]
        pub enum Action { $(#[doc = $meaning] $variant,)* }

        impl Action {
            /// Every kind.
            pub const ALL: &'static [Action] = &[$(Action::$variant,)*];

            /// Its word, which is also the name of its flag.
            pub fn flag(self) -> &'static str {
                match self { $(Action::$variant => $flag,)* }
            }

            /// The form of its text: `PART=VALUE`.
            pub fn form(self) -> &'static str {
                match self { $(Action::$variant => $form,)* }
            }

            /// A text that fits its form.
            pub fn example(self) -> &'static str {
                match self { $(Action::$variant => $example,)* }
            }

            /// What it does, in a line.
            pub fn meaning(self) -> &'static str {
                match self { $(Action::$variant => $meaning,)* }
            }
        }
    };
}

actions! {
    Set = "set", "PARAM=VALUE", "vol=0.3", "Another value for a .param of the netlist";
    Leak = "leak", "Q=AMPS[,x=..][,corner=HZ][,double=CELSIUS]", "Q2=20uA,x=300,corner=1k",
        "Collector-base leakage at 25 °C in place of a transistor's own; x times as noisy as shot noise, more below the corner";
    Freeze = "freeze", "PART", "Q2", "Freeze spray on a transistor, diode or resistor: -30 °C";
    Cool = "cool", "PART", "Q2", "A cooled part: 2.5 °C";
    Finger = "finger", "PART", "Q2", "A finger on a part: 33 °C";
    Heat = "heat", "PART", "Q2", "Warm air on a part: 45 °C for germanium, 60 °C for others";
    Temp = "temp", "PART=CELSIUS", "Q2=-30", "A part's own temperature, °C";
    Value = "value", "PART=VALUE", "C3=1u", "Another value for a resistor, capacitor, inductor or source (Ω, F, H, V, A)";
    Bridge = "bridge", "NODE,NODE=OHMS[,x=..][,corner=HZ][,ni=DB]", "b2,c2=100k",
        "A leaky path between two nodes; x times as noisy as shot noise, or with a resistor's noise index in dB";
    Fault = "fault", "PART=KIND[,key=value..]", "Q2=junction_leak,icbo=20uA,x=30",
        "A part gone bad; kinds are junction_leak, ohmic_leak, flicker, low_beta, cap_leaky, cap_dried, resistor_noisy, \
         value_low, value_high, open, short, contact";
    Lift = "lift", "PART", "C3", "The part taken out";
    Swap = "swap", "PART=MODEL", "Q2=NS2A", "Another model of the netlist for a transistor or diode";
    Ambient = "ambient", "CELSIUS", "35", "Temperature inside the set, °C";
}

/// Temperatures that the things at hand bring a part to, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Temperatures {
    /// Freeze spray.
    pub freeze_celsius: f64,
    /// A cold pack.
    pub cool_celsius: f64,
    /// A finger.
    pub finger_celsius: f64,
    /// Warm air, for germanium.
    pub heat_germanium_celsius: f64,
    /// Warm air, for everything else.
    pub heat_silicon_celsius: f64,
}

impl Default for Temperatures {
    fn default() -> Self {
        Self {
            freeze_celsius: -30.0,
            cool_celsius: 2.5,
            finger_celsius: 33.0,
            heat_germanium_celsius: 45.0,
            heat_silicon_celsius: 60.0,
        }
    }
}

/// A what-if that was read: what was asked for, and what it changes. It can be saved and read again.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct WhatIf {
    /// What was asked for.
    pub action: Action,
    /// What it does to the circuit.
    pub changes: Vec<Change>,
    /// The same in a line: `leak Q2 20 µA ×300, corner 1 kHz`.
    pub text: String,
}

impl WhatIf {
    /// Whether somebody has to reach into the set for it.
    pub fn is_touch(&self) -> bool {
        self.changes.iter().any(|change| matches!(change, Change::Temperature { .. }))
    }

    /// Whether two what-ifs are about the same thing, so that only one can hold.
    fn rivals(&self, other: &Self) -> bool {
        self.changes.iter().any(|own| other.changes.iter().any(|others| are_rivals(own, others)))
    }
}

/// Whether two changes are about the same thing.
fn are_rivals(one: &Change, other: &Change) -> bool {
    let same = |a: &str, b: &str| a.to_lowercase() == b.to_lowercase();
    match (one, other) {
        (Change::Parameter { name: a, .. }, Change::Parameter { name: b, .. })
        | (Change::Swap { part: a, .. }, Change::Swap { part: b, .. })
        | (Change::Value { part: a, .. }, Change::Value { part: b, .. })
        | (Change::Scale { part: a, .. }, Change::Scale { part: b, .. })
        | (Change::Excess { part: a, .. }, Change::Excess { part: b, .. })
        | (Change::Flicker { part: a, .. }, Change::Flicker { part: b, .. })
        | (Change::Beta { part: a, .. }, Change::Beta { part: b, .. })
        | (Change::Lift { part: a, .. }, Change::Lift { part: b, .. })
        | (Change::Leak { part: a, .. }, Change::Leak { part: b, .. })
        | (Change::Temperature { part: a, .. }, Change::Temperature { part: b, .. }) => same(a, b),
        (Change::Series { part: a, pin: p, .. }, Change::Series { part: b, pin: q, .. }) => same(a, b) && p == q,
        (Change::Across { part: a, pins: [p, q], .. }, Change::Across { part: b, pins: [r, s], .. }) => {
            same(a, b) && (p == r && q == s || p == s && q == r)
        }
        (Change::Bridge { nodes: [a, b], .. }, Change::Bridge { nodes: [c, d], .. }) => {
            same(a, c) && same(b, d) || same(a, d) && same(b, c)
        }
        (Change::Ambient { .. }, Change::Ambient { .. }) => true,
        (Change::Shunt { node: a, .. }, Change::Shunt { node: b, .. }) => same(a, b),
        _ => false,
    }
}

/// Reads what-ifs in the order of asking. Where two are about the same thing, the later one holds.
///
/// Returns them with warnings about numbers that may not mean what was intended.
///
/// # Errors
/// Every text that cannot be read, each naming its flag; [`Code::UnknownPart`], [`Code::UnknownNode`],
/// [`Code::UnfitPart`] or [`Code::BadFlag`].
///
/// [`Code::UnknownPart`]: crate::diagnostic::Code::UnknownPart
/// [`Code::UnknownNode`]: crate::diagnostic::Code::UnknownNode
/// [`Code::UnfitPart`]: crate::diagnostic::Code::UnfitPart
/// [`Code::BadFlag`]: crate::diagnostic::Code::BadFlag
pub fn what_ifs(
    circuit: &Circuit,
    temperatures: &Temperatures,
    asked: &[(Action, String)],
) -> Result<(Vec<WhatIf>, Vec<Diagnostic>), Vec<Diagnostic>> {
    let mut read: Vec<WhatIf> = Vec::new();
    let mut warnings = Vec::new();
    let mut errors = Vec::new();
    for (action, text) in asked {
        let mut reader = Reader { circuit, temperatures, asked, action: *action, warnings: &mut warnings };
        match reader.what_if(text) {
            Ok(new) => {
                read.retain(|earlier| !earlier.rivals(&new));
                read.push(new);
            }
            Err(error) => {
                let message = format!("--{} {text}: {}", action.flag(), error.message);
                errors.push(Diagnostic { message, ..error });
            }
        }
    }
    if errors.is_empty() { Ok((read, warnings)) } else { Err(errors) }
}
