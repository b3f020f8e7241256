//! Transformers of audio sets against the algebra of coupled windings.
//!
//! Two windings: V₁ = jωL₁·I₁ + jωM·I₂, V₂ = jωM·I₁ + jωL₂·I₂, M = k·√(L₁L₂). With R across the second, the first is
//! Z = jωL₁ + ω²M²/(R + jωL₂).

mod common;

use std::f64::consts::TAU;
use std::sync::Arc;

use common::{Bench, K, T27, close};
use hissmap::circuit::Circuit;
use hissmap::mna::NodeId;
use hissmap::netlist;
use num_complex::Complex64;

const J: Complex64 = Complex64::new(0.0, 1.0);

#[track_caller]
fn close_to(actual: Complex64, expected: Complex64, relative: f64, what: &str) {
    let error = (actual - expected).norm() / expected.norm();
    assert!(error <= relative, "{what}: {actual} is not {expected} (off by {error:e}, allowed {relative:e})");
}

/// An output transformer: primary 2.5 H of 180 Ω, secondary 9 mH of 0.4 Ω, both ends of the primary free.
fn output_transformer(k: f64, load: f64) -> Bench {
    Bench::of(&format!("RP p x 180\nLP x 0 2.5\nRS s y 0.4\nLS y 0 9m\nK1 LP LS {k}\nRL s 0 {load}\nRX p 0 1e6"))
}

/// What the primary terminals show, without the 1 MΩ across them.
fn looking_in(k: f64, load: f64, hertz: f64) -> Complex64 {
    let (lp, ls, jw) = (2.5, 9e-3, J * TAU * hertz);
    let m = k * f64::sqrt(lp * ls);
    180.0 + jw * lp - jw * jw * m * m / (load + 0.4 + jw * ls)
}

#[test]
fn the_input_impedance_is_that_of_the_coupled_windings() {
    for k in [0.95, 0.98, 0.998, 0.9999, 1.0] {
        for load in [1e-3, 4.0, 15.0, 1e9] {
            for hertz in [30.0, 1e3, 15e3] {
                let bench = output_transformer(k, load);
                let expected = 1.0 / (1.0 / looking_in(k, load, hertz) + 1e-6);
                // Of jωL₁ only (1 − k²) is left, which takes up to four digits.
                close_to(
                    bench.impedance(bench.node("p"), hertz),
                    expected,
                    1e-9,
                    &format!("k {k}, {load} Ω, {hertz} Hz"),
                );
            }
        }
    }
}

#[test]
fn a_tight_transformer_shows_the_load_by_the_square_of_its_ratio() {
    // k = 1: jωL₁ beside n²·R exactly, n² = L₁/L₂.
    let n_square = 2.5 / 9e-3;
    for hertz in [20.0, 400.0, 20e3] {
        let bench = output_transformer(1.0, 15.0);
        let load = n_square * (15.0 + 0.4);
        let magnetising = J * TAU * hertz * 2.5;
        let expected = 1.0 / (1.0 / (180.0 + load * magnetising / (load + magnetising)) + 1e-6);
        close_to(bench.impedance(bench.node("p"), hertz), expected, 1e-9, &format!("{hertz} Hz"));
    }
    // At 20 kHz it is the ideal transformer but for (n²R/ωL₁)²/2 = 9e-5.
    let z = looking_in(1.0, 15.0, 20e3) - 180.0;
    close(z.norm(), n_square * 15.4, 1e-4, "ideal");
}

#[test]
fn a_shorted_secondary_leaves_the_leakage_inductance() {
    // L₁(1 − k²), to (R₂/ωL₂)² of ωL₁·k²: 0.4 Ω against 565 Ω at 10 kHz is 5e-7, over 1 − k².
    for k in [0.95, 0.98, 0.995] {
        let bench = Bench::of(&format!("LP p 0 2.5\nRS y 0 0.4\nLS y 0 9m\nK1 LP LS {k}\nRX p 0 1e12"));
        let z = bench.impedance(bench.node("p"), 10e3);
        let leakage = 2.5 * (1.0 - k * k);
        close(z.im / (TAU * 10e3), leakage, 5e-7 / (1.0 - k * k), &format!("leakage at k {k}"));
    }
}

