//! From a card and the values around it to a part with numbers: ranges checked, names of parameters judged.

use super::parameters::{Values, report_repeats};
use super::{Model, PlotPoints};
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::element::{
    Bjt, BjtModel, Capacitor, Control, Controlled, Coupling, Diode, DiodeModel, Drive, Element, Excess, Inductor, Jfet,
    JfetModel, Parameter, PartId, Polarity, Range, Resistor, Source, SourceKind,
};
use crate::mna::NodeId;
use crate::netlist::{Assignment, Body, Card, Limits, ModelCard, ModelKind, SourceValues, Spacing, Sweep, Value, Word};

/// How a card finds what it refers to by name.
pub(super) trait References {
    /// The model visible from the card; an error says what to do.
    fn model(&self, name: &Word) -> Result<Model, Option<Diagnostic>>;
    /// A part in the card's own scope, with its card.
    fn part(&self, name: &Word) -> Option<(PartId, &Card)>;
    /// Nodes of a part in the card's scope.
    fn nodes(&self, part: PartId) -> Vec<NodeId>;
    /// Names of the parts of a letter in the card's scope.
    fn names(&self, letter: char) -> Vec<&str>;
    /// Where a part of this name stands that the name by itself does not reach.
    fn elsewhere(&self, name: &Word) -> Option<Elsewhere<'_>>;
}

/// Where a part is that a card cannot see by its bare name.
pub(super) enum Elsewhere<'a> {
    /// Further in, by this path.
    Inside(&'a str),
    /// Outside the card's sub-circuit, or in another one.
    Outside,
}

/// Turns one card into an element; `None` when a message says why not.
pub(super) fn element(
    card: &Card,
    nodes: &[NodeId],
    values: &Values,
    references: &impl References,
    problems: &mut Vec<Diagnostic>,
) -> Option<Element> {
    let mut reader = Reader { card, values, problems, failed: false };
    let element = reader.element(nodes, references)?;
    (!reader.failed).then_some(element)
}

/// Turns a model card into numbers; `None` when a message says why not.
pub(super) fn model(card: &ModelCard, values: &Values, problems: &mut Vec<Diagnostic>) -> Option<Model> {
    report_repeats(&card.parameters, problems);
    let polarity = match card.kind {
        ModelKind::Pnp | ModelKind::Pjf => Polarity::P,
        ModelKind::Npn | ModelKind::Njf | ModelKind::Diode => Polarity::N,
    };
    // The three parameter sets have the same shape but no common type.
    macro_rules! filled {
        ($set:ident) => {{
            let mut set = $set::default();
            let sound = fill(card, values, $set::TABLE, $set::SKIPPED, problems, |name, value| {
                if let Some(field) = set.field_mut(name) {
                    *field = value;
                }
            });
            sound.then_some(set)
        }};
    }
    match card.kind {
        ModelKind::Diode => filled!(DiodeModel).map(Model::Diode),
        ModelKind::Npn | ModelKind::Pnp => filled!(BjtModel).map(|set| Model::Bjt(polarity, set)),
        ModelKind::Njf | ModelKind::Pjf => filled!(JfetModel).map(|set| Model::Jfet(polarity, set)),
    }
}

/// Sets every parameter of a model card; false when a message says that one could not be set.
fn fill(
    card: &ModelCard,
    values: &Values,
    table: &'static [Parameter],
    skipped: &[&str],
    problems: &mut Vec<Diagnostic>,
    mut set: impl FnMut(&str, f64),
) -> bool {
    let mut sound = true;
    let mut without_meaning = Vec::new();
    for assignment in &card.parameters {
        let name = assignment.name.text.to_uppercase();
        if skipped.contains(&name.as_str()) {
            without_meaning.push(name);
            continue;
        }
        let value = table
            .iter()
            .find(|parameter| parameter.name == name)
            .ok_or_else(|| Some(unknown_parameter(&assignment.name, table.iter().map(|row| row.name))))
            .and_then(|parameter| in_range(parameter, assignment, values));
        match value {
            Ok(value) => set(&name, value),
            Err(problem) => {
                problems.extend(problem.map(|problem| problem.in_statement(card.span)));
                sound = false;
            }
        }
    }
    if !without_meaning.is_empty() {
        problems.push(
            Diagnostic::warning(
                Code::ModelParameterSkipped,
                format!("model {}: {} play no part here and are skipped", card.name.text, without_meaning.join(" ")),
            )
            .at(card.name.span)
            .in_statement(card.span),
        );
    }
    sound
}

fn in_range(parameter: &Parameter, assignment: &Assignment, values: &Values) -> Result<f64, Option<Diagnostic>> {
    let value = values.value(&assignment.value)?;
    if parameter.range.contains(value) {
        Ok(value)
    } else {
        Err(Some(out_of_range(parameter.name, parameter.range, value, &assignment.value)))
    }
}

