//! Hiss: its path, who makes it, its spectra.

use maud::{Markup, html};

use super::table::{Row, behind, cell, table};
use super::{part, row_class, section};
use crate::bench::healthy::Band;
use crate::report::plot::{self, shown};
use crate::report::text::{ends, frequency, hiss, percent};
use crate::report::{PointHiss, PointSpectra, RecordingResult, Report};
use crate::units::{engineering, short};

/// Frequencies in the table behind a spectrum: every so many of those drawn.
const EVERY: usize = 2;

pub fn path(report: &Report) -> Markup {
    let lead = match report.readings.is_empty() {
        false => {
            "Points in signal order. The band holds nine tenths of healthy units; what was read lies on top, the instrument's own noise and load taken out. An arrow: below the instrument's own noise, the dashed line."
        }
        true => "Points in signal order. The band holds nine tenths of healthy units.",
    };
    let content = html! {
        figure { (plot::path(report)) }
        (behind("All nodes in figures", &nodes(report)))
    };
    section("path", "The path of the hiss", lead, &content)
}

fn nodes(report: &Report) -> Markup {
    let mut columns = vec!["node", ">healthy", ">from", ">to"];
    if report.present.is_some() {
        columns.extend([">at hand", ">change"]);
    }
    columns.extend([">gain", ">a meter reads", "most of it from", ">share"]);
    let rows: Vec<Row> = report.shown().noise.points.iter().map(|point| node(report, point)).collect();
    table("Hiss at every node in signal order, V rms", &columns, &rows)
}

fn node(report: &Report, point: &PointHiss) -> Row {
    let healthy = report.healthy.noise.points.iter().find(|healthy| healthy.name == point.name);
    let [low, high] = ends(healthy.and_then(|healthy| healthy.healthy), hiss);
    let before = healthy.map_or_else(|| "-".to_owned(), |healthy| hiss(healthy.rms_volts));
    let mut cells = vec![cell(named(report, &point.name)), cell(before), cell(low), cell(high)];
    if report.present.is_some() {
        let change = healthy.map(|healthy| 20.0 * (point.rms_volts / healthy.rms_volts).log10());
        let change = change.filter(|db| db.is_finite()).map_or_else(|| "-".to_owned(), |db| format!("{db:+.1} dB"));
        cells.extend([cell(hiss(point.rms_volts)), cell(change)]);
    }
    let gain = point.gain_db.map_or_else(|| "-".to_owned(), |db| format!("{db:.1} dB"));
    let metered = point.meter_volts.map_or_else(|| "-".to_owned(), hiss);
    cells.extend([cell(gain), cell(metered)]);
    match point.devices.first() {
        Some(device) => cells.extend([part(report, &device.name), cell(percent(device.share))]),
        None => cells.extend([cell("-"), cell("")]),
    }
    let touching = report.parts.iter().enumerate().filter(|(_, part)| part.nodes.contains(&point.name));
    Row { class: touching.map(|(at, _)| format!("t{at}")).collect::<Vec<_>>().join(" "), cells }
}

/// `TP4 (XL.c2)`
pub fn named(report: &Report, node: &str) -> String {
    match report.named(node) {
        Some(named) if named.name != node => format!("{} ({node})", named.name),
        _ => node.to_owned(),
    }
}

pub fn ranking(report: &Report) -> Markup {
    let at = |node: &str| {
        let of = |points: &[PointHiss]| points.iter().find(|point| point.name == node).cloned();
        let present = report.present.as_ref().and_then(|state| of(&state.noise.points));
        (present, of(&report.healthy.noise.points))
    };
    let mut nodes = vec![report.output_node.clone()];
    nodes.extend(report.begins.map(|at| report.path[at].node.clone()).filter(|node| *node != report.output_node));
    let content = html! {
        div class="plots" {
            @for (place, node) in nodes.iter().enumerate() {
                @if let (present, Some(healthy)) = at(node) {
                    @let shown_point = present.as_ref().unwrap_or(&healthy);
                    @let name = report.named(node).map_or(node.as_str(), |named| named.name.as_str());
                    figure id=[(place == 0).then_some("ranking-output")] {
                        figcaption { "At " (shown(name)) ": " (hiss(shown_point.rms_volts)) " rms, " (hiss(shown_point.peak_to_peak_volts)) " peak to peak" }
                        (plot::ranking(report, shown_point, present.as_ref().map(|_| &healthy), name))
                        (behind("Every part and mechanism", &devices(report, shown_point)))
                    }
                }
            }
        }
    };
    section(
        "ranking",
        "Who makes the hiss",
        "Shares of the power. Press a bar to find that part in every plot.",
        &content,
    )
}

