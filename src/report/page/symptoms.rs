//! The symptom chart: a row for each suspect that can cause the complaint, a column for each point of the path.

use maud::{Markup, html};

use super::table::{behind, cell};
use super::{part, row_class};
use crate::bench::symptoms::{CaseRow, Row};
use crate::report::plot::shown;
use crate::report::text::symptoms::{complaint, frozen, moves, shift};
use crate::report::{Report, SymptomsResult};

/// A change of so many dB has the fullest colour.
const FULL_DB: f64 = 24.0;

pub fn section(report: &Report, result: &SymptomsResult) -> Markup {
    let lead = format!(
        "What each fault would do, in dB against the healthy set as a meter shows it; {}. Frozen: at the output, the suspect itself frozen (~ a healthy one does the same). Moves with: controls, end to end.",
        complaint(result).trim()
    );
    super::section("symptoms", "Symptom chart", &lead, &content(report, result))
}

fn content(report: &Report, result: &SymptomsResult) -> Markup {
    let columns: Vec<(usize, &str)> = report
        .path
        .iter()
        .filter_map(|point| {
            let at = result.chart.healthy.iter().position(|healthy| healthy.name == point.node)?;
            Some((at, point.name.as_str()))
        })
        .collect();
    let guilty: Vec<&Row> = result.chart.rows.iter().filter(|row| row.complains()).collect();
    let (whole, some) = result.innocent();
    html! {
        @if guilty.is_empty() { p { "No fault of the chart causes the complaint." } }
        @else { (chart(report, result, &guilty, &columns)) }
        @if !whole.is_empty() {
            (behind("Parts that cannot cause it, however bad", &html! { p { (shown(&whole.join(", "))) } }))
        }
        @if !some.is_empty() {
            @let kinds: Vec<String> = some.iter().map(|(name, kinds)| format!("{name} by {}", kinds.join(" or "))).collect();
            (behind("Faults that cannot", &html! { p { (shown(&kinds.join("; "))) } }))
        }
        @for note in &result.chart.notes { p class="quiet" { "Assumed: " (shown(note)) } }
    }
}

fn chart(report: &Report, result: &SymptomsResult, rows: &[&Row], columns: &[(usize, &str)]) -> Markup {
    html! {
        div class="wide" tabindex="0" role="region" aria-label="Symptom chart" {
            table class="chart" {
                caption { "Faults that cause the complaint" }
                thead { tr {
                    th scope="col" { "suspect" }
                    th scope="col" { "fault" }
                    th scope="col" class="figure" { "output" }
                    @for (_, name) in columns { th scope="col" class="point" { span { (shown(name)) } } }
                    th scope="col" class="figure" { "frozen" }
                    th scope="col" { "moves with" }
                    th scope="col" { "largest DC shift" }
                } }
                tbody { @for row in rows { (chart_row(report, result, row, columns)) } }
            }
        }
    }
}

fn chart_row(report: &Report, result: &SymptomsResult, row: &Row, columns: &[(usize, &str)]) -> Markup {
    let Some(CaseRow { case, fingerprint: Some(print), fault, .. }) = row.shown() else { return html! {} };
    let decibels = |db: Option<f64>| db.map_or_else(|| "-".to_owned(), |db| format!("{:+.1}", db + 0.0));
    let (frozen, same) = frozen(result, &row.suspect.part, print);
    html! {
        tr class=[Some(row_class(report, &row.suspect.part)).filter(|class| !class.is_empty())] {
            th scope="row" { (part(report, &row.suspect.part)) }
            td title=(shown(&fault.text())) { (row.suspect.kind.name().replace('_', " ")) ", " (case.name()) }
            td class="figure" { (decibels(print.output_change_db)) }
            @for &(at, name) in columns {
                @let db = print.change_db.get(at).copied().flatten();
                td class=[Some(heat(db)).filter(|class| !class.is_empty())] style=[strength(db)]
                    title=(format!("{}: {} dB", shown(name), decibels(db))) { (rounded(db)) }
            }
            td class="figure" { (frozen.trim_start_matches('~')) @if same { " ~" } }
            td { (cell(moves(result, print))) }
            td { (cell(shift(result, print))) }
        }
    }
}

/// Rises and falls that show.
fn heat(db: Option<f64>) -> &'static str {
    match db {
        Some(db) if db >= 1.0 => "heat rise",
        Some(db) if db <= -1.0 => "heat fall",
        _ => "heat",
    }
}

fn strength(db: Option<f64>) -> Option<String> {
    let strength = (db?.abs() / FULL_DB).min(1.0);
    (db?.abs() >= 1.0).then(|| format!("--s:{:.0}%", 12.0 + 58.0 * strength))
}

fn rounded(db: Option<f64>) -> String {
    match db {
        Some(db) if db.abs() >= 1.0 => format!("{db:+.0}").replace('-', "−"),
        _ => String::new(),
    }
}