fn out_of_range(what: &str, range: Range, value: f64, written: &Value) -> Diagnostic {
    Diagnostic::error(Code::ValueOutOfRange, format!("{what} must be {}, not {value}", range.words()))
        .at(written.span())
        .help(format!("give {what} a value {}", range.words()))
}

fn unknown_parameter<'a>(name: &Word, known: impl Iterator<Item = &'a str> + Clone) -> Diagnostic {
    let error = Diagnostic::error(Code::UnknownParameter, format!("{} is no parameter here", name.text)).at(name.span);
    match nearest(&name.text, known.clone()) {
        Some(nearest) => error.help(format!("try {nearest}")),
        None => {
            let known: Vec<&str> = known.collect();
            let help =
                if known.is_empty() { "leave it out".to_owned() } else { format!("known are {}", known.join(" ")) };
            error.help(help)
        }
    }
}

/// Plot points of `.ac` and `.noise`; `None` when a message says why not.
pub(super) fn plot_points(
    sweep: &Sweep,
    values: &Values,
    limits: &Limits,
    problems: &mut Vec<Diagnostic>,
) -> Option<PlotPoints> {
    let mut number = |what: &str, value: &Value| match values.value(value) {
        Ok(number) if Range::Positive.contains(number) => Some(number),
        Ok(number) => {
            problems.push(out_of_range(what, Range::Positive, number, value));
            None
        }
        Err(problem) => {
            problems.extend(problem);
            None
        }
    };
    let count = number("the number of points", &sweep.points);
    let from = number("the lower frequency", &sweep.from_hz);
    let to = number("the upper frequency", &sweep.to_hz);
    let (count, from, to) = (count?, from?, to?);
    if to < from {
        problems.push(
            Diagnostic::error(Code::ValueOutOfRange, "the upper frequency lies below the lower one")
                .at(sweep.to_hz.span())
                .help("write the lower frequency first"),
        );
        return None;
    }
    let steps = match sweep.spacing {
        Spacing::Decade => (to / from).log10() * count,
        Spacing::Octave => (to / from).log2() * count,
        Spacing::Linear => count,
    };
    // Ends so far apart that their ratio overflows have too many points as well.
    if count.max(steps) > limits.plot_points as f64 {
        problems.push(
            Diagnostic::error(Code::LimitExceeded, format!("more than {} plot points", limits.plot_points))
                .at(sweep.points.span())
                .help("20 per decade show every curve"),
        );
        return None;
    }
    Some(PlotPoints { spacing: sweep.spacing, count: (count.round() as usize).max(1), band_hz: [from, to] })
}

/// What a device's card gives besides its model.
struct Instance {
    area: f64,
    celsius: Option<f64>,
}

struct Reader<'a> {
    card: &'a Card,
    values: &'a Values,
    problems: &'a mut Vec<Diagnostic>,
    failed: bool,
}

