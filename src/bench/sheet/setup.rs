//! From the tree of a sheet and its netlist to a sheet.

use super::keys::{Key, TABLES, TOP};
use super::settings::{AcceptanceSettings, Instruments, ReadingErrors, Surroundings, TestCosts, Tolerances};
use super::tree::{Entry, Fields, Kind, Limits, Node, Problems, value};
use super::{Sheet, acceptance, entries, fault_settings, lesson, resolve};
use crate::bench::quantity::Unit;
use crate::bench::reading::{Reading, Scalar};
use crate::bench::{self, DEFAULT_BAND_HZ, Point, find_source};
use crate::circuit::{Change, Circuit};
use crate::diagnostic::{Code, Diagnostic, SourceId, Sources, Span};

/// Every key at the top of a sheet.
const ALL: [Key; TOP.keys.len() + TABLES.len()] = {
    let mut all = [TOP.keys[0]; TOP.keys.len() + TABLES.len()];
    let mut at = 0;
    while at < all.len() {
        all[at] = if at < TOP.keys.len() { TOP.keys[at] } else { TABLES[at - TOP.keys.len()] };
        at += 1;
    }
    all
};

pub(super) fn sheet(problems: &mut Problems, written: Circuit, entries: &[Entry], sources: Sources) -> Option<Sheet> {
    // A sheet as a whole is marked at its first byte; it is the last of the sources.
    let source = SourceId(u32::try_from(sources.iter().count().saturating_sub(1)).unwrap_or(u32::MAX));
    let top = problems.known(entries, &ALL, "a sheet", Span { source, start: 0, end: 0 });
    let controls = match top.get("control") {
        Some(_) => named(problems, &top, "control", |problems, entry| entries::control(problems, &written, entry)),
        None => bench::Control::all(&written).into_iter().map(|control| of_netlist(&written, control)).collect(),
    };
    let points = named(problems, &top, "point", |problems, entry| entries::point(problems, &written, entry));
    repeated(problems, points.iter().map(|point| (point.name.as_str(), point.span)));
    let instruments = one(problems, &top, "instrument", Instruments::default(), entries::instruments);
    let (surroundings, ambient) = match top.get("bench") {
        Some((node, _)) => entries::surroundings(problems, &written, node),
        None => (Surroundings::default(), None),
    };
    let circuit = problems_as_found(problems, &top, settled(&written, &controls, ambient))?;
    let input = top.text(problems, "input").and_then(|(name, span)| problems.keep(span, find_source(&circuit, name)));
    let output = top.text(problems, "output");
    let output = output.and_then(|(name, span)| problems.keep(span, resolve::point(&circuit, &points, name)));
    let acceptance = one(problems, &top, "acceptance", AcceptanceSettings::default(), |problems, node| {
        acceptance::acceptance(problems, &circuit, &points, &controls, node)
    });
    let defaults = circuit.noise.as_ref();
    let between = |(plus, minus)| Point::between(&circuit, plus, minus);
    let mut sheet = Sheet {
        title: top.text(problems, "title").map(|(title, _)| title.to_owned()),
        input: input.or(defaults.map(|noise| noise.source)),
        output: output.or_else(|| defaults.map(|noise| between(noise.output))),
        band_hz: band(problems, &top, &circuit),
        complaint: top.get("complaint").and_then(|(node, _)| entries::complaint(problems, &controls, node)),
        points,
        controls,
        instruments,
        surroundings,
        tolerances: one(problems, &top, "tolerance", Tolerances::default(), fault_settings::tolerances),
        reading_errors: one(problems, &top, "reading_error", ReadingErrors::default(), fault_settings::reading_errors),
        acceptance,
        costs: one(problems, &top, "cost", TestCosts::default(), fault_settings::costs),
        faults: one(problems, &top, "fault", Vec::new(), fault_settings::faults),
        suspects: each(problems, &top, "suspect", |problems, node| entries::suspect(problems, &written, node)),
        spares: each(problems, &top, "spare", |problems, node| entries::spare(problems, &written, node)),
        readings: Vec::new(),
        lesson: top.get("drill").map(|(node, _)| lesson::lesson(problems, node)),
        sources,
        circuit,
        written,
    };
    let drawn = matches!(top.get("tolerance"), Some((Node { kind: Kind::Table(keys), .. }, _))
        if keys.iter().any(|entry| entry.key == "ambient_c"));
    if let (Some(celsius), false) = (ambient, drawn) {
        // Who says how warm the set is leaves no doubt about it.
        sheet.tolerances.ambient_celsius = [celsius; 2];
    }
    sheet.readings = each(problems, &top, "reading", |problems, node| reading(problems, &sheet, node));
    Some(sheet)
}

/// A control that the netlist shows to be one.
fn of_netlist(circuit: &Circuit, bench::Control { name, ends: range }: bench::Control) -> super::Control {
    let now = circuit.parameter(&name).unwrap_or(range[0]);
    super::Control { parameter: name.clone(), name, range, now }
}

/// The circuit with controls where they stand and at the ambient of the bench.
fn settled(written: &Circuit, controls: &[super::Control], ambient: Option<f64>) -> Result<Circuit, Vec<Diagnostic>> {
    let mut changes: Vec<Change> = Vec::new();
    for control in controls {
        // A control that stands as written changes nothing, and is not listed as a what-if.
        if written.parameter(&control.parameter) != Some(control.now) {
            changes.push(Change::Parameter { name: control.parameter.clone(), value: control.now });
        }
    }
    changes.extend(ambient.map(|celsius| Change::Ambient { celsius }));
    written.changed(&changes)
}

