//! From what was written to what is meant: scopes opened, sub-circuits expanded, parts read, what-ifs applied.

use std::cell::RefCell;
use std::collections::{HashMap, HashSet};
use std::rc::Rc;
use std::sync::Arc;

use indexmap::{IndexMap, IndexSet};

use super::parameters::{Named, Values, report_repeats};
use super::parts::{self, Elsewhere, References};
use super::{
    Change, Circuit, Model, NoiseDefaults, Part, PlotPoints, change, couplings, hanging, node_id, node_key, part_id,
    topology,
};
use crate::diagnostic::{Code, Diagnostic, Span, nearest};
use crate::element::{Element, Layout, PartId, SourceKind};
use crate::mna::{NodeId, Unknown};
use crate::netlist::{Assignment, Body, Card, Limits, Netlist, NoiseStatement, Scope, Subcircuit, Word};
use crate::physics::{DEFAULT_CELSIUS, Kelvin, ZERO_CELSIUS};

/// A netlist read with its parameters, before any what-if that acts on parts: what all its variants have in common.
#[derive(Debug)]
pub(super) struct Elaborated {
    netlist: Arc<Netlist>,
    limits: Limits,
    /// Nodes that only a call mentions are still among them: a bridge may lead there.
    nodes: IndexMap<String, String>,
    parts: IndexMap<String, Part>,
    models: Arc<IndexMap<String, (String, Model)>>,
    /// Values of the outermost level's parameters, by lower-case name.
    parameters: IndexMap<String, f64>,
    ambient: Kelvin,
    noise: Option<PlotPoints>,
    ac: Option<PlotPoints>,
    /// Warnings of the cards, and messages about the points of curves: they come after those about the circuit.
    problems: Vec<Diagnostic>,
    noise_problems: Vec<Diagnostic>,
    ac_problems: Vec<Diagnostic>,
}

/// Builds a circuit from a netlist with all `changes` made.
pub(super) fn circuit(
    netlist: Arc<Netlist>,
    changes: &[Change],
    limits: &Limits,
) -> Result<(Circuit, Vec<Diagnostic>), Vec<Diagnostic>> {
    elaborate(netlist, changes, limits).and_then(|elaborated| variant(&Arc::new(elaborated), changes))
}

/// Builds the circuit of a netlist read before, whose parameters are those of `changes`, with all of these made.
pub(super) fn variant(
    base: &Arc<Elaborated>,
    changes: &[Change],
) -> Result<(Circuit, Vec<Diagnostic>), Vec<Diagnostic>> {
    let limits = &base.limits;
    let mut problems = base.problems.clone();
    let (mut nodes, mut parts, mut ambient) = (base.nodes.clone(), base.parts.clone(), base.ambient);
    if !problems.iter().any(Diagnostic::is_error) {
        for change in change::in_order(changes) {
            if let Err(problem) = change::apply(change, &mut parts, &mut nodes, &base.models, &mut ambient) {
                problems.push(problem);
            }
        }
    }
    if !problems.iter().any(Diagnostic::is_error) {
        drop_unused_nodes(&mut nodes, &mut parts);
        if fits(&nodes, &parts, limits, &mut problems) {
            couplings::settle(&mut parts, &mut problems);
        }
        let before = problems.len();
        topology::check(&nodes, &parts, ambient, &mut problems);
        change::blame_lifts(changes, &mut problems[before..]);
        hanging::check(&nodes, &parts, &mut problems);
    }
    deduplicate(&mut problems, limits);
    if problems.iter().any(Diagnostic::is_error) {
        return Err(problems);
    }
    let layout = Arc::new(layout(nodes.len(), &parts));
    let mut circuit = Circuit {
        title: base.netlist.title.clone(),
        ambient,
        noise: None,
        ac: base.ac,
        nodes: Arc::new(nodes),
        parts,
        models: Arc::clone(&base.models),
        layout,
        base: Arc::clone(base),
        changes: changes.to_vec(),
        adjustments: Vec::new(),
    };
    if let Some(card) = &base.netlist.noise {
        circuit.noise = noise_defaults(card, &circuit, base.noise, &mut problems);
    }
    problems.extend_from_slice(&base.noise_problems);
    problems.extend_from_slice(&base.ac_problems);
    deduplicate(&mut problems, limits);
    if problems.iter().any(Diagnostic::is_error) { Err(problems) } else { Ok((circuit, problems)) }
}

