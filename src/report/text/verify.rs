//! Is it repaired, as text.

use super::{CAUTIONS, Rows, count, filled, heading, printable};
use crate::bench::reading::When;
use crate::repair::acceptance::{Item, Verdict};
use crate::report::VerifyResult;
use crate::units::{engineering, short};

/// What is said wherever a finished set is measured under load.
pub const VERIFY_CAUTIONS: &str = "\
Measure on a dummy load rated for the power, never on the speaker; keep full drive short. Before the
set goes back, a licensed person does the electrical safety test that local codes ask for: earth,
insulation, leakage current. This list does not replace it.
";

/// The list: verdicts first, then how what is left to do is done.
pub fn verify(result: &VerifyResult) -> String {
    let list = &result.acceptance;
    let [pass, fail, to_do] = [Verdict::Pass, Verdict::Fail, Verdict::ToDo].map(|verdict| list.count(verdict));
    let mut text = heading(&result.setting, "is it repaired?");
    text += &match (fail, to_do) {
        (0, 0) => format!("PASS: all {pass} items pass\n\n"),
        (0, _) if pass == 0 => format!("nothing read yet: {} to do\n\n", count(to_do, "item", "items")),
        (0, _) => format!("so far so good: {pass} pass, none fails, {to_do} still to do\n\n"),
        _ => format!("FAIL: {} ({pass} pass, {to_do} still to do)\n\n", count(fail, "item fails", "items fail")),
    };
    for (when, conditions) in [
        (None, "at the temperature of the bench"),
        (Some(When::Warm), "after 30 minutes with the cabinet closed"),
        (Some(When::Cold), "cold, within a minute of switching on"),
    ] {
        let here: Vec<&Item> = list.items.iter().filter(|item| item.when == when).collect();
        if !here.is_empty() {
            text += &format!("{conditions}\n{}\n", rows(&here));
        }
    }
    text += &how(&list.items);
    text += &limits(result);
    text + CAUTIONS + VERIFY_CAUTIONS
}

fn rows(items: &[&Item]) -> String {
    let mut rows = Rows::new(&["item", "channel", ">reading", ">from", ">to", "verdict"]);
    for item in items {
        let show = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| quantity(value, item.unit));
        let verdict = match item.verdict {
            Verdict::Pass => "pass",
            Verdict::Fail => "FAIL",
            Verdict::ToDo => "to do",
        };
        // The condition stands above the table.
        let name = item.name.trim_end_matches(", warm").trim_end_matches(", cold");
        let channel = item.channel.clone().unwrap_or_default();
        let [reading, low, high] = [item.value, item.low, item.high].map(show);
        rows.add([name.to_owned(), channel, reading, low, high, verdict.to_owned()]);
    }
    rows.text()
}

pub(in crate::report) fn quantity(value: f64, unit: &str) -> String {
    match unit {
        "dB" => format!("{:+.2} dB", value + 0.0),
        "°C" => format!("{value:.1} °C"),
        "" => format!("{:.3}", value + 0.0),
        _ => engineering(value, unit, 3),
    }
}

/// Each way of measuring once, with the items that are left to do.
fn how(items: &[Item]) -> String {
    let mut ways: Vec<(&str, Vec<String>)> = Vec::new();
    for item in items.iter().filter(|item| item.verdict == Verdict::ToDo) {
        let name = item.name.clone();
        match ways.iter_mut().find(|(how, _)| *how == item.how) {
            Some((_, names)) if names.contains(&name) => {}
            Some((_, names)) => names.push(name),
            None => ways.push((&item.how, vec![name])),
        }
    }
    if ways.is_empty() {
        return String::new();
    }
    let mut text = "to do, and how:\n".to_owned();
    for (how, names) in ways {
        let word = |name: &str| name.split([' ', ',']).next().unwrap_or_default().to_owned();
        let mut words: Vec<String> = Vec::new();
        for name in &names {
            if !words.contains(&word(name)) {
                words.push(word(name));
            }
        }
        let what = format!("{} ({}):", words.join(", "), count(names.len(), "item", "items"));
        text += &filled("", "   ", [what].into_iter().chain(printable(how).split(' ').map(str::to_owned)));
    }
    text + "\n"
}

fn limits(result: &VerifyResult) -> String {
    let list = &result.acceptance;
    let [drawn, solved] = list.units;
    let lost = if solved < drawn { format!("; {} more found no bias", drawn - solved) } else { String::new() };
    let rated = list.rated_volts.map_or_else(String::new, |volts| {
        format!("Signal-to-noise ratios refer to a rated output of {}. ", engineering(volts, "V rms", 3))
    });
    let share = short(100.0 * list.share, "%");
    let drawn = format!(
        "Limits: {share} of {solved} healthy sets drawn from the tolerances read so, the error of the reading in it{lost}. So \
         of healthy sets, too, one item now and then lies outside: repeat a reading before you doubt the repair. {rated}Terms \
         of IEC 60268-3: e.m.f. and impedance of the rated source and the rated load as the netlist says; power is V²/R."
    );
    filled("", "", drawn.split(' ').map(str::to_owned)) + "\n"
}
