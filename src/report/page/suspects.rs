//! What the readings say: suspects, how sure, what to test next, what to do.

use maud::{Markup, html};

use super::table::{Row, behind, cell, table};
use super::{part, row_class};
use crate::bench::reading::Measure;
use crate::report::plot::shown;
use crate::report::text::diagnose::{expectation, severity, verdict};
use crate::report::text::percent;
use crate::report::{DiagnoseResult, ExplainRow, NextTest, Report, SuspectRow, Verdict};

/// Suspects that are listed.
const LISTED: usize = 6;

pub fn section(report: &Report, Verdict { result, told }: &Verdict) -> Markup {
    let content = html! {
        p class="verdict" { (shown(&verdict(result))) }
        @if result.flag {
            p class="flag" {
                "No single listed fault explains these readings: a part or a connection that is not listed, two faults, or a reading that is wrong."
                @if let Some(reading) = &result.most_surprising { " Repeat first what fits least: " (shown(&reading.text())) "." }
            }
        }
        (suspects(report, result))
        (next(report, result))
        (plan(report, result))
        (table("Readings, in the order taken", &["reading", ">bits for the leader", "leads after it", ">so far out by chance"],
            &told.iter().map(|row| reading(report, row)).collect::<Vec<_>>()))
        @for (reading, why) in &result.set_aside { p class="flag" { "Set aside, it cannot be: " (shown(&reading.text())) "; " (shown(why)) } }
        @for set in inseparable(result) { p { "Cannot be told apart by any test short of lifting a leg: " (shown(&set.join(", "))) "." } }
        @if !result.cleared.is_empty() {
            (behind("Parts that cannot cause this complaint", &html! { p { (shown(&result.cleared.join(", "))) } }))
        }
        @for assumed in &result.assumed { p class="quiet" { "Assumed: " (shown(assumed)) } }
    };
    super::section("suspects", "Suspects", "", &content)
}

/// Of each set those that are still suspected: the others are told apart already.
fn inseparable(result: &DiagnoseResult) -> Vec<Vec<String>> {
    let suspected = |part: &&String| result.shown().any(|suspect| suspect.part == **part);
    let left = result.inseparable.iter().map(|set| set.iter().filter(suspected).cloned().collect::<Vec<_>>());
    left.filter(|set| set.len() > 1).collect()
}

fn suspects(report: &Report, result: &DiagnoseResult) -> Markup {
    html! {
        ol class="suspects" {
            @for suspect in result.shown().take(LISTED) { (one(report, suspect)) }
            li { span class="who" { "not listed" } (share(result.unknown_probability)) }
        }
    }
}

fn one(report: &Report, suspect: &SuspectRow) -> Markup {
    let kinds = suspect.kinds.iter().filter(|kind| kind.probability >= 0.1 * suspect.probability).take(3);
    html! {
        li class=(row_class(report, &suspect.part)) data-suspect=(shown(&suspect.part)) {
            span class="who" { (part(report, &suspect.part)) }
            (share(suspect.probability))
            span class="what" {
                @for (at, kind) in kinds.enumerate() {
                    @if at > 0 { "; or " }
                    (kind.fault.name().replace('_', " ")) " " (percent(kind.probability)) ", " (severity(kind))
                }
            }
        }
    }
}

fn share(probability: f64) -> Markup {
    html! {
        span class="odds" style=(format!("--p:{:.1}%", 100.0 * probability)) { span { (percent(probability)) } }
    }
}

fn next(report: &Report, result: &DiagnoseResult) -> Markup {
    let verify = result.next.iter().all(|next| next.verify);
    html! {
        @if !result.next.is_empty() && !result.cured {
            h3 { @if verify { "Before anything is unsoldered, check (what to expect, a tenth below and above)" } @else { "Next, the best first (what to expect, a tenth below and above)" } }
            ol class="tests" { @for next in &result.next { (test(report, next)) } }
        }
    }
}

fn test(report: &Report, next: &NextTest) -> Markup {
    let measure: Measure = next.test.measure;
    html! {
        li {
            strong { (shown(&next.test.text())) } span class="quiet" { " costs " (format!("{:.1}", next.cost)) ": " (shown(&next.why)) }
            ul {
                @for expect in next.expect.iter().take(4) {
                    @let text = expectation(measure, expect);
                    li { (part(report, &expect.part)) (shown(text.strip_prefix(expect.part.as_str()).unwrap_or(&text))) }
                }
            }
        }
    }
}

fn plan(report: &Report, result: &DiagnoseResult) -> Markup {
    html! {
        @if result.cured {
            p { "Cured. Before the set goes home, see that it is quiet, balanced and clips cleanly at full power." }
        } @else if !result.plan.is_empty() {
            h3 { @if result.next.is_empty() { "Time to act" } @else { "Acting now instead" } }
            @if result.second_fault { p { "A second fault is there: the hiss fell and is still too strong." } }
            ol class="plan" {
                @for (name, lifted) in result.plan.iter().take(LISTED) {
                    li { @if *lifted { "lift a leg of " } @else { "replace " } (part(report, name)) }
                }
            }
            p class="quiet" { "Expected cost " (format!("{:.1}", result.plan_cost)) " bench units." }
        }
    }
}

fn reading(report: &Report, row: &ExplainRow) -> Row {
    let (leader, probability) = row.leader.clone().unwrap_or_default();
    let leads = html! { @if !leader.is_empty() { (part(report, &leader)) " " (percent(probability)) } };
    Row {
        class: String::new(),
        cells: vec![cell(row.reading.text()), cell(format!("{:+.1}", row.bits)), leads, cell(percent(row.surprise))],
    }
}