/// Opens scopes, expands sub-circuits, and reads every part; of `changes`, those of parameters act here.
pub(super) fn elaborate(
    netlist: Arc<Netlist>,
    changes: &[Change],
    limits: &Limits,
) -> Result<Elaborated, Vec<Diagnostic>> {
    let mut problems = Vec::new();
    let top = Level::top(&netlist.top, changes, &mut problems);
    let flat = match Flat::expand(&top, limits, &mut problems) {
        Ok(flat) => flat,
        Err(beyond) => {
            problems.push(*beyond);
            deduplicate(&mut problems, limits);
            return Err(problems);
        }
    };
    let parts = flat.read_parts(limits, &mut problems);
    let models = Arc::new(top_models(&top, &mut problems));
    let nodes = flat.nodes;
    let named = netlist.top.parameters.iter().map(|assignment| assignment.name.key());
    let parameters = named.filter_map(|name| top.values.get(&name).map(|value| (name, value))).collect();
    let ambient = ambient(&netlist, &top.values, &mut problems);
    if problems.iter().any(Diagnostic::is_error) {
        deduplicate(&mut problems, limits);
        return Err(problems);
    }
    let (mut noise_problems, mut ac_problems) = (Vec::new(), Vec::new());
    let noise = netlist.noise.as_ref();
    let noise = noise.and_then(|card| parts::plot_points(&card.sweep, &top.values, limits, &mut noise_problems));
    let ac = netlist.ac.as_ref();
    let ac = ac.and_then(|card| parts::plot_points(&card.sweep, &top.values, limits, &mut ac_problems));
    Ok(Elaborated {
        netlist: Arc::clone(&netlist),
        limits: limits.clone(),
        nodes,
        parts,
        models,
        parameters,
        ambient,
        noise,
        ac,
        problems,
        noise_problems,
        ac_problems,
    })
}

impl Elaborated {
    /// The netlist it was read from.
    pub fn netlist(&self) -> &Arc<Netlist> {
        &self.netlist
    }

    /// The value of a parameter of the outermost level, by lower-case name.
    pub fn parameter(&self, name: &str) -> Option<f64> {
        self.parameters.get(name).copied()
    }

    /// The limits it was read under.
    pub fn limits(&self) -> &Limits {
        &self.limits
    }
}

/// Whether the equations are small enough for the solver.
fn fits(
    nodes: &IndexMap<String, String>,
    parts: &IndexMap<String, Part>,
    limits: &Limits,
    problems: &mut Vec<Diagnostic>,
) -> bool {
    let windings = parts.values().map(|part| match &part.element {
        Element::Coupling(coupling) => coupling.windings.len(),
        _ => 0,
    });
    let pairs: usize = windings.map(|count| count * count.saturating_sub(1) / 2).sum();
    if pairs > limits.coupled_pairs {
        let message =
            format!("{pairs} pairs of windings are coupled; more than {} take too long", limits.coupled_pairs);
        let error = Diagnostic::error(Code::LimitExceeded, message);
        problems.push(error.help("couple only windings on one core"));
        return false;
    }
    let unknowns = layout(nodes.len(), parts).with_temperatures;
    if unknowns <= limits.unknowns {
        return true;
    }
    let message = format!(
        "the circuit has {unknowns} unknowns (nodes, inner nodes of devices, branch currents); more than {} take too long",
        limits.unknowns
    );
    let error = Diagnostic::error(Code::LimitExceeded, message);
    problems.push(error.help("compute one channel or one board at a time"));
    false
}

