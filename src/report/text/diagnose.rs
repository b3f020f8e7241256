//! Which part, how sure, what next, as text.

use super::{Rows, SHUNT_CAUTIONS, commas, filled, percent, printable};
use crate::bench::reading::{How, Measure, Value};
use crate::report::{DiagnoseResult, ExpectRow, ExplainRow, KindRow, NextTest};
use crate::units::short;

/// Suspects that are listed.
const LISTED: usize = 6;
/// Bits from which on a reading counts as telling.
const TELLING_BITS: f64 = 1.0;

/// What is said once about hands, spray and shunts wherever tests are proposed.
pub const BENCH_CAUTIONS: &str = "\
Keep the dummy load on, not the speaker. Spray until the part is cold, not until it drips; the
water it leaves leaks by itself: wait until all is dry before the next reading.
";

/// The answer. `explained`: reading by reading, if asked for; `told`: the same, for what told most.
pub fn diagnose(result: &DiagnoseResult, explained: Option<&[ExplainRow]>, told: &[ExplainRow]) -> String {
    let mut text = format!("{}\n", printable(&result.title));
    let readings = if result.readings == 1 { "1 reading".to_owned() } else { format!("{} readings", result.readings) };
    text += &format!("{readings}; {}\n\n", verdict(result));
    text += &suspects(result);
    for (reading, why) in &result.set_aside {
        text += &format!("set aside, it cannot be: {}; {why}\n", printable(&reading.text()));
    }
    text += &telling(told);
    if result.flag {
        text += "\nNo single listed fault explains these readings: a part or a connection that is not listed, two faults,\n\
                 or a reading that is wrong.\n";
        if let Some(reading) = &result.most_surprising {
            text += &format!("Repeat first what fits least: {}\n", printable(&reading.text()));
        }
    }
    let suspected = |part: &String| result.shown().any(|suspect| suspect.part == *part);
    for set in &result.inseparable {
        // Of a set, those that nobody suspects any more are told apart already.
        let left: Vec<String> = set.iter().filter(|part| suspected(part)).cloned().collect();
        if left.len() > 1 {
            text += &filled("cannot be told apart by any test short of lifting a leg:", "   ", commas(&left));
        }
    }
    if !result.cleared.is_empty() {
        text += &filled("cannot cause this complaint:", "   ", commas(&result.cleared));
    }
    for assumed in &result.assumed {
        text += &format!("assumed: {}\n", printable(assumed));
    }
    if let Some(rows) = explained {
        text += &explanation(rows);
    }
    text += &next(result);
    text += &plan(result);
    let shunted = result.next.iter().any(|next| next.test.act.as_ref().is_some_and(|act| act.how == How::Shunt));
    text += &format!("\n{}{BENCH_CAUTIONS}", super::CAUTIONS);
    if shunted {
        text += SHUNT_CAUTIONS;
    }
    text
}

/// The answer in one line, for a conversation at a terminal.
pub fn diagnose_line(result: &DiagnoseResult) -> String {
    let first = result.next.first();
    let next = match first {
        _ if result.cured => "cured".to_owned(),
        Some(next) if next.verify => format!("check: {}", next.test.text()),
        Some(next) => format!("next: {} ({})", next.test.text(), next.why),
        None => match result.plan.first() {
            Some((part, true)) => format!("time to act: lift a leg of {part}"),
            Some((part, false)) => format!("time to act: replace {part}"),
            None => "time to search openly".to_owned(),
        },
    };
    let flag = if result.flag { "; NO LISTED FAULT EXPLAINS THIS" } else { "" };
    printable(&format!("{}{flag}; {next}", verdict(result))) + "\n"
}

pub(in crate::report) fn verdict(result: &DiagnoseResult) -> String {
    let name = |part: &Option<String>| part.clone().unwrap_or_else(|| "something not listed".to_owned());
    let set: Vec<String> = result.smallest_set.iter().map(name).collect();
    match (result.shown().next(), set.as_slice()) {
        (None, _) => "no suspect".to_owned(),
        (Some(_), [_]) if result.smallest_set == [None] => {
            format!("a fault that is not listed, at {}", percent(result.unknown_probability))
        }
        (Some(first), [_]) => format!("{} it is, at {}", first.part, percent(first.probability)),
        (Some(_), set) if set.len() <= LISTED => format!("nine in ten that it is one of {}", set.join(", ")),
        (Some(first), set) => format!("open: {} parts share nine in ten, {} leads", set.len(), first.part),
    }
}

fn suspects(result: &DiagnoseResult) -> String {
    let mut rows = Rows::new(&["suspect", ">probability", "what it may be", "how bad, middle four fifths"]);
    for suspect in result.shown().take(LISTED) {
        for (at, kind) in suspect.kinds.iter().take(2).enumerate() {
            let (name, probability) = match at {
                0 => (suspect.part.clone(), percent(suspect.probability)),
                _ => (String::new(), String::new()),
            };
            let share = if suspect.probability > 0.0 { kind.probability / suspect.probability } else { 0.0 };
            if at > 0 && share < 0.1 {
                continue;
            }
            rows.add([name, probability, format!("{} {}", kind.fault.name(), percent(share)), severity(kind)]);
        }
    }
    rows.add(["not listed".to_owned(), percent(result.unknown_probability), String::new(), String::new()]);
    rows.text()
}

