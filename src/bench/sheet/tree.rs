//! The text of a sheet as a tree of values with their places, and how it is walked without losing a problem.

use std::ops::Range;

use toml::de::{DeTable, DeValue};

use super::keys::Key;
use crate::bench::quantity::Unit;
use crate::diagnostic::{Code, Diagnostic, SourceId, Span, nearest};

/// A value and where it stands.
#[derive(Clone, Debug)]
pub(super) struct Node {
    pub span: Span,
    pub kind: Kind,
}

#[derive(Clone, Debug)]
pub(super) enum Kind {
    Text(String),
    Number(f64),
    Flag(bool),
    List(Vec<Node>),
    Table(Vec<Entry>),
    /// A date, which nothing here is.
    Date,
}

/// A key and its value.
#[derive(Clone, Debug)]
pub(super) struct Entry {
    pub key: String,
    pub key_span: Span,
    pub value: Node,
}

/// Reads the text of a sheet; what cannot be read is reported and left out.
pub(super) fn parse(source: SourceId, text: &str) -> (Vec<Entry>, Vec<Diagnostic>) {
    let (document, errors) = DeTable::parse_recoverable(text);
    let place = |range: Range<usize>| span(source, text, range);
    let problems = errors.iter().map(|error| {
        let message = error.message().lines().collect::<Vec<_>>().join(", ");
        let problem = Diagnostic::error(Code::SheetSyntax, format!("this is no TOML: {message}"));
        let problem = problem.help("a line is a [table], a key = value or a # comment; text stands in \"quotes\"");
        match error.span() {
            Some(range) => problem.at(place(range)),
            None => problem,
        }
    });
    (table(document.get_ref(), &place), problems.collect())
}

/// A range of bytes on boundaries of characters of the text.
fn span(source: SourceId, text: &str, range: Range<usize>) -> Span {
    let inside = |mut at: usize| {
        at = at.min(text.len());
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    };
    let start = inside(range.start);
    // Texts of a sheet are far below 4 GB: whoever fetches them limits them.
    Span { source, start: start as u32, end: inside(range.end).max(start) as u32 }
}

fn table(entries: &DeTable<'_>, place: &impl Fn(Range<usize>) -> Span) -> Vec<Entry> {
    let entry = |(key, value): (&toml::Spanned<std::borrow::Cow<'_, str>>, &toml::Spanned<DeValue<'_>>)| Entry {
        key: key.get_ref().to_string(),
        key_span: place(key.span()),
        value: node(value, place),
    };
    entries.iter().map(entry).collect()
}

fn node(value: &toml::Spanned<DeValue<'_>>, place: &impl Fn(Range<usize>) -> Span) -> Node {
    let kind = match value.get_ref() {
        DeValue::String(text) => Kind::Text(text.to_string()),
        DeValue::Integer(number) => Kind::Number(
            i64::from_str_radix(number.as_str(), number.radix())
                .map(|whole| whole as f64)
                .or_else(|_| number.as_str().parse())
                .unwrap_or(f64::NAN),
        ),
        DeValue::Float(number) => Kind::Number(number.as_str().parse().unwrap_or(f64::NAN)),
        DeValue::Boolean(flag) => Kind::Flag(*flag),
        DeValue::Datetime(_) => Kind::Date,
        DeValue::Array(list) => Kind::List(list.iter().map(|value| node(value, place)).collect()),
        DeValue::Table(entries) => Kind::Table(table(entries, place)),
    };
    Node { span: place(value.span()), kind }
}

impl Node {
    /// What it is, in words.
    fn words(&self) -> &'static str {
        match self.kind {
            Kind::Text(_) => "text",
            Kind::Number(_) => "a number",
            Kind::Flag(_) => "true or false",
            Kind::List(_) => "a list",
            Kind::Table(_) => "a table",
            Kind::Date => "a date",
        }
    }
}

/// What has gone wrong so far.
#[derive(Debug, Default)]
pub(super) struct Problems(pub Vec<Diagnostic>);