/// One level of names: the outermost one, or the inside of one call of a sub-circuit.
struct Level<'a> {
    scope: &'a Scope,
    definitions: Rc<Definitions>,
    values: Rc<Values>,
    outer: Option<Rc<Level<'a>>>,
    /// Models read so far, so that a model with a fault is reported once.
    models: RefCell<HashMap<String, Option<Model>>>,
    problems: RefCell<Vec<Diagnostic>>,
}

/// Where the models and sub-circuits of a scope stand in its lists, by lower-case name.
#[derive(Default)]
struct Definitions {
    models: HashMap<String, usize>,
    subcircuits: HashMap<String, usize>,
}

impl<'a> Level<'a> {
    fn top(scope: &'a Scope, changes: &[Change], problems: &mut Vec<Diagnostic>) -> Rc<Self> {
        let mut given: IndexMap<String, Named> = IndexMap::new();
        for change in changes {
            let Change::Parameter { name, value } = change else { continue };
            let key = name.to_lowercase();
            match scope.parameters.iter().find(|assignment| assignment.name.key() == key) {
                Some(assignment) => {
                    given.insert(key, (assignment.name.text.clone(), *value));
                }
                None => {
                    let known = || scope.parameters.iter().map(|assignment| assignment.name.text.as_str());
                    let error = Diagnostic::error(Code::UnknownParameter, format!("no .param is called {name}"));
                    problems.push(match (nearest(name, known()), known().collect::<Vec<_>>()) {
                        (Some(near), _) => error.help(format!("try {near}")),
                        (None, known) if known.is_empty() => error.help("the netlist has no .param"),
                        (None, known) => error.help(format!("known are {}", known.join(" "))),
                    });
                }
            }
        }
        let assignments: Vec<&Assignment> = scope.parameters.iter().collect();
        let values = Values::resolve(&assignments, given, None, problems);
        let definitions = Rc::new(definitions(scope, problems));
        Rc::new(Self {
            scope,
            definitions,
            values,
            outer: None,
            models: RefCell::default(),
            problems: RefCell::default(),
        })
    }

    fn outwards(&self) -> impl Iterator<Item = &Level<'a>> {
        std::iter::successors(Some(self), |level| level.outer.as_deref())
    }

    /// The model of a name, here or further out.
    fn model(&self, name: &Word) -> Result<Model, Option<Diagnostic>> {
        let key = name.key();
        for level in self.outwards() {
            let Some(&position) = level.definitions.models.get(&key) else { continue };
            let card = &level.scope.models[position];
            let mut models = level.models.borrow_mut();
            let model = models
                .entry(key)
                .or_insert_with(|| parts::model(card, &level.values, &mut level.problems.borrow_mut()));
            return model.clone().ok_or(None);
        }
        let known = || self.outwards().flat_map(|level| level.scope.models.iter());
        let error = Diagnostic::error(Code::UnknownModel, format!("no model is called {}", name.text)).at(name.span);
        let near = nearest(&name.text, known().map(|card| card.name.text.as_str()));
        Err(Some(match near.and_then(|near| known().find(|card| card.name.text == near)) {
            Some(card) => error.help(format!("try {}", card.name.text)).label(card.span, "defined here"),
            None => error.help(format!("add: .model {} NPN (BF=100)", name.text)),
        }))
    }
}

/// A frame of the expansion: one level being walked through, card by card.
struct Frame<'a> {
    level: Rc<Level<'a>>,
    subcircuit: Option<&'a Subcircuit>,
    next: usize,
    prefix: String,
    ports: HashMap<String, NodeId>,
    calls: Vec<Span>,
}

/// A card of the expanded netlist.
struct FlatCard<'a> {
    name: String,
    card: &'a Card,
    nodes: Vec<NodeId>,
    level: Rc<Level<'a>>,
    prefix: String,
    calls: Vec<Span>,
}

