//! Whether a circuit stays at its bias point, against roots known in closed form.

use std::sync::Arc;

use hissmap::circuit::Circuit;
use hissmap::netlist;
use hissmap::operating::Operating;
use hissmap::stability::Stability;

fn operating(text: &str) -> (Circuit, Operating) {
    let (netlist, problems) = netlist::read("test", text, &mut |_| Err("no includes".to_owned()));
    assert!(problems.is_empty(), "{problems:?}");
    let (circuit, _) = Circuit::build(Arc::new(netlist)).expect("a sound netlist");
    let operating = Operating::of(&circuit).expect("a bias");
    (circuit, operating)
}

fn roots(text: &str) -> Vec<num_complex::Complex64> {
    match operating(text).1.stability {
        Stability::Stable => Vec::new(),
        Stability::Unstable(roots) => roots,
        other => panic!("{other:?}"),
    }
}

/// L, C and a conductance G in parallel: s² + s·G/C + 1/(LC) = 0.
#[test]
fn a_negative_conductance_across_a_tank_oscillates_at_its_resonance() {
    let tank = |siemens: f64| format!("tank\nL1 a b 10m\nRL b 0 1u\nC1 a 0 100n\nG1 a 0 a 0 {siemens:e}\n");
    let found = roots(&tank(-1e-4));
    assert_eq!(found.len(), 1, "{found:?}");
    let real: f64 = 1e-4 / (2.0 * 100e-9);
    let imaginary = (1.0 / (10e-3 * 100e-9) - real * real).sqrt();
    // 1 µΩ in the winding damps by R/2L = 5e-5 rad/s.
    assert!((found[0].re - real).abs() < 1e-6 * real + 1e-4, "{found:?}");
    assert!((found[0].im - imaginary).abs() < 1e-9 * imaginary, "{found:?}");
    assert_eq!(roots(&tank(1e-6)), []);
}

/// Three equal buffered RC sections and an inverting amplifier of gain K: (1 + sRC)³ = -K; unstable for K > 8, where
/// s·RC = -1 + K^(1/3)·exp(jπ/3).
#[test]
fn a_phase_shift_oscillator_starts_beyond_a_gain_of_eight() {
    let loop_of = |gain: f64| {
        format!(
            "phase shift\nR1 o a 10k\nC1 a 0 10n\nE1 b 0 a 0 1\nR2 b c 10k\nC2 c 0 10n\nE2 d 0 c 0 1\n\
             R3 d e 10k\nC3 e 0 10n\nE3 o 0 e 0 {}\n",
            -gain
        )
    };
    assert_eq!(roots(&loop_of(7.9)), []);
    let found = roots(&loop_of(10.0));
    assert_eq!(found.len(), 1, "{found:?}");
    let size = 10f64.cbrt() / (10e3 * 10e-9);
    assert!((found[0].re - (size * 0.5 - 1e4)).abs() < 1e-9 * size, "{found:?}");
    assert!((found[0].im - size * 0.75f64.sqrt()).abs() < 1e-9 * size, "{found:?}");
    let (_, operating) = operating(&loop_of(10.0));
    let warning = operating.stability.warning().expect("a warning");
    assert_eq!(warning.code.as_str(), "S05");
    assert!(warning.message.contains("would oscillate near 3.0 kHz"), "{}", warning.message);
}

/// A resonance of Q 1000 is sharp, not unstable.
#[test]
fn a_sharp_resonance_is_stable() {
    assert_eq!(roots("sharp\nV1 i 0 1\nR1 i a 0.31622776\nL1 a b 10m\nC1 b 0 100n\nRG b 0 1G\n"), []);
}

/// 260 sections whose time constants spread over ten decades: all real, all negative.
#[test]
fn a_ladder_spread_over_decades_is_stable() {
    let mut text = String::from("ladder\nV1 n0 0 1\n");
    for section in 1..=260 {
        let decade = 10f64.powf(f64::from(section % 11) - 5.0);
        text += &format!(
            "R{section} n{} n{section} {:e}\nC{section} n{section} 0 {:e}\n",
            section - 1,
            1e3 * decade,
            1e-9 * decade
        );
    }
    assert_eq!(roots(&text), []);
}

/// Two cross-coupled transistors have a middle solution that no set stays at.
#[test]
fn a_latch_settles_at_a_stable_solution_and_says_so() {
    // The two sides differ a little, as real ones do, so that the middle solution is not at rest by symmetry.
    let text = "latch\nVCC v 0 9\nR1 v c1 2.2k\nR2 v c2 2.3k\nR3 c1 b2 33k\nR4 c2 b1 33k\nR5 b1 0 15k\nR6 b2 0 15k\n\
                C1 c1 0 1n\nC2 c2 0 1n\nQ1 c1 b1 0 N\nQ2 c2 b2 0 N\n.model N NPN (BF=100 CJE=10p CJC=5p TF=1n)\n";
    let (circuit, operating) = operating(text);
    assert_eq!(operating.stability, Stability::Stable);
    let cautions: Vec<&str> = operating.cautions(&circuit).iter().map(|caution| caution.code.as_str()).collect();
    assert_eq!(cautions, ["S09"]);
    let volts = |name: &str| operating.bias.volts(circuit.find_node(name).expect("a node"));
    assert!((volts("c1") - volts("c2")).abs() > 3.0, "{} {}", volts("c1"), volts("c2"));
}

#[test]
fn the_question_is_skipped_beyond_400_unknowns() {
    let mut text = String::from("long\nV1 n0 0 1\n");
    for section in 1..=401 {
        text += &format!("R{section} n{} n{section} 1k\nC{section} n{section} 0 1n\n", section - 1);
    }
    let (_, operating) = operating(&text);
    assert!(matches!(operating.stability, Stability::NotJudged(_)));
    assert_eq!(operating.stability.warning().map(|warning| warning.code.as_str()), Some("S06"));
}
