//! Single tables of a sheet to values.

use super::keys::{BENCH, COMPLAINT, CONTROL, DC_METER, Key, METER, POINT, SCOPE, SPARE, SUSPECT};
use super::settings::{Instruments, Surroundings};
use super::tree::{Entry, Fields, Kind, Limits, Node, Problems, names, number, value};
use super::{Complaint, Control, ListedSuspect, NamedPoint, Spare, resolve};
use crate::bench::Point;
use crate::bench::instrument::{DcMeter, Loading, Probe, Responds, read_probe};
use crate::bench::quantity::Unit;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic, SourceId, Span, nearest};

/// Whether a text is a bench sheet rather than a netlist: by its name, or because it names a circuit.
pub fn looks_like_sheet(name: &str, text: &str) -> bool {
    let names_circuit = |line: &str| {
        let rest = line.trim_start().strip_prefix("circuit").map(str::trim_start);
        let rest = rest.and_then(|rest| rest.strip_prefix('=')).map(str::trim_start);
        rest.is_some_and(|rest| rest.starts_with(['"', '\'']))
    };
    name.to_lowercase().ends_with(".toml") || text.lines().any(names_circuit)
}

/// Path of the netlist and where it stands.
pub(super) fn circuit_path(entries: &[Entry], messages: &mut Vec<Diagnostic>) -> Option<(String, Span)> {
    let Some(entry) = entries.iter().find(|entry| entry.key == "circuit") else {
        let start = Span { source: SourceId(0), start: 0, end: 0 };
        let error = Diagnostic::error(Code::MissingKey, "this sheet does not say which circuit it is about").at(start);
        messages.push(error.help("begin it with the netlist: circuit = \"channel.cir\""));
        return None;
    };
    match &entry.value.kind {
        Kind::Text(path) if !path.trim().is_empty() => Some((path.trim().to_owned(), entry.value.span)),
        _ => {
            let error = value("circuit is not the name of a netlist".to_owned()).at(entry.value.span);
            messages.push(error.help("write circuit = \"channel.cir\""));
            None
        }
    }
}

/// `[control.NAME]`
pub(super) fn control(problems: &mut Problems, circuit: &Circuit, entry: &Entry) -> Option<Control> {
    let fields = problems.fields(&entry.value, CONTROL.keys, &format!("control {}", entry.key))?;
    let (name, span) = fields.text(problems, "param").unwrap_or((&entry.key, entry.key_span));
    let (parameter, value_now) = problems.keep(span, parameter(circuit, name))?;
    let range = fields.pair(problems, "range", Unit::Plain, Limits::Any).unwrap_or([0.0, 1.0]);
    let mut range_fits = true;
    if range[0] == range[1] {
        let place = fields.get("range").map_or(fields.span, |(node, _)| node.span);
        problems.add(place, value("a control that cannot be turned".to_owned()).help("write range = [0, 1]"));
        range_fits = false;
    }
    let [low, high] = if range[0] <= range[1] { range } else { [range[1], range[0]] };
    let given = fields.number(problems, "now", Unit::Plain);
    let now = given.or(value_now).unwrap_or(low);
    if range_fits && (now < low || now > high) {
        let place = fields.get("now").map_or(entry.key_span, |(node, _)| node.span);
        let error = value(format!("{} cannot stand at {now}", entry.key));
        problems.add(place, error.help(format!("its range goes from {low} to {high}")));
        return None;
    }
    Some(Control { name: entry.key.clone(), parameter, range: [low, high], now })
}

/// A `.param` as first written, and its value where it is a plain number.
fn parameter(circuit: &Circuit, name: &str) -> Result<(String, Option<f64>), Diagnostic> {
    let known = || circuit.netlist().top.parameters.iter();
    if let Some(found) = known().find(|known| known.name.text.eq_ignore_ascii_case(name)) {
        return Ok((found.name.text.clone(), circuit.parameter(name)));
    }
    let error = Diagnostic::error(Code::UnknownParameter, format!("no .param is called {name}"));
    Err(match nearest(name, known().map(|known| known.name.text.as_str())) {
        Some(near) => error.help(format!("try {near}")),
        None => error.help("name the .param of the netlist that the control is: param = \"vol\""),
    })
}

