//! The fields of one statement, taken from left to right.

use super::expression::{Expression, ExpressionProblem};
use super::token::{Fault, Kind, Token, tokens};
use super::{Assignment, Limits, Value, Word};
use crate::diagnostic::{Code, Diagnostic, SourceId, Span};
use crate::units::{NumberError, Quantity, read_number};
use std::ops::Range;

/// What a part of a statement was read as, or what keeps the statement from being used.
pub(super) type Parsed<T> = Result<T, Box<Diagnostic>>;

/// Stands in for a value that cannot be read, so that the card keeps its name and nodes and causes no further
/// messages: not zero, and below the largest coupling.
const STAND_IN: f64 = 0.5;

/// A statement, and how far it has been read.
pub(super) struct Fields<'a> {
    /// The statement's name in messages: `R1`, `.model`.
    pub subject: String,
    /// How the statement is written, shown when fields are missing or left over.
    pub form: String,
    /// The whole statement.
    pub span: Span,
    /// Warnings, and errors in values; those do not end the reading of the statement.
    pub diagnostics: Vec<Diagnostic>,
    /// Tokens, and symbols of expressions.
    pub count: usize,
    limits: &'a Limits,
    source: SourceId,
    tokens: Vec<Token<'a>>,
    next: usize,
}

impl<'a> Fields<'a> {
    /// Cuts the statement that stands at `place` of `source`.
    pub fn new(text: &'a str, source: SourceId, place: &Range<usize>, limits: &'a Limits) -> Parsed<Self> {
        let span = span(source, place);
        let tokens = tokens(text, place.start).map_err(|fault| {
            let (code, message, place, help) = match fault {
                Fault::OpenBrace(place) => (Code::BadExpression, "the brace is never closed".to_owned(), place, "}"),
                Fault::StrayBrace(place) => (Code::BadExpression, "the brace was never opened".to_owned(), place, "{"),
                Fault::Character(character, place) => {
                    (Code::BadCharacter, format!("the character {character:?} cannot be read"), place, "")
                }
            };
            let problem = Diagnostic::error(code, message).at(self::span(source, &place)).in_statement(span);
            Box::new(problem.help(if help.is_empty() { "remove it".to_owned() } else { format!("add {help}") }))
        })?;
        let subject = match tokens.first() {
            Some(Token { kind: Kind::Word(word), .. }) => (*word).to_owned(),
            _ => text.chars().take(1).collect(),
        };
        let long = |token: &&Token| matches!(token.kind, Kind::Word(word) if word.len() > limits.word_bytes);
        if let Some(long) = tokens.iter().find(long) {
            let message = format!("a name or number is longer than {} bytes", limits.word_bytes);
            let place = self::span(source, &long.place);
            let error = Diagnostic::error(Code::LimitExceeded, message).at(place).in_statement(span);
            return Err(Box::new(error.help("give it a shorter name")));
        }
        let (form, diagnostics, count) = (String::new(), Vec::new(), tokens.len());
        Ok(Self { subject, form, span, diagnostics, count, limits, source, tokens, next: 0 })
    }

    /// An error about `at`.
    pub fn error(&self, code: Code, at: Span, message: impl Into<String>) -> Diagnostic {
        Diagnostic::error(code, message).at(at).in_statement(self.span)
    }

    /// Notes a warning about `at`.
    pub fn warn(&mut self, code: Code, at: Span, message: impl Into<String>, help: Option<String>) {
        let mut warning = Diagnostic::warning(code, message).at(at).in_statement(self.span);
        warning.help = help;
        self.diagnostics.push(warning);
    }

    /// An error in the number of fields; it shows how the statement is written.
    pub fn misshapen(&self, at: Span, message: impl Into<String>) -> Box<Diagnostic> {
        let error = self.error(Code::FieldCount, at, message);
        Box::new(if self.form.is_empty() { error } else { error.help(format!("write {}", self.form)) })
    }

