//! What has been said about a unit, and what of it still holds: readings, a menu, parts replaced.
//!
//! A part that was replaced without cure is healthy now: it is no suspect any more, and readings that it touches are void,
//! because the new part has tolerances of its own. Where the hiss fell and is still too strong, there was a second fault.

use super::bank::{Bank, PartIndex, TestIndex};
use super::update::Reading;

/// What a replacement did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The complaint is gone.
    Cured,
    /// Nothing has changed.
    NotCured,
    /// The hiss has fallen but is still over the limit.
    StillTooStrong,
}

/// One thing said about a unit.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Event {
    Reading(Reading),
    Menu(Vec<TestIndex>),
    Replaced(PartIndex, Outcome),
}

/// What holds after everything that was said.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct State {
    /// Readings that still hold, in the order of entry.
    pub readings: Vec<Reading>,
    /// The tests that can be done, ascending; all if nothing was said.
    pub menu: Option<Vec<TestIndex>>,
    pub replaced: Vec<PartIndex>,
    pub second_fault: bool,
    pub cured: bool,
}

impl State {
    pub fn after(bank: &Bank, events: &[Event]) -> Self {
        let mut state = Self::default();
        for event in events {
            match event {
                Event::Reading(reading) => state.readings.push(*reading),
                Event::Menu(tests) => {
                    let mut tests = tests.clone();
                    tests.sort();
                    tests.dedup();
                    state.menu = Some(tests);
                }
                Event::Replaced(part, outcome) => state.replace(bank, *part, *outcome),
            }
        }
        state
    }

    fn replace(&mut self, bank: &Bank, part: PartIndex, outcome: Outcome) {
        self.cured = outcome == Outcome::Cured;
        self.second_fault |= outcome == Outcome::StillTooStrong;
        self.readings.retain(|reading| !bank.tests[reading.test.0].touched_by.contains(&part));
        if !self.replaced.contains(&part) {
            self.replaced.push(part);
        }
    }

    /// Components that cannot be at fault any more.
    pub fn excluded(&self, bank: &Bank) -> Vec<bool> {
        if self.replaced.is_empty() {
            return Vec::new();
        }
        let mut excluded = vec![false; bank.len()];
        for part in &self.replaced {
            excluded[bank.ranges()[part.0].clone()].fill(true);
        }
        excluded
    }

    /// Tests that can be done and have not been.
    pub fn possible(&self, bank: &Bank) -> Vec<TestIndex> {
        let done = |test: &TestIndex| self.readings.iter().any(|reading| reading.test == *test);
        match &self.menu {
            Some(menu) => menu.iter().copied().filter(|test| !done(test)).collect(),
            None => (0..bank.tests.len()).map(TestIndex).filter(|test| !done(test)).collect(),
        }
    }
}
