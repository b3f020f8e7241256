//! A what-if: one change to a circuit. Values keep the structure of the equations; a swap may add or take inner nodes, and
//! a temperature of its own ends self-heating. Parts that are added (a bridge, and see `inserted.rs`) come last; a part that
//! is taken out moves those behind it up by one.

use indexmap::IndexMap;

use super::{Model, Part, inserted, node_id, node_key};
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::element::{BjtModel, Element, Excess, Pin, Polarity, Range};
use crate::mna::NodeId;
use crate::physics::{Kelvin, ZERO_CELSIUS};

/// One change. Temperatures are in degrees Celsius, everything else in SI units.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(tag = "change", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Change {
    /// Another value for a `.param` of the outermost level.
    Parameter {
        /// Its name.
        name: String,
        /// Its value.
        value: f64,
    },
    /// Another model for a diode or transistor; what the card says about the individual device goes with it.
    Swap {
        /// The device.
        part: String,
        /// A model of the outermost level.
        model: String,
    },
    /// Two pins of a diode or transistor the other way round, as a slip in drawing or typing has them.
    Exchange {
        /// The device.
        part: String,
        /// Two of its pins.
        pins: [Pin; 2],
    },
    /// A transistor of the other polarity with the same figures: NPN for PNP, P-channel for N-channel.
    Mirror {
        /// The transistor.
        part: String,
    },
    /// Another value for a resistor, capacitor, inductor or source (its DC value, or a controlled source's gain).
    Value {
        /// The part.
        part: String,
        /// Its value.
        value: f64,
    },
    /// The value of a resistor, capacitor, inductor or source times a factor, whatever value holds.
    Scale {
        /// The part.
        part: String,
        /// Above zero.
        factor: f64,
    },
    /// Another excess noise of a resistor in place of its own.
    Excess {
        /// The resistor.
        part: String,
        /// Its noise beyond thermal.
        excess: Excess,
    },
    /// More 1/f noise of a diode or transistor.
    Flicker {
        /// The device.
        part: String,
        /// Factor on its KF, above zero.
        factor: f64,
        /// What stands for the KF of a model that gives none, with AF 1.
        unit_kf: f64,
    },
    /// Another current gain of a transistor.
    Beta {
        /// The transistor.
        part: String,
        /// Factor on its BF, above zero.
        factor: f64,
    },
    /// A resistance between a pin and what it is connected to: a bad contact, a cracked joint, an electrolyte dried out.
    Series {
        /// The part.
        part: String,
        /// Which of its pins.
        pin: Pin,
        /// The resistance, Ω.
        ohms: f64,
        /// Its noise beyond thermal.
        excess: Excess,
    },
    /// A resistance across two pins of a part: a leak, a short.
    Across {
        /// The part.
        part: String,
        /// Two of its pins.
        pins: [Pin; 2],
        /// The resistance, Ω.
        ohms: f64,
        /// Its noise beyond thermal.
        excess: Excess,
    },
    /// The part taken out.
    Lift {
        /// The part.
        part: String,
    },
    /// A resistance between two nodes, as moisture or a solder whisker makes it.
    Bridge {
        /// The two nodes, as typed.
        nodes: [String; 2],
        /// Its resistance, Ω.
        ohms: f64,
        /// Its noise beyond thermal.
        excess: Excess,
    },
    /// A capacitor from a node to ground, which takes the hiss away that comes to the node; with 0 F the place for one.
    Shunt {
        /// The node, as typed.
        node: String,
        /// Its capacitance, F.
        farads: f64,
    },
    /// Excess collector-base leakage of a transistor in place of its own. What is `None` keeps the netlist's value.
    Leak {
        /// The transistor.
        part: String,
        /// Leakage at 25 °C, A.
        amps: f64,
        /// Noise as a multiple of shot noise.
        times: Option<f64>,
        /// Corner of the 1/f rise, Hz.
        corner_hz: Option<f64>,
        /// Rise in temperature that doubles it, °C.
        doubling_celsius: Option<f64>,
    },
    /// A temperature of its own for a resistor, diode or transistor.
    Temperature {
        /// The part.
        part: String,
        /// °C.
        celsius: f64,
    },
    /// Another temperature inside the set.
    Ambient {
        /// °C.
        celsius: f64,
    },
}

