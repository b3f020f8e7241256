//! Symbols to a postfix program: the shunting yard of Dijkstra, Algol 60 translation (1961).

use super::lexer::{Symbol, symbol};
use super::{ExpressionError, ExpressionProblem, Function, Operator, Step};
use crate::diagnostic::{SourceId, Span};
use crate::netlist::{Limits, Word};
use crate::units::{Quantity, read_number};

/// What waits on the siding until its operands are complete.
enum Waiting {
    Negate,
    Binary(Operator, Span),
    Bracket(Span),
    Call { function: Function, commas: usize, span: Span },
}

pub(super) fn parse(limits: &Limits, text: &str, source: SourceId, start: u32) -> Result<Vec<Step>, ExpressionError> {
    let span_of = |from: usize, length: usize| {
        let from = start.saturating_add(from as u32);
        Span { source, start: from, end: from.saturating_add(length as u32) }
    };
    if text.len() > limits.expression_bytes {
        let problem = ExpressionProblem::TooLong(limits.expression_bytes);
        return Err(ExpressionError { problem, span: span_of(0, text.len()) });
    }
    let mut yard = Yard { steps: Vec::new(), waiting: Vec::new(), value_due: true, last: span_of(0, text.len()) };
    let mut rest = text.trim_start();
    while let Some(first) = rest.chars().next() {
        let at = text.len() - rest.len();
        let fail = |problem, length| ExpressionError { problem, span: span_of(at, length) };
        let Ok((after, symbol)) = symbol(rest) else {
            return Err(fail(ExpressionProblem::Character(first), first.len_utf8()));
        };
        let length = rest.len() - after.len();
        rest = after.trim_start();
        yard.last = span_of(at, length);
        yard.take(symbol, rest.starts_with('('), yard.last).map_err(|problem| fail(problem, length))?;
        if yard.waiting.len() > limits.expression_depth {
            return Err(fail(ExpressionProblem::TooDeep(limits.expression_depth), length));
        }
    }
    yard.finish()
}

struct Yard {
    steps: Vec<Step>,
    waiting: Vec<Waiting>,
    /// Whether a value is due next, rather than an operator.
    value_due: bool,
    last: Span,
}

impl Yard {
    fn take(&mut self, symbol: Symbol<'_>, bracket_follows: bool, span: Span) -> Result<(), ExpressionProblem> {
        match symbol {
            Symbol::Number(text) => {
                self.expect_value(text)?;
                let reading = read_number(text, Quantity::Other).map_err(ExpressionProblem::Number)?;
                self.steps.push(Step::Number(reading.value));
                self.value_due = false;
            }
            Symbol::Name(text) if bracket_follows => {
                self.expect_value(text)?;
                self.waiting.push(Waiting::Call { function: Function::named(text)?, commas: 0, span });
            }
            Symbol::Name(text) => {
                self.expect_value(text)?;
                self.steps.push(Step::Name { key: text.to_lowercase(), word: Word { text: text.to_owned(), span } });
                self.value_due = false;
            }
            Symbol::Sign('(') => {
                self.expect_value("(")?;
                self.waiting.push(Waiting::Bracket(span));
            }
            Symbol::Sign('-') if self.value_due => self.waiting.push(Waiting::Negate),
            Symbol::Sign('+') if self.value_due => {}
            Symbol::Sign(sign) if self.value_due => return Err(self.value_missing(sign)),
            Symbol::Sign(')') => self.close()?,
            Symbol::Sign(',') => self.comma()?,
            Symbol::Sign(sign) => {
                let operator = Operator::of(sign);
                self.settle(|waiting| operator.waits_for(waiting));
                self.waiting.push(Waiting::Binary(operator, span));
                self.value_due = true;
            }
        }
        Ok(())
    }

    fn expect_value(&self, text: &str) -> Result<(), ExpressionProblem> {
        if self.value_due { Ok(()) } else { Err(ExpressionProblem::OperatorMissing(text.to_owned())) }
    }

