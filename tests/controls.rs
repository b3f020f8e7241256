//! Controls that are turned between their ends, and the hum of a supply's ripple.

mod common;

use common::{Bench, close};
use hissmap::bench::{Control, Point, Ripple};
use hissmap::circuit::Circuit;
use hissmap::diagnostic::Code;
use hissmap::noise::Weighting;
use hissmap::report::{ControlResult, NoiseQuestion, control, noise};

fn question(circuit: &Circuit, band_hz: [f64; 2]) -> NoiseQuestion {
    NoiseQuestion {
        points: Point::all(circuit, None),
        input: None,
        gain_hertz: 1e3,
        band_hz,
        weighting: Weighting::Flat,
        tolerance: 1e-9,
        spectrum: false,
        source_resistance: None,
        level_volts: None,
        meter: None,
        scope: None,
        ripple: None,
    }
}

// Controls

/// A noisy resistor before a volume control, an amplifier behind it with a resistor of its own at the output.
const BEFORE_AND_BEHIND: &str = "\
V1 a 0 AC 1
RN a top 1meg
.param vol=0.5
.param rate=2
RA top w {10k*(1-vol)+10}
RB w 0 {10k*vol+10}
E1 x 0 w 0 10
RX x out 1k
RY out 0 1k
RQ v q {rate*1k}
VQ v 0 5
RZ q 0 1k";

fn turned(text: &str) -> ControlResult {
    let circuit = Bench::of(BEFORE_AND_BEHIND).circuit;
    let read = Control::read(&circuit, text).unwrap_or_else(|problem| panic!("{problem:?}"));
    control(&circuit, &[], &read, &question(&circuit, [100.0, 1000.0]))
        .unwrap_or_else(|problems| panic!("{problems:?}"))
}

#[test]
fn hiss_from_before_a_control_moves_and_hiss_from_behind_it_stays() {
    let result = turned("vol");
    assert_eq!(result.control, Control { name: "vol".to_owned(), ends: [0.0, 1.0] });
    let out = result.points.iter().find(|point| point.name == "out").expect("a point");
    let device = |name: &str| out.devices.iter().find(|device| device.name == name).expect("it hisses");
    // The thermal current of RN, √(4kT/RN), flows into the track of 10 020 Ω beside it, and w has RB/(RA + RB) of that.
    let share = |rb: f64| 5.0 * rb / 10020.0 / (1.0 / 10020.0 + 1e-6);
    let amps = (4.0 * common::K * common::T27 / 1e6 * 900.0).sqrt();
    close(device("RN").rms_volts[0], amps * share(10.0), 1e-6, "RN at the lower end");
    close(device("RN").rms_volts[1], amps * share(10010.0), 1e-6, "RN at the upper end");
    close(device("RN").change_db.expect("a number"), 20.0 * 1001f64.log10(), 1e-6, "RN between the ends");
    assert!(device("RN").moves);
    // RX and RY are behind the control: 500 Ω of thermal noise at either end.
    for name in ["RX", "RY"] {
        assert!(!device(name).moves);
        close(device(name).rms_volts[0], device(name).rms_volts[1], 1e-12, name);
    }
    let behind = 4.0 * common::K * common::T27 * 500.0 * 900.0;
    for end in [0, 1] {
        close((1.0 - out.moving_shares[end]) * out.rms_volts[end].powi(2), behind, 1e-6, "what stays at either end");
    }
    // The node that the control does not reach.
    let q = result.points.iter().find(|point| point.name == "q").expect("a point");
    assert_eq!((q.moving_shares, q.rms_volts[0].to_bits()), ([0.0, 0.0], q.rms_volts[1].to_bits()));
}

#[test]
fn a_parameter_of_two_resistors_that_share_it_is_a_control() {
    let circuit = Bench::of(BEFORE_AND_BEHIND).circuit;
    assert_eq!(Control::all(&circuit), [Control { name: "vol".to_owned(), ends: [0.0, 1.0] }]);
    // Any other needs its ends.
    let error = Control::read(&circuit, "rate").expect_err("it turns no potentiometer");
    assert_eq!(error.code, Code::MissingInput);
    assert_eq!(turned("rate=1:3").control.ends, [1.0, 3.0]);
    assert_eq!(turned("VOL=0.1:0.9").control.name, "vol");
    for (text, code) in [
        ("vol=0.1", Code::BadFlag),
        ("vol=1:1", Code::BadFlag),
        ("vol=x:1", Code::BadFlag),
        ("volume", Code::UnknownParameter),
        ("zzz", Code::UnknownParameter),
    ] {
        let error = Control::read(&circuit, text).expect_err("no control");
        assert_eq!(error.code, code, "{text}");
        assert!(error.help.is_some(), "{text}");
    }
    // At an end where a resistor would have none the circuit says so.
    let bare = Bench::of("V1 a 0 1\n.param vol=0.5\nRA a w {1k*(1-vol)}\nRB w 0 {1k*vol}").circuit;
    let ends = Control { name: "vol".to_owned(), ends: [0.0, 1.0] };
    assert_eq!(ends.at_ends(&bare).expect_err("no resistance")[0].code, Code::ValueOutOfRange);
}

// Ripple

