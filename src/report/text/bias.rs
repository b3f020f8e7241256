//! `bias` as text.

use super::{Rows, amps, ends, heading, healthy_units, volts};
use crate::bench::instrument::DcMeter;
use crate::bias::DeviceCurrents;
use crate::report::{BiasResult, Metered};
use crate::units::{engineering, short};

/// Nodes with their volts, devices with what they do.
pub fn bias(result: &BiasResult) -> String {
    let mut columns = vec!["node", ">DC"];
    if result.dc_meter.is_some() {
        columns.extend([">meter reads", "and disturbs"]);
    }
    if result.healthy_units.is_some() {
        columns.extend([">healthy from", ">to"]);
    }
    let mut nodes = Rows::new(&columns);
    for node in &result.nodes {
        let cells = [node.name.clone(), volts(node.volts)];
        let metered = node.metered.into_iter().flat_map(|metered| reading(node.volts, metered));
        let healthy = result.healthy_units.map(|_| ends(node.healthy, volts));
        nodes.add(cells.into_iter().chain(metered).chain(healthy.into_iter().flatten()));
    }
    let mut devices =
        Rows::new(&["device", "kind", "region", "currents into pins", "volts between pins", ">heat", ">at"]);
    for device in &result.devices {
        let (currents, between) = match device.bias.currents {
            DeviceCurrents::Bjt { ic_a, ib_a, vbe_v, vce_v } => {
                (pins([("C", ic_a), ("B", ib_a)]), format!("BE {}, CE {}", volts(vbe_v), volts(vce_v)))
            }
            DeviceCurrents::Diode { i_a, v_v } => (pins([("A", i_a)]), format!("AK {}", volts(v_v))),
            DeviceCurrents::Jfet { id_a, ig_a, vgs_v, vds_v } => {
                (pins([("D", id_a), ("G", ig_a)]), format!("GS {}, DS {}", volts(vgs_v), volts(vds_v)))
            }
        };
        devices.add([
            device.name.clone(),
            device.bias.kind.to_owned(),
            device.bias.region.name().replace('_', " "),
            currents,
            between,
            engineering(device.bias.watts, "W", 3),
            format!("{:.1} °C", device.bias.celsius),
        ]);
    }
    let shown = match result.dc_meter {
        None => "DC with no meter attached".to_owned(),
        Some(dc_meter) => format!("DC with no meter attached, and as a meter of {} reads it", meter(dc_meter)),
    };
    let mut text = heading(&result.setting, &shown).trim_end().to_owned() + "\n";
    text += &format!("{}\n{}", healthy_units(result.healthy_units), nodes.text());
    if !result.devices.is_empty() {
        text += &format!("\n{}", devices.text());
    }
    text
}

/// What the meter reads, and by how much it is wrong where that counts.
fn reading(without: f64, metered: Metered) -> [String; 2] {
    let Some(shown) = metered.volts else { return ["-".to_owned(), "no bias with the meter there".to_owned()] };
    let moved = if metered.disturbed { format!("by {}", engineering(shown - without, "V", 2)) } else { String::new() };
    [volts(shown), moved]
}

/// The meter in words.
pub(in crate::report) fn meter(meter: DcMeter) -> String {
    match meter {
        DcMeter::Ohms(ohms) => short(ohms, "Ω"),
        DcMeter::OhmsPerVolt { ohms_per_volt, range_volts } => {
            let range = range_volts
                .map_or("the range that fits".to_owned(), |volts| format!("the {} range", short(volts, "V")));
            format!("{} on {range}", short(ohms_per_volt, "Ω/V"))
        }
    }
}

/// `C 1.2 mA, B 8 µA`.
pub(in crate::report) fn pins<const N: usize>(currents: [(&str, f64); N]) -> String {
    let largest = currents.iter().fold(0.0, |largest: f64, (_, current)| largest.max(current.abs()));
    let each = currents.map(|(pin, current)| format!("{pin} {}", amps(current, largest)));
    each.join(", ")
}
