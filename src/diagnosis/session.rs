//! A conversation about one unit: readings come, an answer is given, nothing is kept but what was said.
//!
//! Every answer is computed from the bank and from what was said, so that taking back the last thing said restores the
//! answer before it to the last byte.

use std::sync::Arc;

use thiserror::Error;

use super::bank::{Bank, PartIndex, TestIndex};
use super::cost::Plan;
use super::misfit::{self, DEFAULT_THRESHOLD};
use super::next::{self, Proposal};
use super::replacement::{Event, Outcome, State};
use super::update::{Posterior, Reading};
use super::verdict::{self, Verdict};

/// Things said about one unit, at most.
const MOST_EVENTS: usize = 10_000;
/// The unlisted fault being likelier than this, no listed one is the answer.
const MOST_UNKNOWN: f64 = 0.5;

/// A conversation about one unit.
#[derive(Clone, Debug)]
pub struct Session {
    bank: Arc<Bank>,
    threshold: f64,
    events: Vec<Event>,
}

/// Why something said was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum SessionError {
    /// A test that the bank does not have.
    #[error("there is no test {}", .0.0)]
    UnknownTest(TestIndex),
    /// A part that the bank does not have.
    #[error("there is no part {}", .0.0)]
    UnknownPart(PartIndex),
    /// A reading that is not a finite number, or whose ends are not in order.
    #[error("a reading must be a number, or lie between two numbers in order")]
    NotANumber,
    /// More is to be taken back than was said.
    #[error("{asked} cannot be taken back: {said} said since the start")]
    NothingToUndo {
        /// How many were to be taken back.
        asked: usize,
        /// How many were said.
        said: usize,
    },
    /// Nobody takes so many readings of one unit.
    #[error("more than {MOST_EVENTS} readings of one unit: start a new one")]
    TooMany,
}

/// The answer to all that was said so far.
#[derive(Clone, Debug, PartialEq)]
pub struct Answer {
    /// Suspects, the unlisted fault, the smallest set that reaches 90 %.
    pub verdict: Verdict,
    /// Whether no single listed fault explains the readings.
    pub flag: bool,
    /// T of `misfit.rs`, 0 to 1: how well the readings fit.
    pub fit: f64,
    /// If flagged, the reading that fits least: to be repeated first.
    pub most_surprising: Option<Reading>,
    /// Readings outside what anything in the bank gives at 4 sd, in canonical order.
    pub outside: Vec<Reading>,
    /// The best tests, best first; none when it is time to act.
    pub next: Vec<Proposal>,
    /// What acting now would cost.
    pub plan: Plan,
    /// Whether a second fault is there: the hiss fell after a replacement and is still too strong.
    pub second_fault: bool,
    /// Whether the last replacement cured the unit.
    pub cured: bool,
    /// Readings that hold.
    pub readings: usize,
}

/// What one reading did.
#[derive(Clone, Debug, PartialEq)]
pub struct Explained {
    /// The reading.
    pub reading: Reading,
    /// Probability of every part after it and those entered before, then of the unlisted fault.
    pub parts: Vec<f64>,
    /// By how many bits all the other readings together would leave the odds of the leading part lower (positive: it speaks
    /// for it) or higher (negative: it contradicts).
    pub bits_for_leader: f64,
    /// Probability of a reading at least as far out, given the others.
    pub surprise: f64,
}

impl Session {
    /// A new unit.
    pub fn new(bank: Arc<Bank>) -> Self {
        Self { bank, threshold: DEFAULT_THRESHOLD, events: Vec::new() }
    }

    /// The same with a threshold of the misfit calibrated for this bank ([`misfit::threshold`]).
    pub fn with_threshold(self, threshold: f64) -> Self {
        Self { threshold, ..self }
    }

    /// What the answers rest on.
    pub fn bank(&self) -> &Bank {
        &self.bank
    }

    /// Takes a reading.
    ///
    /// # Errors
    /// [`SessionError::UnknownTest`], [`SessionError::NotANumber`], [`SessionError::TooMany`]; nothing has changed then.
    pub fn add(&mut self, reading: Reading) -> Result<(), SessionError> {
        self.known(reading.test)?;
        let reading = reading.checked().ok_or(SessionError::NotANumber)?;
        self.say(Event::Reading(reading))
    }