fn hum(lines: &str, ripple: &str, node: &str, band_hz: [f64; 2]) -> f64 {
    let bench = Bench::of(lines);
    let ripple = Ripple::read(&bench.circuit, ripple).unwrap_or_else(|problem| panic!("{problem:?}"));
    let asked = NoiseQuestion { ripple: Some(ripple), ..question(&bench.circuit, band_hz) };
    let result = noise(&bench.circuit, &[], &asked).unwrap_or_else(|error| panic!("{error}"));
    result
        .points
        .iter()
        .find(|point| point.name == node)
        .and_then(|point| point.hum_rms_volts)
        .expect("a point with hum")
}

const DIVIDER: &str = "VCC v 0 9\nR1 v out 1k\nR2 out 0 1k";

#[test]
fn all_harmonics_of_a_triangle_make_its_rms() {
    // The values of a triangle of p volts peak to peak are evenly spread, so its rms is p/(2√3), however steep it rises
    // (variance of a uniform distribution). Of a sawtooth the harmonics beyond n hold Σ 1/k² < 1/n of Σ 1/k² = π²/6.
    for charge in ["0", "0.1", "0.25", "0.5", "0.9"] {
        let measured = hum(DIVIDER, &format!("VCC=2,hz=100,charge={charge}"), "v", [50.0, 400e3]);
        close(measured, 2.0 / (2.0 * 3f64.sqrt()), 1e-4, &format!("rms of a triangle rising for {charge}"));
    }
}

#[test]
fn the_harmonics_of_a_sawtooth_and_of_a_triangle_are_the_series_of_the_tables() {
    // Sawtooth: p/π·Σ sin(kx)/k (Gradshteyn and Ryzhik 1.441); symmetric triangle: 4p/π²·Σ cos(kx)/k², k odd (1.444).
    let pi = std::f64::consts::PI;
    let only = |ripple: &str, k: f64| hum(DIVIDER, ripple, "v", [100.0 * k - 1.0, 100.0 * k + 1.0]);
    for k in [1.0, 2.0, 3.0, 7.0] {
        close(only("VCC=50mV", k), 50e-3 / (pi * k) / 2f64.sqrt(), 1e-9, "a harmonic of a sawtooth");
    }
    for k in [1.0, 3.0, 5.0] {
        close(
            only("VCC=50mV,charge=0.5", k),
            4.0 * 50e-3 / (pi * k).powi(2) / 2f64.sqrt(),
            1e-9,
            "a harmonic of a triangle",
        );
    }
    assert!(only("VCC=50mV,charge=0.5", 2.0) < 1e-15);
    // Between two harmonics there is none.
    assert_eq!(hum(DIVIDER, "VCC=50mV", "v", [110.0, 190.0]), 0.0);
}

#[test]
fn hum_at_a_node_is_the_ripple_through_the_circuit() {
    // Half of it behind two equal resistors, with all harmonics in phase.
    let band = [20.0, 20e3];
    close(hum(DIVIDER, "VCC=1", "out", band) / hum(DIVIDER, "VCC=1", "v", band), 0.5, 1e-12, "a divider");
    // Of the first harmonic 1/√(1 + (2πf·RC)²) is left behind 500 Ω and 10 µF: 2π·100·500·10e-6 = π at 100 Hz.
    let filtered = format!("{DIVIDER}\nC1 out 0 10u");
    let alone = hum(&filtered, "VCC=1", "out", [99.0, 101.0]);
    let expected = 0.5 / (std::f64::consts::PI * 2f64.sqrt()) / (1.0 + std::f64::consts::PI.powi(2)).sqrt();
    close(alone, expected, 1e-9, "behind a filter");
    // The A curve leaves -19.145 dB of 100 Hz (IEC 61672-1, its formula at 100 Hz; table: -19.1 dB).
    let bench = Bench::of(DIVIDER);
    let ripple = Ripple::read(&bench.circuit, "VCC=1").unwrap_or_else(|problem| panic!("{problem:?}"));
    let outputs = [bench.output("v")];
    let at = |weighting| {
        ripple.hum_volts(&bench.circuit, &bench.signal, &outputs, [99.0, 101.0], weighting).expect("a figure")[0]
    };
    let db = 20.0 * (at(Weighting::A) / at(Weighting::Flat)).log10();
    assert!((db + 19.1).abs() < 0.05, "{db}");
}

#[test]
fn what_no_ripple_can_be_is_refused() {
    let circuit = Bench::of(&format!("{DIVIDER}\nI1 0 out 1m")).circuit;
    for (text, code) in [
        ("VCC", Code::BadFlag),
        ("VCC=", Code::BadFlag),
        ("VCC=50mA", Code::BadFlag),
        ("VCC=-1", Code::BadFlag),
        ("VCC=50mV,hz=0.1", Code::BadFlag),
        ("VCC=50mV,hz=100V", Code::BadFlag),
        ("VCC=50mV,charge=1", Code::BadFlag),
        ("VCC=50mV,carge=0.1", Code::BadFlag),
        ("VDD=50mV", Code::UnknownPart),
        ("R1=50mV", Code::UnfitPart),
        ("I1=50mV", Code::UnfitPart),
    ] {
        let error = Ripple::read(&circuit, text).expect_err("no ripple");
        assert_eq!(error.code, code, "{text}: {error:?}");
        assert!(error.help.is_some(), "{text}");
    }
}
