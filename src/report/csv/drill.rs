//! A class as comma-separated values.

use super::table;
use crate::report::json::Score;
use crate::units::exact;

/// A row for each score.
pub fn class(scores: &[Score]) -> String {
    let columns = [
        "name",
        "title",
        "seed",
        "level",
        "part",
        "fault",
        "found",
        "first_part_right",
        "wrong_parts",
        "minutes",
        "tests",
        "hints",
        "stopped",
        "best_minutes",
    ];
    let optional = |flag: Option<bool>| flag.map(|flag| flag.to_string()).unwrap_or_default();
    let row = |score: &Score| {
        vec![
            score.name.clone().unwrap_or_default(),
            score.title.clone(),
            score.seed.to_string(),
            score.level.clone().unwrap_or_default(),
            score.part.clone(),
            score.fault.clone(),
            score.found.to_string(),
            optional(score.first_part_right),
            score.wrong_parts.join(" "),
            exact(score.minutes),
            score.tests.to_string(),
            score.hints.to_string(),
            score.stopped.to_string(),
            score.best.as_ref().map(|best| exact(best.minutes)).unwrap_or_default(),
        ]
    };
    table(&columns, scores.iter().map(row))
}