fn devices(report: &Report, point: &PointHiss) -> Markup {
    let rows: Vec<Row> = point
        .devices
        .iter()
        .map(|device| {
            let each = device.mechanisms.iter().filter(|one| one.share > 0.0);
            let each = each.map(|one| {
                format!("{} {} ({})", one.mechanism.name().replace('_', " "), hiss(one.rms_volts), percent(one.share))
            });
            Row {
                class: row_class(report, &device.name),
                cells: vec![
                    part(report, &device.name),
                    cell(hiss(device.rms_volts)),
                    cell(percent(device.share)),
                    cell(each.collect::<Vec<_>>().join(", ")),
                ],
            }
        })
        .collect();
    table("Parts by falling share", &["part", ">V rms", ">share", "by mechanism"], &rows)
}

pub fn spectra(report: &Report) -> Markup {
    let content = html! {
        div class="plots" {
            @for point in &report.spectra {
                figure {
                    figcaption { "At " (shown(&point.name)) }
                    (plot::spectrum(report, point))
                    (behind("In figures", &densities(report, point)))
                }
            }
        }
        @for (at, recording) in &report.recordings { (recorded(at, recording)) }
    };
    section(
        "spectra",
        "Spectra",
        "Unweighted density. The band holds nine tenths of healthy units, frequency by frequency.",
        &content,
    )
}

fn densities(report: &Report, point: &PointSpectra) -> Markup {
    let mut columns = vec![">frequency".to_owned(), ">healthy".to_owned(), ">from".to_owned(), ">to".to_owned()];
    columns.extend(point.present.as_ref().map(|_| ">at hand".to_owned()));
    let parts = report.parts.iter().zip(&point.parts).filter_map(|(part, own)| Some((part, own.as_ref()?)));
    let parts: Vec<_> = parts.take(6).collect();
    columns.extend(parts.iter().map(|(part, _)| format!(">{}", shown(&part.name))));
    let density = |value: f64| cell(engineering(value, "V/√Hz", 3));
    let rows = (0..point.hertz.len()).step_by(EVERY).map(|at| {
        let Band { low, high } = point.band[at];
        let mut cells = vec![cell(frequency(point.hertz[at])), density(point.healthy[at]), density(low), density(high)];
        cells.extend(point.present.as_ref().map(|present| density(present[at])));
        cells.extend(parts.iter().map(|(_, own)| density(own.0[at])));
        Row { class: String::new(), cells }
    });
    let columns: Vec<&str> = columns.iter().map(String::as_str).collect();
    let own = table("Densities", &columns, &rows.collect::<Vec<_>>());
    html! {
        (own)
        @for measured in &point.measured {
            @let rows: Vec<Row> = (0..measured.hertz.len()).step_by(EVERY).map(|at| Row {
                class: String::new(),
                cells: vec![cell(frequency(measured.hertz[at])), density(measured.hiss[at]), density(measured.all[at])],
            }).collect();
            (table(&format!("Recorded: {}", shown(&measured.name)), &[">frequency", ">hiss", ">with hum"], &rows))
        }
    }
}

/// A recording in figures beside what was computed.
fn recorded(at: &str, recording: &RecordingResult) -> Markup {
    let figures = &recording.figures;
    html! {
        p class="recorded" {
            strong { (shown(&recording.name)) } " at " (shown(at)) ": hiss " (hiss(figures.hiss_rms_volts)) " rms, ±"
            (format!("{:.1} %", 200.0 * figures.statistical_error)) " by chance, hum taken out"
            @if let Some(hum) = &figures.hum { "; hum " (hiss(hum.rms_volts)) " rms, mains of " (short(hum.mains_hz.round(), "Hz")) }
            @match figures.gaussianity.as_ref().map(|found| found.is_gaussian) {
                Some(true) => "; as Gaussian as hiss is",
                Some(false) => "; not Gaussian: it pops or crackles",
                None => "; too short to say whether it is Gaussian",
            }
            "."
        }
    }
}
