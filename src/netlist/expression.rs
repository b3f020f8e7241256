//! What stands between braces: `{2*pi*sqrt(r)}`.
//!
//! The text becomes a flat postfix program, by Dijkstra's shunting yard, so that neither reading nor computing it
//! calls itself: a text of ten thousand brackets needs no more stack than one.

mod lexer;
mod parser;

use super::{Limits, Word};
use crate::diagnostic::{SourceId, Span, nearest};
use crate::units::NumberError;

/// An expression, ready to be computed.
#[derive(Clone, Debug, PartialEq)]
pub struct Expression {
    steps: Vec<Step>,
}

/// One step of the program: push a number, or replace the topmost numbers by a result.
#[derive(Clone, Debug, PartialEq)]
enum Step {
    Number(f64),
    Name { key: String, word: Word },
    Negate,
    Binary(Operator, Span),
    Call { function: Function, arguments: usize, span: Span },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Operator {
    Add,
    Subtract,
    Multiply,
    Divide,
    Power,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Function {
    SquareRoot,
    Exponential,
    Ln,
    Log10,
    Absolute,
    Minimum,
    Maximum,
}

/// The functions by name.
const FUNCTIONS: [(&str, Function); 7] = [
    ("sqrt", Function::SquareRoot),
    ("exp", Function::Exponential),
    ("ln", Function::Ln),
    ("log10", Function::Log10),
    ("abs", Function::Absolute),
    ("min", Function::Minimum),
    ("max", Function::Maximum),
];

/// Why a text is no expression, and where.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{problem}")]
pub struct ExpressionError {
    /// What is wrong.
    pub problem: ExpressionProblem,
    /// Where.
    pub span: Span,
}

/// What is wrong with an expression.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ExpressionProblem {
    /// Nothing between the braces.
    #[error("the expression is empty")]
    Empty,
    /// Longer than [`Limits::expression_bytes`].
    #[error("the expression is longer than {0} bytes")]
    TooLong(usize),
    /// More open brackets, signs and powers than [`Limits::expression_depth`].
    #[error("the expression is nested more than {0} deep")]
    TooDeep(usize),
    /// A number that cannot be read.
    #[error(transparent)]
    Number(NumberError),
    /// A character without meaning.
    #[error("{0:?} has no meaning in an expression")]
    Character(char),
    /// A number, name or bracket was due.
    #[error("a number or name is missing before {0}")]
    ValueMissing(String),
    /// A number, name or bracket was due, but the text ends.
    #[error("the expression stops after an operator")]
    Unfinished,
    /// Two values without an operator between them.
    #[error("an operator is missing before {0}")]
    OperatorMissing(String),
    /// An opening bracket without its partner.
    #[error("the bracket is never closed")]
    Unclosed,
    /// A closing bracket without its partner.
    #[error("the bracket was never opened")]
    Unopened,
    /// A comma outside a function's brackets.
    #[error("the comma stands outside a function's brackets")]
    Comma,
    /// A function that is not known.
    #[error("no function is called {name}")]
    UnknownFunction {
        /// As written.
        name: String,
        /// The nearest function.
        nearest: Option<&'static str>,
    },
    /// Too few or too many arguments.
    #[error("{name} takes {takes}, not {given}")]
    Arguments {
        /// The function.
        name: &'static str,
        /// How many it takes, in words.
        takes: &'static str,
        /// How many were given.
        given: usize,
    },
}

impl ExpressionProblem {
    /// What to type instead, where that is clear.
    pub fn help(&self) -> Option<String> {
        match self {
            Self::Number(error) => error.help(),
            Self::Empty => Some("write a number or an expression between the braces".to_owned()),
            Self::Comma => Some("write a decimal point for a decimal comma".to_owned()),
            Self::TooLong(_) | Self::TooDeep(_) => Some("name a part of it in a .param of its own".to_owned()),
            Self::UnknownFunction { nearest: Some(name), .. } => Some(format!("try {name}")),
            Self::UnknownFunction { nearest: None, .. } => {
                Some(format!("the functions are {}", FUNCTIONS.map(|(name, _)| name).join(" ")))
            }
            _ => None,
        }
    }
}

/// Why an expression has no value, and where.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum EvaluationError {
    /// A name that the caller does not know.
    #[error("no parameter is called {name}")]
    UnknownName {
        /// As written.
        name: String,
        /// Where.
        span: Span,
    },
    /// A division by zero.
    #[error("division by zero")]
    DivisionByZero {
        /// The operator.
        span: Span,
    },
    /// The square root of a negative number.
    #[error("square root of a negative number")]
    RootOfNegative {
        /// The function's name.
        span: Span,
    },
    /// The logarithm of zero or of a negative number.
    #[error("logarithm of zero or of a negative number")]
    LogarithmOfNonPositive {
        /// The function's name.
        span: Span,
    },
    /// A power of a negative number that is no real number.
    #[error("broken power of a negative number")]
    PowerOfNegative {
        /// The operator.
        span: Span,
    },
    /// A result too large to be held.
    #[error("the result is too large to compute with")]
    TooLarge {
        /// The operator, function or name.
        span: Span,
    },
}