impl Reader<'_> {
    fn element(&mut self, nodes: &[NodeId], references: &impl References) -> Option<Element> {
        let pair = [nodes.first(), nodes.get(1)].map(|node| node.copied().unwrap_or(NodeId::GROUND));
        match &self.card.body {
            Body::Resistor(value) => {
                let ohms = self.number("the resistance", value, Range::Positive)?;
                let given = self.parameters(Resistor::PARAMETERS, &[]);
                let value = |name: &str| find(&given, name);
                Some(Element::Resistor(Resistor {
                    nodes: pair,
                    ohms,
                    tc1: value("TC1").unwrap_or(0.0),
                    tc2: value("TC2").unwrap_or(0.0),
                    celsius: value("TEMP"),
                    excess: value("NI").map_or(Excess::None, Excess::Index),
                    tolerance: value("TOL"),
                }))
            }
            Body::Capacitor(value) => {
                let farads = self.number("the capacitance", value, Range::NonNegative)?;
                let given = self.parameters(Capacitor::PARAMETERS, &[]);
                let polarised = find(&given, "POL").is_some_and(|value| value != 0.0);
                Some(Element::Capacitor(Capacitor { nodes: pair, farads, polarised, tolerance: find(&given, "TOL") }))
            }
            Body::Inductor(value) => {
                let henries = self.number("the inductance", value, Range::Positive)?;
                let given = self.parameters(Inductor::PARAMETERS, &[]);
                Some(Element::Inductor(Inductor { nodes: pair, henries, tolerance: find(&given, "TOL") }))
            }
            Body::Coupling(windings, value) => self.coupling(windings, value, references),
            Body::VoltageSource(given) => self.source(SourceKind::Voltage, pair, given),
            Body::CurrentSource(given) => self.source(SourceKind::Current, pair, given),
            Body::VoltageByVoltage(gain) => self.by_voltage(Drive::Voltage, nodes, gain),
            Body::CurrentByVoltage(gain) => self.by_voltage(Drive::Current, nodes, gain),
            Body::CurrentByCurrent(source, gain) => self.by_current(Drive::Current, pair, source, gain, references),
            Body::VoltageByCurrent(source, gain) => self.by_current(Drive::Voltage, pair, source, gain, references),
            Body::Diode(model, area) => self.diode(pair, model, area.as_ref(), references),
            Body::Bjt(model, area) => self.bjt(nodes, model, area.as_ref(), references),
            Body::Jfet(model, area) => self.jfet(nodes, model, area.as_ref(), references),
            // Calls are expanded before parts are read.
            Body::Call(_) => None,
        }
    }

    fn source(&mut self, kind: SourceKind, nodes: [NodeId; 2], given: &SourceValues) -> Option<Element> {
        self.parameters(&[], &[]);
        let mut number = |what: &str, value: &Option<Value>| match value {
            Some(value) => self.number(what, value, Range::Any),
            None => Some(0.0),
        };
        let dc = number("the source's value", &given.dc)?;
        let magnitude = number("the AC magnitude", &given.ac_magnitude)?;
        let phase = number("the AC phase", &given.ac_phase_degrees)?;
        Some(Element::Source(Source { nodes, kind, dc, ac: (magnitude, phase) }))
    }

    fn by_voltage(&mut self, drive: Drive, nodes: &[NodeId], gain: &Value) -> Option<Element> {
        self.parameters(&[], &[]);
        let gain = self.number("the gain", gain, Range::Any)?;
        let &[a, b, plus, minus] = nodes else { return None };
        Some(Element::Controlled(Controlled { nodes: [a, b], control: Control::Voltage([plus, minus]), drive, gain }))
    }

    fn by_current(
        &mut self,
        drive: Drive,
        nodes: [NodeId; 2],
        source: &Word,
        gain: &Value,
        references: &impl References,
    ) -> Option<Element> {
        self.parameters(&[], &[]);
        let gain = self.number("the gain", gain, Range::Any)?;
        let part = self.referred(source, 'v', "voltage source", references)?;
        let sensed = references.nodes(part);
        let &[plus, minus] = sensed.as_slice() else { return None };
        Some(Element::Controlled(Controlled { nodes, control: Control::Current(part, [plus, minus]), drive, gain }))
    }

    fn coupling(&mut self, windings: &[Word], value: &Value, references: &impl References) -> Option<Element> {
        self.parameters(&[], &[]);
        let coefficient = self.number("the coupling", value, Range::Any)?;
        if coefficient.abs() > 1.0 {
            self.report(
                Diagnostic::error(Code::BadCoupling, format!("a coupling of {coefficient} is above 1"))
                    .at(value.span())
                    .help("a good audio transformer has 0.999"),
            );
            return None;
        }
        let mut found = Vec::new();
        for word in windings {
            found.push(self.referred(word, 'l', "inductor", references));
        }
        // Inductances are filled in once what-ifs have had their say about them.
        let windings = found.into_iter().map(|part| part.map(|part| (part, 0.0))).collect::<Option<Vec<_>>>()?;
        for (at, (part, _)) in windings.iter().enumerate() {
            if windings[..at].iter().any(|(earlier, _)| earlier == part) {
                self.report(
                    Diagnostic::error(Code::BadCoupling, "a winding is coupled to itself")
                        .help("name each winding once"),
                );
                return None;
            }
        }
        Some(Element::Coupling(Coupling { windings, coefficient }))
    }

    /// The part a card names, if it has the right letter.
    fn referred(&mut self, name: &Word, letter: char, kind: &str, references: &impl References) -> Option<PartId> {
        let found = references.part(name).filter(|(_, card)| card.name.key().starts_with(letter));
        if let Some((part, _)) = found {
            return Some(part);
        }
        let error =
            Diagnostic::error(Code::UnknownReference, format!("no {kind} is called {} here", name.text)).at(name.span);
        let known = references.names(letter);
        let help = match (references.elsewhere(name), nearest(&name.text, known.iter().copied())) {
            (Some(Elsewhere::Inside(path)), _) => format!("try {path}"),
            (Some(Elsewhere::Outside), _) => {
                format!("{} stands outside this sub-circuit: put this card beside it", name.text)
            }
            (None, Some(near)) => format!("try {near}"),
            (None, None) if known.is_empty() => format!("add the {kind}"),
            (None, None) => format!("known are {}", known.join(" ")),
        };
        self.report(error.help(help));
        None
    }

    fn diode(
        &mut self,
        nodes: [NodeId; 2],
        name: &Word,
        area: Option<&Value>,
        references: &impl References,
    ) -> Option<Element> {
        let given = self.parameters(Diode::PARAMETERS, &[]);
        let Instance { area, celsius } = self.instance(&given, area)?;
        let Model::Diode(model) = self.model(name, "D", references, |model| matches!(model, Model::Diode(_)))? else {
            return None;
        };
        let model_name = name.text.clone();
        Some(Element::Diode(Diode { nodes, model_name, model: model.scaled(area), area, celsius }))
    }

    fn bjt(
        &mut self,
        nodes: &[NodeId],
        name: &Word,
        area: Option<&Value>,
        references: &impl References,
    ) -> Option<Element> {
        let given = self.parameters(Bjt::PARAMETERS, BjtModel::INSTANCE);
        let Instance { area, celsius } = self.instance(&given, area)?;
        let is_bjt = |model: &Model| matches!(model, Model::Bjt(..));
        let Model::Bjt(polarity, model) = self.model(name, "NPN or PNP", references, is_bjt)? else { return None };
        let mut model = model.scaled(area);
        for &own in BjtModel::INSTANCE {
            if let (Some(value), Some(field)) = (find(&given, own), model.field_mut(own)) {
                *field = value;
            }
        }
        let nodes = nodes.try_into().ok()?;
        Some(Element::Bjt(Bjt { nodes, polarity, model_name: name.text.clone(), model, area, celsius }))
    }

    fn jfet(
        &mut self,
        nodes: &[NodeId],
        name: &Word,
        area: Option<&Value>,
        references: &impl References,
    ) -> Option<Element> {
        let given = self.parameters(Jfet::PARAMETERS, &[]);
        let Instance { area, celsius } = self.instance(&given, area)?;
        let is_jfet = |model: &Model| matches!(model, Model::Jfet(..));
        let Model::Jfet(polarity, model) = self.model(name, "NJF or PJF", references, is_jfet)? else { return None };
        let (nodes, model) = (nodes.try_into().ok()?, model.scaled(area));
        Some(Element::Jfet(Jfet { nodes, polarity, model_name: name.text.clone(), model, area, celsius }))
    }

    fn instance(&mut self, given: &[(&'static str, f64)], area: Option<&Value>) -> Option<Instance> {
        let bare = match area {
            Some(value) => Some(self.number("the area", value, Range::Positive)?),
            None => None,
        };
        Some(Instance { area: find(given, "AREA").or(bare).unwrap_or(1.0), celsius: find(given, "TEMP") })
    }

    fn model(
        &mut self,
        name: &Word,
        wanted: &str,
        references: &impl References,
        fits: impl Fn(&Model) -> bool,
    ) -> Option<Model> {
        match references.model(name) {
            Ok(model) if fits(&model) => Some(model),
            Ok(_) => {
                let part = &self.card.name.text;
                self.report(
                    Diagnostic::error(Code::WrongModelType, format!("{part} needs a model of type {wanted}"))
                        .at(name.span)
                        .help(format!("{} is of another type; name a {wanted} model", name.text)),
                );
                None
            }
            Err(problem) => {
                self.failed = true;
                if let Some(problem) = problem {
                    self.report(problem);
                }
                None
            }
        }
    }

    /// What the card gives as `name=value`, by the names of `table` and of `extra` rows of the transistor's table.
    fn parameters(&mut self, table: &'static [Parameter], extra: &'static [&str]) -> Vec<(&'static str, f64)> {
        report_repeats(&self.card.parameters, self.problems);
        let rows = || table.iter().chain(BjtModel::TABLE.iter().filter(|row| extra.contains(&row.name)));
        let mut given = Vec::new();
        for assignment in &self.card.parameters {
            let name = assignment.name.text.to_uppercase();
            let value = rows()
                .find(|row| row.name == name)
                .ok_or_else(|| Some(unknown_parameter(&assignment.name, rows().map(|row| row.name))))
                .and_then(|row| Ok((row.name, in_range(row, assignment, self.values)?)));
            match value {
                Ok(pair) => given.push(pair),
                Err(problem) => {
                    self.failed = true;
                    if let Some(problem) = problem {
                        self.report(problem);
                    }
                }
            }
        }
        given
    }

    fn number(&mut self, what: &str, value: &Value, range: Range) -> Option<f64> {
        match self.values.value(value) {
            Ok(number) if range.contains(number) => Some(number),
            Ok(number) => {
                let what = format!("{what} of {}", self.card.name.text);
                self.report(out_of_range(&what, range, number, value));
                None
            }
            Err(problem) => {
                self.failed = true;
                if let Some(problem) = problem {
                    self.report(problem);
                }
                None
            }
        }
    }

    fn report(&mut self, problem: Diagnostic) {
        self.failed = true;
        self.problems.push(problem.in_statement(self.card.span));
    }
}

fn find(given: &[(&'static str, f64)], name: &str) -> Option<f64> {
    given.iter().find(|(known, _)| *known == name).map(|(_, value)| *value)
}
