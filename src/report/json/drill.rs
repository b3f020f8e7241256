//! Of `drill --score` and `drill --merge`.

use serde::{Deserialize, Serialize};

use super::Head;
use crate::bench::Fault;
use crate::drill::{Course, Drill};

/// How somebody did in a drill: the file of `drill --score`, and an entry of `drill --merge`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Score {
    /// Who.
    pub name: Option<String>,
    /// Title of the sheet.
    pub title: String,
    /// Seed of the unit.
    pub seed: u64,
    /// easy, fair or hard; null where the fault was chosen.
    pub level: Option<String>,
    /// The bad part.
    pub part: String,
    /// What was wrong with it.
    pub fault: String,
    /// Whether it was found.
    pub found: bool,
    /// Whether the first part replaced was the bad one; null where none was.
    pub first_part_right: Option<bool>,
    /// Good parts that were replaced, in order.
    pub wrong_parts: Vec<String>,
    /// Minutes of the bench.
    pub minutes: f64,
    /// Tests that were made.
    pub tests: usize,
    /// Times that advice was asked for.
    pub hints: usize,
    /// Dangerous acts that were stopped.
    pub stopped: usize,
    /// What was done, in order.
    pub steps: Vec<ScoreStep>,
    /// How following diagnosis would have gone on the same unit; null where it was left out.
    pub best: Option<BestScore>,
}

/// One thing that was done.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ScoreStep {
    /// As typed.
    pub action: String,
    /// Minutes of the bench.
    pub minutes: f64,
}

/// How following diagnosis would have gone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BestScore {
    /// Whether it would have found the bad part.
    pub found: bool,
    /// Whether the first part replaced would have been the bad one.
    pub first_part_right: Option<bool>,
    /// Good parts that would have been replaced.
    pub wrong_parts: Vec<String>,
    /// Minutes of the bench.
    pub minutes: f64,
    /// Tests.
    pub tests: usize,
    /// What would have been done, in order.
    pub steps: Vec<ScoreStep>,
}

impl Score {
    /// Of a drill that is over, and the way of diagnosis if that is known.
    pub fn of(drill: &Drill<'_>, name: Option<&str>, best: Option<&Course>) -> Self {
        let (sheet, course) = (drill.sheet(), drill.course());
        let fault: &Fault = drill.fault();
        Self {
            name: name.map(str::to_owned),
            title: sheet.title.clone().unwrap_or_else(|| sheet.circuit.title.clone()),
            seed: drill.seed(),
            level: drill.level().map(|level| level.name().to_owned()),
            part: fault.part.clone(),
            fault: fault.text(),
            found: course.is_cured(),
            first_part_right: course.first_right(),
            wrong_parts: wrong_parts(course),
            minutes: course.minutes(),
            tests: course.tests(),
            hints: course.hints(),
            stopped: course.stopped(),
            steps: steps(course),
            best: best.map(|best| BestScore {
                found: best.is_cured(),
                first_part_right: best.first_right(),
                wrong_parts: wrong_parts(best),
                minutes: best.minutes(),
                tests: best.tests(),
                steps: steps(best),
            }),
        }
    }
}

fn wrong_parts(course: &Course) -> Vec<String> {
    course.wrong_parts().into_iter().map(str::to_owned).collect()
}

fn steps(course: &Course) -> Vec<ScoreStep> {
    let step = |step: &crate::drill::Step| ScoreStep { action: step.action.text(), minutes: step.minutes };
    course.steps.iter().map(step).collect()
}

/// The file of `drill --score`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DrillScore<'a> {
    #[serde(flatten)]
    head: Head,
    #[serde(flatten)]
    score: &'a Score,
}

impl<'a> DrillScore<'a> {
    /// Of a score.
    pub fn new(head: Head, score: &'a Score) -> Self {
        Self { head, score }
    }
}

/// Of `drill --merge`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DrillClass<'a> {
    #[serde(flatten)]
    head: Head,
    scores: &'a [Score],
}

impl<'a> DrillClass<'a> {
    /// Of the scores of a class.
    pub fn new(head: Head, scores: &'a [Score]) -> Self {
        Self { head, scores }
    }
}
