//! The path of the hiss: a row for each point in signal order. What belongs there is a band, what is there a diamond, what was
//! read a ring; where diamond and ring leave the band, the hiss begins.

use maud::{Markup, html};

use super::scale::{Scale, written};
use super::{WIDTH, clipped, part_class, px, shown, svg};
use crate::bench::instrument::Meter;
use crate::report::text::{hiss, percent};
use crate::report::{PathPoint, Report, Seen, SeenBy};

const LEFT: f64 = 84.0;
const RIGHT: f64 = WIDTH - 64.0;
const TOP: f64 = 54.0;
const ROW: f64 = 19.0;
/// Letters of a name that fit to the left of the plot.
const LETTERS: usize = 12;

/// Draws it.
pub fn path(report: &Report) -> Markup {
    let bottom = TOP + ROW * report.path.len() as f64;
    let x = Scale::logarithmic(report.path.iter().flat_map(values), [LEFT, RIGHT]);
    let middle = |at: usize| TOP + ROW * (at as f64 + 0.5);
    let trace = |of: &dyn Fn(&PathPoint) -> Option<f64>| -> String {
        let places = report.path.iter().enumerate().filter_map(|(at, point)| Some((x.at(of(point)?), middle(at))));
        places
            .enumerate()
            .map(|(at, (x, y))| format!("{}{} {}", if at == 0 { "M" } else { "L" }, px(x), px(y)))
            .collect()
    };
    let floor =
        report.healthy.noise.meter.map(|Meter { floor_volts, .. }| floor_volts).filter(|_| !report.readings.is_empty());
    let drawn = html! {
        (legend(report))
        g aria-hidden="true" {
            @for tick in x.ticks() {
                line class=(if tick.is_labelled { "grid" } else { "hair" }) x1=(px(tick.place)) x2=(px(tick.place)) y1=(px(TOP)) y2=(px(bottom)) {}
                @if tick.is_labelled {
                    text class="middle" x=(px(tick.place)) y=(px(TOP - 5.0)) { (written(tick.value, "V")) }
                }
            }
            @if let Some(floor) = floor {
                line class="floor" x1=(px(x.at(floor))) x2=(px(x.at(floor))) y1=(px(TOP)) y2=(px(bottom)) {}
            }
            path class="trace healthy" d=(trace(&|point| Some(point.healthy_volts))) {}
            @if report.present.is_some() {
                path class="trace present" d=(trace(&|point| point.present_volts)) {}
            }
        }
        @for (at, point) in report.path.iter().enumerate() {
            (row(report, &x, at, point, middle(at)))
        }
    };
    let title = format!("Hiss along the signal path, {} to {}", first(report), shown(&report.output));
    svg("path", bottom + 6.0, &title, &description(report), &drawn)
}

fn first(report: &Report) -> String {
    report.path.first().map(|point| shown(&point.name)).unwrap_or_default()
}

fn values(point: &PathPoint) -> Vec<f64> {
    let band = point.band.iter().flat_map(|band| [band.low, band.high]);
    let seen = point.seen.iter().map(|seen| seen.volts.unwrap_or(seen.floor_volts));
    [point.healthy_volts].into_iter().chain(point.present_volts).chain(band).chain(seen).collect()
}

fn legend(report: &Report) -> Markup {
    let present = if report.is_assumed { "likeliest fault" } else { "with the what-ifs" };
    let read = report.path.iter().any(|point| !point.seen.is_empty());
    let twin = report.path.iter().flat_map(|point| &point.seen).any(|seen| seen.twin);
    let after_present = if report.present.is_some() { 232.0 } else { 112.0 };
    html! {
        g class="legend" aria-hidden="true" {
            rect class="band" x="4" y="6" width="20" height="9" {}
            line class="tick healthy" x1="14" x2="14" y1="5" y2="16" {}
            text x="29" y="14" { "healthy units" }
            @if report.present.is_some() {
                (diamond("present", 118.0, 10.5))
                text x="127" y="14" { (present) }
            }
            @if read {
                circle class="read" cx=(px(after_present)) cy="10.5" r="4" {}
                text x=(px(after_present + 9.0)) y="14" { "read" }
            }
            @if twin {
                (triangle(after_present + 50.0, 10.5))
                text x=(px(after_present + 59.0)) y="14" { "healthy channel" }
            }
            text class="quiet" x="4" y="32" { "V rms" }
            text class="end quiet" x=(px(WIDTH - 2.0)) y="32" { @if report.present.is_some() { "change" } }
        }
    }
}

