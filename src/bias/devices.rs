//! Each device at the bias point as a technician would note it: region, currents, volts, heat.

use super::BiasPoint;
use crate::circuit::Circuit;
use crate::element::{BjtRegion, Element, JfetRegion, PartId, Polarity};

/// How a device is biased.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(untagged)]
pub enum Region {
    /// Of a bipolar transistor.
    Bjt(BjtRegion),
    /// Of a field-effect transistor.
    Jfet(JfetRegion),
    /// Of a diode.
    Diode(DiodeRegion),
}

/// How a diode is biased.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DiodeRegion {
    /// Forward current above 1 nA.
    On,
    /// Less.
    Off,
}

impl Region {
    /// The stable name of results: `saturated`, `pinched_off`.
    pub fn name(self) -> &'static str {
        match self {
            Region::Bjt(BjtRegion::Off) | Region::Jfet(JfetRegion::Off) | Region::Diode(DiodeRegion::Off) => "off",
            Region::Bjt(BjtRegion::Reversed) => "reversed",
            Region::Bjt(BjtRegion::Saturated) => "saturated",
            Region::Bjt(BjtRegion::Active) => "active",
            Region::Jfet(JfetRegion::Ohmic) => "ohmic",
            Region::Jfet(JfetRegion::PinchedOff) => "pinched_off",
            Region::Diode(DiodeRegion::On) => "on",
        }
    }
}

/// Currents into pins (A) and volts between pins; negative for a conducting PNP or P-channel.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(untagged)]
pub enum DeviceCurrents {
    /// Bipolar transistor.
    Bjt {
        /// Into the collector.
        ic_a: f64,
        /// Into the base.
        ib_a: f64,
        /// Base against emitter.
        vbe_v: f64,
        /// Collector against emitter.
        vce_v: f64,
    },
    /// Diode.
    Diode {
        /// Into the anode.
        i_a: f64,
        /// Anode against cathode.
        v_v: f64,
    },
    /// Field-effect transistor.
    Jfet {
        /// Into the drain.
        id_a: f64,
        /// Into the gate.
        ig_a: f64,
        /// Gate against source.
        vgs_v: f64,
        /// Drain against source.
        vds_v: f64,
    },
}

/// One device at the bias point.
#[derive(Clone, Debug, PartialEq)]
pub struct DeviceBias {
    /// Which.
    pub part: PartId,
    /// `npn`, `pnp`, `diode`, `njf` or `pjf`.
    pub kind: &'static str,
    /// How it is biased.
    pub region: Region,
    /// Currents and volts.
    pub currents: DeviceCurrents,
    /// Power turned to heat, W.
    pub watts: f64,
    /// Its temperature, °C.
    pub celsius: f64,
    /// Whether it is made of germanium.
    pub germanium: bool,
}

/// Forward current above which a diode counts as on, A.
const DIODE_ON_AMPS: f64 = 1e-9;

/// All diodes and transistors in netlist order.
pub fn devices(circuit: &Circuit, bias: &BiasPoint) -> Vec<DeviceBias> {
    let x = &bias.x;
    circuit
        .parts()
        .filter_map(|(id, part)| {
            let place = circuit.place(id);
            match &part.element {
                Element::Diode(diode) => Some(DeviceBias {
                    part: id,
                    kind: "diode",
                    region: Region::Diode(if diode.forward_amps(place, x) > DIODE_ON_AMPS {
                        DiodeRegion::On
                    } else {
                        DiodeRegion::Off
                    }),
                    currents: DeviceCurrents::Diode {
                        i_a: diode.amps(place, x),
                        v_v: bias.volts(diode.nodes[0]) - bias.volts(diode.nodes[1]),
                    },
                    watts: diode.watts(place, x),
                    celsius: diode.temperature(place, x).celsius(),
                    germanium: diode.is_germanium(),
                }),
                Element::Bjt(transistor) => {
                    let (ic_a, ib_a) = transistor.pin_amps(place, x);
                    let [c, b, e] = transistor.nodes.map(|node| bias.volts(node));
                    Some(DeviceBias {
                        part: id,
                        kind: if transistor.polarity == Polarity::N { "npn" } else { "pnp" },
                        region: Region::Bjt(transistor.region(place, x)),
                        currents: DeviceCurrents::Bjt { ic_a, ib_a, vbe_v: b - e, vce_v: c - e },
                        watts: transistor.watts(place, x),
                        celsius: transistor.temperature(place, x).celsius(),
                        germanium: transistor.is_germanium(),
                    })
                }
                Element::Jfet(transistor) => {
                    let (id_a, ig_a) = transistor.pin_amps(place, x);
                    let [d, g, s] = transistor.nodes.map(|node| bias.volts(node));
                    Some(DeviceBias {
                        part: id,
                        kind: if transistor.polarity == Polarity::N { "njf" } else { "pjf" },
                        region: Region::Jfet(transistor.region(place, x)),
                        currents: DeviceCurrents::Jfet { id_a, ig_a, vgs_v: g - s, vds_v: d - s },
                        watts: transistor.watts(place, x),
                        celsius: transistor.temperature(place, x).celsius(),
                        germanium: false,
                    })
                }
                Element::Resistor(_)
                | Element::Capacitor(_)
                | Element::Inductor(_)
                | Element::Coupling(_)
                | Element::Source(_)
                | Element::Controlled(_) => None,
            }
        })
        .collect()
}
