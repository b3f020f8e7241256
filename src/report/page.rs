//! A job on one page of HTML, for the bench and for the customer: nothing is fetched, nothing is needed besides the page.
//!
//! Everything is there without scripting: plots, tables of exact values behind them, even the choosing of a part, which is a
//! list of radio buttons and rules of style. The script only shows exact values at a finger's touch and lets bars of the
//! ranking be chosen. All text from outside is escaped where it is put in; the page's own policy forbids any other script.

mod acceptance;
mod dc;
mod head;
mod hiss;
mod suspects;
mod symptoms;
mod table;
mod tone;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::Report;
use super::plot::{self, shown};

const STYLE: &str = include_str!("page/page.css");
const SCRIPT: &str = include_str!("page/page.js");
/// SHA-256 of the script in base 64, by which the policy lets it run. `.ci/page` fails where it does not fit:
/// `openssl dgst -sha256 -binary src/report/page/page.js | base64`.
const SCRIPT_SHA256: &str = include_str!("page/page.js.sha256");

/// The page.
pub fn page(report: &Report) -> String {
    let policy = format!(
        "default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{}'; base-uri 'none'; form-action 'none'",
        SCRIPT_SHA256.trim()
    );
    let document = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="generator" content="hissmap";
                title { (shown(&report.title)) }
                style { (PreEscaped(plot::STYLE)) (PreEscaped(STYLE)) (PreEscaped(rules(report.parts.len()))) }
            }
            body data-heard=(shown(&report.output_node)) {
                a class="skip" href="#path" { "to the plots" }
                (head::head(report))
                main {
                    (sections(report))
                }
                (head::foot(report))
                output id="tip" hidden role="status" {}
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    document.into_string() + "\n"
}

/// What is there to show, in the order in which a bench needs it.
fn sections(report: &Report) -> Markup {
    html! {
        @if let Some(verdict) = &report.diagnosis { (suspects::section(report, verdict)) }
        div class="pair" {
            (hiss::path(report))
            (hiss::ranking(report))
        }
        (hiss::spectra(report))
        (dc::section(report))
        @if let Some(tone) = &report.tone { (tone::section(report, tone)) }
        @if let Some(symptoms) = &report.symptoms { (symptoms::section(report, symptoms)) }
        @if let Some(list) = &report.acceptance { (acceptance::section(report, list)) }
    }
}

/// A section with its heading and a line on how to read it.
fn section(id: &str, heading: &str, lead: &str, content: &Markup) -> Markup {
    html! {
        section id=(id) aria-labelledby=(format!("{id}-heading")) {
            h2 id=(format!("{id}-heading")) { (heading) }
            @if !lead.is_empty() { p class="lead" { (lead) } }
            (content)
        }
    }
}

/// A part's name; where it can be chosen, pressing it does.
fn part(report: &Report, name: &str) -> Markup {
    html! {
        @match report.part(name) {
            Some(at) => label class="pick" for=(format!("p{at}")) { (shown(name)) },
            None => (shown(name)),
        }
    }
}

/// The class of a row that belongs to a part.
fn row_class(report: &Report, name: &str) -> String {
    plot::part_class(report.part(name))
}

/// What choosing each part does. Numbers only: no text from outside gets here.
fn rules(parts: usize) -> String {
    let each = |element: &str| {
        let selectors =
            (0..parts).map(|at| format!(":root:has(#p{at}:checked) {}", element.replace('#', &at.to_string())));
        selectors.collect::<Vec<_>>().join(",")
    };
    if parts == 0 {
        return String::new();
    }
    [
        (each(".p#"), "visibility:visible;opacity:1"),
        (each("svg.plot .line.p#"), "stroke:var(--chosen);stroke-width:3;stroke-dasharray:none"),
        (each(".bar.p#>.ground"), "fill:var(--chosen);fill-opacity:.22"),
        (each(".row.t#>.name"), "fill:var(--chosen);text-decoration:underline;font-weight:700"),
        (each("tr.p#>*"), "background:var(--wash)"),
        (each("tr.t#>:first-child"), "color:var(--chosen);text-decoration:underline;font-weight:700"),
        (each("label.chip[for=p#]"), "background:var(--chosen);color:var(--paper);border-color:var(--chosen)"),
    ]
    .iter()
    .map(|(selectors, rule)| format!("{selectors}{{{rule}}}\n"))
    .collect()
}