fn row(report: &Report, x: &Scale, at: usize, point: &PathPoint, y: f64) -> Markup {
    let begins = report.begins == Some(at);
    let touching = report.parts.iter().enumerate().filter(|(_, part)| part.nodes.contains(&point.node));
    let touching: String = touching.map(|(part, _)| format!(" t{part}")).collect();
    let change = point.change_db().map(|db| format!("{db:+.1} dB").replace('-', "−"));
    let makers = report.shown().noise.points.iter().find(|shown| shown.name == point.node);
    let makers = makers.into_iter().flat_map(|shown| &shown.devices);
    html! {
        g class=(format!("row{}{touching}", if begins { " begins" } else { "" })) {
            title { (sentence(point)) }
            rect class="ground" x="0" y=(px(y - ROW / 2.0)) width=(px(WIDTH)) height=(px(ROW)) {}
            text class="name" x="4" y=(px(y + 4.0)) { (clipped(&point.name, LETTERS)) }
            @if let Some(band) = point.band {
                rect class="band" x=(px(x.at(band.low))) y=(px(y - 4.5)) width=(px((x.at(band.high) - x.at(band.low)).max(1.0))) height="9" {}
            }
            line class="tick healthy" x1=(px(x.at(point.healthy_volts))) x2=(px(x.at(point.healthy_volts))) y1=(px(y - 5.5)) y2=(px(y + 5.5)) {}
            @if let Some(volts) = point.present_volts {
                (diamond("present", x.at(volts), y))
            }
            @for seen in &point.seen {
                (mark(seen, x, y))
            }
            @for device in makers {
                @if let Some(part) = report.part(&device.name) {
                    path class=(format!("own hidden {}", part_class(Some(part)))) d=(cross(x.at(device.rms_volts), y)) {
                        title { (shown(&device.name)) " alone: " (hiss(device.rms_volts)) ", " (percent(device.share)) }
                    }
                }
            }
            @if let Some(change) = change {
                text class="end figure" x=(px(WIDTH - 2.0)) y=(px(y + 4.0)) { (change) }
            }
        }
    }
}

/// Everything about a point in a line.
fn sentence(point: &PathPoint) -> String {
    let mut text = shown(&point.name);
    if point.name != point.node {
        text += &format!(" ({})", shown(&point.node));
    }
    if let Some(place) = &point.place {
        text += &format!(", {}", shown(place));
    }
    text += &format!(": healthy {}", hiss(point.healthy_volts));
    if let Some(band) = point.band {
        text += &format!(" ({} to {})", hiss(band.low), hiss(band.high));
    }
    if let Some(volts) = point.present_volts {
        text += &format!("; at hand {}", hiss(volts));
    }
    if let Some((part, mechanism)) = &point.maker {
        let name = mechanism.mechanism.name().replace('_', " ");
        text += &format!("; most of it from {}, {name} {}", shown(part), percent(mechanism.share));
    }
    for seen in &point.seen {
        text += &format!("; read: {}", shown(&seen.text));
    }
    text
}

fn description(report: &Report) -> String {
    match report.begins.map(|at| &report.path[at]) {
        Some(point) => format!("First above the healthy band at {}", sentence(point)),
        None => "Nowhere does hiss stand above the healthy band.".to_owned(),
    }
}

fn mark(seen: &Seen, x: &Scale, y: f64) -> Markup {
    let Some(volts) = seen.volts else {
        // Somewhere to the left of the instrument's own noise.
        let place = x.at(seen.floor_volts);
        let arrow = format!("M{} {}h-12m4 -4l-4 4l4 4", px(place), px(y));
        return html! { path class="below" d=(arrow) { title { (shown(&seen.text)) } } };
    };
    let place = x.at(volts);
    html! {
        @match (seen.twin, seen.by) {
            (true, _) => (triangle(place, y)),
            (false, SeenBy::Meter) => circle class="read" cx=(px(place)) cy=(px(y)) r="4" {},
            (false, SeenBy::Scope) => rect class="read" x=(px(place - 3.8)) y=(px(y - 3.8)) width="7.6" height="7.6" {},
        }
    }
}

fn diamond(class: &str, x: f64, y: f64) -> Markup {
    html! { path class=(format!("mark {class}")) d=(format!("M{} {}l5 5l-5 5l-5 -5Z", px(x), px(y - 5.0))) {} }
}

fn triangle(x: f64, y: f64) -> Markup {
    html! { path class="read twin" d=(format!("M{} {}l4.5 8h-9Z", px(x), px(y - 4.5))) {} }
}

fn cross(x: f64, y: f64) -> String {
    format!("M{} {}l7 7m0 -7l-7 7", px(x - 3.5), px(y - 3.5))
}