/// The expanded netlist: cards by lower-case path, nodes by lower-case path.
struct Flat<'a> {
    cards: IndexMap<String, FlatCard<'a>>,
    nodes: IndexMap<String, String>,
    levels: Vec<Rc<Level<'a>>>,
    /// Definitions of the sub-circuits called so far, by the place of their `.subckt`.
    definitions: HashMap<Span, Rc<Definitions>>,
    /// Cards, connections and parameters gone through so far.
    walked: usize,
    /// Bytes of names so far.
    name_bytes: usize,
}

impl<'a> Flat<'a> {
    /// Walks the netlist with a stack of its own: the depth of calls is the input's to choose.
    ///
    /// # Errors
    /// The limit that it goes beyond.
    fn expand(top: &Rc<Level<'a>>, limits: &Limits, problems: &mut Vec<Diagnostic>) -> Result<Self, Box<Diagnostic>> {
        let mut flat = Flat {
            cards: IndexMap::new(),
            nodes: IndexMap::from([("0".to_owned(), "0".to_owned())]),
            levels: vec![Rc::clone(top)],
            definitions: HashMap::new(),
            walked: 0,
            name_bytes: 0,
        };
        let mut stack = vec![Frame {
            level: Rc::clone(top),
            subcircuit: None,
            next: 0,
            prefix: String::new(),
            ports: HashMap::new(),
            calls: Vec::new(),
        }];
        while let Some(frame) = stack.last_mut() {
            let Some(card) = frame.level.scope.cards.get(frame.next) else {
                stack.pop();
                continue;
            };
            frame.next += 1;
            flat.walked += 1 + card.nodes.len();
            flat.within(limits).map_err(|message| beyond(message, card, &frame.calls))?;
            let nodes: Vec<NodeId> = card.nodes.iter().map(|word| flat.node(word, frame)).collect();
            match &card.body {
                Body::Call(name) => {
                    if let Some(inner) = flat.call(card, name, nodes, &stack, limits, problems) {
                        flat.levels.push(Rc::clone(&inner.level));
                        stack.push(inner);
                    }
                }
                _ => flat.add(card, nodes, frame, problems),
            }
        }
        Ok(flat)
    }

    fn within(&self, limits: &Limits) -> Result<(), String> {
        if self.cards.len() >= limits.parts {
            Err(format!("the circuit has more than {} parts", limits.parts))
        } else if self.walked > limits.expansion {
            Err(format!("expanding the sub-circuits goes through more than {} cards and values", limits.expansion))
        } else if self.name_bytes > limits.expanded_name_bytes {
            Err(format!("the names of the expanded circuit have more than {} bytes", limits.expanded_name_bytes))
        } else {
            Ok(())
        }
    }

    fn node(&mut self, word: &Word, frame: &Frame) -> NodeId {
        let local = node_key(&word.text);
        if local == "0" {
            return NodeId::GROUND;
        }
        if let Some(&outside) = frame.ports.get(&local) {
            return outside;
        }
        let key = format!("{}{local}", frame.prefix.to_lowercase());
        let entry = self.nodes.entry(key);
        let position = entry.index();
        if let indexmap::map::Entry::Vacant(new) = &entry {
            self.name_bytes += new.key().len();
        }
        entry.or_insert_with(|| format!("{}{}", frame.prefix, word.text));
        node_id(position)
    }

    fn add(&mut self, card: &'a Card, nodes: Vec<NodeId>, frame: &Frame<'a>, problems: &mut Vec<Diagnostic>) {
        let name = format!("{}{}", frame.prefix, card.name.text);
        let key = name.to_lowercase();
        if let Some(first) = self.cards.get(&key) {
            problems.push(duplicate("part", &card.name, first.card.name.span).in_statement(card.span));
            return;
        }
        let flat = FlatCard {
            name,
            card,
            nodes,
            level: Rc::clone(&frame.level),
            prefix: frame.prefix.clone(),
            calls: frame.calls.clone(),
        };
        self.name_bytes += key.len();
        self.cards.insert(key, flat);
    }

