//! Gains per volt of a source whatever its AC value, and outputs between two nodes.

mod common;

use std::sync::Arc;

use common::{Bench, K, Q, T27, close};
use hissmap::bench::Point;
use hissmap::circuit::Circuit;
use hissmap::netlist;
use hissmap::noise::Weighting;
use hissmap::report::{self, NoiseQuestion};
use num_complex::Complex64;

#[test]
fn gain_is_per_volt_or_ampere_of_the_source_whatever_its_ac_value() {
    // 1/(1 + jωRC) from the voltage, R/(1 + jωRC) from the current source.
    for ac in ["", "AC 1", "AC 3", "AC 2 90", "AC 0.5 -45", "AC 0"] {
        let bench = Bench::of(&format!("V1 in 0 DC 1 {ac}\nR1 in out 10k\nC1 out 0 1n\nI1 0 out DC 0 {ac}"));
        let pole = Complex64::new(1.0, std::f64::consts::TAU * 20e3 * 1e4 * 1e-9);
        for (source, expected) in [("V1", 1.0 / pole), ("I1", 1e4 / pole)] {
            let gain = bench.gain(source, "out", 20e3);
            assert!((gain - expected).norm() <= 1e-12 * expected.norm(), "{source} {ac}: {gain} is not {expected}");
        }
    }
}

#[test]
fn input_hiss_and_gain_ignore_the_ac_value_of_their_source() {
    let figures = |ac: &str| {
        let bench = Bench::of(&format!("V1 in 0 DC 1 {ac}\nR1 in out 10k\nR2 out 0 10k"));
        let input = bench.circuit.find_part("V1").ok();
        let question = NoiseQuestion {
            points: vec![Point::of(&bench.circuit, bench.node("out"))],
            input,
            gain_hertz: 1e3,
            band_hz: [20.0, 20e3],
            weighting: Weighting::Flat,
            tolerance: 1e-9,
            spectrum: false,
            source_resistance: None,
            level_volts: None,
            meter: None,
            scope: None,
            ripple: None,
        };
        let point = report::noise(&bench.circuit, &[], &question).expect("a solution").points.remove(0);
        (point.gain_db.expect("a gain"), point.input_rms.expect("a figure"))
    };
    for ac in ["", "AC 1", "AC 7 120"] {
        let (gain_db, input) = figures(ac);
        close(gain_db, 20.0 * 0.5f64.log10(), 1e-12, "gain");
        // 5 kΩ at the output, referred through a gain of a half.
        close(input, 2.0 * (4.0 * K * T27 * 5e3 * 19980.0).sqrt(), 1e-9, "input");
    }
}

#[test]
fn hiss_between_two_nodes_counts_what_they_have_in_common_once() {
    // Resistors only: 4kT times the resistance between, R3 beside R1 + R2; and by hand from the two nodes:
    // S(a) + S(b) − 2·S(a, b), S(a, b) = 4kT·R(a, b).
    let bench = Bench::of("R1 a 0 1k\nR2 b 0 3k\nR3 a b 2k");
    let four_kt = 4.0 * K * T27;
    let between = 2e3 * 4e3 / 6e3;
    close(bench.density("a,b", 1e3), four_kt * between, 1e-12, "between");
    let mutual = 1e3 * 3e3 / 6e3;
    let by_hand = bench.density("a", 1e3) + bench.density("b", 1e3) - 2.0 * four_kt * mutual;
    close(bench.density("a,b", 1e3), by_hand, 1e-12, "by hand");
}

#[test]
fn a_common_source_is_subtracted_as_a_voltage() {
    // Shot noise of a reverse diode, 2qI in 10 kΩ, copied three and five times: their difference has (5 − 3)² of it, not
    // 5² + 3²; the 1 kΩ behind each copy are independent.
    let bench = Bench::of(
        "V1 v 0 9\nD1 x v M\nRX x 0 10k\nE1 p 0 x 0 3\nR1 p a 1k\nE2 q 0 x 0 5\nR2 q b 1k\n.model M D(IS=1u)",
    );
    let four_kt = 4.0 * K * T27;
    let x = 2.0 * Q * 1e-6 * 1e8 + four_kt * 1e4;
    close(bench.density("a", 1e3), 9.0 * x + four_kt * 1e3, 1e-9, "a");
    close(bench.density("b", 1e3), 25.0 * x + four_kt * 1e3, 1e-9, "b");
    close(bench.density("b,a", 1e3), 4.0 * x + 2.0 * four_kt * 1e3, 1e-9, "b against a");
    close(bench.density("a,b", 1e3), bench.density("b,a", 1e3), 1e-15, "either way round");
}

#[test]
fn the_tail_of_a_balanced_pair_hisses_in_neither_half_of_the_difference() {
    // Both halves are alike, so what the tail does to one it does to the other.
    let bench = Bench::of(
        "VP p 0 12\nVM m 0 -12\nQ1 c1 b1 t M\nQ2 c2 b2 t M\nRT t m 10k\nRC1 p c1 10k\nRC2 p c2 10k\nRB1 b1 0 1k\n\
         RB2 b2 0 1k\n.model M NPN(BF=200)",
    );
    let tail = bench.circuit.find_part("RT").expect("the tail");
    let share = |output: &str| {
        let hiss = bench.hiss(output, [900.0, 1100.0], Weighting::Flat);
        hiss.devices.iter().find(|device| device.part == tail).map_or(0.0, |device| device.share)
    };
    assert!(share("c1") > 1e-4, "{}", share("c1"));
    assert!(share("c1,c2") < 1e-12 * share("c1"), "{} {}", share("c1,c2"), share("c1"));
}

#[test]
fn the_output_of_a_noise_card_may_be_a_difference() {
    let text = "title\nV1 in 0 AC 1\nR1 in a 1k\nR2 a 0 1k\nR3 in b 2k\nR4 b 0 1k\n.noise v(A,b) V1 dec 10 20 20k\n";
    let (netlist, problems) = netlist::read("test", text, &mut |_| Err("no includes".to_owned()));
    assert!(problems.is_empty(), "{problems:?}");
    let (circuit, _) = Circuit::build(Arc::new(netlist)).expect("a circuit");
    let noise = circuit.noise.as_ref().expect("a card");
    let name = |node| circuit.node_name(node);
    assert_eq!((name(noise.output.0), name(noise.output.1)), ("a", "b"));
    let bench = Bench::of("V1 in 0 AC 1\nR1 in a 1k\nR2 a 0 1k\nR3 in b 2k\nR4 b 0 1k");
    // 1/2 − 1/3, and the hiss of 500 Ω and 667 Ω, which have nothing in common.
    close(bench.gain("V1", "a,b", 1e3).re, 1.0 / 6.0, 1e-12, "gain");
    close(bench.density("a,b", 1e3), 4.0 * K * T27 * (500.0 + 2000.0 / 3.0), 1e-12, "hiss");
}