/// The order in which changes are made, whatever the order of asking: a swap comes before the leak of the device that is
/// swapped in. Changes of one kind keep their order, so that the last one holds.
pub(super) fn in_order(changes: &[Change]) -> Vec<&Change> {
    let mut ordered: Vec<&Change> = changes.iter().collect();
    ordered.sort_by_key(|change| match change {
        Change::Parameter { .. } => 0,
        Change::Swap { .. } => 1,
        Change::Exchange { .. } => 2,
        Change::Mirror { .. } => 3,
        Change::Value { .. } => 4,
        Change::Scale { .. } => 5,
        Change::Excess { .. } => 6,
        Change::Flicker { .. } => 7,
        Change::Beta { .. } => 8,
        Change::Leak { .. } => 9,
        Change::Temperature { .. } => 10,
        Change::Ambient { .. } => 11,
        Change::Bridge { .. } => 12,
        Change::Series { .. } => 13,
        Change::Across { .. } => 14,
        Change::Shunt { .. } => 15,
        Change::Lift { .. } => 16,
    });
    ordered
}

/// Makes one change.
pub(super) fn apply(
    change: &Change,
    parts: &mut IndexMap<String, Part>,
    nodes: &mut IndexMap<String, String>,
    models: &IndexMap<String, (String, Model)>,
    ambient: &mut Kelvin,
) -> Result<(), Diagnostic> {
    match change {
        // Parameters act where the netlist is read.
        Change::Parameter { .. } => Ok(()),
        Change::Swap { part, model } => swap(find(parts, part)?, model, models),
        Change::Exchange { part, pins } => exchange(find(parts, part)?, *pins),
        Change::Mirror { part } => mirror(find(parts, part)?),
        Change::Value { part, value } => set_value(find(parts, part)?, *value),
        Change::Scale { part, factor } => scale(find(parts, part)?, *factor),
        Change::Excess { part, excess } => set_excess(find(parts, part)?, *excess),
        Change::Flicker { part, factor, unit_kf } => flicker(find(parts, part)?, *factor, *unit_kf),
        Change::Beta { part, factor } => beta(find(parts, part)?, *factor),
        Change::Series { part, pin, ohms, excess } => inserted::series(parts, nodes, part, *pin, *ohms, *excess),
        Change::Across { part, pins, ohms, excess } => inserted::across(parts, part, *pins, *ohms, *excess),
        Change::Lift { part } => inserted::lift(parts, part),
        Change::Bridge { nodes: ends, ohms, excess } => bridge(parts, nodes, ends, *ohms, *excess),
        Change::Shunt { node, farads } => inserted::shunt(parts, nodes, node, *farads),
        Change::Leak { part, amps, times, corner_hz, doubling_celsius } => {
            leak(find(parts, part)?, *amps, [("LEAKM", *times), ("LEAKFC", *corner_hz), ("TDBL", *doubling_celsius)])
        }
        Change::Temperature { part, celsius } => set_temperature(find(parts, part)?, *celsius),
        Change::Ambient { celsius } => {
            require(Range::Celsius, *celsius, "the ambient temperature")?;
            *ambient = Kelvin(celsius + ZERO_CELSIUS);
            Ok(())
        }
    }
}

/// Whether a part was taken out.
pub(super) fn is_lifted(changes: &[Change], name: &str) -> bool {
    changes.iter().any(|change| matches!(change, Change::Lift { part } if part.to_lowercase() == name.to_lowercase()))
}

/// Says of nodes that float, and of what else the connections show, that it comes of parts taken out.
pub(super) fn blame_lifts(changes: &[Change], problems: &mut [Diagnostic]) {
    let lifted = changes.iter().filter_map(|change| match change {
        Change::Lift { part } => Some(part.as_str()),
        _ => None,
    });
    let lifted: Vec<&str> = lifted.collect();
    let [first, ..] = lifted.as_slice() else { return };
    for problem in problems.iter_mut().filter(|problem| problem.code == Code::FloatingNode) {
        problem.message = format!("with {} taken out {}", lifted.join(", "), problem.message);
        problem.help =
            Some(format!("nothing determines the voltage there; leave 1 TΩ in its place: --fault {first}=open"));
    }
}

pub(super) fn find<'a>(parts: &'a mut IndexMap<String, Part>, name: &str) -> Result<&'a mut Part, Diagnostic> {
    let key = name.to_lowercase();
    if !parts.contains_key(&key) {
        return Err(super::unknown_part(name, parts));
    }
    Ok(&mut parts[&key])
}

pub(super) fn unfit(message: String, help: &str) -> Diagnostic {
    Diagnostic::error(Code::UnfitPart, message).help(help)
}

pub(super) fn require(range: Range, value: f64, what: &str) -> Result<(), Diagnostic> {
    if range.contains(value) {
        Ok(())
    } else {
        let message = format!("{what} must be {}, not {value}", range.words());
        Err(Diagnostic::error(Code::ValueOutOfRange, message).help(format!("give a value {}", range.words())))
    }
}