    /// Opens the sub-circuit that a card calls.
    fn call(
        &mut self,
        card: &'a Card,
        name: &Word,
        nodes: Vec<NodeId>,
        stack: &[Frame<'a>],
        limits: &Limits,
        problems: &mut Vec<Diagnostic>,
    ) -> Option<Frame<'a>> {
        let caller = stack.last()?;
        let mut report = |problem: Diagnostic| {
            let problem = problem.in_statement(card.span);
            problems.push(caller.calls.iter().fold(problem, |problem, &at| problem.label(at, "reached by this call")));
        };
        let key = name.key();
        let found = caller.level.find_subcircuit(&key);
        let Some((subcircuit, home)) = found else {
            let error = Diagnostic::error(Code::UnknownSubcircuit, format!("no sub-circuit is called {}", name.text))
                .at(name.span);
            let known = caller.level.outwards().flat_map(|level| &level.scope.subcircuits);
            report(match nearest(&name.text, known.map(|known| known.name.text.as_str())) {
                Some(near) => error.help(format!("try {near}")),
                None => error.help(format!("add: .subckt {} with its nodes, and .ends", name.text)),
            });
            return None;
        };
        if stack.iter().any(|frame| frame.subcircuit.is_some_and(|open| std::ptr::eq(open, subcircuit))) {
            report(
                Diagnostic::error(Code::DefinitionCycle, format!("sub-circuit {} contains itself", name.text))
                    .at(name.span)
                    .help("call another one here"),
            );
            return None;
        }
        if stack.len() > limits.call_depth {
            report(
                Diagnostic::error(Code::LimitExceeded, format!("sub-circuits nest deeper than {}", limits.call_depth))
                    .at(name.span)
                    .help("call the innermost ones from further out"),
            );
            return None;
        }
        if nodes.len() != subcircuit.ports.len() {
            let (given, wanted) = (nodes.len(), subcircuit.ports.len());
            let ports: Vec<&str> = subcircuit.ports.iter().map(|port| port.text.as_str()).collect();
            report(
                Diagnostic::error(
                    Code::FieldCount,
                    format!("{} gives {given} nodes to {}, which has {wanted}", card.name.text, name.text),
                )
                .at(card.name.span)
                .label(subcircuit.span, "defined here")
                .help(format!("its nodes are {}", ports.join(" "))),
            );
            return None;
        }
        let given = given_parameters(card, subcircuit, &caller.level.values, &mut report);
        let declared: Vec<&Assignment> = subcircuit.defaults.iter().chain(&subcircuit.body.parameters).collect();
        let mut inner_problems = Vec::new();
        let values = Values::resolve(&declared, given, Some(Rc::clone(&home.values)), &mut inner_problems);
        inner_problems.into_iter().for_each(&mut report);
        let ports = subcircuit.ports.iter().map(|port| node_key(&port.text)).zip(nodes).collect();
        self.walked += declared.len() + subcircuit.ports.len();
        let known = self.definitions.entry(subcircuit.span);
        let definitions = Rc::clone(known.or_insert_with(|| Rc::new(definitions(&subcircuit.body, problems))));
        let level = Level {
            scope: &subcircuit.body,
            definitions,
            values,
            outer: Some(home),
            models: RefCell::default(),
            problems: RefCell::default(),
        };
        Some(Frame {
            level: Rc::new(level),
            subcircuit: Some(subcircuit),
            next: 0,
            prefix: format!("{}{}.", caller.prefix, card.name.text),
            ports,
            calls: caller.calls.iter().copied().chain([card.span]).collect(),
        })
    }