pub(in crate::report) fn severity(kind: &KindRow) -> String {
    let (Some(severity), Some(quantity)) = (kind.severity, kind.fault.quantity()) else { return "-".to_owned() };
    let (low, high) = (severity.p10, severity.p90);
    match quantity {
        "icbo_a" => format!("{} to {} at 25 °C", rounded(low, "A"), rounded(high, "A")),
        "ohm" => format!("{} to {}", rounded(low, "Ω"), rounded(high, "Ω")),
        "uv_per_v" => format!("{low:.0} to {high:.0} µV/V"),
        _ => format!("×{} to ×{}", two_digits(low), two_digits(high)),
    }
}

fn two_digits(value: f64) -> String {
    format!("{value:.1e}").parse::<f64>().unwrap_or(value).to_string()
}

fn rounded(value: f64, unit: &str) -> String {
    short(format!("{value:.1e}").parse().unwrap_or(value), unit)
}

/// What told most, and what speaks against the leader.
fn telling(rows: &[ExplainRow]) -> String {
    let mut text = String::new();
    let most = rows.iter().filter(|row| row.bits >= TELLING_BITS).max_by(|a, b| a.bits.total_cmp(&b.bits));
    if let Some(row) = most {
        text += &format!("most telling: {} ({:.1} bits)\n", printable(&row.reading.text()), row.bits);
    }
    for row in rows.iter().filter(|row| row.bits <= -TELLING_BITS) {
        text += &format!("speaks against it: {} ({:.1} bits)\n", printable(&row.reading.text()), -row.bits);
    }
    if text.is_empty() { text } else { format!("\n{text}") }
}

fn explanation(rows: &[ExplainRow]) -> String {
    let mut table = Rows::new(&["reading", ">bits for the leader", "leads after it", ">", ">so far out by chance"]);
    for row in rows {
        let (leader, probability) = row.leader.clone().unwrap_or_default();
        table.add([
            row.reading.text(),
            format!("{:+.1}", row.bits),
            leader,
            percent(probability),
            percent(row.surprise),
        ]);
    }
    format!("\nReading by reading, in the order taken:\n\n{}", table.text())
}

fn next(result: &DiagnoseResult) -> String {
    if result.cured || result.next.is_empty() {
        return String::new();
    }
    let verify = result.next.iter().all(|next| next.verify);
    let mut text = match verify {
        true => "\nBefore anything is unsoldered, check:\n\n".to_owned(),
        false => "\nNext, the best first:\n\n".to_owned(),
    };
    let mut rows = Rows::new(&["test", ">cost", "why", "to expect (a tenth below and above)"]);
    for next in &result.next {
        rows.add([next.test.text(), format!("{:.1}", next.cost), next.why.clone(), expectations(next)]);
    }
    text += &rows.text();
    text
}

pub(in crate::report) fn expectations(next: &NextTest) -> String {
    let each = next.expect.iter().take(4).map(|expect| expectation(next.test.measure, expect));
    each.collect::<Vec<_>>().join("\n")
}

pub(in crate::report) fn expectation(measure: Measure, expect: &ExpectRow) -> String {
    let of = |value: f64| match measure {
        Measure::Change => format!("{value:+.1}"),
        _ => Value::number(three_digits(value)).text(measure),
    };
    let unit = if measure == Measure::Change { " dB" } else { "" };
    format!("{}: {}{unit} ({} to {})", expect.part, of(expect.value), of(expect.low), of(expect.high))
}

fn three_digits(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

fn plan(result: &DiagnoseResult) -> String {
    if result.cured {
        return "\nCured. Before the set goes home, see that it is quiet, balanced and clips cleanly at full power.\n"
            .to_owned();
    }
    let steps: Vec<String> = result
        .plan
        .iter()
        .take(LISTED)
        .map(|(part, lifted)| if *lifted { format!("lift a leg of {part}") } else { format!("replace {part}") })
        .collect();
    let second =
        if result.second_fault { "A second fault is there: the hiss fell and is still too strong.\n" } else { "" };
    let now = if result.next.is_empty() { "Time to act:" } else { "Acting now instead:" };
    let last = steps.len().saturating_sub(1);
    let step = |(at, step): (usize, &String)| match (at, at < last) {
        (0, true) => format!("{step},"),
        (0, false) => format!("{step};"),
        (_, true) => format!("then {step},"),
        (_, false) => format!("then {step};"),
    };
    let cost = format!("expected cost {:.1} bench units.", result.plan_cost);
    format!("\n{second}{}", filled(now, "   ", steps.iter().enumerate().map(step).chain([cost])))
}
