//! The conversation: one line in, exactly one line out.
//!
//! A line that begins with `{` is JSON: a reading, `{"menu":[tests]}`, `{"replaced":"Q2","cured":false}`, `{"undo":1}`,
//! `{"reset":true}`. Any other is a short form: `dc c2 4.31`, `hiss out 12mV`, `hiss out twin 0.4mV`, `freeze Q2 -9`,
//! `shunt b1 same`, `replaced Q2 no`, `undo`, `reset`.

use std::io::{self, BufRead, IsTerminal, Read, Write};

use hissmap::bench::reading::{How, Measure, Reading, Scalar, Value};
use hissmap::diagnosis::prepare::Prepared;
use hissmap::diagnosis::{Conversation, Outcome};
use hissmap::diagnostic::{Code, Diagnostic, Sources};
use hissmap::report::{Message, diagnose, json, text};
use serde_json::Value as Json;

use super::super::answer::line;

/// Longer lines are no readings, bytes.
const LONGEST_LINE: u64 = 64 * 1024;
/// What a person is told who types something else.
const FORMS: &str = "write dc c2 4.31, hiss out 12mV, freeze Q2 -9, shunt b1 same, turn volume gone, replaced Q2 no, undo, \
                     reset, or a JSON object";

/// Answers every line of standard input; returns what could not be written yet, which is nothing.
pub fn converse(prepared: &Prepared<'_>, mut conversation: Conversation<'_, '_>, sources: &Sources) -> String {
    let (mut input, mut output) = (io::stdin().lock(), io::stdout().lock());
    let person = io::stdin().is_terminal() && output.is_terminal();
    let mut bytes = Vec::new();
    loop {
        bytes.clear();
        let read = (&mut input).take(LONGEST_LINE).read_until(b'\n', &mut bytes);
        let Ok(length @ 1..) = read else { return String::new() };
        let whole = bytes.last() == Some(&b'\n') || (length as u64) < LONGEST_LINE;
        let said = String::from_utf8_lossy(&bytes).into_owned();
        let taken = match whole {
            true => take(&mut conversation, said.trim()),
            false => {
                skip_line(&mut input);
                Err(Diagnostic::error(Code::BadReading, "this line is longer than any reading").help(FORMS))
            }
        };
        let answer = match taken {
            Err(error) if person => {
                let help = error.help.map(|help| format!("; {help}")).unwrap_or_default();
                text::printable(&format!("{}{help}", error.message)) + "\n"
            }
            Err(error) => {
                let mut message = Message::new(&error, sources);
                message.file = None;
                line(&json::LineError::new(message))
            }
            Ok(()) => {
                let result = diagnose(prepared, &conversation);
                match person {
                    true => text::diagnose_line(&result),
                    false => line(&json::Diagnose::new(json::Head::new("diagnose", Vec::new()), &result, None)),
                }
            }
        };
        // Whoever asked has gone away.
        if output.write_all(answer.as_bytes()).and_then(|()| output.flush()).is_err() {
            return String::new();
        }
    }
}

fn skip_line(input: &mut impl BufRead) {
    loop {
        let (used, ended) = match input.fill_buf() {
            Ok([]) | Err(_) => return,
            Ok(buffer) => match buffer.iter().position(|byte| *byte == b'\n') {
                Some(at) => (at + 1, true),
                None => (buffer.len(), false),
            },
        };
        input.consume(used);
        if ended {
            return;
        }
    }
}

/// Takes one line.
fn take(conversation: &mut Conversation<'_, '_>, said: &str) -> Result<(), Diagnostic> {
    if said.starts_with('{') { take_json(conversation, said) } else { take_words(conversation, said) }
}

