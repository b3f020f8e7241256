//! What a class works with: a worksheet with blanks, its answer key, and the table of all scores.

use super::diagnose::BENCH_CAUTIONS;
use super::drill::{complaint, course, goal, read, summary};
use super::{CAUTIONS, Rows, SHUNT_CAUTIONS, drill_truth, percent, printable};
use crate::bench::reading::{Measure, Reading};
use crate::drill::{Course, Drill, Points, Truth};
use crate::report::json::Score;
use crate::units::short;

/// What stands where a learner writes.
const BLANK: &str = "______________";

/// A worksheet: the points with blanks, the tests with blanks. It tells nothing of the fault.
pub fn worksheet(drill: &Drill<'_>) -> String {
    let sheet = drill.sheet();
    let title = sheet.title.clone().unwrap_or_else(|| sheet.circuit.title.clone());
    let mut text = format!("{}\nworksheet, seed {}\n\nname {BLANK}{BLANK}\n\n", printable(&title), drill.seed());
    text += &goal(drill);
    text += &complaint(drill);
    text += "\n";
    let points = Points::of(sheet, &[]);
    let mut rows = Rows::new(&["point", "where", ">printed DC", "DC", "hiss"]);
    for point in &points.points {
        rows.add([
            point.name.clone(),
            point.place.clone().unwrap_or_else(|| format!("node {}", point.node)),
            point.printed_volts.map_or_else(|| "-".to_owned(), |volts| short(volts, "V")),
            BLANK.to_owned(),
            BLANK.to_owned(),
        ]);
    }
    text += &rows.text();
    text += "\n";
    let mut rows = Rows::new(&["what it does to the hiss", "freeze", "finger"]);
    for device in &points.devices {
        rows.add([device.clone(), BLANK.to_owned(), BLANK.to_owned()]);
    }
    text += &rows.text();
    for control in &points.controls {
        text += &format!("{} turned down {BLANK}\n", printable(&control.name));
    }
    text +=
        &format!("\nthe bad part {BLANK}  because {BLANK}{BLANK}{BLANK}\n\n{CAUTIONS}{BENCH_CAUTIONS}{SHUNT_CAUTIONS}");
    text
}

/// The key to a worksheet: what each blank would read on this unit, the truth, and the way of diagnosis.
pub fn answer_key(drill: &Drill<'_>, readings: &[Reading], truth: &Truth, best: Option<&Course>) -> String {
    let sheet = drill.sheet();
    let title = sheet.title.clone().unwrap_or_else(|| sheet.circuit.title.clone());
    let mut text = format!("{}\nanswer key, seed {}\n\n{}\n", printable(&title), drill.seed(), drill_truth(truth));
    let of = |measure: Measure| readings.iter().filter(move |reading| reading.measure == measure);
    for measure in [Measure::Dc, Measure::Hiss, Measure::Change] {
        for reading in of(measure) {
            text += &format!("{}\n", printable(&read(reading)));
        }
    }
    if let Some(best) = best {
        text += &format!("\nFollowing diagnosis, {}:\n\n{}", summary(best), course(best));
    }
    text
}

/// The scores of a class, in the order given, and what they come to.
pub fn class(scores: &[Score]) -> String {
    let mut rows = Rows::new(&[
        "name",
        ">seed",
        "level",
        "bad part",
        "found",
        "first part",
        ">good ones pulled",
        ">tests",
        ">hints",
        ">stopped",
        ">min",
        ">diagnosis",
    ]);
    for score in scores {
        let first = match score.first_part_right {
            Some(true) => "right",
            Some(false) => "wrong",
            None => "-",
        };
        rows.add([
            score.name.clone().unwrap_or_else(|| "-".to_owned()),
            score.seed.to_string(),
            score.level.clone().unwrap_or_else(|| "chosen".to_owned()),
            score.part.clone(),
            if score.found { "yes" } else { "no" }.to_owned(),
            first.to_owned(),
            score.wrong_parts.len().to_string(),
            score.tests.to_string(),
            score.hints.to_string(),
            score.stopped.to_string(),
            format!("{:.1}", score.minutes),
            score.best.as_ref().map_or_else(|| "-".to_owned(), |best| format!("{:.1}", best.minutes)),
        ]);
    }
    let count = scores.len().max(1) as f64;
    let share = |is: &dyn Fn(&Score) -> bool| percent(scores.iter().filter(|score| is(score)).count() as f64 / count);
    let mean = |of: &dyn Fn(&Score) -> f64| scores.iter().map(of).sum::<f64>() / count;
    let compared: Vec<f64> = scores.iter().filter_map(|score| score.best.as_ref()).map(|best| best.minutes).collect();
    let mut text = rows.text();
    text += &format!(
        "\n{} drills: found {}, first part right {}, {:.1} min each",
        scores.len(),
        share(&|score| score.found),
        share(&|score| score.first_part_right == Some(true)),
        mean(&|score| score.minutes),
    );
    if !compared.is_empty() {
        text += &format!("; following diagnosis {:.1} min", compared.iter().sum::<f64>() / compared.len() as f64);
    }
    text + "\n"
}
