//! `[drill]`: what a sheet teaches.

use super::keys::DRILL;
use super::settings::{Lesson, Level};
use super::tree::{Limits, Node, Problems, value};
use crate::bench::quantity::Unit;
use crate::diagnostic::nearest;

/// Seeds beyond are no whole numbers in a sheet.
const LARGEST_SEED: f64 = 9_007_199_254_740_992.0;

pub(super) fn lesson(problems: &mut Problems, node: &Node) -> Lesson {
    let Some(fields) = problems.fields(node, DRILL.keys, "drill") else { return Lesson::default() };
    let goal = fields.text(problems, "goal").map(|(goal, _)| goal.to_owned());
    let sealed = fields.text(problems, "sealed").map(|(sealed, _)| sealed.to_owned());
    let seed = fields.within(problems, "seed", Unit::Plain, Limits::NonNegative);
    if let (Some(wrong), Some((node, _))) = (seed, fields.get("seed"))
        && (wrong.fract() != 0.0 || wrong > LARGEST_SEED)
    {
        problems.add(node.span, value(format!("{wrong} is no whole number")).help("write seed = 7"));
    }
    let level = fields.text(problems, "level").and_then(|(word, span)| {
        let level = Level::named(&word.to_lowercase());
        if level.is_none() {
            let known = || Level::ALL.iter().map(|level| level.name());
            let error = value(format!("no drill is {word}"));
            problems.add(
                span,
                match nearest(word, known()) {
                    Some(near) => error.help(format!("try \"{near}\"")),
                    None => error.help(format!("levels are {}", known().collect::<Vec<_>>().join(", "))),
                },
            );
        }
        level
    });
    Lesson { goal, seed: seed.map(|seed| seed as u64), level, sealed }
}