/// `[point.NAME]`
pub(super) fn point(problems: &mut Problems, circuit: &Circuit, entry: &Entry) -> Option<NamedPoint> {
    let fields = problems.fields(&entry.value, POINT.keys, &format!("point {}", entry.key))?;
    let node = fields.required(problems, "node", &format!("point {}", entry.key));
    let point = node.and_then(|(node, span)| problems.keep(span, Point::read(circuit, node)));
    let twin = fields.text(problems, "twin");
    let twin = twin.and_then(|(node, span)| problems.keep(span, Point::read(circuit, node)));
    if let (Some(point), Some(twin), Some((node, _))) = (&point, &twin, fields.get("twin"))
        && point == twin
    {
        problems.add(node.span, value(format!("{} is its own twin", entry.key)).help("name the other channel's node"));
    }
    let printed_volts = fields.number(problems, "printed_dc", Unit::Volts);
    Some(NamedPoint {
        name: entry.key.clone(),
        point: point?,
        place: fields.text(problems, "where").map(|(text, _)| text.to_owned()),
        twin,
        printed_volts,
        span: entry.key_span,
        printed_span: fields.get("printed_dc").map(|(node, _)| node.span),
    })
}

/// `[instrument.…]`
pub(super) fn instruments(problems: &mut Problems, node: &Node) -> Instruments {
    const KNOWN: [Key; 3] = [
        Key { name: "meter", example: "", meaning: "for hiss" },
        Key { name: "scope", example: "", meaning: "the scope" },
        Key { name: "dc_meter", example: "", meaning: "for DC" },
    ];
    let mut all = Instruments::default();
    let Some(fields) = problems.fields(node, &KNOWN, "instrument") else { return all };
    if let Some((node, _)) = fields.get("meter")
        && let Some(fields) = problems.fields(node, METER.keys, "instrument.meter")
    {
        loading(problems, &fields, &mut all.meter.loading);
        set(&mut all.meter.floor_volts, fields.within(problems, "floor", Unit::Volts, Limits::NonNegative));
        all.meter.responds = match fields.text(problems, "responds") {
            None | Some(("rms", _)) => Responds::TrueRms,
            Some(("average", _)) => Responds::Average,
            Some((other, span)) => {
                problems.add(span, value(format!("no meter responds to {other}")).help("write \"rms\" or \"average\""));
                Responds::TrueRms
            }
        };
    }
    if let Some((node, _)) = fields.get("scope")
        && let Some(fields) = problems.fields(node, SCOPE.keys, "instrument.scope")
    {
        let probe = fields.text(problems, "probe");
        let probe = probe.and_then(|(text, span)| problems.keep(span, read_probe(text)));
        all.scope.probe = probe.unwrap_or(Probe::TIMES_10);
        loading(problems, &fields, &mut all.scope.probe.loading);
        let mut positive = |name, unit, limits| fields.within(problems, name, unit, limits);
        set(&mut all.scope.bandwidth_hz, positive("bandwidth", Unit::Hertz, Limits::Positive));
        set(&mut all.scope.coupling_hz, positive("coupling", Unit::Hertz, Limits::NonNegative));
        set(&mut all.scope.floor_volts, positive("floor", Unit::Volts, Limits::NonNegative));
        set(&mut all.scope.finest_volts, positive("finest", Unit::Volts, Limits::Positive));
        if all.scope.bandwidth_hz <= all.scope.coupling_hz {
            let error = value("the scope's bandwidth ends below its coupling".to_owned());
            problems.add(fields.span, error.help("write bandwidth = \"20 kHz\" and coupling = \"10 Hz\""));
        }
    }
    if let Some((node, _)) = fields.get("dc_meter")
        && let Some(fields) = problems.fields(node, DC_METER.keys, "instrument.dc_meter")
    {
        all.dc_meter = dc_meter(problems, &fields);
    }
    all
}