impl Problems {
    pub fn add(&mut self, span: Span, error: Diagnostic) {
        self.0.push(if error.span.is_none() { error.at(span) } else { error });
    }

    /// Keeps a value, or notes what is wrong with it at its place.
    pub fn keep<T>(&mut self, span: Span, read: Result<T, Diagnostic>) -> Option<T> {
        read.map_err(|error| self.add(span, error)).ok()
    }

    fn kind(&mut self, node: &Node, key: &Key, wanted: &str) {
        let error = value(format!("{} is {}, and should be {wanted}", key.name, node.words()));
        self.add(node.span, error.help(format!("write {} = {}", key.name, key.example)));
    }

    /// The fields of a table, those of unknown keys reported.
    pub fn fields<'a>(&mut self, node: &'a Node, section: &'static [Key], what: &str) -> Option<Fields<'a>> {
        let Kind::Table(entries) = &node.kind else {
            self.add(
                node.span,
                value(format!("{what} is {}, and should be a table", node.words())).help(format!(
                    "give it keys: {}",
                    section.iter().map(|key| key.name).collect::<Vec<_>>().join(", ")
                )),
            );
            return None;
        };
        Some(self.known(entries, section, what, node.span))
    }

    /// The fields among entries, those of unknown keys reported.
    pub fn known<'a>(&mut self, entries: &'a [Entry], section: &'static [Key], what: &str, span: Span) -> Fields<'a> {
        for entry in entries {
            if !section.iter().any(|key| key.name == entry.key) {
                self.unknown(entry, section.iter().map(|key| key.name), what);
            }
        }
        Fields { entries, section, span }
    }

    /// Reports an unknown key, naming the nearest.
    pub fn unknown<'a>(&mut self, entry: &Entry, known: impl Iterator<Item = &'a str> + Clone, what: &str) {
        let error = Diagnostic::error(Code::UnknownKey, format!("{what} has no key {}", entry.key));
        self.add(
            entry.key_span,
            match nearest(&entry.key, known.clone()) {
                Some(near) => error.help(format!("try {near}")),
                None => error.help(format!("keys are {}", known.collect::<Vec<_>>().join(", "))),
            },
        );
    }
}

/// The fields of a table and the keys it may have.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fields<'a> {
    entries: &'a [Entry],
    section: &'static [Key],
    pub span: Span,
}

impl<'a> Fields<'a> {
    /// A value with the key it stands behind.
    pub fn get(&self, name: &str) -> Option<(&'a Node, &'static Key)> {
        let entry = self.entries.iter().find(|entry| entry.key == name)?;
        let section: &'static [Key] = self.section;
        Some((&entry.value, section.iter().find(|key| key.name == name)?))
    }

    /// Text that is not empty.
    pub fn text(&self, problems: &mut Problems, name: &str) -> Option<(&'a str, Span)> {
        let (node, key) = self.get(name)?;
        match &node.kind {
            Kind::Text(text) if !text.trim().is_empty() => Some((text.trim(), node.span)),
            Kind::Text(_) => {
                let error = value(format!("{name} is empty")).help(format!("write {name} = {}", key.example));
                problems.add(node.span, error);
                None
            }
            _ => {
                problems.kind(node, key, "text");
                None
            }
        }
    }

    /// Text that must be there.
    pub fn required(&self, problems: &mut Problems, name: &str, what: &str) -> Option<(&'a str, Span)> {
        if self.get(name).is_none() {
            let example = self.section.iter().find(|key| key.name == name).map_or("…", |key| key.example);
            let error = Diagnostic::error(Code::MissingKey, format!("{what} has no {name}"));
            problems.add(self.span, error.help(format!("write {name} = {example}")));
        }
        self.text(problems, name)
    }

    /// A number, bare or with its unit.
    pub fn number(&self, problems: &mut Problems, name: &str, unit: Unit) -> Option<f64> {
        let (node, key) = self.get(name)?;
        number(problems, node, key, unit)
    }

