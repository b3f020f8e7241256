//! Sub-circuits as they open and close.

use super::{Next, Reader};
use crate::diagnostic::{Code, Diagnostic};
use crate::netlist::fields::{Fields, Parsed};
use crate::netlist::{Scope, Subcircuit, Word, statement};

impl Reader<'_> {
    /// `.subckt`: what follows stands inside it.
    pub(super) fn begin(&mut self, fields: &mut Fields<'_>) -> Parsed<Next> {
        let deepest = self.limits.definition_depth;
        if self.open.len() >= deepest {
            self.files.clear();
            let message = format!("sub-circuits are nested more than {deepest} deep; the rest is not read");
            return Err(Box::new(fields.error(Code::LimitExceeded, fields.span, message)));
        }
        match statement::subckt(fields) {
            Ok(subcircuit) => {
                self.open.push(subcircuit);
                Ok(Next::Statement)
            }
            // With a bad first line it is opened all the same, without a name: or its `.ends` would end another one.
            Err(problem) => {
                let span = fields.span;
                let name = Word { text: String::new(), span };
                let body = Scope::default();
                self.open.push(Subcircuit { name, ports: Vec::new(), defaults: Vec::new(), body, span });
                Err(problem)
            }
        }
    }

    /// `.ends`: closes the innermost sub-circuit, or up to the one it names.
    pub(super) fn end(&mut self, fields: &mut Fields<'_>) -> Parsed<()> {
        let place = fields.place();
        let name = statement::ends(fields)?;
        let Some(innermost) = self.open.last() else {
            let error = fields.error(Code::UnclosedSubcircuit, place, "there is no sub-circuit to end here");
            return Err(Box::new(error.help("remove this line, or write .subckt NAME NODE … above")));
        };
        let begun = &innermost.name;
        let mut closes = self.open.len() - 1;
        if let Some(name) = name.filter(|name| !begun.text.is_empty() && name.key() != begun.key()) {
            match self.open.iter().rposition(|open| open.name.key() == name.key()) {
                Some(outer) => closes = outer,
                None => {
                    let message = format!("the sub-circuit to end here is {}, not {}", begun.text, name.text);
                    let error = fields.error(Code::UnclosedSubcircuit, name.span, message);
                    let error = error.label(begun.span, "begun here").help(format!("write .ends {}", begun.text));
                    self.diagnostics.push(error);
                }
            }
        }
        self.close_down_to(closes + 1);
        if let Some(subcircuit) = self.open.pop() {
            self.close(subcircuit);
        }
        Ok(())
    }

    /// Closes sub-circuits that nobody ended until only `depth` are open.
    pub(super) fn close_down_to(&mut self, depth: usize) {
        while self.open.len() > depth
            && let Some(subcircuit) = self.open.pop()
        {
            let name = &subcircuit.name;
            let called = if name.text.is_empty() { String::new() } else { format!(" {}", name.text) };
            let error = Diagnostic::error(Code::UnclosedSubcircuit, format!("the sub-circuit{called} never ends"));
            let error = error.at(name.span).in_statement(subcircuit.span);
            self.diagnostics.push(error.help(format!("write .ends{called} after its last part")));
            self.close(subcircuit);
        }
    }

    /// Puts a finished sub-circuit where it was defined.
    fn close(&mut self, subcircuit: Subcircuit) {
        if !subcircuit.name.text.is_empty() {
            self.scope().subcircuits.push(subcircuit);
        }
    }
}
