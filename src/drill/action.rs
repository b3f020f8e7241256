//! What a learner does, as typed: `meter TP3`, `dc TP2`, `turn volume 0`, `freeze Q2`, `shunt b1`, `replace Q2`.

use crate::bench::reading::{How, Measure, Reading};
use crate::diagnostic::{Code, Diagnostic, nearest};

/// Longer lines are nothing that is done at a bench, in bytes.
const LONGEST: usize = 1000;

/// Every verb with its form and meaning, for help.
pub const VERBS: &[(&str, &str, &str)] = &[
    ("meter", "meter POINT", "hiss at a point, on the meter; `meter POINT twin` in the healthy channel"),
    ("scope", "scope POINT", "the same on the scope, peak to peak"),
    ("dc", "dc POINT", "DC volts"),
    ("turn", "turn CONTROL [POSITION]", "down to its lower end and back; or to a position, where it stays"),
    ("freeze", "freeze PART", "freeze spray: what it does to the hiss at the output"),
    ("cool", "cool PART", "gentle cooling"),
    ("finger", "finger PART", "a finger on it"),
    ("heat", "heat PART", "warm air"),
    ("shunt", "shunt NODE", "a large capacitor from the node to ground"),
    ("tap", "tap PART", "a part, socket or control tapped or worked"),
    ("lift", "lift PART", "a leg of it lifted: it tells, and takes long"),
    ("replace", "replace PART", "another one soldered in"),
    ("points", "points", "where one can measure, and how controls stand"),
    ("log", "log", "what was done so far"),
    ("hint", "hint", "what diagnosis would do next"),
    ("give", "give up", "the end, and the truth"),
    ("help", "help", "this"),
];

/// Something done at the bench.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Action {
    /// A test: hiss, pp, dc, or a change.
    Test(Reading),
    /// A control turned, and left there.
    Set {
        /// Its name.
        control: String,
        /// Where to.
        position: f64,
    },
    /// Something tapped or worked.
    Tap(String),
    /// A part replaced.
    Replace(String),
    /// A leg lifted.
    Lift(String),
    /// Diagnosis asked.
    Hint,
    /// Where one can measure.
    Points,
    /// What was done so far.
    Log,
    /// What can be done.
    Help,
    /// The end.
    GiveUp,
}

impl Action {
    /// Reads a line.
    ///
    /// # Errors
    /// [`Code::BadReading`], saying what can be typed.
    pub fn read(line: &str) -> Result<Action, Diagnostic> {
        if line.len() > LONGEST {
            return Err(bad("this line is longer than anything that is done here").help("type help"));
        }
        let mut words = line.split_whitespace();
        let verb = words.next().unwrap_or_default().to_lowercase();
        let rest: Vec<&str> = words.collect();
        let measure = match verb.as_str() {
            "meter" | "hiss" => Some(Measure::Hiss),
            "scope" | "pp" => Some(Measure::PeakToPeak),
            "dc" => Some(Measure::Dc),
            _ => None,
        };
        if let Some(measure) = measure {
            let (at, more) = one(&verb, &rest)?;
            return with_more(Reading::test(measure, Some(at)), more).map(Action::Test);
        }
        match verb.as_str() {
            "turn" => turn(&rest),
            "tap" => alone(&verb, &rest).map(Action::Tap),
            "replace" => alone(&verb, &rest).map(Action::Replace),
            "lift" => alone(&verb, &rest).map(Action::Lift),
            "hint" => bare(&verb, &rest, Action::Hint),
            "points" => bare(&verb, &rest, Action::Points),
            "log" => bare(&verb, &rest, Action::Log),
            "help" | "?" => bare(&verb, &rest, Action::Help),
            "quit" | "exit" => bare(&verb, &rest, Action::GiveUp),
            "give" if rest.is_empty() || rest[..] == ["up"] => Ok(Action::GiveUp),
            _ => match How::named(&verb) {
                Some(how) => {
                    let (what, more) = one(&verb, &rest)?;
                    with_more(Reading::change(how, what), more).map(Action::Test)
                }
                None => Err(unknown(&verb)),
            },
        }
    }

