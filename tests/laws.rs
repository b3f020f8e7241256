//! What physics says of any circuit, whatever its values.

mod common;

use std::collections::BTreeSet;
use std::fmt::Write;

use common::{Bench, K, Random};
use hissmap::element::Mechanism;

// Nyquist

/// A random network of `size` nodes n1… without sources: at rest all voltages are zero. A resistor leads from every node
/// to ground, so that the real part of its impedance is not lost beside the imaginary one.
fn random_network(random: &mut Random, size: usize, devices: bool) -> String {
    let mut text = String::new();
    let node = |random: &mut Random| format!("n{}", 1 + random.below(size));
    let other = |random: &mut Random, not: &str| loop {
        let found = match random.below(size + 1) {
            0 => "0".to_owned(),
            at => format!("n{at}"),
        };
        if found != not {
            return found;
        }
    };
    for at in 1..=size {
        let _ = writeln!(text, "Rg{at} n{at} 0 {:e}", random.log(1e3, 1e6));
    }
    for at in 0..size {
        let a = node(random);
        let b = other(random, &a);
        let _ = writeln!(text, "R{at} {a} {b} {:e}", random.log(100.0, 1e6));
        let a = node(random);
        let b = other(random, &a);
        let _ = writeln!(text, "C{at} {a} {b} {:e}", random.log(1e-11, 1e-8));
    }
    for at in 0..2 {
        let a = node(random);
        let b = other(random, &a);
        let _ =
            writeln!(text, "Rl{at} {a} l{at} {:e}\nL{at} l{at} {b} {:e}", random.log(10.0, 1e4), random.log(1e-3, 1.0));
    }
    let _ = writeln!(text, "K1 L0 L1 {:.3}", random.even(-0.9, 0.9));
    if !devices {
        return text;
    }
    for at in 0..1 + random.below(4) {
        let a = node(random);
        let b = other(random, &a);
        let c = other(random, &b);
        // Germanium leaks microamperes, silicon nothing to speak of; in between both are tried at what matters.
        let (eg, is) =
            if random.chance(0.7) { (0.67, random.log(1e-8, 1e-5)) } else { (1.11, random.log(1e-16, 1e-8)) };
        let maybe = |random: &mut Random, name: &str, from: f64, to: f64| match random.chance(0.5) {
            true => format!(" {name}={:e}", random.log(from, to)),
            false => String::new(),
        };
        let area = random.log(0.3, 4.0);
        match random.below(3) {
            0 => {
                let n = random.even(1.0, 2.0);
                let extra = maybe(random, "RS", 1.0, 1e4)
                    + &maybe(random, "CJO", 1e-12, 1e-9)
                    + &maybe(random, "TT", 1e-9, 1e-6);
                let extra = extra + &maybe(random, "BV", 3.0, 60.0) + &maybe(random, "KF", 1e-16, 1e-10);
                let _ = writeln!(
                    text,
                    "D{at} {a} {b} D{at}m {area:.3}\n.model D{at}m D(IS={is:e} EG={eg} N={n:.4}{extra})"
                );
            }
            1 => {
                let kind = *random.pick(&["NPN", "PNP"]);
                let nf = if random.chance(0.5) { 1.0 } else { random.even(1.0, 2.0) };
                let mut extra = format!(
                    " NE={:.3} NC={:.3} BF={:.2} BR={:.2}",
                    random.even(1.0, 2.0),
                    random.even(1.0, 2.0),
                    random.log(5.0, 300.0),
                    random.log(0.3, 30.0)
                );
                for (name, from, to) in [
                    ("RB", 10.0, 3e3),
                    ("RE", 1.0, 1e3),
                    ("RC", 1.0, 3e3),
                    ("ISE", 0.1 * is, 10.0 * is),
                    ("ISC", 0.1 * is, 10.0 * is),
                    ("VAF", 10.0, 100.0),
                    ("VAR", 5.0, 50.0),
                    ("IKF", 1e-3, 1.0),
                    ("IKR", 1e-3, 1.0),
                    ("CJE", 1e-12, 1e-9),
                    ("CJC", 1e-12, 1e-9),
                    ("TF", 1e-10, 1e-6),
                    ("TR", 1e-9, 1e-5),
                    ("KF", 1e-16, 1e-10),
                    ("ICBO", 1e-8, 1e-4),
                ] {
                    extra += &maybe(random, name, from, to);
                }
                let leak = format!("LEAKM={:.2} LEAKFC={:.1}", random.log(1.5, 100.0), random.log(10.0, 1e4));
                let xtb = random.even(-1.0, 2.0);
                let _ = writeln!(
                    text,
                    "Q{at} {a} {b} {c} Q{at}m AREA={area:.3} {leak}\n.model Q{at}m {kind}(IS={is:e} EG={eg} NF={nf:.4} NR={nf:.4} XTB={xtb:.2}{extra})"
                );
            }
            _ => {
                let kind = *random.pick(&["NJF", "PJF"]);
                let vto = random.even(-4.0, -0.3);
                let mut extra = String::new();
                for (name, from, to) in [
                    ("BETA", 1e-5, 1e-2),
                    ("LAMBDA", 1e-3, 0.1),
                    ("IS", 1e-14, 1e-6),
                    ("RD", 1.0, 1e3),
                    ("RS", 1.0, 1e3),
                    ("CGS", 1e-12, 1e-10),
                    ("CGD", 1e-12, 1e-10),
                    ("KF", 1e-18, 1e-14),
                ] {
                    extra += &maybe(random, name, from, to);
                }
                let _ = writeln!(text, "J{at} {a} {b} {c} J{at}m {area:.3}\n.model J{at}m {kind}(VTO={vto:.3}{extra})");
            }
        }
    }
    text
}

