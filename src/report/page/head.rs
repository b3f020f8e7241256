//! The job's head, what came out in short, cautions, the parts to choose from; and the foot.

use maud::{Markup, html};

use crate::diagnostic::Diagnostic;
use crate::report::plot::shown;
use crate::report::text::{self, CAUTIONS, SHUNT_CAUTIONS, band, diagnose, hiss, percent};
use crate::report::{Report, State};
use crate::units::{exact, short};

pub fn head(report: &Report) -> Markup {
    html! {
        header {
            p class="kind" { "Bench report" }
            h1 { (shown(&report.title)) }
            @if report.setting.title != report.title { p class="circuit" { (shown(&report.setting.title)) } }
            (facts(report))
            (in_short(report))
            (cautions(report))
        }
        (chooser(report))
    }
}

fn facts(report: &Report) -> Markup {
    let controls: Vec<String> =
        report.controls.iter().map(|(name, value)| format!("{} {}", shown(name), exact(*value))).collect();
    html! {
        dl class="facts" {
            div { dt { "heard at" } dd { (shown(&report.output)) } }
            @if let Some(from) = &report.from { div { dt { "signal from" } dd { (shown(from)) } } }
            @if let Some(db) = report.complaint_db { div { dt { "complaint" } dd { (short(db, "dB")) " more hiss than healthy" } } }
            div { dt { "figures" } dd { (band(report.band_hz, report.weighting)) } }
            div { dt { "inside the set" } dd { (short(report.setting.ambient_celsius, "°C")) } }
            @if !controls.is_empty() { div { dt { "controls" } dd { (controls.join(", ")) } } }
        }
    }
}

/// Verdict, state at hand, where it begins, who makes most of it.
fn in_short(report: &Report) -> Markup {
    let output = |state: &State| state.noise.points.iter().find(|point| point.name == report.output_node).cloned();
    let (shown_output, healthy) = (output(report.shown()), output(&report.healthy));
    html! {
        ul class="short" {
            @if let Some(verdict) = &report.diagnosis {
                li { strong { (shown(&diagnose::verdict(&verdict.result))) }
                    " after " (verdict.result.readings) " readings" @if verdict.result.flag { ": but no single listed fault explains them" } "." }
            }
            @for change in &report.setting.changes {
                li { @if report.is_assumed { "Drawn as at hand, the likeliest fault: " } @else { "What if: " } strong { (shown(change)) } "." }
            }
            @if let (Some(now), Some(healthy)) = (&shown_output, &healthy) {
                li {
                    "At " (shown(&report.output)) ": "
                    @if report.present.is_some() { strong { (hiss(now.rms_volts)) } " against " }
                    (hiss(healthy.rms_volts)) " in the healthy circuit"
                    @if let Some(band) = healthy.healthy { " (" (hiss(band.low)) " to " (hiss(band.high)) " with its tolerances)" }
                    "."
                }
            }
            @if let Some(point) = report.begins.map(|at| &report.path[at]) {
                li {
                    @if report.present.is_some() { "Along the signal it" } @else { "Along the signal what was read" }
                    " first stands above the healthy band at " strong { (shown(&point.name)) }
                    @if let Some(place) = &point.place { " (" (shown(place)) ")" }
                    @if let (Some((part, mechanism)), Some(_)) = (&point.maker, point.present_volts) {
                        "; what is there comes from " strong { (shown(part)) } ", " (mechanism.mechanism.name().replace('_', " ")) " " (percent(mechanism.share))
                    }
                    "."
                }
            }
            @if let Some(first) = shown_output.as_ref().and_then(|point| point.devices.first()) {
                li { "Most of the hiss at " (shown(&report.output)) " " @if report.present.is_none() { "of the healthy circuit " } "is made by " strong data-most=(shown(&first.name)) { (shown(&first.name)) } ", " (percent(first.share)) " of its power." }
            }
        }
    }
}

/// Before anybody's hands go in.
fn cautions(report: &Report) -> Markup {
    let shunts = report.diagnosis.is_some() || report.symptoms.is_some();
    let sentences = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    html! {
        aside class="cautions" aria-label="Cautions" {
            p { strong { "Mains and charged capacitors kill. " } (sentences(CAUTIONS)) }
            @if report.diagnosis.is_some() { p { (sentences(diagnose::BENCH_CAUTIONS)) } }
            @if shunts { details { summary { "Before a shunt" } p { (sentences(SHUNT_CAUTIONS)) } } }
        }
    }
}

fn chooser(report: &Report) -> Markup {
    html! {
        @if !report.parts.is_empty() {
            fieldset class="chooser" {
                legend { "Choose a part to find it in every plot" }
                input type="radio" name="part" id="none" checked;
                label class="chip" for="none" { "none" }
                @for (at, part) in report.parts.iter().enumerate() {
                    input type="radio" name="part" id=(format!("p{at}")) data-name=(shown(&part.name));
                    label class="chip" for=(format!("p{at}")) { (shown(&part.name)) }
                }
            }
        }
    }
}

pub fn foot(report: &Report) -> Markup {
    html! {
        footer {
            @if !report.cautions.is_empty() {
                h2 { "What a reader should know" }
                ul { @for caution in &report.cautions { li { (message(caution)) } } }
            }
            p {
                "Computed by hissmap from the netlist; " (text::healthy_units(report.healthy.noise.healthy_units).trim())
                ". Hiss and volts are those of the circuit with no instrument attached, unless said."
            }
            p { "Colours: Okabe and Ito 2008. Keys: Tab goes from plot to plot, the arrows from value to value in it; among the parts they choose." }
        }
    }
}

fn message(caution: &Diagnostic) -> String {
    let help = caution.help.as_ref().map(|help| format!("; {help}")).unwrap_or_default();
    shown(&format!("{}{help} ({})", caution.message, caution.code.as_str()))
}