    fn value_missing(&self, sign: char) -> ExpressionProblem {
        // `sqrt()`: the bracket just opened belongs to a function.
        match (sign, &self.waiting[..]) {
            (')', [.., Waiting::Call { function, commas: 0, .. }, Waiting::Bracket(_)]) => {
                function.check_arguments(0).err().unwrap_or(ExpressionProblem::Unfinished)
            }
            (')', waiting) if !waiting.iter().any(|waiting| matches!(waiting, Waiting::Bracket(_))) => {
                ExpressionProblem::Unopened
            }
            _ => ExpressionProblem::ValueMissing(sign.to_string()),
        }
    }

    /// Moves operators from the siding to the program while `ready` holds.
    fn settle(&mut self, ready: impl Fn(&Waiting) -> bool) {
        while let Some(waiting) = self.waiting.pop_if(|waiting| ready(waiting)) {
            match waiting {
                Waiting::Negate => self.steps.push(Step::Negate),
                Waiting::Binary(operator, span) => self.steps.push(Step::Binary(operator, span)),
                // No caller is ready for these.
                Waiting::Bracket(_) | Waiting::Call { .. } => {}
            }
        }
    }

    fn settle_to_bracket(&mut self) {
        self.settle(|waiting| matches!(waiting, Waiting::Negate | Waiting::Binary(..)));
    }

    fn close(&mut self) -> Result<(), ExpressionProblem> {
        self.settle_to_bracket();
        if self.waiting.pop().is_none() {
            return Err(ExpressionProblem::Unopened);
        }
        if let Some(&Waiting::Call { function, commas, span }) = self.waiting.last() {
            self.waiting.pop();
            function.check_arguments(commas + 1)?;
            self.steps.push(Step::Call { function, arguments: commas + 1, span });
        }
        Ok(())
    }

    fn comma(&mut self) -> Result<(), ExpressionProblem> {
        self.settle_to_bracket();
        let [.., Waiting::Call { commas, .. }, Waiting::Bracket(_)] = &mut self.waiting[..] else {
            return Err(ExpressionProblem::Comma);
        };
        *commas += 1;
        self.value_due = true;
        Ok(())
    }

    fn finish(mut self) -> Result<Vec<Step>, ExpressionError> {
        if self.value_due {
            let nothing = self.steps.is_empty() && self.waiting.is_empty();
            let problem = if nothing { ExpressionProblem::Empty } else { ExpressionProblem::Unfinished };
            return Err(ExpressionError { problem, span: self.last });
        }
        self.settle_to_bracket();
        match self.waiting.last() {
            Some(Waiting::Bracket(span)) => Err(ExpressionError { problem: ExpressionProblem::Unclosed, span: *span }),
            _ => Ok(self.steps),
        }
    }
}

impl Operator {
    fn of(sign: char) -> Self {
        match sign {
            '+' => Operator::Add,
            '-' => Operator::Subtract,
            '*' => Operator::Multiply,
            '/' => Operator::Divide,
            _ => Operator::Power,
        }
    }

    fn rank(self) -> u8 {
        match self {
            Operator::Add | Operator::Subtract => 1,
            Operator::Multiply | Operator::Divide => 2,
            Operator::Power => 4,
        }
    }

    /// Whether `earlier` is computed before this operator: it binds tighter, or as tight and from the left.
    /// The sign of a number ranks between `*` and `^`, so `-2^2` is -4.
    fn waits_for(self, earlier: &Waiting) -> bool {
        match earlier {
            Waiting::Negate => self.rank() < 3,
            Waiting::Binary(operator, _) if self == Operator::Power => operator.rank() > self.rank(),
            Waiting::Binary(operator, _) => operator.rank() >= self.rank(),
            Waiting::Bracket(_) | Waiting::Call { .. } => false,
        }
    }
}