    /// As it is typed.
    pub fn text(&self) -> String {
        match self {
            Action::Test(test) => test_text(test),
            Action::Set { control, position } => format!("turn {control} {position}"),
            Action::Tap(what) => format!("tap {what}"),
            Action::Replace(part) => format!("replace {part}"),
            Action::Lift(part) => format!("lift {part}"),
            Action::Hint => "hint".to_owned(),
            Action::Points => "points".to_owned(),
            Action::Log => "log".to_owned(),
            Action::Help => "help".to_owned(),
            Action::GiveUp => "give up".to_owned(),
        }
    }
}

fn test_text(test: &Reading) -> String {
    let mut text = match (&test.act, test.measure) {
        (Some(act), _) => format!("{} {}", act.how.name(), act.what),
        (None, measure) => {
            let verb = match measure {
                Measure::Hiss => "meter",
                Measure::PeakToPeak => "scope",
                other => other.name(),
            };
            format!("{verb} {}", test.at.as_deref().unwrap_or_default())
        }
    };
    if test.twin {
        text += " twin";
    }
    for (control, position) in &test.with {
        text += &format!(" {control}={position}");
    }
    text
}

fn turn(rest: &[&str]) -> Result<Action, Diagnostic> {
    match rest {
        [control] => Ok(Action::Test(Reading::change(How::Turn, control))),
        [control, position] => {
            let number = position.parse::<f64>().ok().filter(|number| number.is_finite());
            let number = number.ok_or_else(|| bad(&format!("{position} is no position")).help("type turn volume 0"))?;
            Ok(Action::Set { control: (*control).to_owned(), position: number })
        }
        _ => Err(bad("turn which control, and where to?").help("type turn volume, or turn volume 0")),
    }
}

/// `twin`, and `volume=0` for where controls stand meanwhile.
fn with_more(mut test: Reading, more: &[&str]) -> Result<Reading, Diagnostic> {
    for word in more {
        if word.eq_ignore_ascii_case("twin") && test.act.is_none() {
            test.twin = true;
            continue;
        }
        let position = word.split_once('=').and_then(|(name, position)| {
            let position = position.parse::<f64>().ok().filter(|position| position.is_finite())?;
            Some((name.to_owned(), position))
        });
        match position {
            Some(position) => test.with.push(position),
            None => return Err(bad(&format!("{word} says nothing here")).help("type one thing a line, such as dc c2")),
        }
    }
    Ok(test)
}

fn one<'a, 'w>(verb: &str, rest: &'a [&'w str]) -> Result<(&'w str, &'a [&'w str]), Diagnostic> {
    let (first, more) = rest.split_first().ok_or_else(|| bad(&format!("{verb} what?")).help(form(verb)))?;
    Ok((*first, more))
}

fn alone(verb: &str, rest: &[&str]) -> Result<String, Diagnostic> {
    match one(verb, rest)? {
        (what, []) => Ok(what.to_owned()),
        (_, [more, ..]) => Err(bad(&format!("{more} says nothing here")).help(form(verb))),
    }
}

fn bare(verb: &str, rest: &[&str], action: Action) -> Result<Action, Diagnostic> {
    match rest {
        [] => Ok(action),
        [more, ..] => Err(bad(&format!("{more} says nothing here")).help(format!("type {verb} by itself"))),
    }
}

fn form(verb: &str) -> String {
    let known = VERBS.iter().find(|(known, ..)| *known == verb);
    known.map_or_else(|| "type help".to_owned(), |(_, form, _)| format!("type {form}"))
}

fn unknown(verb: &str) -> Diagnostic {
    if verb.is_empty() {
        return bad("nothing was typed").help("type help");
    }
    let error = bad(&format!("{verb} is nothing that is done here"));
    match nearest(verb, VERBS.iter().map(|(verb, ..)| *verb)) {
        Some(near) => error.help(form(near)),
        None => error.help("type help for all that can be done"),
    }
}

fn bad(message: &str) -> Diagnostic {
    Diagnostic::error(Code::BadReading, message)
}
