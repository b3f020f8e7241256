//! Limits of the band, controls, channel against channel, and the setting that equalizes both, against closed forms.

mod common;

use std::f64::consts::TAU;

use common::{Bench, close};
use hissmap::bench::{Control, Point};
use hissmap::report::{ResponseQuestion, ResponseResult, Twin, response};
use hissmap::response::half_power_hertz;
use hissmap::smallsignal::Stimulus;

fn question(bench: &Bench, from: &str, to: &str) -> ResponseQuestion {
    ResponseQuestion {
        input: bench.circuit.find_part(from).expect("the source"),
        points: vec![Point::read(&bench.circuit, to).expect("the node")],
        hertz: vec![100.0, 1e3, 10e3],
        mid_hz: 1e3,
        controls: Vec::new(),
        twin: None,
        balance: None,
        swing: None,
    }
}

fn twin(bench: &Bench, from: &str, to: &str) -> Option<Twin> {
    let point = Point::read(&bench.circuit, to).expect("the node");
    Some(Twin { input: bench.circuit.find_part(from).expect("the source"), point })
}

#[track_caller]
fn ask(bench: &Bench, question: &ResponseQuestion) -> ResponseResult {
    response(&bench.circuit, &[], question).unwrap_or_else(|error| panic!("{error:?}"))
}

fn limits(lines: &str, output: &str) -> [Option<f64>; 2] {
    let bench = Bench::of(lines);
    let stimulus = Stimulus::of(&bench.circuit, bench.circuit.find_part("VIN").expect("the source")).expect("a source");
    half_power_hertz(&bench.circuit, &bench.signal, &stimulus, bench.output(output), 1e3).expect("regular")
}

#[test]
fn the_limits_of_rc_networks_are_their_corners() {
    // |H|² = 1/(1 + (f/fc)²) falls to half of that at f₀ where f² = fc² + 2·f₀²; and of a coupling, f² = fc²/(1 + 2·(fc/f₀)²).
    let (r, c) = (4.7e3, 3.3e-9);
    let corner = 1.0 / (TAU * r * c);
    let [low, high] = limits(&format!("VIN in 0 AC 1\nR1 in out {r}\nC1 out 0 {c}"), "out");
    assert_eq!(low, None);
    close(high.expect("a limit"), (corner * corner + 2e6f64).sqrt(), 1e-9, "upper limit");
    let (r, c) = (22e3, 100e-9);
    let corner = 1.0 / (TAU * r * c);
    let [low, high] = limits(&format!("VIN in 0 AC 1\nC1 in out {c}\nR1 out 0 {r}"), "out");
    close(low.expect("a limit"), corner / (1.0 + 2.0 * (corner / 1e3).powi(2)).sqrt(), 1e-9, "lower limit");
    assert_eq!(high, None);
    assert_eq!(limits("VIN in 0 AC 1\nR1 in 0 1k\nV2 out 0 1\nR2 out 0 1k", "out"), [None; 2]);
}

/// Two channels, the second with 0.8 of the gain, and a balance control that shorts the one or the other.
const CHANNELS: &str = "VL inl 0 AC 1\nVR inr 0 AC 1\nEL xl 0 inl 0 10\nER xr 0 inr 0 8\nRL1 xl l 10k\nRR1 xr r 10k\n\
                        RL2 l 0 {10+20k*(1-balance)}\nRR2 r 0 {10+20k*balance}\n.param balance=0.5";

