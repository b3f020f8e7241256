//! A what-if: one change to a circuit. The order of parts stays as it is, and only bridges add parts. Values keep the
//! structure of the equations; a swap may add or take inner nodes, and a temperature of its own ends self-heating.

use indexmap::IndexMap;

use super::{Model, Part, node_id, node_key};
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::element::{BjtModel, Element, Excess, Range, Resistor};
use crate::mna::NodeId;
use crate::physics::{Kelvin, ZERO_CELSIUS};

/// One change. Temperatures are in degrees Celsius, everything else in SI units.
#[derive(Clone, Debug, PartialEq)]
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
    /// Another value for a resistor, capacitor, inductor or source (its DC value, or a controlled source's gain).
    Value {
        /// The part.
        part: String,
        /// Its value.
        value: f64,
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
        Change::Value { .. } => 2,
        Change::Bridge { .. } => 3,
        Change::Leak { .. } => 4,
        Change::Temperature { .. } => 5,
        Change::Ambient { .. } => 6,
    });
    ordered
}

/// Makes one change.
pub(super) fn apply(
    change: &Change,
    parts: &mut IndexMap<String, Part>,
    nodes: &IndexMap<String, String>,
    models: &IndexMap<String, (String, Model)>,
    ambient: &mut Kelvin,
) -> Result<(), Diagnostic> {
    match change {
        // Parameters act where the netlist is read.
        Change::Parameter { .. } => Ok(()),
        Change::Swap { part, model } => swap(find(parts, part)?, model, models),
        Change::Value { part, value } => set_value(find(parts, part)?, *value),
        Change::Bridge { nodes: ends, ohms, excess } => bridge(parts, nodes, ends, *ohms, *excess),
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

fn find<'a>(parts: &'a mut IndexMap<String, Part>, name: &str) -> Result<&'a mut Part, Diagnostic> {
    let key = name.to_lowercase();
    if !parts.contains_key(&key) {
        return Err(super::unknown_part(name, parts));
    }
    Ok(&mut parts[&key])
}

fn unfit(message: String, help: &str) -> Diagnostic {
    Diagnostic::error(Code::UnfitPart, message).help(help)
}

fn require(range: Range, value: f64, what: &str) -> Result<(), Diagnostic> {
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

fn set_value(part: &mut Part, value: f64) -> Result<(), Diagnostic> {
    let name = part.name.clone();
    let (field, range, what) = match &mut part.element {
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
    };
    require(range, value, &format!("{what} of {name}"))?;
    *field = value;
    Ok(())
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
        *end = nodes.get_index_of(&node_key(name)).map(node_id).ok_or_else(|| {
            let error = Diagnostic::error(Code::UnknownNode, format!("no node is called {name}"));
            match nearest(name, nodes.values().map(String::as_str)) {
                Some(near) => error.help(format!("try {near}")),
                None => error.help(format!("nodes are {}", super::some_of(nodes.values().map(String::as_str)))),
            }
        })?;
    }
    if found[0] == found[1] {
        return Err(unfit("a bridge needs two different nodes".to_owned(), "name two: --bridge b1,c1=100k"));
    }
    require(Range::Positive, ohms, "the resistance of a bridge")?;
    let name = format!("bridge {},{}", ends[0], ends[1]);
    let element = Element::Resistor(Resistor { excess, ..Resistor::new(found, ohms) });
    parts.insert(name.to_lowercase(), Part { name, element, card: None, calls: Vec::new() });
    Ok(())
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
