//! Ratings and hot devices.

mod common;

use common::{Bench, close};
use hissmap::bias::{cautions, devices};

/// A transistor of 1 mA at 10 V: 10 µA into the base, β = 100, no Early effect, so 10 mW and 10 µA·Vbe.
fn stage(kind: &str, more: &str) -> Bench {
    let sign = if kind == "PNP" { "-" } else { "" };
    Bench::of(&format!("VC c 0 {sign}10\nI1 0 b {sign}10u\nQ1 c b 0 M\n.model M {kind}(BF=100 BR=1e6 {more})"))
}

/// The reasons of the warning about the one transistor; empty without a warning.
fn reasons(bench: &Bench) -> String {
    let found = cautions(&bench.circuit, &devices(&bench.circuit, &bench.bias));
    let start = "Q1 runs hot or beyond its rating: ";
    let message = |one: &hissmap::diagnostic::Diagnostic| one.message.strip_prefix(start).map(str::to_owned);
    found.iter().map(|one| message(one).expect("it begins so")).collect()
}

#[test]
fn a_device_is_hot_above_half_of_its_rated_power() {
    for kind in ["NPN", "PNP"] {
        assert_eq!(reasons(&stage(kind, "PTOT=20.1m")), "");
        assert_eq!(reasons(&stage(kind, "PTOT=19.9m")), "50 % of its rated 19.9 mW");
        assert_eq!(reasons(&stage(kind, "PTOT=8m")), "125 % of its rated 8 mW");
    }
}

#[test]
fn volts_and_current_beyond_the_rating_are_named() {
    for kind in ["NPN", "PNP"] {
        assert_eq!(reasons(&stage(kind, "VCEO=10.1 ICM=1.01m")), "");
        assert_eq!(reasons(&stage(kind, "VCEO=9.9")), "10.0 V between collector and emitter, rated 9.9 V");
        assert_eq!(reasons(&stage(kind, "ICM=0.99m")), "collector current 1.00 mA, rated 990 µA");
    }
    // A rating on the device stands over that of its model, and is not scaled by AREA.
    let own = |more: &str| {
        let text = "VC c 0 10\nI1 0 b 10u\nQ1 c b 0 M AREA=3";
        reasons(&Bench::of(&format!("{text} {more}\n.model M NPN(BF=100 BR=1e6 ICM=0.99m)")))
    };
    assert_eq!(own("ICM=1.01m"), "");
    assert_eq!(own(""), "collector current 1.00 mA, rated 990 µA");
}

#[test]
fn germanium_is_hot_above_60_and_silicon_above_100_degrees() {
    let at = |celsius: f64, gap: f64| {
        reasons(&Bench::of(&format!(
            "VC c 0 10\nI1 0 b 10u\nQ1 c b 0 M TEMP={celsius}\n.model M NPN(BF=100 BR=1e6 EG={gap})"
        )))
    };
    assert_eq!(at(60.0, 0.67), "");
    assert_eq!(at(61.0, 0.67), "it is at 61 °C, where germanium should stay below 60 °C");
    assert_eq!(at(100.0, 1.11), "");
    assert_eq!(at(101.0, 1.11), "it is at 101 °C, where silicon should stay below 100 °C");
    // Material by band gap: 0.9 eV is the border.
    assert_eq!(at(61.0, 0.9), "");
}

#[test]
fn a_device_heats_itself_by_rth_times_its_power() {
    let bench = stage("NPN", "RTH=8000");
    let device = &devices(&bench.circuit, &bench.bias)[0];
    close(device.celsius, 27.0 + 8000.0 * device.watts, 1e-9, "temperature");
    // β follows temperature only by XTB, 0 here: 10 mW of the collector, and the base's 10 µA. At 107 °C the collector
    // junction leaks some 1e-11 A, which the base does not see: 1e-8 of the power.
    close(device.watts, 10e-3 + 10e-6 * bench.volts("b"), 1e-8, "power");
    assert_eq!(reasons(&bench), "it is at 107 °C, where silicon should stay below 100 °C");
}
