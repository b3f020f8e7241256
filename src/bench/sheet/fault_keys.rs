//! `[fault.KIND]`: weight and ranges of each kind of fault.

use super::keys::{Key, Section};

const fn key(name: &'static str, example: &'static str, meaning: &'static str) -> Key {
    Key { name, example, meaning }
}

const WEIGHT: &str = "how often it is met";
const OHM: &str = "resistance from mild to severe, Ω";
const EXCESS: &str = "excess noise from mild to severe, µV/V";
const FACTOR: &str = "value over the healthy one from mild to severe";

macro_rules! section {
    ($kind:literal, $meaning:literal, [$(($name:literal, $example:literal, $about:expr)),* $(,)?]) => {
        (
            $kind,
            Section {
                heading: concat!("[fault.", $kind, "]"),
                meaning: $meaning,
                keys: &[$(key($name, $example, $about)),*],
            },
        )
    };
}

/// Each kind with its keys, their defaults as examples.
pub const FAULTS: &[(&str, Section)] = &[
    section!(
        "junction_leak",
        "collector-base leakage over the surface of the junction",
        [
            ("weight_germanium", "10", "how often it is met in germanium"),
            ("weight_silicon", "4", "how often it is met in silicon"),
            ("times_germanium", "[3, 300]", "leakage over the device's own ICBO from mild to severe, germanium"),
            ("times_silicon", "[100, 20000]", "the same of silicon"),
            ("x", "[1, 100]", "its noise as a multiple of shot noise"),
            ("corner", "[20, 3000]", "below so many Hz its noise rises"),
        ]
    ),
    section!(
        "ohmic_leak",
        "resistive leak from collector to base",
        [("weight", "1.5", WEIGHT), ("ohm", "[3e6, 20e3]", OHM), ("uv_per_v", "[1, 100]", EXCESS),]
    ),
    section!(
        "flicker",
        "1/f noise of a device",
        [("weight", "2", WEIGHT), ("factor", "[10, 3000]", "KF over the healthy one from mild to severe"),]
    ),
    section!("low_beta", "lost current gain", [("weight", "0.5", WEIGHT), ("factor", "[0.4, 0.08]", FACTOR)]),
    section!(
        "cap_leaky",
        "a capacitor that passes direct current",
        [("weight", "1.5", WEIGHT), ("ohm", "[500e3, 3e3]", OHM), ("uv_per_v", "[1, 100]", EXCESS),]
    ),
    section!(
        "cap_dried",
        "an electrolytic dried out",
        [
            ("weight", "1.5", WEIGHT),
            ("factor", "[0.1, 0.02]", FACTOR),
            ("ohm", "[0, 0]", "resistance in series from mild to severe, Ω"),
        ]
    ),
    section!(
        "resistor_noisy",
        "excess noise of a resistor",
        [("weight", "0.3", WEIGHT), ("uv_per_v", "[2, 100]", EXCESS),]
    ),
    section!("value_low", "a value drifted down", [("weight", "0.15", WEIGHT), ("factor", "[0.4, 0.1]", FACTOR)]),
    section!("value_high", "a value drifted up", [("weight", "0.15", WEIGHT), ("factor", "[2, 6]", FACTOR)]),
    section!("open", "a lead that has come off", [("weight", "0", WEIGHT)]),
    section!("short", "leads that touch", [("weight", "0", WEIGHT)]),
    section!(
        "contact",
        "a bad contact at a control, joint or socket that is listed as suspect",
        [("weight", "1", WEIGHT), ("ohm", "[10, 10e3]", OHM), ("uv_per_v", "[10, 1000]", EXCESS),]
    ),
    section!("other", "an unlisted or double fault", [("weight", "0.03", "its probability before any reading")]),
];
