//! From keys and values, of a sheet or of a JSON object, to a reading.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::{Act, How, Measure, Reading, Value, When};
use crate::bench::quantity::Unit;
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::noise::Weighting;

/// A value as it stands behind a key.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(untagged)]
pub enum Scalar {
    /// true or false
    Flag(bool),
    /// A number.
    Number(f64),
    /// Text.
    Text(String),
    /// Names with numbers.
    Settings(BTreeMap<String, f64>),
    /// Not there: the same as no key.
    Nothing(()),
}

/// What is wrong with one field, or with the fields together.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldProblem {
    /// Which field; `None` for the reading as a whole.
    pub field: Option<usize>,
    /// Whether the key is to blame, and not its value.
    pub of_key: bool,
    /// What is wrong.
    pub error: Diagnostic,
}

impl FieldProblem {
    fn key(field: usize, error: Diagnostic) -> Self {
        Self { field: Some(field), of_key: true, error }
    }

    fn value(field: usize, error: Diagnostic) -> Self {
        Self { field: Some(field), of_key: false, error }
    }

    fn whole(error: Diagnostic) -> Self {
        Self { field: None, of_key: false, error }
    }
}

/// Keys besides what was done.
const KEYS: [&str; 9] = ["measure", "at", "value", "twin", "with", "when", "weight", "hz", "note"];

impl Reading {
    /// Every key a reading may have.
    pub fn keys() -> impl Iterator<Item = &'static str> {
        KEYS.into_iter().chain(How::ALL.iter().map(|how| how.name()))
    }

    /// Makes a reading of its fields.
    ///
    /// # Errors
    /// All that is wrong, each with its field: [`Code::UnknownKey`], [`Code::BadSheetValue`], [`Code::BadReading`],
    /// [`Code::MissingKey`].
    pub fn from_fields(fields: &[(String, Scalar)]) -> Result<Reading, Vec<FieldProblem>> {
        let mut problems = Vec::new();
        for (at, (key, _)) in fields.iter().enumerate() {
            if !Reading::keys().any(|known| known == key) {
                let error = Diagnostic::error(Code::UnknownKey, format!("a reading has no key {key}"));
                problems.push(FieldProblem::key(
                    at,
                    match nearest(key, Reading::keys()) {
                        Some(near) => error.help(format!("try {near}")),
                        None => error.help(format!("keys are {}", Reading::keys().collect::<Vec<_>>().join(", "))),
                    },
                ));
            }
        }
        let mut reader = Reader { fields, problems };
        let reading = reader.reading();
        match reading {
            Some(reading) if reader.problems.is_empty() => Ok(reading),
            _ => Err(reader.problems),
        }
    }
}

struct Reader<'a> {
    fields: &'a [(String, Scalar)],
    problems: Vec<FieldProblem>,
}

impl<'a> Reader<'a> {
    fn reading(&mut self) -> Option<Reading> {
        let acts: Vec<(usize, How, String)> = How::ALL
            .iter()
            .filter_map(|&how| self.text(how.name()).map(|(at, what)| (at, how, what.to_owned())))
            .collect();
        if let [_, (second, ..), ..] = acts.as_slice() {
            let error = bad("one reading can be of one thing done").help("write a reading for each");
            self.problems.push(FieldProblem::key(*second, error));
        }
        let measure = self.measure(!acts.is_empty())?;
        match (measure, acts.first()) {
            (Measure::Change, None) => {
                let error = bad("a change by what?")
                    .help("say what was done: freeze = \"Q2\", turn = \"volume\", shunt = \"b1\"");
                self.problems.push(FieldProblem::whole(error));
            }
            (Measure::Change, _) | (_, None) => {}
            (_, Some((at, how, _))) => {
                let message = format!("{} is for a change, and this reading is of {}", how.name(), measure.name());
                let error = bad(message).help("write measure = \"change\", its value in dB or a word");
                self.problems.push(FieldProblem::key(*at, error));
            }
        }
        let place = self.text("at").map(|(_, text)| text.trim().to_owned());
        if place.is_none() && measure.needs_place() {
            let error = Diagnostic::error(Code::MissingKey, format!("{} where?", measure.name()));
            self.problems.push(FieldProblem::whole(error.help("say at which point or node: at = \"c2\"")));
        }
        let hertz = self.hertz(measure);
        let twin = self.twin(measure);
        let when = self.when(measure);
        let weight = self.weight(measure);
        Some(Reading {
            measure,
            at: place,
            value: self.value(measure),
            twin,
            with: self.settings(),
            hertz,
            weight,
            when,
            act: acts.into_iter().next().map(|(_, how, what)| Act { how, what }),
            note: self.text("note").map(|(_, text)| text.to_owned()),
        })
    }

    fn get(&self, key: &str) -> Option<(usize, &'a Scalar)> {
        let fields: &'a [(String, Scalar)] = self.fields;
        let (at, (_, value)) = fields.iter().enumerate().find(|(_, (name, _))| name == key)?;
        (!matches!(value, Scalar::Nothing(()))).then_some((at, value))
    }

    fn text(&mut self, key: &str) -> Option<(usize, &'a str)> {
        match self.get(key)? {
            (at, Scalar::Text(text)) if !text.trim().is_empty() => Some((at, text)),
            (at, _) => {
                let error = value(format!("{key} is not a name")).help(format!("write text: {key} = \"…\""));
                self.problems.push(FieldProblem::value(at, error));
                None
            }
        }
    }