fn take_json(conversation: &mut Conversation<'_, '_>, said: &str) -> Result<(), Diagnostic> {
    let object: serde_json::Map<String, Json> =
        serde_json::from_str(said).map_err(|error| bad(format!("this is no JSON object: {error}")))?;
    let alone =
        |key: &str, others: &[&str]| match object.keys().find(|own| *own != key && !others.contains(&own.as_str())) {
            Some(other) => Err(bad(format!("{other} does not go with {key}"))),
            None => Ok(()),
        };
    if let Some(menu) = object.get("menu") {
        alone("menu", &[])?;
        let Json::Array(tests) = menu else { return Err(bad("menu is a list of tests".to_owned())) };
        let tests = tests.iter().map(reading).collect::<Result<Vec<_>, _>>()?;
        return conversation.menu(&tests);
    }
    if let Some(part) = object.get("replaced") {
        alone("replaced", &["cured", "fallen"])?;
        let Json::String(part) = part else { return Err(bad("replaced names a part".to_owned())) };
        let flag = |key: &str| match object.get(key) {
            None => Ok(false),
            Some(Json::Bool(flag)) => Ok(*flag),
            Some(_) => Err(bad(format!("{key} is true or false"))),
        };
        return conversation.replaced(part, outcome(flag("cured")?, flag("fallen")?));
    }
    if let Some(count) = object.get("undo") {
        alone("undo", &[])?;
        let count = count.as_u64().and_then(|count| usize::try_from(count).ok());
        return conversation.undo(count.ok_or_else(|| bad("undo takes a number of things said".to_owned()))?);
    }
    if let Some(reset) = object.get("reset") {
        alone("reset", &[])?;
        if *reset != Json::Bool(true) {
            return Err(bad("reset is true".to_owned()));
        }
        conversation.reset();
        return Ok(());
    }
    conversation.read(&reading(&Json::Object(object))?)
}

/// A reading, or without a value a test.
fn reading(value: &Json) -> Result<Reading, Diagnostic> {
    let Json::Object(object) = value else { return Err(bad("a reading is an object".to_owned())) };
    let field = |(key, value): (&String, &Json)| {
        let scalar = serde_json::from_value::<Scalar>(value.clone());
        scalar.map(|scalar| (key.clone(), scalar)).map_err(|_| bad(format!("{key} cannot be read")))
    };
    let fields = object.iter().map(field).collect::<Result<Vec<_>, _>>()?;
    Reading::from_fields(&fields).map_err(first)
}

fn take_words(conversation: &mut Conversation<'_, '_>, said: &str) -> Result<(), Diagnostic> {
    let mut words = said.split_whitespace();
    let verb = words.next().unwrap_or_default().to_lowercase();
    let what = words.next();
    let rest: Vec<&str> = words.collect();
    match (verb.as_str(), what) {
        ("reset", None) => {
            conversation.reset();
            Ok(())
        }
        ("undo", count) => {
            let count = count.map_or(Ok(1), str::parse);
            conversation.undo(count.map_err(|_| bad("undo takes a number of things said".to_owned()))?)
        }
        ("replaced", Some(part)) => match rest.join(" ").to_lowercase().as_str() {
            "yes" | "cured" => conversation.replaced(part, Outcome::Cured),
            "no" => conversation.replaced(part, Outcome::NotCured),
            "less" | "fallen" => conversation.replaced(part, Outcome::StillTooStrong),
            _ => Err(bad(format!("did replacing {part} cure it? write replaced {part} no, yes, or less"))),
        },
        (verb, Some(what)) => {
            let measure = Measure::named(verb).filter(|measure| *measure != Measure::Change);
            let how = How::ALL.iter().copied().find(|how| how.name() == verb);
            let (test, rest) = match (measure, how) {
                (Some(measure), _) => {
                    let twin = rest.first() == Some(&"twin");
                    (Reading { twin, ..Reading::test(measure, Some(what)) }, &rest[usize::from(twin)..])
                }
                (None, Some(how)) => (Reading::change(how, what), rest.as_slice()),
                (None, None) => return Err(bad(format!("{verb} is nothing that is said here"))),
            };
            let value = rest.join(" ");
            if value.is_empty() {
                return Err(bad(format!("{} came to what?", test.text())));
            }
            // A bare number is volts or dB, as in JSON.
            let value = match value.parse::<f64>() {
                Ok(number) => Value::of_number(test.measure, number)?,
                Err(_) => Value::read(test.measure, &value)?,
            };
            conversation.read(&Reading { value: Some(value), ..test })
        }
        ("", None) => Err(bad("an empty line".to_owned())),
        (verb, None) => Err(bad(format!("{verb} by itself says nothing here"))),
    }
}

fn outcome(cured: bool, fallen: bool) -> Outcome {
    match (cured, fallen) {
        (true, _) => Outcome::Cured,
        (false, true) => Outcome::StillTooStrong,
        (false, false) => Outcome::NotCured,
    }
}

fn first(problems: Vec<hissmap::bench::reading::FieldProblem>) -> Diagnostic {
    let first = problems.into_iter().next();
    first.map_or_else(|| bad("this is no reading".to_owned()), |problem| problem.error)
}

fn bad(message: String) -> Diagnostic {
    Diagnostic::error(Code::BadReading, message).help(FORMS)
}