impl EvaluationError {
    /// Where it happened.
    pub fn span(&self) -> Span {
        match self {
            Self::UnknownName { span, .. }
            | Self::DivisionByZero { span }
            | Self::RootOfNegative { span }
            | Self::LogarithmOfNonPositive { span }
            | Self::PowerOfNegative { span }
            | Self::TooLarge { span } => *span,
        }
    }
}

impl Expression {
    /// Reads the text between the braces; its first byte is byte `start` of `source`.
    ///
    /// # Errors
    /// Says what is wrong and where; the first fault ends the reading.
    pub fn parse(text: &str, source: SourceId, start: u32) -> Result<Self, ExpressionError> {
        Self::parse_with(&Limits::default(), text, source, start)
    }

    /// As [`Expression::parse`], with limits of the caller's own.
    ///
    /// # Errors
    /// As [`Expression::parse`].
    pub fn parse_with(limits: &Limits, text: &str, source: SourceId, start: u32) -> Result<Self, ExpressionError> {
        parser::parse(limits, text, source, start).map(|steps| Self { steps })
    }

    /// How many steps it takes to compute it.
    pub(super) fn len(&self) -> usize {
        self.steps.len()
    }

    /// The names used, in lower case and in order of writing, as often as they are used.
    pub fn names(&self) -> impl Iterator<Item = (&str, Span)> {
        self.steps.iter().filter_map(|step| match step {
            Step::Name { key, word } => Some((key.as_str(), word.span)),
            _ => None,
        })
    }

    /// Computes the value; `lookup` gets names in lower case.
    ///
    /// # Errors
    /// The first name that `lookup` does not know, or the first step without a finite result.
    pub fn evaluate(&self, lookup: &mut dyn FnMut(&str) -> Option<f64>) -> Result<f64, EvaluationError> {
        let mut stack: Vec<f64> = Vec::new();
        for step in &self.steps {
            let value = match step {
                Step::Number(value) => *value,
                Step::Name { key, word } => {
                    let unknown = || EvaluationError::UnknownName { name: word.text.clone(), span: word.span };
                    finite(lookup(key).ok_or_else(unknown)?, word.span)?
                }
                Step::Negate => -pop(&mut stack),
                Step::Binary(operator, span) => {
                    let right = pop(&mut stack);
                    operator.apply(pop(&mut stack), right, *span)?
                }
                Step::Call { function, arguments, span } => {
                    let given = stack.split_off(stack.len().saturating_sub(*arguments));
                    function.apply(&given, *span)?
                }
            };
            stack.push(value);
        }
        Ok(pop(&mut stack))
    }
}

fn pop(stack: &mut Vec<f64>) -> f64 {
    stack.pop().expect("the parser gives every operator its operands")
}

fn finite(value: f64, span: Span) -> Result<f64, EvaluationError> {
    if value.is_finite() { Ok(value) } else { Err(EvaluationError::TooLarge { span }) }
}

impl Operator {
    fn apply(self, left: f64, right: f64, span: Span) -> Result<f64, EvaluationError> {
        let value = match self {
            Operator::Add => left + right,
            Operator::Subtract => left - right,
            Operator::Multiply => left * right,
            Operator::Divide if right == 0.0 => return Err(EvaluationError::DivisionByZero { span }),
            Operator::Divide => left / right,
            Operator::Power if left == 0.0 && right < 0.0 => return Err(EvaluationError::DivisionByZero { span }),
            Operator::Power => left.powf(right),
        };
        if value.is_nan() { Err(EvaluationError::PowerOfNegative { span }) } else { finite(value, span) }
    }
}

impl Function {
    fn named(name: &str) -> Result<Self, ExpressionProblem> {
        let known = FUNCTIONS.iter().find(|(known, _)| known.eq_ignore_ascii_case(name));
        known.map(|(_, function)| *function).ok_or_else(|| ExpressionProblem::UnknownFunction {
            name: name.to_owned(),
            nearest: nearest(name, FUNCTIONS.iter().map(|(name, _)| *name)),
        })
    }

    fn name(self) -> &'static str {
        FUNCTIONS.iter().find(|(_, function)| *function == self).expect("every function has a name").0
    }

    fn check_arguments(self, given: usize) -> Result<(), ExpressionProblem> {
        let (fits, takes) = match self {
            Function::Minimum | Function::Maximum => (given >= 2, "two or more values"),
            _ => (given == 1, "one value"),
        };
        if fits { Ok(()) } else { Err(ExpressionProblem::Arguments { name: self.name(), takes, given }) }
    }

    fn apply(self, given: &[f64], span: Span) -> Result<f64, EvaluationError> {
        let first = *given.first().expect("the parser refuses a call without arguments");
        let value = match self {
            Function::SquareRoot if first < 0.0 => return Err(EvaluationError::RootOfNegative { span }),
            Function::Ln | Function::Log10 if first <= 0.0 => {
                return Err(EvaluationError::LogarithmOfNonPositive { span });
            }
            Function::SquareRoot => first.sqrt(),
            Function::Exponential => first.exp(),
            Function::Ln => first.ln(),
            Function::Log10 => first.log10(),
            Function::Absolute => first.abs(),
            Function::Minimum => given.iter().copied().fold(first, f64::min),
            Function::Maximum => given.iter().copied().fold(first, f64::max),
        };
        finite(value, span)
    }
}