    /// Reads every card; those with a fault are left out and reported.
    fn read_parts(&self, limits: &Limits, problems: &mut Vec<Diagnostic>) -> IndexMap<String, Part> {
        let mut parts = IndexMap::new();
        let mut seen = HashSet::new();
        for (key, flat) in &self.cards {
            if problems.len() >= limits.messages {
                problems.push(flooded(limits));
                break;
            }
            let mut own = Vec::new();
            let references = Neighbours { flat: self, from: flat };
            let element = parts::element(flat.card, &flat.nodes, &flat.level.values, &references, &mut own);
            own.retain(|problem| seen.insert((problem.code, problem.span, problem.message.clone())));
            problems.extend(own.into_iter().map(|problem| {
                flat.calls.iter().fold(problem, |problem, &call| problem.label(call, "reached by this call"))
            }));
            if let Some(element) = element {
                let part =
                    Part { name: flat.name.clone(), element, card: Some(flat.card.span), calls: flat.calls.clone() };
                parts.insert(key.clone(), part);
            }
        }
        for level in &self.levels {
            problems.append(&mut level.problems.borrow_mut());
        }
        parts
    }
}

/// What a card sees by name.
struct Neighbours<'f, 'a> {
    flat: &'f Flat<'a>,
    from: &'f FlatCard<'a>,
}

impl References for Neighbours<'_, '_> {
    fn model(&self, name: &Word) -> Result<Model, Option<Diagnostic>> {
        self.from.level.model(name)
    }

    fn part(&self, name: &Word) -> Option<(PartId, &Card)> {
        let key = format!("{}{}", self.from.prefix, name.text).to_lowercase();
        let (position, _, found) = self.flat.cards.get_full(&key)?;
        Some((part_id(position), found.card))
    }

    fn nodes(&self, part: PartId) -> Vec<NodeId> {
        self.flat.cards[part.index()].nodes.clone()
    }

    fn names(&self, letter: char) -> Vec<&str> {
        let cards = self.from.level.scope.cards.iter();
        let begins = |name: &&str| name.starts_with(|first: char| first.eq_ignore_ascii_case(&letter));
        cards.map(|card| card.name.text.as_str()).filter(begins).collect()
    }

    fn elsewhere(&self, name: &Word) -> Option<Elsewhere<'_>> {
        let found = self.flat.cards.values().find(|other| other.card.name.key() == name.key())?;
        Some(match found.name.get(..self.from.prefix.len()) {
            Some(start) if start.eq_ignore_ascii_case(&self.from.prefix) => {
                Elsewhere::Inside(&found.name[self.from.prefix.len()..])
            }
            _ => Elsewhere::Outside,
        })
    }
}

impl<'a> Level<'a> {
    /// The sub-circuit of a name, here or further out, and the level it is defined on.
    fn find_subcircuit(self: &Rc<Self>, key: &str) -> Option<(&'a Subcircuit, Rc<Level<'a>>)> {
        let mut level = Some(Rc::clone(self));
        while let Some(here) = level {
            let scope: &'a Scope = here.scope;
            if let Some(&position) = here.definitions.subcircuits.get(key) {
                return Some((&scope.subcircuits[position], here));
            }
            level = here.outer.clone();
        }
        None
    }
}

/// The values a call gives, computed where the call stands.
fn given_parameters(
    card: &Card,
    subcircuit: &Subcircuit,
    caller: &Values,
    report: &mut impl FnMut(Diagnostic),
) -> IndexMap<String, Named> {
    let declared: HashSet<String> = subcircuit.defaults.iter().map(|default| default.name.key()).collect();
    let mut repeats = Vec::new();
    report_repeats(&card.parameters, &mut repeats);
    repeats.into_iter().for_each(&mut *report);
    let mut given = IndexMap::new();
    for assignment in &card.parameters {
        let key = assignment.name.key();
        if !declared.contains(&key) {
            let known = || subcircuit.defaults.iter().map(|default| default.name.text.as_str());
            let message =
                format!("sub-circuit {} declares no parameter {}", subcircuit.name.text, assignment.name.text);
            let error = Diagnostic::error(Code::UnknownParameter, message)
                .at(assignment.name.span)
                .label(subcircuit.span, "defined here");
            report(match nearest(&assignment.name.text, known()) {
                Some(near) => error.help(format!("try {near}")),
                None => error.help(format!("declare it: PARAMS: {}=1", assignment.name.text)),
            });
            continue;
        }
        match caller.value(&assignment.value) {
            Ok(value) => {
                given.insert(key, (assignment.name.text.clone(), value));
            }
            Err(problem) => problem.into_iter().for_each(&mut *report),
        }
    }
    given
}