    /// Only these tests are possible from now on.
    ///
    /// # Errors
    /// [`SessionError::UnknownTest`], [`SessionError::TooMany`]; nothing has changed then.
    pub fn menu(&mut self, tests: Vec<TestIndex>) -> Result<(), SessionError> {
        tests.iter().try_for_each(|test| self.known(*test))?;
        self.say(Event::Menu(tests))
    }

    /// A part was replaced.
    ///
    /// # Errors
    /// [`SessionError::UnknownPart`], [`SessionError::TooMany`]; nothing has changed then.
    pub fn replaced(&mut self, part: PartIndex, outcome: Outcome) -> Result<(), SessionError> {
        if part.0 >= self.bank.parts.len() {
            return Err(SessionError::UnknownPart(part));
        }
        self.say(Event::Replaced(part, outcome))
    }

    /// Takes back the last `count` things said: readings, menus, replacements.
    ///
    /// # Errors
    /// [`SessionError::NothingToUndo`]; nothing has changed then.
    pub fn undo(&mut self, count: usize) -> Result<(), SessionError> {
        let said = self.events.len();
        let kept = said.checked_sub(count).ok_or(SessionError::NothingToUndo { asked: count, said })?;
        self.events.truncate(kept);
        Ok(())
    }

    /// A new unit, same bank.
    pub fn reset(&mut self) {
        self.events.clear();
    }

    /// The answer to all that was said.
    pub fn answer(&self) -> Answer {
        let bank = &*self.bank;
        let state = State::after(bank, &self.events);
        let mut readings = state.readings.clone();
        readings.sort_by(Reading::canonical);
        let excluded = state.excluded(bank);
        let posterior = Posterior::of(bank, &readings, &excluded);
        let parts = posterior.parts(bank);
        let fit = misfit::misfit(&posterior);
        let flag = !readings.is_empty() && (fit < self.threshold || parts[bank.parts.len()] > MOST_UNKNOWN);
        let most_surprising = if flag { misfit::most_surprising(bank, &readings, &posterior, &excluded) } else { None };
        let next = if state.cured {
            Vec::new()
        } else {
            let prediction = posterior.predict(bank, &readings, &state.possible(bank));
            next::next(bank, &prediction, &parts, readings.len())
        };
        Answer {
            verdict: verdict::verdict(bank, &posterior),
            flag,
            fit,
            most_surprising: most_surprising.map(|at| readings[at]),
            outside: readings.iter().copied().filter(|reading| misfit::is_outside(bank, reading)).collect(),
            next,
            plan: next::plan_now(bank, &parts),
            second_fault: state.second_fault,
            cured: state.cured,
            readings: readings.len(),
        }
    }

    /// Reading by reading, in the order of entry, how the verdict came about.
    pub fn explain(&self) -> Vec<Explained> {
        let bank = &*self.bank;
        let state = State::after(bank, &self.events);
        let (readings, excluded) = (&state.readings, state.excluded(bank));
        let whole = Posterior::of(bank, readings, &excluded).parts(bank);
        let leader = next::leading(&whole[..bank.parts.len()], 1).first().copied();
        let odds_bits = |parts: &[f64]| match leader {
            // Both sides keep a share no rounding takes, so that the odds of a certainty stay finite.
            Some(leader) => {
                let against: f64 = parts.iter().enumerate().filter(|(at, _)| *at != leader).map(|(_, p)| p).sum();
                ((parts[leader] + 1e-12) / (against + 1e-12)).log2()
            }
            None => 0.0,
        };
        let explain = |own: usize| Explained {
            reading: readings[own],
            parts: Posterior::of(bank, &readings[..=own], &excluded).parts(bank),
            bits_for_leader: odds_bits(&whole)
                - odds_bits(&Posterior::of(bank, &misfit::without(readings, own), &excluded).parts(bank)),
            surprise: misfit::surprise(bank, readings, own, &excluded),
        };
        (0..readings.len()).map(explain).collect()
    }

    fn known(&self, test: TestIndex) -> Result<(), SessionError> {
        if test.0 < self.bank.tests.len() { Ok(()) } else { Err(SessionError::UnknownTest(test)) }
    }

    fn say(&mut self, event: Event) -> Result<(), SessionError> {
        if self.events.len() >= MOST_EVENTS {
            return Err(SessionError::TooMany);
        }
        self.events.push(event);
        Ok(())
    }
}
