//! Parameters of one scope: expressions in any order, circles found, enclosing scopes visible.

use std::collections::{HashMap, HashSet};
use std::rc::Rc;

use indexmap::{IndexMap, IndexSet};

use crate::diagnostic::{Code, Diagnostic, Span, nearest};
use crate::netlist::{Assignment, EvaluationError, Value, Word};

/// Names of a circle that a message shows.
const SHOWN_OF_CIRCLE: usize = 10;

/// A name as written and its number.
pub(super) type Named = (String, f64);

/// The values visible at one level of an expanded netlist.
#[derive(Debug)]
pub(super) struct Values {
    own: IndexMap<String, Named>,
    enclosing: Option<Rc<Values>>,
    /// Names whose value could not be computed; a message about them was given.
    failed: HashSet<String>,
}

impl Values {
    /// Computes the values of `assignments`; those `given` under the same name stand over them.
    pub fn resolve(
        assignments: &[&Assignment],
        given: IndexMap<String, Named>,
        enclosing: Option<Rc<Values>>,
        problems: &mut Vec<Diagnostic>,
    ) -> Rc<Values> {
        let mut pending: HashMap<String, &Assignment> = HashMap::new();
        let mut order = Vec::new();
        for assignment in assignments {
            let key = assignment.name.key();
            if given.contains_key(&key) {
                continue;
            }
            match pending.get(&key) {
                Some(first) => problems.push(repeated(&first.name, &assignment.name)),
                None => {
                    pending.insert(key.clone(), assignment);
                    order.push(key);
                }
            }
        }
        let mut values = Values { own: given, enclosing, failed: HashSet::new() };
        for key in order {
            values.resolve_one(key, &mut pending, problems);
        }
        Rc::new(values)
    }

    /// Computes one value and what it needs, with a stack of its own instead of recursion.
    fn resolve_one(&mut self, key: String, pending: &mut HashMap<String, &Assignment>, problems: &mut Vec<Diagnostic>) {
        let mut stack = IndexSet::from([key]);
        while let Some(key) = stack.last().cloned() {
            let Some(&assignment) = pending.get(&key) else {
                stack.pop();
                continue;
            };
            let needed = needed_names(&assignment.value).into_iter().find(|name| pending.contains_key(name));
            match needed {
                Some(needed) => match stack.get_index_of(&needed) {
                    None => {
                        stack.insert(needed);
                    }
                    Some(start) => {
                        let written = |key: &String| pending[key].name.text.as_str();
                        let circle = &mut stack.iter().skip(start).map(written);
                        let mut shown: Vec<&str> = circle.take(SHOWN_OF_CIRCLE).collect();
                        shown.extend(circle.next().map(|_| "…"));
                        shown.push(written(&needed));
                        problems.push(
                            Diagnostic::error(
                                Code::DefinitionCycle,
                                format!("parameters need each other in a circle: {}", shown.join(" needs ")),
                            )
                            .at(assignment.name.span)
                            .help("give one of them a number"),
                        );
                        for name in stack.drain(..) {
                            pending.remove(&name);
                            self.failed.insert(name);
                        }
                    }
                },
                None => {
                    pending.remove(&key);
                    stack.pop();
                    match self.value(&assignment.value) {
                        Ok(value) => {
                            self.own.insert(key, (assignment.name.text.clone(), value));
                        }
                        Err(problem) => {
                            problems.extend(problem);
                            self.failed.insert(key);
                        }
                    }
                }
            }
        }
    }

    /// The number a written value stands for.
    ///
    /// # Errors
    /// A message; none where the cause was reported before.
    pub fn value(&self, value: &Value) -> Result<f64, Option<Diagnostic>> {
        let (expression, span) = match value {
            Value::Number(number, _) => return Ok(*number),
            Value::Expression(expression, span) => (expression, *span),
        };
        if expression.names().any(|(name, _)| self.has_failed(name)) {
            return Err(None);
        }
        expression.evaluate(&mut |name| self.get(name)).map_err(|error| Some(self.explain(&error, span)))
    }

    fn explain(&self, error: &EvaluationError, whole: Span) -> Diagnostic {
        match error {
            EvaluationError::UnknownName { name, span } => {
                let message = Diagnostic::error(Code::UnknownParameter, error.to_string()).at(*span);
                match nearest(name, self.names()) {
                    Some(known) => message.help(format!("try {known}")),
                    None => message.help(format!("define it: .param {name}=1")),
                }
            }
            _ => Diagnostic::error(Code::BadExpression, error.to_string())
                .at(error.span())
                .label(whole, "in this expression")
                .help("change the parameters it uses"),
        }
    }

    fn has_failed(&self, name: &str) -> bool {
        let visible = self.levels().find_map(|values| match values.own.contains_key(name) {
            true => Some(false),
            false => values.failed.contains(name).then_some(true),
        });
        visible.unwrap_or(false)
    }

    /// The value of a name in lower case, here or in an enclosing scope.
    pub fn get(&self, name: &str) -> Option<f64> {
        self.levels().find_map(|values| values.own.get(name).map(|(_, value)| *value))
    }

    /// All visible names as written, innermost first.
    fn names(&self) -> impl Iterator<Item = &str> {
        self.levels().flat_map(|values| values.own.values().map(|(name, _)| name.as_str()))
    }

    fn levels(&self) -> impl Iterator<Item = &Values> {
        std::iter::successors(Some(self), |values| values.enclosing.as_deref())
    }
}

fn needed_names(value: &Value) -> Vec<String> {
    match value {
        Value::Number(..) => Vec::new(),
        Value::Expression(expression, _) => expression.names().map(|(name, _)| name.to_owned()).collect(),
    }
}

/// Reports names given twice in one list of `name=value`.
pub(super) fn report_repeats(assignments: &[Assignment], problems: &mut Vec<Diagnostic>) {
    let mut firsts: HashMap<String, &Word> = HashMap::new();
    for assignment in assignments {
        match firsts.get(&assignment.name.key()) {
            Some(first) => problems.push(repeated(first, &assignment.name)),
            None => {
                firsts.insert(assignment.name.key(), &assignment.name);
            }
        }
    }
}

fn repeated(first: &Word, second: &Word) -> Diagnostic {
    Diagnostic::error(Code::DuplicateName, format!("{} is given twice", second.text))
        .at(second.span)
        .label(first.span, "first given here")
        .help("keep one of the two")
}