#[test]
fn an_open_secondary_gives_the_ratio_of_turns_times_the_coupling() {
    for (k, lp, ls) in [(0.95, 1.2, 0.3), (0.999, 2.5, 9e-3), (1.0, 0.5, 18.0), (-0.98, 0.5, 18.0)] {
        let bench = Bench::of(&format!("V1 a 0 0\nRP a p 50\nLP p 0 {lp}\nLS s 0 {ls}\nK1 LP LS {k}\nRL s 0 1e15"));
        for hertz in [20.0, 1e3, 20e3] {
            let ratio = k * f64::sqrt(ls / lp);
            let expected = ratio * J * TAU * hertz * lp / (50.0 + J * TAU * hertz * lp);
            close_to(bench.gain("V1", "s", hertz), expected, 1e-9, &format!("k {k} at {hertz} Hz"));
        }
    }
}

#[test]
fn a_push_pull_primary_shows_four_times_the_load_of_one_half() {
    // Halves of 80 mH from both collectors to the centre tap, wound in one sense; 12 mH behind. All k = 1, on one card:
    // n² of half against secondary is 80/12, from end to end four times that.
    let text = "LA a 0 80m\nLB 0 b 80m\nLS s 0 12m\nK1 LA LB LS 1\nRL s 0 8\nRA a 0 1e9\nRB b 0 1e9";
    let bench = Bench::of(text);
    let hertz = 400.0;
    let between = |a: &str, b: &str, sign: f64| {
        let (a, b) = (bench.node(a), bench.node(b));
        let (from_a, from_b) = (bench.column(a, hertz), bench.column(b, hertz));
        // A current into a and the same, or its opposite, into b; what a carries against b.
        let at = |node: NodeId| from_a[node.index()] + sign * from_b[node.index()];
        (at(a), at(b))
    };
    let (va, vb) = between("a", "b", -1.0);
    let (load, magnetising) = (4.0 * 80.0 / 12.0 * 8.0, J * TAU * hertz * 4.0 * 80e-3);
    // Beside 2 GΩ.
    let ends = 1.0 / (1.0 / load + 1.0 / magnetising + 0.5e-9);
    close_to(va - vb, ends, 1e-9, "end to end");
    // Currents in step cancel in the core: with k = 1 nothing is left across the halves.
    let (va, vb) = between("a", "b", 1.0);
    assert!(va.norm() < 1e-6 * ends.norm() && vb.norm() < 1e-6 * ends.norm(), "{va} {vb}");
    // One half alone carries a quarter of the end-to-end load.
    let one = bench.impedance(bench.node("a"), hertz);
    // to the part of 1e-6 that 1 GΩ beside 213 Ω may be.
    close_to(one, ends / 4.0, 1e-6, "one half");
}

#[test]
fn three_windings_of_different_couplings_solve_their_equations() {
    // Driver with two secondaries: the 3×3 system by hand.
    let k = [[1.0, 0.985, 0.98], [0.985, 1.0, 0.99], [0.98, 0.99, 1.0]];
    let l: [f64; 3] = [1.2, 0.3, 0.28];
    let r = [120.0, 35.0 + 400.0, 36.0 + 600.0];
    let bench = Bench::of(
        "V1 in 0 0\nRP in p 120\nLP p 0 1.2\nLA a 0 0.3\nRA a oa 35\nRLA oa 0 400\nLB b 0 0.28\nRB b ob 36\nRLB ob 0 600\n\
         K1 LP LA 0.985\nK2 LP LB 0.98\nK3 LA LB 0.99",
    );
    for hertz in [25.0, 1e3, 18e3] {
        let z = nalgebra::Matrix3::from_fn(|i, j| {
            let inductive = J * TAU * hertz * k[i][j] * (l[i] * l[j]).sqrt();
            if i == j { inductive + r[i] } else { inductive }
        });
        // One volt in the first mesh; the currents of the others flow out of their dotted ends.
        let drive = nalgebra::Vector3::new(Complex64::new(1.0, 0.0), Complex64::default(), Complex64::default());
        let amps = z.lu().solve(&drive).expect("not singular");
        close_to(bench.gain("V1", "oa", hertz), -amps[1] * 400.0, 1e-9, &format!("first at {hertz} Hz"));
        close_to(bench.gain("V1", "ob", hertz), -amps[2] * 600.0, 1e-9, &format!("second at {hertz} Hz"));
    }
}

