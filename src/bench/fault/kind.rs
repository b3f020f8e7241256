//! Fault kinds: each declared once with its keys, what it fits, an example and what it means.

use crate::element::{Element, Range};

/// A number that a fault kind takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Key {
    /// Its word: `icbo`.
    pub name: &'static str,
    /// SI unit, empty for a pure number.
    pub unit: &'static str,
    /// Allowed values.
    pub range: Range,
    /// What it is.
    pub meaning: &'static str,
}

const ICBO: Key = key("icbo", "A", Range::NonNegative, "leakage at 25 °C, in place of the transistor's own");
const X: Key = key("x", "", Range::NonNegative, "its noise as a multiple of shot noise; the netlist's unless given");
const CORNER: Key = key("corner", "Hz", Range::NonNegative, "below this its noise rises; the netlist's unless given");
const OHM: Key = key("ohm", "Ω", Range::Positive, "the resistance");
const ESR: Key = key("ohm", "Ω", Range::NonNegative, "resistance in series, none unless given");
const UV: Key =
    key("uv_per_v", "µV/V", Range::NonNegative, "its excess noise per decade (IEC 60195), none unless given");
const NOISY: Key = key("uv_per_v", "µV/V", Range::NonNegative, "its excess noise per decade (IEC 60195)");
const FACTOR: Key = key("factor", "", Range::Positive, "the value over the healthy one");

const fn key(name: &'static str, unit: &'static str, range: Range, meaning: &'static str) -> Key {
    Key { name, unit, range, meaning }
}

/// Declares the kinds of fault: variant, name, parts it fits and their words, keys (the one that says how bad it is first),
/// quantity of that one in results, pins that have to be said of a part with more than two, example, meaning.
macro_rules! kinds {
    ($($variant:ident = $name:literal, $fits:pat, $parts:literal, [$($key:ident),*], $quantity:expr, $pins:literal,
       $example:literal, $meaning:literal;)*) => {
        /// A kind of fault.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
        #[serde(rename_all = "snake_case")]
        #[non_exhaustive]
        pub enum FaultKind { $(#[doc = $meaning] $variant,)* }

        impl FaultKind {
            /// Every kind.
            pub const ALL: &'static [FaultKind] = &[$(FaultKind::$variant,)*];

            /// The kind of a word, without regard to case.
            pub fn named(word: &str) -> Option<FaultKind> {
                FaultKind::ALL.iter().copied().find(|kind| kind.name().eq_ignore_ascii_case(word))
            }

            /// Its word: `junction_leak`.
            pub fn name(self) -> &'static str {
                match self { $(FaultKind::$variant => $name,)* }
            }

            /// Whether a part can have it.
            pub fn fits(self, element: &Element) -> bool {
                match self { $(FaultKind::$variant => matches!(element, $fits),)* }
            }

            /// What can have it, in words: `a capacitor`.
            pub fn parts(self) -> &'static str {
                match self { $(FaultKind::$variant => $parts,)* }
            }

            /// The numbers it takes; the first says how bad it is. None for a fault that is there or not.
            pub fn keys(self) -> &'static [Key] {
                match self { $(FaultKind::$variant => &[$($key),*],)* }
            }

            /// What its severity is called in results: `icbo_a`, `ohm`, `factor`, `uv_per_v`.
            pub fn quantity(self) -> Option<&'static str> {
                match self { $(FaultKind::$variant => $quantity,)* }
            }

            /// How many pins it concerns: 1 for `pin=base`, 2 for `pins=collector-emitter`; a part of two leads needs none said.
            pub fn pins(self) -> usize {
                match self { $(FaultKind::$variant => $pins,)* }
            }

            /// A text that fits its form: `Q2=junction_leak,icbo=20uA`.
            pub fn example(self) -> &'static str {
                match self { $(FaultKind::$variant => $example,)* }
            }

            /// What it is, in a line.
            pub fn meaning(self) -> &'static str {
                match self { $(FaultKind::$variant => $meaning,)* }
            }
        }
    };
}

kinds! {
    JunctionLeak = "junction_leak", Element::Bjt(_), "a bipolar transistor", [ICBO, X, CORNER], Some("icbo_a"), 0,
        "Q2=junction_leak,icbo=20uA,x=30,corner=300",
        "Collector-base leakage over the surface of the junction; it follows temperature";
    OhmicLeak = "ohmic_leak", Element::Bjt(_), "a bipolar transistor", [OHM, UV], Some("ohm"), 0,
        "Q2=ohmic_leak,ohm=240k,uv_per_v=10",
        "A resistive leak from collector to base, of moisture or dirt; it does not follow temperature";
    Flicker = "flicker", Element::Diode(_) | Element::Bjt(_) | Element::Jfet(_), "a diode or transistor",
        [FACTOR], Some("factor"), 0,
        "Q2=flicker,factor=200",
        "1/f noise so many times that of a good device";
    LowBeta = "low_beta", Element::Bjt(_), "a bipolar transistor", [FACTOR], Some("factor"), 0,
        "Q2=low_beta,factor=0.2",
        "A transistor that has lost current gain";
    CapLeaky = "cap_leaky", Element::Capacitor(_), "a capacitor", [OHM, UV], Some("ohm"), 0,
        "C3=cap_leaky,ohm=47k,uv_per_v=10",
        "A capacitor that passes direct current";
    CapDried = "cap_dried", Element::Capacitor(_), "a capacitor", [FACTOR, ESR], Some("factor"), 0,
        "C3=cap_dried,factor=0.05,ohm=100",
        "An electrolytic dried out: a fraction of its capacitance, behind a resistance";
    ResistorNoisy = "resistor_noisy", Element::Resistor(_), "a resistor", [NOISY], Some("uv_per_v"), 0,
        "R5=resistor_noisy,uv_per_v=15",
        "A resistor whose excess noise has risen, in place of its own";
    ValueLow = "value_low", Element::Resistor(_) | Element::Capacitor(_) | Element::Inductor(_),
        "a resistor, capacitor or winding", [FACTOR], Some("factor"), 0,
        "R5=value_low,factor=0.2",
        "A part whose value has drifted down";
    ValueHigh = "value_high", Element::Resistor(_) | Element::Capacitor(_) | Element::Inductor(_),
        "a resistor, capacitor or winding", [FACTOR], Some("factor"), 0,
        "R5=value_high,factor=3.5",
        "A part whose value has drifted up";
    Open = "open",
        Element::Resistor(_) | Element::Capacitor(_) | Element::Inductor(_) | Element::Source(_) | Element::Diode(_)
            | Element::Bjt(_) | Element::Jfet(_),
        "a resistor, capacitor, winding, source, diode or transistor", [], None, 1,
        "Q2=open,pin=base",
        "A lead that has come off: 1 TΩ in series with it";
    Short = "short",
        Element::Resistor(_) | Element::Capacitor(_) | Element::Inductor(_) | Element::Diode(_) | Element::Bjt(_)
            | Element::Jfet(_),
        "a resistor, capacitor, winding, diode or transistor", [], None, 2,
        "Q2=short,pins=collector-emitter",
        "Two leads that touch, or a part broken through: 1 mΩ across them";
    Contact = "contact",
        Element::Resistor(_) | Element::Capacitor(_) | Element::Inductor(_) | Element::Source(_) | Element::Diode(_)
            | Element::Bjt(_) | Element::Jfet(_),
        "a resistor, capacitor, winding, source, diode or transistor", [OHM, UV], Some("ohm"), 1,
        "Q2=contact,pin=base,ohm=300,uv_per_v=100",
        "A bad contact: resistance with excess noise in series with a lead, at a socket, a joint, a worn control";
}
