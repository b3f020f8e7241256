//! Models and sub-circuits of the netlist itself that no card names. Those of included files are a stock to choose from.

use std::collections::HashSet;

use crate::diagnostic::{Code, Diagnostic, SourceId};
use crate::netlist::{Body, Netlist, Scope};

/// A level of the text and the names its cards and those inside it use.
struct Level<'a> {
    scope: &'a Scope,
    next: usize,
    models: HashSet<String>,
    subcircuits: HashSet<String>,
}

impl<'a> Level<'a> {
    fn of(scope: &'a Scope) -> Self {
        let (mut models, mut subcircuits) = (HashSet::new(), HashSet::new());
        for card in &scope.cards {
            match &card.body {
                Body::Diode(name, _) | Body::Bjt(name, _) | Body::Jfet(name, _) => models.insert(name.key()),
                Body::Call(name) => subcircuits.insert(name.key()),
                _ => false,
            };
        }
        Self { scope, next: 0, models, subcircuits }
    }

    fn unused(&self, advice: &mut Vec<Diagnostic>) {
        let models = self.scope.models.iter().map(|card| ("model", &card.name, card.span, &self.models));
        let subcircuits = self.scope.subcircuits.iter();
        let subcircuits = subcircuits.map(|card| ("sub-circuit", &card.name, card.span, &self.subcircuits));
        for (kind, name, span, used) in models.chain(subcircuits) {
            if span.source == SourceId(0) && !used.contains(&name.key()) {
                let message = format!("nothing uses {kind} {}", name.text);
                let warning = Diagnostic::warning(Code::DefinitionUnused, message).at(name.span).in_statement(span);
                advice.push(warning.help("remove it, or check the name where it should be used"));
            }
        }
    }
}

/// A warning for each definition that nothing uses.
pub(super) fn definitions(netlist: &Netlist) -> Vec<Diagnostic> {
    let mut advice = Vec::new();
    let mut stack = vec![Level::of(&netlist.top)];
    while let Some(level) = stack.last_mut() {
        if let Some(inner) = level.scope.subcircuits.get(level.next) {
            level.next += 1;
            stack.push(Level::of(&inner.body));
        } else if let Some(done) = stack.pop() {
            done.unused(&mut advice);
            if let Some(outer) = stack.last_mut() {
                // What is not defined inside is looked for outside.
                let inner_models: HashSet<String> = done.scope.models.iter().map(|card| card.name.key()).collect();
                let inner_subcircuits = done.scope.subcircuits.iter().map(|card| card.name.key()).collect();
                outer.models.extend(done.models.difference(&inner_models).cloned());
                outer.subcircuits.extend(done.subcircuits.difference(&inner_subcircuits).cloned());
            }
        }
    }
    advice
}