    /// What comes next.
    pub fn peek(&self) -> Option<Kind<'a>> {
        self.peek_at(0)
    }

    /// What comes `ahead` tokens later.
    pub fn peek_at(&self, ahead: usize) -> Option<Kind<'a>> {
        self.tokens.get(self.next + ahead).map(|token| token.kind)
    }

    /// Where the next token stands; the whole statement when there is none.
    pub fn place(&self) -> Span {
        self.place_at(0)
    }

    /// Where the token `ahead` tokens later stands.
    pub fn place_at(&self, ahead: usize) -> Span {
        self.tokens.get(self.next + ahead).map_or(self.span, |token| span(self.source, &token.place))
    }

    /// Where the statement's first token stands.
    pub fn place_of_subject(&self) -> Span {
        self.tokens.first().map_or(self.span, |token| span(self.source, &token.place))
    }

    /// Passes over the next token.
    pub fn skip(&mut self) {
        self.next += 1;
    }

    /// Passes over the next token if it is `kind`.
    pub fn eat(&mut self, kind: Kind<'_>) -> bool {
        let found = self.peek() == Some(kind);
        self.next += usize::from(found);
        found
    }

    /// The next token if it is this word, in either case.
    pub fn eat_word(&mut self, word: &str) -> bool {
        let found = self.next_is(word);
        self.next += usize::from(found);
        found
    }

    /// Whether the next token is this word, in either case.
    pub fn next_is(&self, word: &str) -> bool {
        matches!(self.peek(), Some(Kind::Word(found)) if found.eq_ignore_ascii_case(word))
    }

    /// How many words and values come before the first `name=value` or the end.
    pub fn positional(&self) -> usize {
        (0..)
            .take_while(|&ahead| {
                let equals_follows = self.peek_at(ahead + 1) == Some(Kind::Equals);
                matches!(self.peek_at(ahead), Some(Kind::Word(_) | Kind::Braces(_))) && !equals_follows
            })
            .count()
    }

    /// A name that the statement cannot do without; `what` says what it names.
    pub fn word(&mut self, what: &str) -> Parsed<Word> {
        let span = self.place();
        match self.peek() {
            Some(Kind::Word(text)) if self.peek_at(1) != Some(Kind::Equals) => {
                if text.contains(',') {
                    let error = self.error(Code::BadCharacter, span, format!("the comma in {text} separates nothing"));
                    return Err(Box::new(error.help(format!("write {}", text.replace(',', " ")))));
                }
                self.skip();
                Ok(Word { text: text.to_owned(), span })
            }
            _ => Err(self.missing(what)),
        }
    }

    /// A value that the statement cannot do without.
    pub fn value(&mut self, what: &str, quantity: Quantity) -> Parsed<Value> {
        let span = self.place();
        match self.peek() {
            Some(Kind::Braces(text)) => {
                self.skip();
                Ok(self.expression(text, span))
            }
            Some(Kind::Word(text)) if self.peek_at(1) != Some(Kind::Equals) => {
                self.skip();
                Ok(self.number(text, span, quantity))
            }
            _ => Err(self.missing(what)),
        }
    }

    /// A value, if one comes next.
    pub fn optional_value(&mut self, quantity: Quantity) -> Parsed<Option<Value>> {
        if self.positional() == 0 { Ok(None) } else { self.value("value", quantity).map(Some) }
    }

    /// `PARAMS: a=1 b=2`, or the same with commas, up to the end or a closing bracket.
    pub fn assignments(&mut self) -> Parsed<Vec<Assignment>> {
        let mut assignments = Vec::new();
        self.eat(Kind::Params);
        while let Some(Kind::Word(text)) = self.peek() {
            let name = Word { text: text.to_owned(), span: self.place() };
            if self.peek_at(1) != Some(Kind::Equals) {
                return Err(self.unexpected());
            }
            self.next += 2;
            let value = self.value(&format!("value of {text}"), Quantity::Other)?;
            assignments.push(Assignment { name, value });
            self.eat(Kind::Comma);
        }
        Ok(assignments)
    }

    /// Refuses whatever is left over.
    pub fn finish(&self) -> Parsed<()> {
        if self.next < self.tokens.len() { Err(self.unexpected()) } else { Ok(()) }
    }

    /// Says that `what` is missing where the statement stands now.
    pub fn missing(&self, what: &str) -> Box<Diagnostic> {
        let subject = &self.subject;
        match self.tokens.get(self.next) {
            None => self.misshapen(self.span, format!("{subject} lacks its {what}")),
            Some(_) => self.misshapen(self.place(), format!("{subject} lacks its {what} before {}", self.shown())),
        }
    }

    /// Says that what stands here has no business here.
    pub fn unexpected(&self) -> Box<Diagnostic> {
        let (subject, shown) = (&self.subject, self.shown());
        let arithmetic = |kind| matches!(kind, Some(Kind::Word(word)) if word.starts_with(['*', '/', '+', '-', '^']));
        if arithmetic(self.peek()) {
            let error = self.error(Code::BadExpression, self.place(), format!("{subject} computes without braces"));
            return Box::new(error.help("write an expression in braces, like {2*a}"));
        }
        match self.peek() {
            Some(Kind::Word(_)) if self.peek_at(1) == Some(Kind::Equals) => {
                self.misshapen(self.place(), format!("{subject} has no use for {shown}="))
            }
            _ => self.misshapen(self.place(), format!("{subject} has no use for {shown} here")),
        }
    }

    fn shown(&self) -> String {
        match self.peek() {
            Some(Kind::Word(text)) => text.to_owned(),
            Some(Kind::Braces(text)) => format!("{{{text}}}"),
            Some(Kind::Params) => "PARAMS:".to_owned(),
            Some(Kind::Equals) => "=".to_owned(),
            Some(Kind::Open) => "(".to_owned(),
            Some(Kind::Close) => ")".to_owned(),
            Some(Kind::Comma) => ",".to_owned(),
            None => "the end".to_owned(),
        }
    }

    fn number(&mut self, text: &str, span: Span, quantity: Quantity) -> Value {
        match read_number(text, quantity) {
            Ok(reading) => {
                if let Some(warning) = reading.warning {
                    self.warn(Code::AmbiguousScale, span, warning.message(), Some(warning.help()));
                }
                Value::Number(reading.value, span)
            }
            Err(problem) => {
                let mut error = self.error(Code::BadNumber, span, problem.to_string());
                error.help = problem
                    .help()
                    .or_else(|| braces_for(&problem, text))
                    .or_else(|| Some("write a number like 4.7k, 10uF or 1e-3".to_owned()));
                self.diagnostics.push(error);
                Value::Number(STAND_IN, span)
            }
        }
    }

    fn expression(&mut self, text: &str, span: Span) -> Value {
        match Expression::parse_with(self.limits, text, span.source, span.start + 1) {
            Ok(expression) => {
                self.count += expression.len();
                Value::Expression(expression, span)
            }
            Err(error) => {
                let code = match error.problem {
                    ExpressionProblem::Number(_) => Code::BadNumber,
                    ExpressionProblem::TooLong(_) | ExpressionProblem::TooDeep(_) => Code::LimitExceeded,
                    _ => Code::BadExpression,
                };
                let mut diagnostic = self.error(code, error.span, error.problem.to_string());
                diagnostic.help = error.problem.help();
                self.diagnostics.push(diagnostic);
                Value::Number(STAND_IN, span)
            }
        }
    }
}

/// A name or a sum in the place of a number was meant to be an expression.
fn braces_for(problem: &NumberError, text: &str) -> Option<String> {
    let inner = text.trim_matches(['\'', '"']);
    // `10uF/25V`, as printed on the part.
    if let Some((value, rating)) = inner.split_once('/')
        && rating.ends_with(['V', 'v'])
        && read_number(value, Quantity::Other).is_ok()
    {
        return Some(format!("write {value}: the rated voltage is not entered"));
    }
    let fits = matches!(problem, NumberError::NotANumber(_) | NumberError::Letter { .. });
    let name = inner.starts_with(|c: char| c.is_alphabetic() || c == '_') || inner.contains(['*', '/', '+', '-', '^']);
    let sound = Expression::parse(inner, SourceId(0), 0).is_ok();
    (fits && name && sound).then(|| format!("write {{{inner}}} for a parameter or an expression"))
}

/// The bytes `place` of `source`.
pub(super) fn span(source: SourceId, place: &Range<usize>) -> Span {
    // Texts are limited to far less than 4 GiB before they get here.
    Span { source, start: place.start as u32, end: place.end as u32 }
}