fn dc_meter(problems: &mut Problems, fields: &Fields<'_>) -> DcMeter {
    let ohms = fields.within(problems, "ohm", Unit::Ohms, Limits::Positive);
    let ohms_per_volt = fields.within(problems, "ohm_per_volt", Unit::Ohms, Limits::Positive);
    let range_volts = fields.within(problems, "range", Unit::Volts, Limits::Positive);
    match (ohms, ohms_per_volt) {
        (Some(_), Some(_)) => {
            let error = value("a meter has either ohm or ohm_per_volt".to_owned());
            problems.add(fields.span, error.help("leave one of the two out"));
            DcMeter::default()
        }
        (None, Some(ohms_per_volt)) => DcMeter::OhmsPerVolt { ohms_per_volt, range_volts },
        (ohms, None) => ohms.map_or(DcMeter::default(), DcMeter::Ohms),
    }
}

fn loading(problems: &mut Problems, fields: &Fields<'_>, loading: &mut Loading) {
    set(&mut loading.ohms, fields.within(problems, "ohm", Unit::Ohms, Limits::Positive));
    set(&mut loading.farads, fields.within(problems, "farad", Unit::Farads, Limits::NonNegative));
}

/// `[bench]`, besides its ambient.
pub(super) fn surroundings(problems: &mut Problems, circuit: &Circuit, node: &Node) -> (Surroundings, Option<f64>) {
    let mut bench = Surroundings::default();
    let Some(fields) = problems.fields(node, BENCH.keys, "bench") else { return (bench, None) };
    let mut celsius = |name| fields.within(problems, name, Unit::Celsius, Limits::Celsius);
    let ambient = celsius("ambient_c");
    set(&mut bench.hottest_celsius, celsius("hottest_c"));
    let at = &mut bench.temperatures;
    set(&mut at.freeze_celsius, celsius("freeze_c"));
    set(&mut at.cool_celsius, celsius("cool_c"));
    set(&mut at.finger_celsius, celsius("finger_c"));
    set(&mut at.heat_germanium_celsius, celsius("heat_germanium_c"));
    set(&mut at.heat_silicon_celsius, celsius("heat_silicon_c"));
    let microfarads = fields.within(problems, "shunt_uf", Unit::Plain, Limits::Positive);
    set(&mut bench.shunt_farads, microfarads.map(|microfarads| microfarads / 1e6));
    if let Some((node, key)) = fields.get("near") {
        let Kind::List(groups) = &node.kind else {
            let error = value("near is not a list of groups of parts".to_owned());
            problems.add(node.span, error.help(format!("write near = {}", key.example)));
            return (bench, ambient);
        };
        for group in groups {
            let Some(parts) = names(problems, group, key) else { continue };
            let found = parts.into_iter().filter_map(|(name, span)| {
                let id = problems.keep(span, circuit.find_part(name))?;
                Some(circuit.part(id).name.clone())
            });
            bench.near.push(found.collect());
        }
    }
    (bench, ambient)
}

/// `complaint = { … }`
pub(super) fn complaint(problems: &mut Problems, controls: &[Control], node: &Node) -> Option<Complaint> {
    let fields = problems.fields(node, COMPLAINT.keys, "complaint")?;
    let mut complaint = Complaint::default();
    set(&mut complaint.hiss_db, fields.within(problems, "hiss_db", Unit::Decibels, Limits::Positive));
    let Some((node, key)) = fields.get("controls") else { return Some(complaint) };
    let Kind::Table(entries) = &node.kind else {
        let error = value("controls is not a table of positions".to_owned());
        problems.add(node.span, error.help(format!("write controls = {}", key.example)));
        return None;
    };
    let mut columns: Vec<(usize, Vec<f64>, Span)> = Vec::new();
    for entry in entries {
        let control = problems.keep(entry.key_span, resolve::control(controls, &entry.key));
        let one = std::slice::from_ref(&entry.value);
        let list = if let Kind::List(list) = &entry.value.kind { list.as_slice() } else { one };
        let positions: Vec<f64> = list.iter().filter_map(|node| number(problems, node, key, Unit::Plain)).collect();
        let Some(control) = control else { continue };
        let [low, high] = controls[control].range;
        if let Some(wrong) = positions.iter().find(|position| **position < low || **position > high) {
            let error = value(format!("{} cannot stand at {wrong}", entry.key));
            problems.add(entry.value.span, error.help(format!("it goes from {low} to {high}")));
        }
        columns.push((control, positions, entry.value.span));
    }
    let settings = columns.iter().map(|(_, positions, _)| positions.len()).max().unwrap_or(0);
    if let Some((_, positions, span)) =
        columns.iter().find(|(_, positions, _)| ![1, settings].contains(&positions.len()))
    {
        let error = value(format!("{} positions do not pair up with {settings}", positions.len()));
        problems.add(*span, error.help("give every control as many, or one for all"));
        return None;
    }
    let at = |positions: &[f64], setting: usize| positions.get(setting).or(positions.first()).copied();
    complaint.settings = (0..settings)
        .map(|setting| columns.iter().filter_map(|(control, list, _)| Some((*control, at(list, setting)?))).collect())
        .collect();
    Some(complaint)
}