    fn measure(&mut self, is_change: bool) -> Option<Measure> {
        let Some((at, word)) = self.text("measure") else {
            if is_change {
                return Some(Measure::Change);
            }
            if self.get("measure").is_none() {
                let error = Diagnostic::error(Code::MissingKey, "a reading does not say what was measured");
                self.problems.push(FieldProblem::whole(error.help("write measure = \"hiss\", or pp, dc, change")));
            }
            return None;
        };
        let known = || Measure::ALL.iter().map(|measure| measure.name());
        let measure = Measure::named(word.trim());
        if measure.is_none() {
            let error = value(format!("nothing here is measured as {word}"));
            self.problems.push(FieldProblem::value(
                at,
                match nearest(word, known()) {
                    Some(near) => error.help(format!("try \"{near}\"")),
                    None => error.help(format!("measures are {}", known().collect::<Vec<_>>().join(", "))),
                },
            ));
        }
        measure
    }

    fn value(&mut self, measure: Measure) -> Option<Value> {
        let (at, scalar) = self.get("value")?;
        let read = match scalar {
            Scalar::Number(number) => Value::of_number(measure, *number),
            Scalar::Text(text) => Value::read(measure, text),
            Scalar::Flag(_) | Scalar::Settings(_) | Scalar::Nothing(()) => {
                Err(value("this is no value of a reading".to_owned()).help("write a number, or text such as \"12 mV\""))
            }
        };
        read.map_err(|error| self.problems.push(FieldProblem::value(at, error))).ok()
    }

    fn twin(&mut self, measure: Measure) -> bool {
        match self.get("twin") {
            None => false,
            Some((at, Scalar::Flag(true))) if measure == Measure::Change => {
                let error = bad("a change is made in the channel that is being repaired").help("leave twin out");
                self.problems.push(FieldProblem::key(at, error));
                true
            }
            Some((_, Scalar::Flag(twin))) => *twin,
            Some((at, _)) => {
                let error = value("twin is true or false".to_owned()).help("write twin = true for the healthy channel");
                self.problems.push(FieldProblem::value(at, error));
                false
            }
        }
    }

    fn settings(&mut self) -> Vec<(String, f64)> {
        match self.get("with") {
            None => Vec::new(),
            Some((at, Scalar::Settings(settings))) => {
                if settings.values().any(|position| !position.is_finite()) {
                    let error = value("a control stands at a number".to_owned()).help("write with = { volume = 0 }");
                    self.problems.push(FieldProblem::value(at, error));
                }
                settings.iter().map(|(name, position)| (name.clone(), *position)).collect()
            }
            Some((at, _)) => {
                let error = value("with names controls and where they stood".to_owned());
                self.problems.push(FieldProblem::value(at, error.help("write with = { volume = 0 }")));
                Vec::new()
            }
        }
    }

    fn when(&mut self, measure: Measure) -> Option<When> {
        let (at, word) = self.text("when")?;
        if measure == Measure::Change {
            let error = bad("a change is made at the temperature of the bench").help("leave when out");
            self.problems.push(FieldProblem::key(at, error));
        }
        let when = When::named(word.trim());
        if when.is_none() {
            let error = value(format!("no temperature of a set is called {word}"));
            self.problems.push(FieldProblem::value(at, error.help("write \"warm\" or \"cold\", or leave when out")));
        }
        when
    }

    fn weight(&mut self, measure: Measure) -> Weighting {
        let Some((at, word)) = self.text("weight") else { return Weighting::Flat };
        if measure != Measure::Hiss {
            let error = bad(format!("{} has no weighting", measure.name())).help("leave weight out");
            self.problems.push(FieldProblem::key(at, error));
        }
        let known = [Weighting::Flat, Weighting::A, Weighting::Itu468];
        let weight = known.into_iter().find(|known| known.name() == word.trim().to_lowercase());
        weight.unwrap_or_else(|| {
            let error = value(format!("no weighting is called {word}")).help("write \"flat\", \"a\" or \"468\"");
            self.problems.push(FieldProblem::value(at, error));
            Weighting::Flat
        })
    }

    fn hertz(&mut self, measure: Measure) -> Option<f64> {
        let Some((at, scalar)) = self.get("hz") else {
            if measure == Measure::Response {
                let error = Diagnostic::error(Code::MissingKey, "a response at which frequency?");
                self.problems.push(FieldProblem::whole(error.help("write hz = 10000")));
            }
            return None;
        };
        if !matches!(measure, Measure::Gain | Measure::Response) {
            let error = bad(format!("{} has no frequency", measure.name())).help("leave hz out");
            self.problems.push(FieldProblem::key(at, error));
        }
        let read = match scalar {
            Scalar::Number(number) => Unit::Hertz.bare(*number),
            Scalar::Text(text) => Unit::Hertz.read(text),
            _ => Err(value("hz is not a frequency".to_owned()).help("write hz = 10000")),
        };
        match read {
            Ok(hertz) if hertz > 0.0 => Some(hertz),
            Ok(_) => {
                let error = value("a frequency must be above zero".to_owned()).help("write hz = 10000");
                self.problems.push(FieldProblem::value(at, error));
                None
            }
            Err(error) => {
                self.problems.push(FieldProblem::value(at, error));
                None
            }
        }
    }
}

fn bad(message: impl Into<String>) -> Diagnostic {
    Diagnostic::error(Code::BadReading, message)
}

fn value(message: String) -> Diagnostic {
    Diagnostic::error(Code::BadSheetValue, message)
}