    /// A number within limits.
    pub fn within(&self, problems: &mut Problems, name: &str, unit: Unit, limits: Limits) -> Option<f64> {
        let (node, key) = self.get(name)?;
        let number = number(problems, node, key, unit)?;
        problems.keep(node.span, limits.check(number, key))
    }

    /// Two numbers, or one that stands for both.
    pub fn pair(&self, problems: &mut Problems, name: &str, unit: Unit, limits: Limits) -> Option<[f64; 2]> {
        let (node, key) = self.get(name)?;
        let Kind::List(list) = &node.kind else {
            problems.kind(node, key, "a list of two");
            return None;
        };
        let [low, high] = list.as_slice() else {
            let error = value(format!("{name} has {} values, and should have two", list.len()));
            problems.add(node.span, error.help(format!("write {name} = {}", key.example)));
            return None;
        };
        let mut one = |node: &Node| {
            let number = number(problems, node, key, unit)?;
            problems.keep(node.span, limits.check(number, key))
        };
        let (low, high) = (one(low), one(high));
        Some([low?, high?])
    }

    /// Two numbers of which the first is below the second.
    pub fn ascending(&self, problems: &mut Problems, name: &str, unit: Unit, limits: Limits) -> Option<[f64; 2]> {
        let [low, high] = self.pair(problems, name, unit, limits)?;
        if low <= high {
            return Some([low, high]);
        }
        let (node, key) = self.get(name)?;
        let error = value(format!("{name} does not ascend")).help(format!("write {name} = {}", key.example));
        problems.add(node.span, error);
        None
    }

    /// A list of names.
    pub fn names(&self, problems: &mut Problems, name: &str) -> Option<Vec<(&'a str, Span)>> {
        let (node, key) = self.get(name)?;
        names(problems, node, key)
    }
}

/// A list of names.
pub(super) fn names<'a>(problems: &mut Problems, node: &'a Node, key: &Key) -> Option<Vec<(&'a str, Span)>> {
    let Kind::List(list) = &node.kind else {
        problems.kind(node, key, "a list of names");
        return None;
    };
    let mut read = Vec::new();
    for node in list {
        match &node.kind {
            Kind::Text(text) => read.push((text.trim(), node.span)),
            _ => problems.kind(node, key, "a list of names"),
        }
    }
    Some(read)
}

/// A number, bare or as text with its unit.
pub(super) fn number(problems: &mut Problems, node: &Node, key: &Key, unit: Unit) -> Option<f64> {
    let read = match &node.kind {
        Kind::Number(number) => unit.bare(*number),
        Kind::Text(text) => unit.read(text),
        _ => {
            problems.kind(node, key, "a number");
            return None;
        }
    };
    problems.keep(node.span, read)
}

/// What a number may be.
#[derive(Clone, Copy, Debug)]
pub(super) enum Limits {
    Any,
    Positive,
    NonNegative,
    AtLeastOne,
    /// Of a fraction either way: above -1.
    Tolerance,
    /// From 0 to 1.
    Fraction,
    Celsius,
}

impl Limits {
    fn check(self, number: f64, key: &Key) -> Result<f64, Diagnostic> {
        let (fits, words) = match self {
            Limits::Any => (true, ""),
            Limits::Positive => (number > 0.0, "above zero"),
            Limits::NonNegative => (number >= 0.0, "zero or more"),
            Limits::AtLeastOne => (number >= 1.0, "1 or more"),
            Limits::Tolerance => (number > -1.0, "above -100 %"),
            Limits::Fraction => ((0.0..=1.0).contains(&number), "from 0 to 100 %"),
            Limits::Celsius => (number > -273.15 && number < 1000.0, "a temperature in °C"),
        };
        if fits {
            return Ok(number);
        }
        let error = value(format!("{} must be {words}, not {number}", key.name));
        Err(error.help(format!("write {} = {}", key.name, key.example)))
    }
}

pub(super) fn value(message: String) -> Diagnostic {
    Diagnostic::error(Code::BadSheetValue, message)
}
