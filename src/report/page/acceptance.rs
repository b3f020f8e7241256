//! What a repaired set must read, and what it did read.

use maud::{Markup, html};

use super::hiss::named;
use super::table::{Row, behind, cell, table};
use crate::bench::reading::When;
use crate::repair::acceptance::{Item, Verdict};
use crate::report::plot::shown;
use crate::report::text::verify::{VERIFY_CAUTIONS, quantity};
use crate::report::{Report, VerifyResult};
use crate::units::short;

pub fn section(report: &Report, result: &VerifyResult) -> Markup {
    let list = &result.acceptance;
    let [pass, fail, to_do] = [Verdict::Pass, Verdict::Fail, Verdict::ToDo].map(|verdict| list.count(verdict));
    let lead = format!(
        "Limits within which {} of healthy sets read, drawn from the tolerances. Of the readings {pass} pass, {fail} fail; \
         {to_do} are still to be made. Readings of the faulty set fail here as they should: repeat them on the cured one.",
        short(100.0 * list.share, "%")
    );
    let content = html! {
        @for (when, caption) in [
            (None, "At the temperature of the bench"),
            (Some(When::Warm), "After 30 minutes with the cabinet closed"),
            (Some(When::Cold), "Cold, within a minute of switching on"),
        ] {
            @let rows: Vec<Row> = list.items.iter().filter(|item| item.when == when).map(|item| row(report, item)).collect();
            @if !rows.is_empty() {
                (table(caption, &["item", "channel", ">from", ">to", ">reading", "verdict"], &rows))
            }
        }
        (behind("How each is measured", &how(&list.items)))
        aside class="cautions" aria-label="Cautions of the final test" { p { (VERIFY_CAUTIONS.split_whitespace().collect::<Vec<_>>().join(" ")) } }
    };
    super::section("acceptance", "Is it repaired?", &lead, &content)
}

fn row(report: &Report, item: &Item) -> Row {
    let written = |value: Option<f64>| cell(value.map_or_else(String::new, |value| quantity(value, item.unit)));
    let verdict = match item.verdict {
        Verdict::Pass => html! { "pass" },
        Verdict::Fail => html! { span class="out" { "FAIL" } },
        Verdict::ToDo => html! { span class="todo" aria-label="to do" { "☐" } },
    };
    let name = item.name.trim_end_matches(", warm").trim_end_matches(", cold");
    let channel = item.channel.as_deref().map(|node| named(report, node)).unwrap_or_default();
    Row {
        class: String::new(),
        cells: vec![
            cell(name.replace('_', " ")),
            cell(channel),
            written(item.low),
            written(item.high),
            written(item.value),
            verdict,
        ],
    }
}

/// Each way of measuring once.
fn how(items: &[Item]) -> Markup {
    let mut ways: Vec<&str> = Vec::new();
    for item in items {
        if !ways.contains(&item.how.as_str()) {
            ways.push(&item.how);
        }
    }
    html! { ul { @for way in ways { li { (shown(way)) } } } }
}
