//! Faults as data: which part, what is wrong with it, how bad it is; and what that does to the circuit.
//!
//! A fault is listed as [`FaultKind`]s times parts ([`kinds_for`], [`hypotheses`]), printed in a line ([`Fault::text`]),
//! saved (`serde`), and combined with other what-ifs through its [`Fault::changes`].

mod kind;
mod prior;

use std::collections::BTreeMap;

use crate::circuit::{Change, Circuit, Part};
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::element::{Element, Excess, Pin};
use crate::units::short;

pub use kind::{FaultKind, Key};
pub use prior::{Case, Prior, SeverityRange, UNIT_KF, hypotheses};

/// What is left of a connection that has come off, Ω.
pub const OPEN_OHMS: f64 = 1e12;
/// What two leads that touch are joined by, Ω.
pub const SHORT_OHMS: f64 = 1e-3;

/// Something wrong with a part.
///
/// ```
/// use hissmap::bench::{Fault, FaultKind};
/// let fault = Fault::new("Q2", FaultKind::JunctionLeak).with("icbo", 20e-6).with("x", 30.0);
/// # let netlist = hissmap::netlist::read("t", "t\nQ2 c b 0 m\nRC v c 1k\nRB v b 1meg\nV1 v 0 9\n.model m npn", &mut |_| Err(String::new())).0;
/// # let circuit = hissmap::circuit::Circuit::build(netlist.into()).unwrap().0;
/// let faulty = circuit.changed(&fault.changes(&circuit)?).unwrap();
/// # Ok::<(), hissmap::diagnostic::Diagnostic>(())
/// ```
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fault {
    /// The part.
    pub part: String,
    /// What is wrong with it.
    pub kind: FaultKind,
    /// How bad, by the names of [`FaultKind::keys`], in SI units (`uv_per_v` in µV/V). Without the first of them the fault is
    /// as bad as it typically is; what the others are without being given stands in their meanings.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub values: BTreeMap<String, f64>,
    /// Which pins, where the part has more than two and the fault is at some of them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pins: Vec<Pin>,
}

/// The kinds of fault a part may have.
pub fn kinds_for(element: &Element) -> impl Iterator<Item = FaultKind> + '_ {
    FaultKind::ALL.iter().copied().filter(|kind| kind.fits(element))
}

impl Fault {
    /// A fault that is as bad as it typically is, until told otherwise.
    pub fn new(part: &str, kind: FaultKind) -> Self {
        Self { part: part.to_owned(), kind, values: BTreeMap::new(), pins: Vec::new() }
    }

    /// With one of its numbers.
    #[must_use]
    pub fn with(mut self, key: &str, value: f64) -> Self {
        self.values.insert(key.to_owned(), value);
        self
    }

    /// At these pins.
    #[must_use]
    pub fn at(mut self, pins: &[Pin]) -> Self {
        self.pins = pins.to_vec();
        self
    }

    /// The fault with the part's name as first written, and nothing left open that has to be known.
    ///
    /// # Errors
    /// [`Code::UnknownPart`]; [`Code::UnfitPart`] for a kind that the part cannot have, naming those that it can;
    /// [`Code::BadFlag`] for a number that the kind does not take or for pins that are missing, [`Code::ValueOutOfRange`].
    pub fn checked(&self, circuit: &Circuit) -> Result<Fault, Diagnostic> {
        let part = circuit.part(circuit.find_part(&self.part)?);
        let Some(prior) = self.kind.prior(&part.element) else { return Err(unfit(self.kind, part)) };
        for (name, value) in &self.values {
            let Some(key) = self.kind.keys().iter().find(|key| key.name == name) else {
                return Err(unknown_key(self.kind, name));
            };
            if !key.range.contains(*value) {
                let message = format!("{name} of {} must be {}, not {value}", self.kind.name(), key.range.words());
                let help = format!("write {}", self.kind.example());
                return Err(Diagnostic::error(Code::ValueOutOfRange, message).help(help));
            }
        }
        let mut fault = Fault { part: part.name.clone(), pins: pins(self, part)?, ..self.clone() };
        if let Some(severity) = prior.ranges.first() {
            fault.values.entry(severity.key.to_owned()).or_insert_with(|| severity.at(Case::Typical.fraction()));
        }
        Ok(fault)
    }