#[test]
fn the_balance_setting_makes_both_channels_equally_loud() {
    // 10·a/(10k + a) = 8·b/(10k + b) with a = 10 + 20k·(1 − p), b = 10 + 20k·p: solved here by bisection.
    let bench = Bench::of(CHANNELS);
    let gain = |full: f64, ohms: f64| full * ohms / (1e4 + ohms);
    let difference = |p: f64| gain(10.0, 10.0 + 2e4 * (1.0 - p)) / gain(8.0, 10.0 + 2e4 * p);
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if difference(middle) > 1.0 { low = middle } else { high = middle }
    }
    let mut asked = question(&bench, "VL", "l");
    asked.twin = twin(&bench, "VR", "r");
    asked.balance = Some(Control::read(&bench.circuit, "balance").expect("a control"));
    let result = ask(&bench, &asked);
    let (_, balance) = result.twin.expect("a twin").balance.expect("a setting");
    let (value, left) = balance.equal.expect("a setting");
    close(value, low, 1e-5, "setting");
    assert!(left.abs() < 0.01 && (20.0 * difference(value).log10()).abs() < 0.01, "{left} dB");
    for (at, db) in [0.0, 1.0].into_iter().zip(balance.at_limits_db) {
        close(db, 20.0 * difference(at).log10(), 1e-9, "at the end");
    }
    // One channel far too weak: no setting, and it is said.
    let weak = Bench::of(&CHANNELS.replace("inr 0 8", "inr 0 8m"));
    let result = ask(&weak, &asked);
    assert_eq!(result.twin.and_then(|twin| twin.balance?.1.equal), None);
    assert!(result.cautions.iter().any(|caution| caution.message.contains("balance")), "{:?}", result.cautions);
}

#[test]
fn channels_differ_in_gain_and_phase_as_computed() {
    // 1/(1 + jωRC) against 1/2: difference 20·lg(2/√(1 + (ωRC)²)), phase −atan ωRC.
    let bench = Bench::of("VL a 0 AC 1\nVR b 0 AC 1\nR1 a l 1k\nR2 l 0 1k\nR3 b r 1k\nC3 r 0 100n");
    let mut asked = question(&bench, "VL", "l");
    asked.twin = twin(&bench, "VR", "r");
    let result = ask(&bench, &asked);
    for row in result.twin.expect("a twin").rows {
        let wrc = TAU * row.hertz * 1e3 * 100e-9;
        close(row.difference_db.expect("both have gain"), 20.0 * (2.0 / (1.0 + wrc * wrc).sqrt()).log10(), 1e-9, "dB");
        close(row.difference_degrees, -wrc.atan().to_degrees(), 1e-9, "degrees");
        assert_eq!((row.crosstalk_to_twin_db, row.crosstalk_from_twin_db), (None, None));
    }
}

#[test]
fn crosstalk_through_a_shared_supply_is_that_of_the_divider() {
    // Each channel's load hangs on a supply rail of 10 Ω: driven by i, the rail moves by i·10, and the silent output with
    // it, less nothing, as no current flows in its load; the driven one moves by i·(1k + 10).
    let bench = Bench::of(
        "VL a 0 AC 1\nVR b 0 AC 1\nGL l 0 a 0 1m\nGR r 0 b 0 1m\nR1 rail l 1k\nR2 rail r 2k\nRS vcc rail 10\nVCC vcc 0 9",
    );
    let mut asked = question(&bench, "VL", "l");
    asked.twin = twin(&bench, "VR", "r");
    let result = ask(&bench, &asked);
    for row in result.twin.expect("a twin").rows {
        close(row.crosstalk_to_twin_db.expect("some"), 20.0 * (10.0f64 / 1010.0).log10(), 1e-9, "left into right");
        close(row.crosstalk_from_twin_db.expect("some"), 20.0 * (10.0f64 / 2010.0).log10(), 1e-9, "right into left");
    }
}

#[test]
fn a_control_is_turned_from_end_to_end() {
    let bench = Bench::of("VIN in 0 AC 1\nR1 in out {10k*(1-p)+10}\nR2 out 0 {10k*p+10}\n.param p=0.3");
    let mut asked = question(&bench, "VIN", "out");
    asked.controls = vec![Control::read(&bench.circuit, "p=0.25:0.75").expect("a control")];
    let result = ask(&bench, &asked);
    assert_eq!(result.controls.len(), 1);
    for ((value, curves), expected) in result.controls[0].settings.iter().zip([0.25, 0.5, 0.75]) {
        assert_eq!(*value, expected);
        for (_, gain) in &curves[0].points {
            close(gain.re, (1e4 * expected + 10.0) / 1.002e4, 1e-9, "divider");
        }
    }
}
