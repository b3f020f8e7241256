//! What diagnosis would do next with the readings so far, and the way it would have gone on the same unit.

use super::{Action, Answer, Came, Course, Drill};
use crate::bench::reading::Reading;
use crate::diagnosis::prepare::{PrepareError, Prepared};
use crate::diagnosis::{Act, Conversation, Outcome, Reply};
use crate::diagnostic::{Code, Diagnostic};

/// Tests of one repair, at most; parts acted on, at most, before the rest is searched openly.
const MOST_TESTS: usize = 40;
const MOST_PARTS: usize = 4;

/// Advice to a learner.
#[derive(Clone, Debug, PartialEq)]
pub struct Hint {
    /// What to do.
    pub advice: Advice,
    /// The leading part, and how likely it is.
    pub leader: Option<(String, f64)>,
    /// Whether no single listed fault explains the readings.
    pub flag: bool,
    /// Readings that went into it, and those that diagnosis has no use for: controls in between, or the like.
    pub readings: [usize; 2],
}

/// What to do next.
#[derive(Clone, Debug, PartialEq)]
pub enum Advice {
    /// A test, and which suspects it tells apart; to check the verdict before anything is unsoldered, if `verify`.
    Test {
        /// What to type.
        action: Action,
        /// Groups of suspects that would read alike.
        separates: Vec<Vec<String>>,
        /// Whether it only checks the verdict.
        verify: bool,
    },
    /// A part to act on.
    Act(Action),
    /// Nothing listed fits: search openly.
    Search,
}

impl<'s> Drill<'s> {
    /// What diagnosis would do next.
    pub(super) fn hint(&mut self) -> Result<Hint, Diagnostic> {
        let prepared = self.prepare(&|_, _| {}).map_err(unprepared)?.clone();
        let (reply, readings) = self.reply(&prepared)?;
        let name = |part: crate::diagnosis::PartIndex| prepared.bank.parts[part.0].clone();
        let leader = reply.answer.verdict.suspects.first();
        Ok(Hint {
            advice: self.advice(&prepared, &reply, true),
            leader: leader.map(|suspect| (name(suspect.part), suspect.probability)),
            flag: reply.answer.flag,
            readings,
        })
    }

    /// The way that following diagnosis leads on the same unit, from the beginning, without the checks before unsoldering.
    ///
    /// # Errors
    /// A sheet of which no diagnosis can be prepared.
    pub fn best_course(&mut self) -> Result<Course, Diagnostic> {
        let prepared = self.prepare(&|_, _| {}).map_err(unprepared)?.clone();
        let mut best = self.afresh();
        let mut acted = 0;
        for _ in 0..MOST_TESTS + MOST_PARTS {
            let (reply, _) = best.reply(&prepared)?;
            let action = match best.advice(&prepared, &reply, false) {
                Advice::Test { action, .. } => action,
                Advice::Act(action) if acted < MOST_PARTS => {
                    acted += 1;
                    action
                }
                Advice::Act(_) | Advice::Search => Action::GiveUp,
            };
            // A leg that tells of a bad part is followed by a new part.
            if let Answer::Lifted { part, guilty: true } = best.act(&action)? {
                best.act(&Action::Replace(part))?;
            }
            if best.is_over() {
                return Ok(best.course);
            }
        }
        best.act(&Action::GiveUp)?;
        Ok(best.course)
    }

    /// What diagnosis makes of all that was done; how many readings it used, and how many it has no use for.
    fn reply(&self, prepared: &Prepared<'s>) -> Result<(Reply, [usize; 2]), Diagnostic> {
        let mut conversation = Conversation::new(prepared);
        let (mut used, mut unused) = (0, 0);
        let mut without: Vec<Reading> = Vec::new();
        for step in &self.course.steps {
            match (&step.came, &step.action) {
                (Came::Read(reading), _) => match conversation.read(reading) {
                    Ok(()) => used += 1,
                    Err(_) => unused += 1,
                },
                (Came::Nothing(test), _) => without.push(test.clone()),
                (Came::Stopped(_), Action::Test(test)) => without.push(test.clone()),
                (Came::Replaced { part, cured: false } | Came::Lifted { part, guilty: false }, _) => {
                    // A part for which nothing is listed tells diagnosis nothing.
                    let _ = conversation.replaced(part, Outcome::NotCured);
                }
                _ => {}
            }
        }
        let shut: Vec<_> = without.iter().filter_map(|test| prepared.find(test).ok()).collect();
        if !shut.is_empty() {
            let open = prepared.tests().enumerate().filter(|(at, _)| !shut.iter().any(|shut| shut.0 == *at));
            conversation.menu(&open.map(|(_, test)| test.clone()).collect::<Vec<_>>())?;
        }
        Ok((conversation.reply(), [used, unused]))
    }

    fn advice(&self, prepared: &Prepared<'s>, reply: &Reply, verifies: bool) -> Advice {
        let name = |part: &crate::diagnosis::PartIndex| prepared.bank.parts[part.0].clone();
        let lifted = self.course.steps.iter().find_map(|step| match &step.came {
            Came::Lifted { part, guilty: true } => Some(part.clone()),
            _ => None,
        });
        if let Some(part) = lifted {
            return Advice::Act(Action::Replace(part));
        }
        if let Some(best) = reply.answer.next.first().filter(|best| verifies || !best.verify)
            && let Some(test) = prepared.tests().nth(best.test.0)
        {
            let separates = best.separates.iter().map(|group| group.iter().map(name).collect()).collect();
            return Advice::Test { action: Action::Test(self.said_whole(test)), separates, verify: best.verify };
        }
        let plan = &reply.answer.plan;
        match plan.steps.first() {
            Some(step) if plan.cost < self.sheet.costs.open_search => Advice::Act(match step.act {
                Act::Replace => Action::Replace(name(&step.part)),
                Act::Lift => Action::Lift(name(&step.part)),
            }),
            _ => Advice::Search,
        }
    }

    /// A test with every control said that stands elsewhere than the test wants it.
    fn said_whole(&self, test: &Reading) -> Reading {
        let mut whole = test.clone();
        for (control, _) in &self.positions {
            let control = &self.sheet.controls[*control];
            if !whole.with.iter().any(|(name, _)| name.eq_ignore_ascii_case(&control.name)) {
                whole.with.push((control.name.clone(), control.now));
            }
        }
        whole
    }
}

fn unprepared(error: PrepareError) -> Diagnostic {
    match error {
        PrepareError::Sheet(problem) => problem,
        PrepareError::Unsolved(error) => error.diagnostic(),
        PrepareError::Bank(error) => Diagnostic::error(Code::BadSheetValue, error.to_string())
            .help("lower hiss_db of the complaint, or list more suspects"),
    }
}