/// Indexes the definitions of one scope and reports those that share a name.
fn definitions(scope: &Scope, problems: &mut Vec<Diagnostic>) -> Definitions {
    let mut definitions = Definitions::default();
    for (position, card) in scope.models.iter().enumerate() {
        match definitions.models.get(&card.name.key()) {
            Some(&first) => {
                let first = scope.models[first].name.span;
                problems.push(duplicate("model", &card.name, first).in_statement(card.span));
            }
            None => {
                definitions.models.insert(card.name.key(), position);
            }
        }
    }
    for (position, subcircuit) in scope.subcircuits.iter().enumerate() {
        match definitions.subcircuits.get(&subcircuit.name.key()) {
            Some(&first) => {
                let first = scope.subcircuits[first].name.span;
                problems.push(duplicate("sub-circuit", &subcircuit.name, first).in_statement(subcircuit.span));
            }
            None => {
                definitions.subcircuits.insert(subcircuit.name.key(), position);
            }
        }
        let mut ports: HashMap<String, Span> = HashMap::new();
        for port in &subcircuit.ports {
            match ports.get(&port.key()) {
                Some(&first) => problems.push(duplicate("node", port, first).in_statement(subcircuit.span)),
                None => {
                    ports.insert(port.key(), port.span);
                }
            }
        }
    }
    definitions
}

/// A limit that a card goes beyond.
fn beyond(message: String, card: &Card, calls: &[Span]) -> Box<Diagnostic> {
    let error = Diagnostic::error(Code::LimitExceeded, message).at(card.name.span).in_statement(card.span);
    let error = error.help("leave out what the question does not need");
    Box::new(calls.iter().fold(error, |error, &call| error.label(call, "reached by this call")))
}

fn duplicate(kind: &str, second: &Word, first: Span) -> Diagnostic {
    Diagnostic::error(Code::DuplicateName, format!("another {kind} is called {} already", second.text))
        .at(second.span)
        .label(first, "the first one")
        .help("give one of them another name")
}

/// The models of the outermost level by lower-case name, with their names as written; nothing else of it is looked at.
pub(super) fn models(netlist: &Netlist, problems: &mut Vec<Diagnostic>) -> IndexMap<String, (String, Model)> {
    let top = Level::top(&netlist.top, &[], problems);
    top_models(&top, problems)
}

fn top_models(top: &Rc<Level>, problems: &mut Vec<Diagnostic>) -> IndexMap<String, (String, Model)> {
    let mut models = IndexMap::new();
    for card in &top.scope.models {
        if let Ok(model) = top.model(&card.name) {
            models.insert(card.name.key(), (card.name.text.clone(), model));
        }
    }
    problems.append(&mut top.problems.borrow_mut());
    models
}

fn ambient(netlist: &Netlist, values: &Values, problems: &mut Vec<Diagnostic>) -> Kelvin {
    let Some(written) = &netlist.ambient_celsius else { return Kelvin::from_celsius(DEFAULT_CELSIUS) };
    match values.value(written) {
        Ok(celsius) if celsius > -ZERO_CELSIUS => return Kelvin::from_celsius(celsius),
        Ok(celsius) => problems.push(
            Diagnostic::error(Code::ValueOutOfRange, format!("{celsius} °C is below absolute zero"))
                .at(written.span())
                .help("write degrees Celsius: .temp 27"),
        ),
        Err(problem) => problems.extend(problem),
    }
    Kelvin::from_celsius(DEFAULT_CELSIUS)
}