    /// What it does to the circuit.
    ///
    /// # Errors
    /// As [`Fault::checked`].
    pub fn changes(&self, circuit: &Circuit) -> Result<Vec<Change>, Diagnostic> {
        let fault = self.checked(circuit)?;
        let part = fault.part.clone();
        let value = |key: &str| fault.values.get(key).copied();
        let ohms = value("ohm").unwrap_or_default();
        let factor = value("factor").unwrap_or(1.0);
        let excess = value("uv_per_v").map_or(Excess::None, excess_of);
        let collector_to_base = [Pin::Collector, Pin::Base];
        Ok(match (fault.kind, fault.pins.as_slice()) {
            (FaultKind::JunctionLeak, _) => vec![Change::Leak {
                part,
                amps: value("icbo").unwrap_or_default(),
                times: value("x"),
                corner_hz: value("corner"),
                doubling_celsius: None,
            }],
            (FaultKind::OhmicLeak, _) => vec![Change::Across { part, pins: collector_to_base, ohms, excess }],
            (FaultKind::Flicker, _) => vec![Change::Flicker { part, factor, unit_kf: UNIT_KF }],
            (FaultKind::LowBeta, _) => vec![Change::Beta { part, factor }],
            (FaultKind::CapLeaky, _) => vec![Change::Across { part, pins: [Pin::First, Pin::Second], ohms, excess }],
            (FaultKind::CapDried, _) => {
                let scale = Change::Scale { part: part.clone(), factor };
                let dry = Change::Series { part, pin: Pin::First, ohms, excess: Excess::None };
                [scale].into_iter().chain((ohms > 0.0).then_some(dry)).collect()
            }
            (FaultKind::ResistorNoisy, _) => vec![Change::Excess { part, excess }],
            (FaultKind::ValueLow | FaultKind::ValueHigh, _) => vec![Change::Scale { part, factor }],
            (FaultKind::Open, pins) => {
                let open = |&pin| Change::Series { part: part.clone(), pin, ohms: OPEN_OHMS, excess: Excess::None };
                pins.iter().map(open).collect()
            }
            (FaultKind::Short, &[a, b]) => {
                vec![Change::Across { part, pins: [a, b], ohms: SHORT_OHMS, excess: Excess::None }]
            }
            (FaultKind::Contact, pins) => {
                pins.iter().map(|&pin| Change::Series { part: part.clone(), pin, ohms, excess }).collect()
            }
            (FaultKind::Short, _) => Vec::new(),
        })
    }

    /// The fault in a line: `Q2 junction_leak: icbo 20 µA, x 300`, `Q2 open: base`.
    pub fn text(&self) -> String {
        // Of a part with two leads the first one, or both, need no saying.
        let plain =
            matches!(self.pins[..], [Pin::First | Pin::Anode] | [Pin::First, Pin::Second] | [Pin::Anode, Pin::Cathode]);
        let said = if plain { &[] } else { &self.pins[..] };
        let pins: Vec<&str> = said.iter().map(|pin| pin.name()).collect();
        let shown = |key: &Key| Some(format!("{} {}", key.name, amount(*self.values.get(key.name)?, key.unit)));
        let values = self.kind.keys().iter().filter_map(shown);
        let details: Vec<String> = (!pins.is_empty()).then(|| pins.join("-")).into_iter().chain(values).collect();
        let colon = if details.is_empty() { "" } else { ": " };
        format!("{} {}{colon}{}", self.part, self.kind.name(), details.join(", "))
    }
}