fn swap(part: &mut Part, name: &str, models: &IndexMap<String, (String, Model)>) -> Result<(), Diagnostic> {
    let Some((written, model)) = models.get(&name.to_lowercase()) else {
        let error = Diagnostic::error(Code::UnknownModel, format!("no model is called {name}"));
        let known = || models.values().map(|(name, _)| name.as_str());
        return Err(match nearest(name, known()) {
            Some(near) => error.help(format!("try {near}")),
            None => error.help(format!("models are {}", super::some_of(known()))),
        });
    };
    match (&mut part.element, model) {
        (Element::Diode(device), Model::Diode(model)) => {
            device.model = model.scaled(device.area);
            device.model_name.clone_from(written);
            Ok(())
        }
        (Element::Bjt(device), Model::Bjt(polarity, model)) => {
            // The thermal resistance belongs to the place, unless the new model brings its own.
            let rth = device.model.rth;
            device.model = model.scaled(device.area);
            if device.model.rth == 0.0 {
                device.model.rth = rth;
            }
            device.polarity = *polarity;
            device.model_name.clone_from(written);
            Ok(())
        }
        (Element::Jfet(device), Model::Jfet(polarity, model)) => {
            device.model = model.scaled(device.area);
            device.polarity = *polarity;
            device.model_name.clone_from(written);
            Ok(())
        }
        _ => Err(unfit(
            format!("{} cannot be swapped for {written}, which is of another type", part.name),
            "name a model of the same type: transistor for transistor, diode for diode",
        )),
    }
}

fn exchange(part: &mut Part, pins: [Pin; 2]) -> Result<(), Diagnostic> {
    let known = part.element.pins();
    let places = pins.map(|pin| known.iter().position(|known| *known == pin));
    let nodes: &mut [NodeId] = match &mut part.element {
        Element::Diode(e) => &mut e.nodes,
        Element::Bjt(e) => &mut e.nodes,
        Element::Jfet(e) => &mut e.nodes,
        _ => &mut [],
    };
    match places {
        [Some(a), Some(b)] if a != b && a.max(b) < nodes.len() => {
            nodes.swap(a, b);
            Ok(())
        }
        _ => Err(unfit(
            format!("{} has no two such pins to exchange", part.name),
            "exchange two pins of a diode or transistor",
        )),
    }
}

fn mirror(part: &mut Part) -> Result<(), Diagnostic> {
    let polarity = match &mut part.element {
        Element::Bjt(e) => &mut e.polarity,
        Element::Jfet(e) => &mut e.polarity,
        _ => return Err(unfit(format!("{} has no polarity to change", part.name), "name a transistor")),
    };
    *polarity = match polarity {
        Polarity::N => Polarity::P,
        Polarity::P => Polarity::N,
    };
    Ok(())
}

fn set_value(part: &mut Part, value: f64) -> Result<(), Diagnostic> {
    let name = part.name.clone();
    let (field, range, what) = value_of(part)?;
    require(range, value, &format!("{what} of {name}"))?;
    *field = value;
    Ok(())
}

fn scale(part: &mut Part, factor: f64) -> Result<(), Diagnostic> {
    let name = part.name.clone();
    let (field, range, what) = value_of(part)?;
    require(Range::Positive, factor, &format!("the factor on {what} of {name}"))?;
    require(range, *field * factor, &format!("{what} of {name}"))?;
    *field *= factor;
    Ok(())
}

/// The one value of a part, where it may lie, and what it is.
fn value_of(part: &mut Part) -> Result<(&mut f64, Range, &'static str), Diagnostic> {
    let Part { name, element, .. } = part;
    Ok(match element {
        Element::Resistor(e) => (&mut e.ohms, Range::Positive, "the resistance"),
        Element::Capacitor(e) => (&mut e.farads, Range::NonNegative, "the capacitance"),
        Element::Inductor(e) => (&mut e.henries, Range::Positive, "the inductance"),
        Element::Source(e) => (&mut e.dc, Range::Any, "the source's value"),
        Element::Controlled(e) => (&mut e.gain, Range::Any, "the gain"),
        Element::Coupling(_) | Element::Diode(_) | Element::Bjt(_) | Element::Jfet(_) => {
            return Err(unfit(
                format!("{name} has no single value"),
                "set the value of a resistor, capacitor, inductor or source; swap a device: --swap Q2=MODEL",
            ));
        }
    })
}

fn set_excess(part: &mut Part, excess: Excess) -> Result<(), Diagnostic> {
    require_excess(excess, &part.name)?;
    let Element::Resistor(resistor) = &mut part.element else {
        return Err(unfit(format!("{} has no excess noise", part.name), "name a resistor: --fault R3=resistor_noisy"));
    };
    resistor.excess = excess;
    Ok(())
}

/// Refuses excess noise that no resistor can have.
pub(super) fn require_excess(excess: Excess, of: &str) -> Result<(), Diagnostic> {
    match excess {
        Excess::None => Ok(()),
        Excess::Index(db) => require(Range::Any, db, &format!("the noise index of {of}")),
        Excess::Bridge { times, corner_hz } => {
            require(Range::Positive, times, &format!("the noise of {of} as a multiple of shot noise"))?;
            require(Range::NonNegative, corner_hz, &format!("the corner of the noise of {of}"))
        }
    }
}