#[test]
fn windings_hiss_by_their_resistance_alone() {
    // At one temperature 4kT·Re Z, Z of the secondary side: 0.4 Ω and, through the ratio, 180 Ω and 600 Ω before it.
    let bench = Bench::of("RG g 0 600\nRP g x 180\nLP x 0 2.5\nLS y 0 9m\nRS y s 0.4\nK1 LP LS 0.98\nRL s 0 15");
    for hertz in [20.0, 1e3, 20e3] {
        let jw = J * TAU * hertz;
        let z = 0.4 + jw * 9e-3 - jw * jw * 0.98 * 0.98 * 2.5 * 9e-3 / (780.0 + jw * 2.5);
        let z = z * 15.0 / (z + 15.0);
        close(bench.density("s", hertz), 4.0 * K * T27 * z.re, 1e-9, &format!("{hertz} Hz"));
    }
}

#[test]
fn a_coupling_that_cannot_be_built_is_refused_with_what_to_type() {
    let check = |couplings: &str, expected: &[&str]| {
        let text = format!(
            "title\nL1 a 0 1\nR1 a 0 1k\nL2 b 0 2\nR2 b 0 1k\nL3 c 0 3\nR3 c 0 1k\nX1 d SUB\n.subckt SUB d\nL7 d 0 1\n\
             R7 d 0 1k\n.ends\n{couplings}\n"
        );
        let (netlist, problems) = netlist::read("test", &text, &mut |_| Err("no includes".to_owned()));
        assert!(problems.is_empty(), "{problems:?}");
        let problems = Circuit::build(Arc::new(netlist)).err().unwrap_or_default();
        let shown: Vec<String> = problems
            .iter()
            .map(|one| format!("{} {} -> {}", one.code.as_str(), one.message, one.help.as_deref().unwrap_or("")))
            .collect();
        assert_eq!(shown, expected, "{couplings}");
    };
    check("K1 L1 L2 0.99\nK2 L1 L3 0.99\nK3 L2 L3 0.99", &[]);
    check("K1 L1 L2 L3 0.999", &[]);
    check("K1 L1 L2 L3 1", &[]);
    check("K1 L1 X1.L7 0.9", &[]);
    check("K1 L1 L2 1.01", &["C05 a coupling of 1.01 is above 1 -> a good audio transformer has 0.999"]);
    check(
        "K1 L1 L2 0.99\nK2 L2 L3 0.99",
        &[
            "C05 no windings can have these couplings of L1, L2, L3 -> L1 and L3 both couple to L2, so they couple to each \
           other: add K9 L1 L3 0.98",
        ],
    );
    check(
        "K1 L1 L2 0.99\nK2 L2 L3 0.99\nK3 L1 L3 0.5",
        &[
            "C05 no windings can have these couplings of L1, L2, L3 -> beside the others, the coupling of L1 and L3 must lie \
           between 0.9602 and 1",
        ],
    );
    check(
        "K1 L1 L2 L3 -0.9",
        &[
            "C05 no windings can have these couplings of L1, L2, L3 -> beside the others, the coupling of L1 and L3 must lie \
           between 0.62 and 1",
        ],
    );
    check("K1 L1 L7 0.9", &["C06 no inductor is called L7 here -> try X1.L7"]);
    check(
        "X2 e TWO\n.subckt TWO e\nL8 e 0 1\nR8 e 0 1k\nK8 L8 L1 0.9\n.ends",
        &["C06 no inductor is called L1 here -> L1 stands outside this sub-circuit: put this card beside it"],
    );
}