fn problems_as_found(
    problems: &mut Problems,
    top: &Fields<'_>,
    settled: Result<Circuit, Vec<Diagnostic>>,
) -> Option<Circuit> {
    settled
        .map_err(|errors| {
            for error in errors {
                let message = format!("with the controls where they stand: {}", error.message);
                problems.add(top.span, Diagnostic { message, ..error });
            }
        })
        .ok()
}

fn band(problems: &mut Problems, top: &Fields<'_>, circuit: &Circuit) -> [f64; 2] {
    let default = match circuit.noise.as_ref().map(|noise| noise.points.band_hz) {
        Some([low, high]) if low < high => [low, high],
        _ => DEFAULT_BAND_HZ,
    };
    let Some([low, high]) = top.ascending(problems, "band", Unit::Hertz, Limits::Positive) else { return default };
    if low < high {
        return [low, high];
    }
    if let Some((node, _)) = top.get("band") {
        problems
            .add(node.span, value("hiss needs a band, not one frequency".to_owned()).help("write band = [20, 20000]"));
    }
    default
}

/// Values of a table of tables, in order of the sheet.
fn named<T>(
    problems: &mut Problems,
    top: &Fields<'_>,
    name: &str,
    read: impl Fn(&mut Problems, &Entry) -> Option<T>,
) -> Vec<T> {
    let Some((node, _)) = top.get(name) else { return Vec::new() };
    match &node.kind {
        Kind::Table(entries) => entries.iter().filter_map(|entry| read(problems, entry)).collect(),
        _ => {
            let error = value(format!("{name} needs a name")).help(format!("write [{name}.NAME] and its keys below"));
            problems.add(node.span, error);
            Vec::new()
        }
    }
}

/// Values of a list of tables, in order of the sheet.
fn each<T>(
    problems: &mut Problems,
    top: &Fields<'_>,
    name: &str,
    read: impl Fn(&mut Problems, &Node) -> Option<T>,
) -> Vec<T> {
    let Some((node, _)) = top.get(name) else { return Vec::new() };
    match &node.kind {
        Kind::List(list) => list.iter().filter_map(|node| read(problems, node)).collect(),
        _ => {
            let error =
                value(format!("there may be several of {name}")).help(format!("write [[{name}]], with two brackets"));
            problems.add(node.span, error);
            Vec::new()
        }
    }
}

fn one<T>(
    problems: &mut Problems,
    top: &Fields<'_>,
    name: &str,
    default: T,
    read: impl Fn(&mut Problems, &Node) -> T,
) -> T {
    match top.get(name) {
        Some((node, _)) => read(problems, node),
        None => default,
    }
}

/// Names that differ in case only.
fn repeated<'a>(problems: &mut Problems, names: impl Iterator<Item = (&'a str, Span)>) {
    let mut known: Vec<(String, Span)> = Vec::new();
    for (name, span) in names {
        let key = name.to_lowercase();
        match known.iter().find(|(other, _)| *other == key) {
            Some((_, first)) => {
                let error = Diagnostic::error(Code::DuplicateName, format!("two points are called {name}"));
                problems.add(span, error.label(*first, "first named here").help("give one of them another name"));
            }
            None => known.push((key, span)),
        }
    }
}

/// `[[reading]]`
fn reading(problems: &mut Problems, sheet: &Sheet, node: &Node) -> Option<(Reading, Span)> {
    let Kind::Table(entries) = &node.kind else {
        let error = value("a reading is a table".to_owned()).help("write [[reading]] and its keys below");
        problems.add(node.span, error);
        return None;
    };
    let fields: Vec<(String, Scalar)> =
        entries.iter().map(|entry| (entry.key.clone(), scalar(problems, &entry.value))).collect();
    let reading = match Reading::from_fields(&fields) {
        Ok(reading) => reading,
        Err(found) => {
            for problem in found {
                let entry = problem.field.and_then(|field| entries.get(field));
                let place =
                    entry.map_or(node.span, |entry| if problem.of_key { entry.key_span } else { entry.value.span });
                problems.add(place, problem.error);
            }
            return None;
        }
    };
    if let Err(found) = sheet.resolve(&reading) {
        for (key, error) in found {
            let entry = entries.iter().find(|entry| entry.key == key);
            problems.add(entry.map_or(node.span, |entry| entry.value.span), error);
        }
        return None;
    }
    Some((reading, node.span))
}

fn scalar(problems: &mut Problems, node: &Node) -> Scalar {
    match &node.kind {
        Kind::Text(text) => Scalar::Text(text.clone()),
        Kind::Number(number) => Scalar::Number(*number),
        Kind::Flag(flag) => Scalar::Flag(*flag),
        Kind::Table(entries) => {
            let mut settings = std::collections::BTreeMap::new();
            for entry in entries {
                match entry.value.kind {
                    Kind::Number(number) => {
                        settings.insert(entry.key.clone(), number);
                    }
                    _ => {
                        let error = value(format!("{} does not stand at a number", entry.key));
                        problems.add(entry.value.span, error.help("write with = { volume = 0 }"));
                    }
                }
            }
            Scalar::Settings(settings)
        }
        // Neither is the value of any key: an empty text is refused wherever one is expected.
        Kind::List(_) | Kind::Date => Scalar::Text(String::new()),
    }
}