fn flicker(part: &mut Part, factor: f64, unit_kf: f64) -> Result<(), Diagnostic> {
    require(Range::Positive, factor, &format!("the factor on KF of {}", part.name))?;
    require(Range::Positive, unit_kf, &format!("the unit of KF of {}", part.name))?;
    let (kf, af) = match &mut part.element {
        Element::Diode(e) => (&mut e.model.kf, &mut e.model.af),
        Element::Bjt(e) => (&mut e.model.kf, &mut e.model.af),
        Element::Jfet(e) => (&mut e.model.kf, &mut e.model.af),
        Element::Resistor(_)
        | Element::Capacitor(_)
        | Element::Inductor(_)
        | Element::Coupling(_)
        | Element::Source(_)
        | Element::Controlled(_) => {
            let message = format!("{} has no flicker coefficient", part.name);
            return Err(unfit(message, "name a diode or transistor: --fault Q2=flicker,factor=100"));
        }
    };
    if *kf == 0.0 {
        (*kf, *af) = (unit_kf, 1.0);
    }
    let value = *kf * factor;
    *kf = value;
    require(Range::NonNegative, value, &format!("KF of {}", part.name))
}

fn beta(part: &mut Part, factor: f64) -> Result<(), Diagnostic> {
    require(Range::Positive, factor, &format!("the factor on BF of {}", part.name))?;
    let Element::Bjt(device) = &mut part.element else {
        let message = format!("{} has no current gain", part.name);
        return Err(unfit(message, "name a bipolar transistor: --fault Q2=low_beta,factor=0.2"));
    };
    device.model.bf *= factor;
    require(Range::Positive, device.model.bf, &format!("BF of {}", part.name))
}

fn bridge(
    parts: &mut IndexMap<String, Part>,
    nodes: &IndexMap<String, String>,
    ends: &[String; 2],
    ohms: f64,
    excess: Excess,
) -> Result<(), Diagnostic> {
    let mut found = [NodeId::GROUND; 2];
    for (end, name) in found.iter_mut().zip(ends) {
        *end = find_node(nodes, name)?;
    }
    if found[0] == found[1] {
        return Err(unfit("a bridge needs two different nodes".to_owned(), "name two: --bridge b1,c1=100k"));
    }
    require(Range::Positive, ohms, "the resistance of a bridge")?;
    let name = format!("bridge {},{}", ends[0], ends[1]);
    inserted::add(parts, name, found, ohms, excess);
    Ok(())
}

pub(super) fn find_node(nodes: &IndexMap<String, String>, name: &str) -> Result<NodeId, Diagnostic> {
    nodes.get_index_of(&node_key(name)).map(node_id).ok_or_else(|| {
        let error = Diagnostic::error(Code::UnknownNode, format!("no node is called {name}"));
        match nearest(name, nodes.values().map(String::as_str)) {
            Some(near) => error.help(format!("try {near}")),
            None => error.help(format!("nodes are {}", super::some_of(nodes.values().map(String::as_str)))),
        }
    })
}

fn leak(part: &mut Part, amps: f64, more: [(&str, Option<f64>); 3]) -> Result<(), Diagnostic> {
    let Element::Bjt(device) = &mut part.element else {
        return Err(unfit(
            format!("{} has no collector-base leakage", part.name),
            "leak a transistor: --leak Q2=20uA; for other parts: --bridge NODE,NODE=100k",
        ));
    };
    for (name, value) in [("ICBO", Some(amps))].into_iter().chain(more) {
        let row = BjtModel::TABLE.iter().find(|row| row.name == name);
        if let (Some(value), Some(row), Some(field)) = (value, row, device.model.field_mut(name)) {
            require(row.range, value, row.meaning)?;
            *field = value;
        }
    }
    Ok(())
}

fn set_temperature(part: &mut Part, celsius: f64) -> Result<(), Diagnostic> {
    require(Range::Celsius, celsius, &format!("the temperature of {}", part.name))?;
    let own = match &mut part.element {
        Element::Resistor(e) => &mut e.celsius,
        Element::Diode(e) => &mut e.celsius,
        Element::Bjt(e) => &mut e.celsius,
        Element::Jfet(e) => &mut e.celsius,
        Element::Capacitor(_)
        | Element::Inductor(_)
        | Element::Coupling(_)
        | Element::Source(_)
        | Element::Controlled(_) => {
            return Err(unfit(
                format!("the temperature of {} changes nothing here", part.name),
                "freeze or heat a resistor, diode or transistor",
            ));
        }
    };
    *own = Some(celsius);
    Ok(())
}