/// Excess noise of µV per volt and decade.
fn excess_of(microvolts_per_volt: f64) -> Excess {
    if microvolts_per_volt > 0.0 { Excess::Index(20.0 * microvolts_per_volt.log10()) } else { Excess::None }
}

/// A number with a scale letter where its unit takes one.
fn amount(value: f64, unit: &str) -> String {
    match unit {
        "" => plain(value),
        "µV/V" => format!("{} µV/V", plain(value)),
        unit => short(value, unit),
    }
}

/// A pure number as short as its six leading digits allow.
fn plain(value: f64) -> String {
    let rounded: f64 = format!("{value:.5e}").parse().unwrap_or(value);
    if rounded == 0.0 || (1e-4..1e7).contains(&rounded.abs()) { rounded.to_string() } else { format!("{rounded:e}") }
}

/// The pins a fault is at, all of them said or none to be said.
fn pins(fault: &Fault, part: &Part) -> Result<Vec<Pin>, Diagnostic> {
    let (kind, own, wanted) = (fault.kind, part.element.pins(), fault.kind.pins());
    let bad = |message: String| {
        let names: Vec<&str> = own.iter().map(|pin| pin.name()).collect();
        let example = match (wanted, own) {
            (1, [first, ..]) => format!("{}={},pin={}", part.name, kind.name(), first.name()),
            (2, [first, .., last]) => format!("{}={},pins={}-{}", part.name, kind.name(), first.name(), last.name()),
            _ => format!("{}={}", part.name, kind.name()),
        };
        let help = match wanted {
            0 => format!("write {example}"),
            _ => format!("its pins are {}: {example}", names.join(", ")),
        };
        Err(Diagnostic::error(Code::BadFlag, message).help(help))
    };
    if let Some(pin) = fault.pins.iter().find(|pin| !own.contains(pin)) {
        return bad(format!("{} has no {}", part.name, pin.name()));
    }
    match (wanted, fault.pins.as_slice()) {
        (0, []) => Ok(Vec::new()),
        (0, _) => bad(format!("{} takes no pin", kind.name())),
        (1, []) if own.len() == 2 => Ok(own[..1].to_vec()),
        (2, []) if own.len() == 2 => Ok(own.to_vec()),
        (1, []) => bad(format!("{} needs the pin that it is at", kind.name())),
        (2, []) => bad(format!("{} needs the two pins that it joins", kind.name())),
        (2, [a, b]) if a == b => bad(format!("{} needs two different pins", kind.name())),
        (wanted, pins) if pins.len() == wanted => Ok(pins.to_vec()),
        (wanted, pins) => {
            bad(format!("{} is at {wanted} pin{}, not {}", kind.name(), if wanted == 1 { "" } else { "s" }, pins.len()))
        }
    }
}

fn unfit(kind: FaultKind, part: &Part) -> Diagnostic {
    let message =
        format!("{} is {}, and {} is a fault of {}", part.name, part.element.words(), kind.name(), kind.parts());
    let fitting: Vec<&str> = kinds_for(&part.element).map(FaultKind::name).collect();
    let help = if fitting.is_empty() {
        format!("no fault fits {}", part.name)
    } else {
        format!("faults of {} are {}", part.name, fitting.join(", "))
    };
    Diagnostic::error(Code::UnfitPart, message).help(help)
}

fn unknown_key(kind: FaultKind, name: &str) -> Diagnostic {
    let known: Vec<&str> = kind.keys().iter().map(|key| key.name).collect();
    let error = Diagnostic::error(Code::BadFlag, format!("{} takes no {name}", kind.name()));
    match (nearest(name, known.iter().copied()), known.is_empty()) {
        (Some(near), _) => error.help(format!("try {near}=")),
        (None, true) => error.help(format!("write {}", kind.example())),
        (None, false) => error.help(format!("it takes {}: {}", known.join(", "), kind.example())),
    }
}
