//! DC volts: what belongs at each point, what is there, what is printed, what was read; and the devices.

use maud::{Markup, html};

use super::hiss::named;
use super::table::{Row, behind, cell, table};
use super::{part, row_class};
use crate::bench::reading::{Measure, Observed, Reading};
use crate::bias::DeviceCurrents;
use crate::report::text::bias::pins;
use crate::report::text::{ends, volts};
use crate::report::{BiasResult, DeviceRow, NodeVolts, Report};
use crate::units::engineering;

pub fn section(report: &Report) -> Markup {
    let lead = "What a meter should find. Outside: above or below what nine tenths of healthy units have.";
    super::section("dc", "DC volts", lead, &content(report))
}

fn content(report: &Report) -> Markup {
    let bias = &report.shown().bias;
    let has_names = !report.named.is_empty();
    let on_bench =
        |node: &&NodeVolts| !has_names || report.named(&node.name).is_some() || !read(report, &node.name).is_empty();
    let (main, rest): (Vec<_>, Vec<_>) = bias.nodes.iter().partition(on_bench);
    html! {
        (nodes(report, "DC volts at the points of the bench", &main))
        @if !rest.is_empty() { (behind("All other nodes", &nodes(report, "DC volts at the other nodes", &rest))) }
        @if !bias.devices.is_empty() { (devices(report, bias)) }
    }
}

fn nodes(report: &Report, caption: &str, nodes: &[&NodeVolts]) -> Markup {
    let mut columns = vec!["node", ">healthy", ">from", ">to"];
    if report.present.is_some() {
        columns.push(">at hand");
    }
    columns.push(">a meter reads");
    let has_names = !report.named.is_empty();
    let (printed, were_read) = (
        report.named.iter().any(|named| named.printed_volts.is_some()),
        report.readings.iter().any(|reading| reading.measure == Measure::Dc),
    );
    columns.extend(printed.then_some(">printed"));
    columns.extend(were_read.then_some(">read"));
    columns.extend(has_names.then_some("where"));
    let rows = nodes.iter().map(|node| {
        let healthy = report.healthy.bias.nodes.iter().find(|healthy| healthy.name == node.name);
        let band = healthy.and_then(|healthy| healthy.healthy);
        let [low, high] = ends(band, volts);
        let marked = |value: f64| {
            let mark = band.and_then(|band| match value {
                value if value > band.high => Some("above"),
                value if value < band.low => Some("below"),
                _ => None,
            });
            html! { (volts(value)) @if let Some(mark) = mark { " " span class="out" { (mark) } } }
        };
        let mut cells = vec![cell(named(report, &node.name))];
        cells.push(cell(healthy.map_or_else(|| "-".to_owned(), |healthy| volts(healthy.volts))));
        cells.extend([cell(low), cell(high)]);
        if report.present.is_some() {
            cells.push(marked(node.volts));
        }
        cells.push(cell(node.metered.and_then(|metered| metered.volts).map_or_else(|| "-".to_owned(), volts)));
        let on_bench = report.named(&node.name);
        if printed {
            cells.push(cell(on_bench.and_then(|named| named.printed_volts).map_or_else(String::new, volts)));
        }
        if were_read {
            let each = read(report, &node.name).into_iter().map(|reading| {
                match reading.value.as_ref().map(|value| value.observed) {
                    Some(Observed::Number(number)) => marked(number),
                    _ => cell(reading.text()),
                }
            });
            cells.push(html! { @for one in each { (one) br; } });
        }
        if has_names {
            cells.push(cell(on_bench.and_then(|named| named.place.as_deref()).unwrap_or_default()));
        }
        let touching = report.parts.iter().enumerate().filter(|(_, part)| part.nodes.contains(&node.name));
        Row { class: touching.map(|(at, _)| format!("t{at}")).collect::<Vec<_>>().join(" "), cells }
    });
    table(caption, &columns, &rows.collect::<Vec<_>>())
}

/// DC readings of a node of the channel at hand, controls where they stand.
fn read<'r>(report: &'r Report, node: &str) -> Vec<&'r Reading> {
    let name = report.named(node).map_or(node, |named| named.name.as_str());
    let here = |at: &str| at.eq_ignore_ascii_case(node) || at.eq_ignore_ascii_case(name);
    let of_node = |reading: &&Reading| {
        reading.measure == Measure::Dc
            && !reading.twin
            && reading.with.is_empty()
            && reading.at.as_deref().is_some_and(here)
    };
    report.readings.iter().filter(of_node).collect()
}

fn devices(report: &Report, bias: &BiasResult) -> Markup {
    let rows: Vec<Row> = bias.devices.iter().map(|device| row(report, device)).collect();
    let columns = ["device", "kind", "region", "currents into pins", "volts between pins", ">heat", ">at"];
    table("Devices", &columns, &rows)
}

fn row(report: &Report, device: &DeviceRow) -> Row {
    let (currents, between) = match device.bias.currents {
        DeviceCurrents::Bjt { ic_a, ib_a, vbe_v, vce_v } => {
            (pins([("C", ic_a), ("B", ib_a)]), format!("BE {}, CE {}", volts(vbe_v), volts(vce_v)))
        }
        DeviceCurrents::Diode { i_a, v_v } => (pins([("A", i_a)]), format!("AK {}", volts(v_v))),
        DeviceCurrents::Jfet { id_a, ig_a, vgs_v, vds_v } => {
            (pins([("D", id_a), ("G", ig_a)]), format!("GS {}, DS {}", volts(vgs_v), volts(vds_v)))
        }
    };
    Row {
        class: row_class(report, &device.name),
        cells: vec![
            part(report, &device.name),
            cell(device.bias.kind),
            cell(device.bias.region.name().replace('_', " ")),
            cell(currents),
            cell(between),
            cell(engineering(device.bias.watts, "W", 3)),
            cell(format!("{:.1} °C", device.bias.celsius)),
        ],
    }
}
