//! A conversation about one unit in the words of the bench: readings as they are written, parts and tests by name.
//!
//! What nothing can read so is set aside: it is reported, and moves no suspect.

use std::sync::Arc;

use super::bank::PartIndex;
use super::prepare::Prepared;
use super::replacement::Outcome;
use super::session::{Answer, Explained, Session, SessionError};
use super::{TestIndex, update};
use crate::bench::reading::Reading;
use crate::diagnostic::{Code, Diagnostic, nearest};

/// Things said about one unit, at most.
const MOST_SAID: usize = 10_000;

/// A conversation about one unit.
#[derive(Clone, Debug)]
pub struct Conversation<'p, 's> {
    prepared: &'p Prepared<'s>,
    said: Vec<Said>,
}

#[derive(Clone, Debug)]
enum Said {
    Reading(Reading, update::Reading),
    Menu(Vec<TestIndex>),
    Replaced(PartIndex, Outcome),
}

/// The answer to all that was said.
#[derive(Clone, Debug)]
pub struct Reply {
    /// Suspects, tests, the plan; flagged as well where something was set aside.
    pub answer: Answer,
    /// The reading that fits least, if flagged.
    pub most_surprising: Option<Reading>,
    /// Readings that nothing can give, with the reason; not counted.
    pub set_aside: Vec<(Reading, String)>,
    /// Readings that count, in the order of entry.
    pub readings: Vec<Reading>,
}

impl<'p, 's> Conversation<'p, 's> {
    /// A new unit.
    pub fn new(prepared: &'p Prepared<'s>) -> Self {
        Self { prepared, said: Vec::new() }
    }

    /// Takes a reading.
    ///
    /// # Errors
    /// What is wrong with it; nothing has changed then.
    pub fn read(&mut self, reading: &Reading) -> Result<(), Diagnostic> {
        let observed = self.prepared.observe(reading)?;
        let observed = observed.checked().ok_or_else(|| said_wrong("this is no number"))?;
        self.say(Said::Reading(reading.clone(), observed))
    }

    /// Only these tests are possible from now on.
    ///
    /// # Errors
    /// The first one that is not prepared; nothing has changed then.
    pub fn menu(&mut self, tests: &[Reading]) -> Result<(), Diagnostic> {
        let found = tests.iter().map(|test| self.prepared.find(test)).collect::<Result<Vec<_>, _>>()?;
        self.say(Said::Menu(found))
    }

    /// A part was replaced.
    ///
    /// # Errors
    /// A part for which no fault is listed.
    pub fn replaced(&mut self, part: &str, outcome: Outcome) -> Result<(), Diagnostic> {
        let parts = &self.prepared.bank.parts;
        let found = parts.iter().position(|known| known.eq_ignore_ascii_case(part.trim()));
        let found = found.ok_or_else(|| {
            let error = Diagnostic::error(Code::UnknownPart, format!("no suspect is called {}", part.trim()));
            match nearest(part.trim(), parts.iter().map(String::as_str)) {
                Some(near) => error.help(format!("try {near}")),
                None => error.help(format!("suspects are {}", parts.join(", "))),
            }
        })?;
        self.say(Said::Replaced(PartIndex(found), outcome))
    }

    /// Takes back the last `count` things said.
    ///
    /// # Errors
    /// Where fewer were said; nothing has changed then.
    pub fn undo(&mut self, count: usize) -> Result<(), Diagnostic> {
        let said = self.said.len();
        let kept = said
            .checked_sub(count)
            .ok_or_else(|| said_wrong(&SessionError::NothingToUndo { asked: count, said }.to_string()))?;
        self.said.truncate(kept);
        Ok(())
    }

    /// A new unit, the same bank.
    pub fn reset(&mut self) {
        self.said.clear();
    }

    /// The answer to all that was said.
    pub fn reply(&self) -> Reply {
        let (session, readings, mut set_aside) = self.session();
        let mut answer = session.answer();
        set_aside.sort_by(|a, b| a.1.canonical(&b.1));
        answer.flag |= !set_aside.is_empty();
        let written = |own: &update::Reading| {
            let found = readings.iter().find(|(_, observed)| observed == own);
            found.map(|(reading, _)| reading.clone())
        };
        let most_surprising = match set_aside.first() {
            Some((reading, ..)) => Some(reading.clone()),
            None => answer.most_surprising.as_ref().and_then(written),
        };
        Reply {
            most_surprising,
            set_aside: set_aside.into_iter().map(|(reading, _, why)| (reading, why)).collect(),
            readings: readings.into_iter().map(|(reading, _)| reading).collect(),
            answer,
        }
    }

    /// Reading by reading, in the order of entry, how the verdict came about.
    pub fn explain(&self) -> Vec<(Reading, Explained)> {
        let (session, readings, _) = self.session();
        let written = |own: &update::Reading| readings.iter().find(|(_, observed)| observed == own);
        let each = session.explain().into_iter().filter_map(|explained| {
            let (reading, _) = written(&explained.reading)?;
            Some((reading.clone(), explained))
        });
        each.collect()
    }

    #[allow(clippy::type_complexity)]
    fn session(&self) -> (Session, Vec<(Reading, update::Reading)>, Vec<(Reading, update::Reading, String)>) {
        let mut session = Session::new(Arc::clone(&self.prepared.bank)).with_threshold(self.prepared.threshold);
        let (mut readings, mut set_aside) = (Vec::new(), Vec::new());
        for said in &self.said {
            // What was said was checked when it was said.
            let taken = match said {
                Said::Reading(written, observed) => match self.prepared.impossible(written, observed) {
                    Some(why) => {
                        set_aside.push((written.clone(), *observed, why));
                        Ok(())
                    }
                    None => {
                        readings.push((written.clone(), *observed));
                        session.add(*observed)
                    }
                },
                Said::Menu(tests) => session.menu(tests.clone()),
                Said::Replaced(part, outcome) => session.replaced(*part, *outcome),
            };
            debug_assert!(taken.is_ok(), "{taken:?}");
        }
        (session, readings, set_aside)
    }

    fn say(&mut self, said: Said) -> Result<(), Diagnostic> {
        if self.said.len() >= MOST_SAID {
            return Err(said_wrong(&SessionError::TooMany.to_string()));
        }
        self.said.push(said);
        Ok(())
    }
}

fn said_wrong(message: &str) -> Diagnostic {
    Diagnostic::error(Code::BadReading, message.to_owned()).help("begin anew: reset")
}