fn noise_defaults(
    card: &NoiseStatement,
    circuit: &Circuit,
    points: Option<PlotPoints>,
    problems: &mut Vec<Diagnostic>,
) -> Option<NoiseDefaults> {
    let mut report = |problem: Diagnostic, word: &Word| {
        problems.push(Diagnostic { code: Code::UnknownReference, ..problem }.at(word.span).in_statement(card.span));
    };
    let mut node = |word: &Word| circuit.find_node(&word.text).map_err(|problem| report(problem, word)).ok();
    let output = node(&card.output);
    let reference = match &card.reference {
        Some(word) => node(word),
        None => Some(NodeId::GROUND),
    };
    let is_source = |part: PartId| matches!(circuit.part(part).element, Element::Source(_));
    let source = match circuit.find_part(&card.source.text) {
        Ok(part) if is_source(part) => Some(part),
        Ok(_) => {
            let error = Diagnostic::error(Code::UnknownReference, format!("{} is no source", card.source.text));
            report(error.help("name a V or I element"), &card.source);
            None
        }
        Err(_) if change::is_lifted(&circuit.changes, &card.source.text) => {
            let message = format!("{} is the input of .noise and stays in", card.source.text);
            problems.push(change::unfit(message, "open its connection instead: --fault VIN=open"));
            None
        }
        Err(problem) => {
            report(problem, &card.source);
            None
        }
    };
    Some(NoiseDefaults { output: (output?, reference?), source: source?, points: points? })
}

/// Nodes that only a call mentions (a pin its sub-circuit does not use) are no nodes of the circuit.
fn drop_unused_nodes(nodes: &mut IndexMap<String, String>, parts: &mut IndexMap<String, Part>) {
    let mut used: IndexSet<NodeId> = IndexSet::from([NodeId::GROUND]);
    used.extend(parts.values().flat_map(|part| part.element.nodes()));
    if used.len() == nodes.len() {
        return;
    }
    let renumbered: HashMap<NodeId, NodeId> = (0..nodes.len())
        .map(node_id)
        .filter(|node| used.contains(node))
        .enumerate()
        .map(|(position, old)| (old, node_id(position)))
        .collect();
    let kept = nodes.drain(..).enumerate().filter(|(position, _)| used.contains(&node_id(*position)));
    let kept: IndexMap<String, String> = kept.map(|(_, entry)| entry).collect();
    *nodes = kept;
    for part in parts.values_mut() {
        part.element.renumber(|node| renumbered[&node]);
    }
}

/// Numbers the unknowns.
pub(super) fn layout(nodes: usize, parts: &IndexMap<String, Part>) -> Layout {
    let mut next = node_id(nodes).0;
    let mut layout = Layout::default();
    for part in parts.values() {
        layout.first_inner.push(Unknown(next));
        next += part.element.inner_unknowns();
    }
    layout.electrical = next as usize - 1;
    for part in parts.values() {
        let heated = part.element.heats_itself();
        layout.temperature.push(heated.then_some(Unknown(next)));
        next += u32::from(heated);
    }
    layout.with_temperatures = next as usize - 1;
    layout
}

/// A sub-circuit with a fault reports it at every call: once is enough.
fn deduplicate(problems: &mut Vec<Diagnostic>, limits: &Limits) {
    let mut seen = IndexSet::new();
    problems.retain(|problem| seen.insert((problem.code, problem.span, problem.message.clone())));
    if problems.len() > limits.messages {
        problems.truncate(limits.messages);
        problems.push(flooded(limits));
    }
}

fn flooded(limits: &Limits) -> Diagnostic {
    let message = format!("{} messages: the rest is not looked at", limits.messages);
    Diagnostic::error(Code::LimitExceeded, message).help("mend these first")
}

/// Whether a part is a voltage source, for tracing supplies.
pub(super) fn is_voltage_source(element: &Element) -> bool {
    matches!(element, Element::Source(source) if source.kind == SourceKind::Voltage)
}
