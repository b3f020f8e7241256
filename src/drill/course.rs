//! The way somebody went: what was done, what came of it, how many minutes of the bench it took.

use super::Action;
use crate::bench::reading::Reading;

/// One thing that was done.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// What.
    pub action: Action,
    /// What came of it.
    pub came: Came,
    /// Minutes of the bench.
    pub minutes: f64,
}

/// What came of it.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Came {
    /// A reading.
    Read(Reading),
    /// A test that showed nothing.
    Nothing(Reading),
    /// It is so now.
    Done,
    /// Whether it crackles.
    Tapped(bool),
    /// It was not done, and why.
    Stopped(String),
    /// A part was replaced.
    Replaced {
        /// Its name as first written.
        part: String,
        /// Whether it was the bad one.
        cured: bool,
    },
    /// A leg was lifted.
    Lifted {
        /// Of the part of this name.
        part: String,
        /// Whether it is the bad one.
        guilty: bool,
    },
    /// Advice was given.
    Hinted,
    /// The end without a cure.
    GaveUp,
}

/// All that was done, in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Course {
    /// The steps.
    pub steps: Vec<Step>,
}

impl Course {
    /// Minutes of the bench in all.
    pub fn minutes(&self) -> f64 {
        self.steps.iter().map(|step| step.minutes).sum()
    }

    /// Whether the bad part was replaced.
    pub fn is_cured(&self) -> bool {
        self.steps.iter().any(|step| matches!(step.came, Came::Replaced { cured: true, .. }))
    }

    /// Whether it has come to an end.
    pub fn is_over(&self) -> bool {
        self.is_cured() || self.steps.iter().any(|step| step.came == Came::GaveUp)
    }

    /// Whether the first part that was replaced was the bad one; `None` where none was.
    pub fn first_right(&self) -> Option<bool> {
        self.steps.iter().find_map(|step| match step.came {
            Came::Replaced { cured, .. } => Some(cured),
            _ => None,
        })
    }

    /// Good parts that were replaced, in order.
    pub fn wrong_parts(&self) -> Vec<&str> {
        let wrong = self.steps.iter().filter_map(|step| match &step.came {
            Came::Replaced { part, cured: false } => Some(part.as_str()),
            _ => None,
        });
        wrong.collect()
    }

    /// Tests that were made, those that showed nothing among them.
    pub fn tests(&self) -> usize {
        let is_test = |step: &&Step| matches!(step.came, Came::Read(_) | Came::Nothing(_) | Came::Tapped(_));
        self.steps.iter().filter(is_test).count()
    }

    /// Times that advice was asked for.
    pub fn hints(&self) -> usize {
        self.steps.iter().filter(|step| step.came == Came::Hinted).count()
    }

    /// Times that something dangerous was stopped.
    pub fn stopped(&self) -> usize {
        self.steps.iter().filter(|step| matches!(step.came, Came::Stopped(_))).count()
    }
}