/// `[[suspect]]`
pub(super) fn suspect(problems: &mut Problems, circuit: &Circuit, node: &Node) -> Option<ListedSuspect> {
    let fields = problems.fields(node, SUSPECT.keys, "a suspect")?;
    let (name, span) = fields.required(problems, "part", "a suspect")?;
    let part = problems.keep(span, circuit.find_part(name));
    let weight = fields.within(problems, "weight", Unit::Plain, Limits::Positive).unwrap_or(1.0);
    let mut kinds = Vec::new();
    for (kind, span) in fields.names(problems, "kinds").unwrap_or_default() {
        match super::keys::fault(kind) {
            Some(_) => kinds.push(kind.to_owned()),
            None => problems.add(span, super::fault_settings::unknown_kind(kind)),
        }
    }
    let pin = fields.text(problems, "pin").map(|(pin, _)| pin.to_owned());
    Some(ListedSuspect { part: part?, weight, kinds, pin })
}

/// `[[spare]]`
pub(super) fn spare(problems: &mut Problems, circuit: &Circuit, node: &Node) -> Option<Spare> {
    let fields = problems.fields(node, SPARE.keys, "a spare")?;
    let (name, _) = fields.required(problems, "name", "a spare")?;
    let model = fields.text(problems, "model").and_then(|(text, span)| {
        let known = || circuit.model_names();
        let found = known().find(|known| known.eq_ignore_ascii_case(text)).map(str::to_owned);
        problems.keep(
            span,
            found.ok_or_else(|| {
                let error = Diagnostic::error(Code::UnknownModel, format!("no model is called {text}"));
                match nearest(text, known()) {
                    Some(near) => error.help(format!("try {near}")),
                    None => error.help(format!("models are {}", known().collect::<Vec<_>>().join(", "))),
                }
            }),
        )
    });
    let iceo = fields.get("iceo").and_then(|(node, key)| match &node.kind {
        Kind::Text(text) => match text.split_once(" at ") {
            Some((amps, volts)) => {
                let amps = problems.keep(node.span, Unit::Amps.read(amps));
                let volts = problems.keep(node.span, Unit::Volts.read(volts));
                Some((amps?, Some(volts?)))
            }
            None => Some((problems.keep(node.span, Unit::Amps.read(text))?, None)),
        },
        _ => Some((number(problems, node, key, Unit::Amps)?, None)),
    });
    if let (Some((amps, _)), Some((node, _))) = (iceo, fields.get("iceo"))
        && amps < 0.0
    {
        problems.add(node.span, value("a leakage below zero".to_owned()).help("leave the sign out"));
    }
    let mut words = |name| fields.text(problems, name).map(|(text, _)| text.to_owned());
    let (case, pinout, note) = (words("case"), words("pinout"), words("note"));
    Some(Spare {
        name: name.to_owned(),
        model,
        beta: fields.within(problems, "beta", Unit::Plain, Limits::Positive),
        iceo,
        icbo_amps: fields.within(problems, "icbo", Unit::Amps, Limits::NonNegative),
        case,
        pinout,
        note,
    })
}

/// Puts a value that was given in the place of a default.
pub(super) fn set<T>(place: &mut T, given: Option<T>) {
    if let Some(given) = given {
        *place = given;
    }
}