/// 4kT·Re Z at every node, V²/Hz.
fn nyquist(bench: &Bench, hertz: f64) -> Vec<f64> {
    let four_kt = 4.0 * K * bench.circuit.ambient.0;
    bench.circuit.nodes().map(|(node, _)| four_kt * bench.impedance(node, hertz).re).collect()
}

/// Largest relative difference between two lists.
fn difference(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).abs() / b.abs()).fold(0.0, f64::max)
}

#[test]
fn at_rest_every_network_hisses_as_nyquist_says() {
    let mut random = Random(1928);
    let mut mattered = BTreeSet::new();
    for _ in 0..2000 {
        let size = 2 + random.below(5);
        let text = random_network(&mut random, size, true) + &format!(".temp {:.2}\n", random.even(-30.0, 60.0));
        let bench = Bench::of(&text);
        let hertz = random.log(1.0, 1e6);
        let expected = nyquist(&bench, hertz);
        let computed = bench.all_densities(&bench.signal, hertz);
        assert!(difference(&computed, &expected) <= 1e-9, "{computed:?} is not {expected:?} at {hertz} Hz in\n{text}");

        // The law must notice when any source that matters has half its density.
        let all = bench.all_densities(&bench.signal, hertz);
        for at in 0..bench.signal.sources.len() {
            let mut halved = bench.signal.clone();
            halved.sources[at].white *= 0.5;
            halved.sources[at].flicker *= 0.5;
            let without = bench.all_densities(&halved, hertz);
            let share = 2.0 * difference(&without, &all);
            if share > 1e-6 {
                mattered.insert(halved.sources[at].mechanism);
                let source = bench.signal.sources[at];
                assert!(difference(&without, &expected) > 1e-7, "the law is blind to {source:?} in\n{text}");
            }
        }
    }
    // Excess, flicker and bridges are silent at rest; every other mechanism must have been put to the test.
    let silent = [Mechanism::Excess, Mechanism::BridgeExcess, Mechanism::Flicker];
    let due: BTreeSet<_> = Mechanism::ALL.into_iter().filter(|mechanism| !silent.contains(mechanism)).collect();
    assert_eq!(mattered, due);
}
