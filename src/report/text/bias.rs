//! `bias` as text.

use super::{Rows, amps, heading, volts};
use crate::bias::DeviceCurrents;
use crate::report::BiasResult;
use crate::units::engineering;

/// Nodes with their volts, devices with what they do.
pub fn bias(result: &BiasResult) -> String {
    let mut nodes = Rows::new(&["node", ">DC"]);
    for node in &result.nodes {
        nodes.add([node.name.clone(), volts(node.volts)]);
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
    let mut text = heading(&result.setting, "DC with no meter attached") + &nodes.text();
    if !result.devices.is_empty() {
        text += &format!("\n{}", devices.text());
    }
    text
}

/// `C 1.2 mA, B 8 µA`.
fn pins<const N: usize>(currents: [(&str, f64); N]) -> String {
    let largest = currents.iter().fold(0.0, |largest: f64, (_, current)| largest.max(current.abs()));
    let each = currents.map(|(pin, current)| format!("{pin} {}", amps(current, largest)));
    each.join(", ")
}
