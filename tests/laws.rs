//! What physics says of any circuit, whatever its values.

mod common;

use std::collections::{BTreeSet, HashMap};
use std::f64::consts::PI;
use std::fmt::Write;

use common::{Bench, K, Q, Random, T27, close};
use hissmap::circuit::Change;
use hissmap::element::{Element, Mechanism};
use hissmap::mna::NodeId;
use hissmap::noise::{NoiseRequest, Weighting, noise, spectra};
use hissmap::response::response;
use hissmap::smallsignal::SmallSignal;
use hissmap::smallsignal::Stimulus;
use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;

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

/// Largest relative difference between two lists; infinite where one is not a number, which `max` would pass over.
fn difference(a: &[f64], b: &[f64]) -> f64 {
    let differences = a.iter().zip(b).map(|(a, b)| (a - b).abs() / b.abs());
    differences.fold(0.0, |worst, one| if one.is_nan() { f64::INFINITY } else { worst.max(one) })
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

// Equipartition

#[test]
fn a_capacitor_holds_kt_over_c_and_a_winding_kt_over_l() {
    // R beside C: ∫4kTR/(1 + (f/fc)²) df over a band is (kT/C)·(2/π)·(atan(f2/fc) − atan(f1/fc)), fc = 1/(2πRC).
    // The current of L through R alike, with kT/L and fc = R/(2πL). The coefficient 1e-10 leaves room for the integral.
    let within = |square: f64, corner: f64, [from, to]: [f64; 2]| {
        (square * 2.0 / PI * ((to / corner).atan() - (from / corner).atan())).sqrt()
    };
    for (ohms, farads, celsius) in [(1e3, 1e-9, 27.0), (4.7e6, 2.2e-12, -30.0), (33.0, 10e-6, 60.0)] {
        let bench = Bench::of(&format!("R1 a 0 {ohms:e}\nC1 a 0 {farads:e}\n.temp {celsius}"));
        let corner = 1.0 / (2.0 * PI * ohms * farads);
        for band in [[1e-6 * corner, 1e6 * corner], [0.3 * corner, 7.0 * corner], [20.0, 20e3]] {
            let expected = within(K * (celsius + 273.15) / farads, corner, band);
            close(bench.rms("a", band), expected, 1e-10, &format!("{farads:e} F over {band:?} Hz"));
        }
    }
    for (ohms, henries) in [(1e3, 0.1), (10.0, 4.0), (1e5, 1e-3)] {
        let bench = Bench::of(&format!("R1 a 0 {ohms:e}\nL1 a b {henries:e}\nVi b 0 0\nH1 out 0 Vi 1\nRo out 0 1"));
        let corner = ohms / (2.0 * PI * henries);
        for band in [[1e-6 * corner, 1e6 * corner], [0.3 * corner, 7.0 * corner]] {
            let expected = within(K * T27 / henries, corner, band);
            close(bench.rms("out", band), expected, 1e-10, &format!("{henries:e} H over {band:?} Hz"));
        }
    }
}

/// Covariance of the unknowns of C·x' = −G·x + currents white at the densities of `sources`, over all frequencies:
/// A·P + P·Aᵀ + D = 0 with A = −C⁻¹·G and D = C⁻¹·S·C⁻ᵀ, solved as a linear system by Kronecker's product.
/// S counts half of each one-sided density, since a white process of two-sided density s has the intensity s.
fn covariance(signal: &SmallSignal) -> DMatrix<f64> {
    let n = signal.equations.unknowns;
    let (mut g, mut c, mut s) = (DMatrix::zeros(n, n), DMatrix::zeros(n, n), DMatrix::<f64>::zeros(n, n));
    for entry in &signal.equations.entries {
        g[(entry.row.index() - 1, entry.column.index() - 1)] += entry.g;
        c[(entry.row.index() - 1, entry.column.index() - 1)] += entry.c;
    }
    for source in &signal.sources {
        let mut at = DVector::<f64>::zeros(n);
        for (unknown, sign) in [(source.from, -1.0), (source.to, 1.0)] {
            if unknown.index() > 0 {
                at[unknown.index() - 1] += sign;
            }
        }
        s += &at * at.transpose() * (source.white / 2.0);
    }
    let lu = c.lu();
    let a = -lu.solve(&g).expect("every unknown stores energy");
    let half = lu.solve(&s).expect("every unknown stores energy").transpose();
    let d = lu.solve(&half).expect("every unknown stores energy");
    let one = DMatrix::identity(n, n);
    let system = one.kronecker(&a) + a.kronecker(&one);
    let p = system.full_piv_lu().solve(&-DVector::from_column_slice(d.as_slice())).expect("it is stable");
    DMatrix::from_column_slice(n, n, p.as_slice())
}

#[test]
fn total_hiss_of_linear_networks_solves_the_lyapunov_equation() {
    // Resistors at different temperatures and transconductances: no equilibrium that kT/C would know.
    let mut random = Random(1892);
    for round in 0..60 {
        let size = 2 + random.below(3);
        let mut text = String::new();
        let ohms: Vec<f64> = (0..size).map(|_| random.log(1e3, 1e5)).collect();
        for at in 0..size {
            let _ = writeln!(text, "Cg{at} n{at} 0 {:e}", random.log(1e-10, 1e-8));
            let _ = writeln!(text, "Rg{at} n{at} 0 {:e} TEMP={:.1}", ohms[at], random.even(-30.0, 60.0));
            let next = (at + 1) % size;
            let _ =
                writeln!(text, "R{at} n{at} n{next} {:e} TEMP={:.1}", random.log(1e3, 1e5), random.even(-30.0, 60.0));
            let _ = writeln!(text, "C{at} n{at} n{next} {:e}", random.log(1e-10, 1e-9));
            // Less than the conductance at either end: the sum of G and its transpose is diagonally dominant, so that
            // no loop can oscillate.
            let most = 1.0 / ohms[at].max(ohms[next]);
            let _ = writeln!(text, "G{at} n{next} 0 n{at} 0 {:e}", random.even(-0.9, 0.9) * most);
        }
        if round % 2 == 1 {
            let _ = writeln!(text, "L1 n0 n1 {:e}", random.log(1e-2, 1.0));
        }
        let bench = Bench::of(&text);
        let total = covariance(&bench.signal);
        for (node, name) in bench.circuit.nodes() {
            // All corners lie between some hertz and some megahertz. What lies outside the band is its end's density
            // times its end's frequency (constant below, falling as 1/f² above); the next terms are 1e-10 of that.
            let band = [1e-4, 1e11];
            let outside: f64 = band.map(|hertz| hertz * bench.density(name, hertz)).iter().sum();
            let square = bench.rms(name, band).powi(2) + outside;
            close(square, total[(node.index() - 1, node.index() - 1)], 1e-9, &format!("{name} of\n{text}"));
        }
    }
}

// One stage

/// A common-emitter stage at a base-emitter voltage, biased through the source's resistance.
struct Stage {
    text: String,
    gm: f64,
    rpi: f64,
    ic: f64,
    ib: f64,
}

/// Without Early effect and reverse current all of it is closed form: Ic = IS·(exp(Vbe/Vt) − 1) + IS, Ib = …/BF.
fn stage(vbe: f64, rs: f64, rb: f64, rl: f64, beta: f64, more: &str) -> Stage {
    let vt = K * T27 / Q;
    let is = 1e-15;
    let forward = is * (vbe / vt).exp_m1();
    // The collector sits at 5 V: the base-collector junction leaks IS/BR, its transport flow is −IS.
    let (br, vcb): (f64, f64) = (1e3, 5.0 - vbe);
    let reverse = is * (-vcb / vt).exp_m1();
    let ic = forward - reverse - reverse / br;
    let ib = forward / beta + reverse / br;
    let (vs, vcc) = (vbe + ib * (rs + rb), 5.0 + ic * rl);
    let text = format!(
        "Vs s 0 {vs:.17e} AC 1\nRs s b {rs:e}\nQ1 c b 0 M\nRl vcc c {rl:e}\nVcc vcc 0 {vcc:.17e}\n\
         .model M NPN(IS={is:e} BF={beta} BR={br} RB={rb:e} {more})"
    );
    Stage { text, gm: (forward + is) / vt, rpi: beta * vt / (forward + is), ic, ib }
}

#[test]
fn a_common_emitter_stage_follows_the_hybrid_pi() {
    let four_kt = 4.0 * K * T27;
    for (vbe, beta, rb, rs, rl) in
        [(0.60, 100.0, 300.0, 1e3, 4.7e3), (0.65, 40.0, 50.0, 10e3, 1e3), (0.55, 400.0, 1e3, 220e3, 47e3)]
    {
        let (cje, mje, vje, tf) = (20e-12, 0.33, 0.75, 1e-9);
        let circuit = stage(vbe, rs, rb, rl, beta, &format!("CJE={cje:e} TF={tf:e}"));
        let Stage { gm, rpi, ic, ib, .. } = circuit;
        let bench = Bench::of(&circuit.text);
        close(bench.volts("c"), 5.0, 1e-9, "the bias in closed form");

        // Cπ = CJE·(1 − FC)^−(1+M)·(1 − FC(1+M) + M·Vbe/VJ) beyond FC·VJ = 0.375 V, and TF·gm.
        let fc: f64 = 0.5;
        let cpi = cje * (1.0 - fc).powf(-1.0 - mje) * (1.0 - fc * (1.0 + mje) + mje * vbe / vje) + tf * gm;
        for hertz in [100.0, 1e5, 1e7] {
            // Inner base: 1/zπ = 1/rπ + jωCπ; gain = −gm·RL·zπ/(zπ + rb + Rs).
            let zpi = (Complex64::new(1.0 / rpi, 2.0 * PI * hertz * cpi)).inv();
            let through = zpi / (zpi + rb + rs);
            let gain = -gm * rl * through;
            let computed = bench.gain("Vs", "c", hertz);
            assert!((computed - gain).norm() <= 1e-9 * gain.norm(), "gain {computed} is not {gain} at {hertz} Hz");

            // Currents into base and collector of the inner transistor, each carried to the output.
            let base = zpi * (rs + rb) / (zpi + rs + rb);
            let density = four_kt * (rs + rb) * gain.norm_sqr()
                + 2.0 * Q * ib * (gm * rl * base).norm_sqr()
                + 2.0 * Q * ic * rl * rl
                + four_kt * rl;
            close(bench.density("c", hertz), density, 1e-9, &format!("density at {hertz} Hz"));
        }
    }
}

#[test]
fn input_noise_of_a_stage_is_that_of_the_hybrid_pi() {
    for (vbe, beta, rb) in [(0.60, 100.0, 300.0), (0.66, 50.0, 100.0), (0.60, 500.0, 1e3)] {
        // A short at the input (1 mΩ, that of the cable): en² = 4kT·rb + 2q·Ic·(1 + rb/rπ)²/gm² + 2q·Ib·rb².
        // rb stands for rb + 1 mΩ. The noise of the load is taken off.
        let circuit = stage(vbe, 1e-3, rb, 1e3, beta, "");
        let Stage { gm, rpi, ic, ib, .. } = circuit;
        let rl_square = 4.0 * K * T27 * 1e3;
        let bench = Bench::of(&circuit.text);
        let referred = (bench.density("c", 1e3) - rl_square) / bench.gain("Vs", "c", 1e3).norm_sqr();
        let r = rb + 1e-3;
        let en = 4.0 * K * T27 * r + 2.0 * Q * ic * ((1.0 + r / rpi) / gm).powi(2) + 2.0 * Q * ib * r * r;
        close(referred, en, 1e-9, "voltage noise");

        // An open input fed by a current: in² = 2q·Ib + 2q·Ic/β², whatever rb. The base takes Ib from a source.
        let bench = Bench::of(&format!(
            "Ib 0 b {ib:.17e} AC 1\nQ1 c b 0 M\nRl vcc c 1k\nVcc vcc 0 {:.17e}\n.model M NPN(IS=1e-15 BF={beta} BR=1000 RB={rb})",
            5.0 + ic * 1e3
        ));
        let referred = (bench.density("c", 1e3) - rl_square) / bench.gain("Ib", "c", 1e3).norm_sqr();
        // Left out: the opposite flows of the junctions, IS/BF and IS/BR, which are 1e-10 of Ib here.
        close(referred, 2.0 * Q * ib + 2.0 * Q * ic / (beta * beta), 1e-9, "current noise");
    }
}

// Leakage

#[test]
fn an_open_base_multiplies_leakage_by_beta_plus_one() {
    // Kirchhoff at the base: ICBO = Ibf/BF, and the collector carries Ibf + ICBO = (BF + 1)·ICBO. IS is 1e-14 of it.
    for (kind, sign) in [("NPN", 1.0), ("PNP", -1.0)] {
        for beta in [20.0, 75.0, 300.0] {
            let bench = Bench::of(&format!(
                "Vcc vcc 0 {}\nRl vcc c 100\nQ1 c b 0 M ICBO=2u\n.model M {kind}(IS=1e-20 BF={beta})\n.temp 25",
                6.0 * sign
            ));
            let iceo = bench.volts("vcc,c") / 100.0;
            close(iceo, sign * (beta + 1.0) * 2e-6, 1e-9, "ICEO");
        }
    }
}

#[test]
fn leakage_doubles_with_every_tdbl_and_makes_shot_noise() {
    // Base and emitter at ground: the collector's current is ICBO, its noise across R is 4kTR + 2q·ICBO·R².
    let (ohms, icbo) = (100e3, 5e-6);
    for (kind, sign) in [("NPN", 1.0), ("PNP", -1.0)] {
        for tdbl in [6.0, 8.0, 10.0, 13.0] {
            let bench = Bench::of(&format!(
                "Vcc vcc 0 {}\nRl vcc c {ohms:e}\nQ1 c 0 0 M ICBO={icbo:e} TDBL={tdbl}\n.model M {kind}(IS=1e-20)\n.temp 25",
                60.0 * sign
            ));
            for doublings in [-2.0, -1.0, 0.0, 1.0, 2.0] {
                let celsius = 25.0 + doublings * tdbl;
                let bench = bench.changed(&[Change::Ambient { celsius }]);
                let leak = icbo * f64::exp2(doublings);
                close(bench.volts("vcc,c") / ohms, sign * leak, 1e-9, &format!("leakage at {celsius} °C"));
                let density = 4.0 * K * (celsius + 273.15) * ohms + 2.0 * Q * leak * ohms * ohms;
                close(bench.density("c", 1e3), density, 1e-9, &format!("noise at {celsius} °C"));
            }
        }
    }
}

#[test]
fn faulty_leakage_is_noisier_by_leakm_and_rises_below_its_corner() {
    // Far from zero bias S = 2q·ICBO·LEAKM·(1 + LEAKFC/f).
    let bench = Bench::of(
        "Vcc vcc 0 20\nRl vcc c 10k\nQ1 c 0 0 M ICBO=20u LEAKM=30 LEAKFC=500\n.model M NPN(IS=1e-20)\n.temp 25",
    );
    for hertz in [1.0, 500.0, 1e5] {
        let leak = 2.0 * Q * 20e-6 * 30.0 * (1.0 + 500.0 / hertz);
        close(bench.density("c", hertz), 4.0 * K * 298.15 * 1e4 + leak * 1e8, 1e-9, &format!("at {hertz} Hz"));
    }
}

// Biased devices

/// Current that a stimulus drives through the voltage source `Vm`, by way of a source H1 of 1 Ω at `out`.
fn admittance(cards: &str, stimulus: &str, hertz: f64) -> Complex64 {
    Bench::of(&format!("{cards}\nH1 out 0 Vm 1")).gain(stimulus, "out", hertz)
}

#[test]
fn charges_of_biased_devices_are_those_of_their_models() {
    let vt = K * T27 / Q;
    let hertz = 1e6;
    let rate = 2.0 * PI * hertz;
    // Transistor with its base held, seen from the collector. 1/qb = 1 − Vbc/VAF, so ∂Qbe/∂Vbc = −TF·Ibf/VAF; Cjc in reverse
    // is CJC·(1 + Vcb/VJC)^−MJC. A rise of the collector pushes the first into the base and draws the second from it.
    let (vbe, vce, vaf, tf, cjc) = (0.6, 5.0, 30.0, 1e-9, 3e-12);
    let ibf = 1e-15 * f64::exp_m1(vbe / vt);
    let text = format!(
        "Vb b 0 {vbe}\nVm b x 0\nVc c 0 {vce}\nQ1 c x 0 M\n.model M NPN(IS=1e-15 VAF={vaf} TF={tf:e} CJC={cjc:e} BR=1e6)"
    );
    let expected = tf * ibf / vaf - cjc * f64::powf(1.0 + (vce - vbe) / 0.75, -0.33);
    close(admittance(&text, "Vc", hertz).im / rate, expected, 1e-9, "base charge by collector voltage");
    // Seen from the base: TF·gm·(1 − Vbc/VAF) + both of the above, and CJE (none).
    let own = tf * (ibf + 1e-15) / vt * (1.0 + (vce - vbe) / vaf) - expected;
    close(admittance(&text, "Vb", hertz).im / rate, own, 1e-9, "base charge by base voltage");

    // Saturated: no depletion, no Early effect; the base-collector junction stores TR times its flow.
    let text = "Vb b 0 0.6\nVm b x 0\nQ1 0 x 0 M\n.model M NPN(IS=1e-15 TR=50n)";
    let stored = 50e-9 * 1e-15 * f64::exp(0.6 / vt) / vt;
    close(admittance(text, "Vb", hertz).im / rate, stored, 1e-9, "stored charge");

    // Diode forward beyond FC·VJ: the tangent, and TT times its conductance.
    let text = "V1 a 0 0.55\nVm a x 0\nD1 x 0 M\n.model M D(IS=1e-12 N=1.2 CJO=10p VJ=0.8 M=0.4 FC=0.5 TT=20n)";
    let siemens = 1e-12 * f64::exp(0.55 / (1.2 * vt)) / (1.2 * vt);
    let tangent = 10e-12 * f64::powf(0.5, -1.4) * (1.0 - 0.5 * 1.4 + 0.4 * 0.55 / 0.8);
    let found = admittance(text, "V1", hertz);
    close(found.re, siemens, 1e-9, "conductance of a diode");
    close(found.im / rate, tangent + 20e-9 * siemens, 1e-9, "charge of a diode");

    // Field-effect transistor: Vgs −1 V, Vgd −11 V.
    let text = "Vg g 0 -1\nVm g x 0\nVd d 0 10\nJ1 d x 0 M\n.model M NJF(BETA=1m VTO=-3 CGS=5p CGD=2p PB=0.8)";
    let expected = 5e-12 / f64::sqrt(1.0 + 1.0 / 0.8) + 2e-12 / f64::sqrt(1.0 + 11.0 / 0.8);
    close(admittance(text, "Vg", hertz).im / rate, expected, 1e-9, "gate charge");
}

#[test]
fn a_device_of_area_three_is_three_devices_side_by_side() {
    let devices = [
        ("D", "a 0 M", ".model M D(IS=1e-9 N=1.3 RS=20 CJO=50p TT=1u KF=1e-15 BV=30)"),
        (
            "Q",
            "a b 0 M",
            ".model M PNP(IS=1e-9 BF=60 VAF=40 IKF=1m ISE=1e-9 IKR=1m ISC=1e-9 RB=200 RE=3 RC=5 CJE=40p CJC=10p TF=50n TR=1u ICBO=2u KF=1e-15)",
        ),
        ("J", "a b 0 M", ".model M NJF(BETA=1m VTO=-2 IS=1e-9 RD=30 RS=20 CGS=5p CGD=3p KF=1e-16)"),
    ];
    for (letter, nodes, model) in devices {
        for volts in [9.0, -9.0, 0.6] {
            let around = format!("V1 v 0 {volts}\nR1 v a 1k\nR2 v b 47k\nR3 b 0 10k\n{model}\n");
            let one = Bench::of(&format!("{around}{letter}1 {nodes} 3"));
            let three = Bench::of(&format!("{around}{letter}1 {nodes}\n{letter}2 {nodes}\n{letter}3 {nodes}"));
            close(one.volts("a"), three.volts("a"), 1e-9, &format!("{letter} at {volts} V"));
            for hertz in [10.0, 1e6] {
                let what = format!("{letter} at {volts} V, {hertz} Hz");
                close(one.density("a", hertz), three.density("a", hertz), 1e-9, &what);
            }
        }
    }
}

#[test]
fn parameters_follow_temperature_by_their_laws() {
    // Base current with the collector at the base's volts: IS(T)/BF(T)·(e − 1) + ISE(T)·(e − 1), r = T/Tnom,
    // IS(T) = IS·r^XTI·exp((r − 1)·EG/Vt), BF(T) = BF·r^XTB, ISE(T) = ISE·(IS(T)/IS)^(1/NE)·r^−XTB.
    let (is, bf, xtb, ise, ne, xti, eg, vbe) = (1e-14, 80.0, 1.7, 1e-12, 1.8, 2.5, 0.9, 0.4);
    for celsius in [-30.0, 27.0, 60.0] {
        let kelvin = celsius + 273.15;
        let (r, vt) = (kelvin / T27, K * kelvin / Q);
        let growth = f64::powf(r, xti) * f64::exp((r - 1.0) * eg / vt);
        let ib = is * growth * f64::exp_m1(vbe / vt) / (bf * r.powf(xtb))
            + ise * growth.powf(1.0 / ne) * r.powf(-xtb) * f64::exp_m1(vbe / (ne * vt));
        let bench = Bench::of(&format!(
            "Vb b 0 {vbe}\nVc c 0 {vbe}\nH1 out 0 Vb -1\nQ1 c b 0 M\n\
             .model M NPN(IS={is} BF={bf} XTB={xtb} ISE={ise} NE={ne} XTI={xti} EG={eg})\n.temp {celsius}"
        ));
        close(bench.volts("out"), ib, 1e-9, &format!("base current at {celsius} °C"));
        // R(T) = R·(1 + TC1·ΔT + TC2·ΔT²) from 27 °C.
        let rise = celsius - 27.0;
        let bench = Bench::of(&format!("R1 a 0 1k TC1=0.004 TC2=2e-5\n.temp {celsius}"));
        let ohms = 1e3 * (1.0 + 0.004 * rise + 2e-5 * rise * rise);
        close(bench.density("a", 1e3), 4.0 * K * kelvin * ohms, 1e-12, &format!("resistor at {celsius} °C"));
    }
}

#[test]
fn shot_noise_passes_smoothly_from_rest_to_breakdown() {
    // 2q·I·coth(V/2Vt) with I = IS·(exp(V/N·Vt) − 1) just beside zero, where it is computed by a series.
    let vt = K * T27 / Q;
    let density = |volts: f64, more: &str| {
        Bench::of(&format!("V1 a 0 {volts:e}\nD1 a 0 M\nH1 out 0 V1 1\n.model M D(IS=1u {more})")).density("out", 1e3)
    };
    for n in [1.0, 1.5, 2.0] {
        for u in [-3.0, -1.1e-4, -0.9e-4, 0.9e-4, 1.1e-4, 0.5, 3.0] {
            let expected = 2.0 * Q * 1e-6 * f64::exp_m1(u / n) / f64::tanh(u / 2.0);
            close(density(u * vt, &format!("N={n}")), expected, 1e-9, &format!("N {n} at {u} thermal volts"));
        }
    }
    // Broken down at 1 mA: full shot noise of both currents.
    close(density(-12.0, "BV=12 IBV=1m"), 2.0 * Q * (1e-3 + 1e-6), 1e-9, "breakdown");
}

#[test]
fn a_channel_hisses_two_thirds_of_its_transconductance_when_pinched_off() {
    // gm = 2·BETA·Vov; drain held, current observed. LAMBDA 0.
    let four_kt = 4.0 * K * T27;
    for (kind, sign) in [("NJF", 1.0), ("PJF", -1.0)] {
        let density = |vds: f64, vgs: f64| {
            let text = format!(
                "Vg g 0 {}\nVd d 0 {}\nH1 out 0 Vd 1\nJ1 d g 0 M\n.model M {kind}(BETA=1m VTO=-2 IS=1e-20)",
                sign * vgs,
                sign * vds
            );
            Bench::of(&text).density("out", 1e3)
        };
        let gm = 2.0 * 1e-3 * 1.5;
        close(density(10.0, -0.5), four_kt * 2.0 / 3.0 * gm, 1e-9, "pinched off");
        // Half open, a = 1/2: (2/3)·(1 + 1/2 + 1/4)/(3/2) = 7/9.
        close(density(0.75, -0.5), four_kt * 7.0 / 9.0 * gm, 1e-9, "half open");
        // The other way round: the drain acts as the source, Vgd = −0.5 + 0.75 → Vov = 2.25, a = 1 − 0.75/2.25 = 2/3.
        let shape = 2.0 / 3.0 * (1.0 + 2.0 / 3.0 + 4.0 / 9.0) / (1.0 + 2.0 / 3.0);
        close(density(-0.75, -0.5), four_kt * shape * 2.0 * 1e-3 * 2.25, 1e-9, "reversed");
    }
}

#[test]
fn flicker_falls_as_one_over_f_from_kf_times_a_power_of_the_current() {
    let hertz = 0.5;
    // The part that rises towards low frequencies: density less that at 1e15 times the frequency.
    let rising = |text: &str| {
        let bench = Bench::of(text);
        (bench.density("out", hertz) - bench.density("out", 1e15 * hertz)) * hertz
    };
    let vt = K * T27 / Q;
    let flow = |is: f64, volts: f64| is * f64::exp_m1(volts / vt);
    let diode = rising("V1 a 0 0.6\nD1 a 0 M\nH1 out 0 V1 1\n.model M D(IS=1e-14 KF=1e-12 AF=1.5)");
    close(diode, 1e-12 * flow(1e-14, 0.6).powf(1.5), 1e-9, "diode");
    // Base current Ibf/BF; seen in the base, without the leakage that flows there too.
    for kind in ["NPN", "PNP"] {
        let sign = if kind == "NPN" { 1.0 } else { -1.0 };
        let text = format!(
            "Vb b 0 {}\nVc c 0 {}\nQ1 c b 0 M ICBO=1u\nH1 out 0 Vb 1\n.model M {kind}(IS=1e-14 BF=80 BR=1e6 KF=1e-12 AF=1.2)",
            0.6 * sign,
            5.0 * sign
        );
        close(rising(&text), 1e-12 * (flow(1e-14, 0.6) / 80.0).powf(1.2), 1e-9, kind);
    }
    // Id = BETA·Vov².
    let text = "Vg g 0 -0.5\nVd d 0 10\nJ1 d g 0 M\nH1 out 0 Vd 1\n.model M NJF(BETA=1m VTO=-2 KF=1e-14 AF=0.9)";
    close(rising(text), 1e-14 * f64::powf(1e-3 * 1.5 * 1.5, 0.9), 1e-9, "field-effect transistor");
}

// Gain against bias

const GERMANIUM: &str =
    ".model GP PNP(IS=2u BF=80 NF=1.02 NR=1.02 VAF=40 IKF=80m ISE=0.5u NE=1.6 BR=4 RB=120 RE=0.4 RC=2 EG=0.67 ICBO=4u)
.model GN NPN(IS=1u BF=60 VAF=30 BR=3 RB=90 EG=0.67 ICBO=3u)";
const SILICON: &str = ".model SN NPN(IS=2e-14 BF=220 VAF=70 IKF=0.1 ISE=1e-13 NE=1.7 BR=5 RB=200 RE=0.5 RC=1)
.model SP PNP(IS=1e-14 BF=180 VAF=50 IKF=0.1 BR=4 RB=150 RE=0.6)
.model SJ NJF(BETA=1m VTO=-1.8 LAMBDA=0.01 RD=20 RS=20)
.model SD D(IS=2e-14 N=1.4 RS=2)";

/// DC-coupled amplifiers: what they are, cards with input Vin, output.
fn amplifiers() -> Vec<(&'static str, String, &'static str)> {
    vec![
        (
            "germanium pair, positive ground",
            format!(
                "Vin in 0 -0.12\nRs in b1 600\nQ1 c1 b1 e1 GP\nRe1 e1 0 47\nRc1 c1 m 4.7k\nQ2 c2 c1 e2 GP\nRe2 e2 0 1k\nRc2 c2 m 1.5k\nRf e2 b1 47k\nV- m 0 -9\n{GERMANIUM}"
            ),
            "c2",
        ),
        (
            "germanium complementary",
            format!(
                "Vin in 0 0.35\nRs in b1 1k\nQ1 c1 b1 e1 GN\nRe1 e1 0 220\nRc1 p c1 3.3k\nQ2 out c1 e2 GP\nRe2 p e2 330\nRl out 0 1k\nVp p 0 9\n{GERMANIUM}"
            ),
            "out",
        ),
        (
            "silicon feedback pair",
            format!(
                "Vin in 0 0.65\nRs in b1 2.2k\nQ1 c1 b1 e1 SN\nRe1 e1 0 100\nRc1 p c1 22k\nQ2 c2 c1 e2 SN\nRe2 e2 0 470\nRc2 p c2 2.2k\nRf e2 b1 100k\nVp p 0 12\n{SILICON}"
            ),
            "c2",
        ),
        (
            "long-tailed pair with a mirror and a complementary output",
            format!(
                "Vin in 0 0.01\nRi in b1 1k\nQ1 c1 b1 t SN\nQ2 c2 b2 t SN\nRt t m 10k\nQ3 c2 c2 p SP\nQ4 c1 c2 p SP\nQ5 o c1 p SP\nRo o m 4.7k\nD1 p d SD\nRd d 0 10k\nQ6 p o out SN\nRq out 0 1k\nRf out b2 10k\nRg b2 0 1k\nVp p 0 12\nVm m 0 -12\n{SILICON}"
            ),
            "out",
        ),
        (
            "field-effect input, transistor behind it",
            format!(
                "Vin in 0 0\nRs in g 1MEG\nJ1 d g s SJ\nRss s 0 1k\nRdd p d 2.2k\nQ1 out d e SP\nRe p e 470\nRl out 0 1k\nVp p 0 15\n{SILICON}"
            ),
            "out",
        ),
    ]
}

/// ∂(bias of the output)/∂(Vin) by central differences of two steps, the h² error taken out (Richardson).
fn slope(bench: &Bench, output: &str, step: f64) -> f64 {
    let part = bench.circuit.find_part("Vin").expect("all amplifiers have it");
    let Element::Source(source) = &bench.circuit.part(part).element else { panic!("Vin is a source") };
    let rest = source.dc;
    let at = |value: f64| bench.changed(&[Change::Value { part: "Vin".to_owned(), value }]).volts(output);
    let central = |step: f64| (at(rest + step) - at(rest - step)) / (2.0 * step);
    (4.0 * central(step / 2.0) - central(step)) / 3.0
}

#[test]
fn gain_at_low_frequency_is_the_slope_of_the_bias() {
    for (what, text, output) in amplifiers() {
        let bench = Bench::of(&text);
        let gain = bench.gain("Vin", output, 1e-3).re;
        assert!(gain.abs() > 0.5, "{what} does not work: gain {gain}");
        // The input moves by 1 % of a thermal voltage over the gain at most, so that the h⁴ error is below 1e-10,
        // and the bias, known to some 1e-15 of itself, gives a slope good to 1e-10.
        let step = 1e-3 / gain.abs().max(1.0);
        close(gain, slope(&bench, output, step), 1e-9, what);
    }
}

#[test]
fn gain_of_a_self_heating_amplifier_is_the_slope_at_held_temperatures() {
    for (what, text, output) in amplifiers() {
        // Every transistor heats itself by some degrees.
        let text: String = text
            .lines()
            .map(|line| if line.starts_with('Q') { format!("{line} RTH=400\n") } else { format!("{line}\n") })
            .collect();
        let warm = Bench::of(&text);
        let mut held = Vec::new();
        let mut rise: f64 = 0.0;
        for (id, part) in warm.circuit.parts() {
            if let Element::Bjt(transistor) = &part.element {
                let celsius = transistor.temperature(warm.circuit.place(id), &warm.bias.x).celsius();
                rise = rise.max(celsius - 27.0);
                held.push(Change::Temperature { part: part.name.clone(), celsius });
            }
        }
        assert!(rise > 0.3, "{what} hardly warms: {rise} °C");
        let gain = warm.gain("Vin", output, 1e-3).re;
        let step = 1e-3 / gain.abs().max(1.0);
        // As above.
        close(gain, slope(&warm.changed(&held), output, step), 1e-9, what);
        // And the temperatures do matter, even behind feedback: a thousand times what the check above allows.
        let cold = Bench::of(&text.replace(" RTH=400", "")).gain("Vin", output, 1e-3).re;
        assert!((cold - gain).abs() > 1e-6 * gain.abs(), "{what}: heating hardly moves {cold} to {gain}");
    }
}

// Networks

#[test]
fn passive_networks_are_reciprocal() {
    let mut random = Random(1864);
    for _ in 0..100 {
        let size = 2 + random.below(5);
        let bench = Bench::of(&random_network(&mut random, size, false));
        let hertz = random.log(1.0, 1e6);
        let columns: Vec<_> = bench.circuit.nodes().map(|(node, _)| (node, bench.column(node, hertz))).collect();
        for (a, from_a) in &columns {
            for (b, from_b) in &columns {
                let (there, back) = (from_a[b.index()], from_b[a.index()]);
                // Of the larger of the two own impedances: a transfer may be nearly nothing.
                let scale = from_a[a.index()].norm().max(from_b[b.index()].norm());
                assert!((there - back).norm() <= 1e-12 * scale, "Z {there} and {back} at {hertz} Hz");
            }
        }
    }
}

#[test]
fn one_adjoint_solution_gives_what_a_forward_one_per_source_gives() {
    for (what, text, output) in amplifiers() {
        let bench = Bench::of(&text);
        let observed = bench.node(output);
        let hertz = 1e3;
        let factored = bench.signal.factor(&bench.circuit, hertz).expect("regular");
        let adjoint =
            bench.signal.adjoint(&bench.circuit, &factored, observed, NodeId::GROUND, hertz).expect("regular");
        let largest = adjoint.iter().map(|transfer| transfer.norm()).fold(0.0, f64::max);
        let mut sum = 0.0;
        for source in &bench.signal.sources {
            let current = Stimulus::current(source.from, source.to);
            let all = bench.signal.forward(&bench.circuit, &factored, &current, hertz).expect("regular");
            let forward = all[observed.index()];
            let back = adjoint[source.to.index()] - adjoint[source.from.index()];
            // Of the larger of what goes in at either end, since their difference may be nearly nothing; and rounding of
            // the largest of all, since nothing comes from a node that a source holds.
            let scale = adjoint[source.to.index()].norm().max(adjoint[source.from.index()].norm());
            assert!((forward - back).norm() <= 1e-10 * scale + 1e-18 * largest, "{what}: {forward} and {back}");
            sum += forward.norm_sqr() * (source.white + source.flicker / hertz);
        }
        close(bench.density(output, hertz), sum, 1e-9, what);
        let gain: Complex64 = bench.stimulus("Vin").gain(&adjoint);
        let forward = bench.gain("Vin", output, hertz);
        assert!((gain - forward).norm() <= 1e-9 * forward.norm(), "{what}: gain {gain} and {forward}");
    }
}

#[test]
fn currents_at_every_node_sum_to_zero() {
    // Resistors, currents and one supply behind a resistor, so that every current follows from the volts of the nodes.
    let mut random = Random(1845);
    for _ in 0..200 {
        let size = 2 + random.below(8);
        let mut text = "Vs s 0 12\n".to_owned();
        let mut branches: Vec<(String, String, f64, f64)> = Vec::new();
        let name = |at: usize| if at == 0 { "0".to_owned() } else { format!("n{at}") };
        for at in 1..=size {
            branches.push((name(at), name(random.below(at)), random.log(1.0, 1e7), 0.0));
        }
        branches.push(("s".to_owned(), name(1 + random.below(size)), random.log(10.0, 1e5), 0.0));
        for _ in 0..2 * size {
            let (a, b) = (1 + random.below(size), random.below(size + 1));
            if a != b {
                let driven = random.chance(0.3);
                let ohms = if driven { f64::INFINITY } else { random.log(1.0, 1e7) };
                branches.push((name(a), name(b), ohms, if driven { random.even(-1e-2, 1e-2) } else { 0.0 }));
            }
        }
        for (at, (a, b, ohms, amps)) in branches.iter().enumerate() {
            let _ = match ohms.is_finite() {
                true => writeln!(text, "R{at} {a} {b} {ohms:e}"),
                false => writeln!(text, "I{at} {a} {b} {amps:e}"),
            };
        }
        let bench = Bench::of(&text);
        let mut sums: HashMap<&str, (f64, f64)> = HashMap::new();
        for (a, b, ohms, driven) in &branches {
            let (va, vb) = (bench.volts(a), bench.volts(b));
            let amps = if ohms.is_finite() { (va - vb) / ohms } else { *driven };
            // What rounding of the volts themselves may do to this current.
            let rounding = if ohms.is_finite() { va.abs().max(vb.abs()) / ohms * 4.0 * f64::EPSILON } else { 0.0 };
            for (node, sign) in [(a, 1.0), (b, -1.0)] {
                let sum = sums.entry(node).or_default();
                sum.0 += sign * amps;
                sum.1 += 1e-12 * amps.abs() + rounding;
            }
        }
        close(bench.volts("s"), 12.0, 1e-12, "the supply");
        for (node, (sum, allowed)) in sums {
            assert!(node == "0" || node == "s" || sum.abs() <= allowed, "{sum:e} A are left at {node} in\n{text}");
        }
    }
}

// Symmetries

/// Nodes of the amplifiers that a source holds: no hiss there.
const HELD: [&str; 3] = ["in", "p", "m"];

/// Volts at rest and densities at 1 kHz of every node that no source holds, by name.
fn by_name(bench: &Bench) -> Vec<(String, f64, f64)> {
    let densities = bench.all_densities(&bench.signal, 1e3);
    let named = bench
        .circuit
        .nodes()
        .zip(densities)
        .map(|((node, name), density)| (name.to_owned(), bench.bias.volts(node), density));
    let mut named: Vec<_> =
        named.filter(|(name, ..)| !HELD.contains(&name.rsplit('_').next().unwrap_or(name))).collect();
    named.sort_by(|a, b| a.0.cmp(&b.0));
    named
}

/// Cards with every node (fields after the name, as many as the element has) under another name.
fn renamed(text: &str, new: impl Fn(&str) -> String) -> String {
    let line = |line: &str| {
        let mut fields: Vec<String> = line.split(' ').map(str::to_owned).collect();
        let count = match line.chars().next() {
            Some('R' | 'C' | 'L' | 'V' | 'I' | 'D') => 2,
            Some('Q' | 'J') => 3,
            _ => 0,
        };
        fields[1..=count].iter_mut().for_each(|field| *field = new(field));
        fields.join(" ")
    };
    text.lines().map(line).collect::<Vec<_>>().join("\n")
}

#[test]
fn renaming_nodes_and_reordering_cards_changes_nothing() {
    let mut random = Random(7);
    for (what, text, _) in amplifiers() {
        let plain = by_name(&Bench::of(&text));
        for _ in 0..3 {
            // The new names sort and are met in another order.
            let salt = random.bits();
            let new = |name: &str| match name {
                "0" => "0".to_owned(),
                name => format!(
                    "k{:x}_{name}",
                    name.bytes().fold(salt, |hash, byte| hash.wrapping_mul(31) ^ u64::from(byte))
                ),
            };
            let changed = renamed(&text, new);
            let mut cards: Vec<&str> = changed.lines().collect();
            random.shuffle(&mut cards);
            let mut moved = by_name(&Bench::of(&cards.join("\n")));
            for entry in &mut moved {
                let (_, name) = entry.0.split_once('_').expect("as made above");
                entry.0 = name.to_owned();
            }
            moved.sort_by(|a, b| a.0.cmp(&b.0));
            assert_eq!(plain.len(), moved.len());
            for ((name, volts, density), (other, other_volts, other_density)) in plain.iter().zip(&moved) {
                assert_eq!(name, other);
                // A bias point may be off by 1e-9 of a volt; what is computed from it follows.
                assert!(
                    (volts - other_volts).abs() <= 1e-9 * volts.abs() + 1e-9,
                    "{what}: {volts} and {other_volts} V"
                );
                close(*other_density, *density, 1e-9, &format!("{what}, {name}"));
            }
        }
    }
}

#[test]
fn the_mirrored_circuit_hisses_alike_at_opposite_volts() {
    for (what, text, output) in amplifiers() {
        let mirrored: String = text
            .lines()
            .map(|line| {
                let fields: Vec<&str> = line.split(' ').collect();
                let line = match line.chars().next() {
                    Some('V') => {
                        format!("{} {} {} {:e}", fields[0], fields[1], fields[2], -fields[3].parse::<f64>().unwrap())
                    }
                    Some('D') => format!("{} {} {} {}", fields[0], fields[2], fields[1], fields[3]),
                    _ => line.to_owned(),
                };
                let swapped = line.replace(" NPN(", " *NP(").replace(" PNP(", " NPN(").replace(" *NP(", " PNP(");
                swapped.replace(" NJF(", " PJF(") + "\n"
            })
            .collect();
        let (plain, mirror) = (Bench::of(&text), Bench::of(&mirrored));
        for ((name, volts, density), (_, other_volts, other_density)) in by_name(&plain).iter().zip(&by_name(&mirror)) {
            // Every operation is mirrored exactly; 1e-12 leaves room for sums in another order.
            assert!(
                (volts + other_volts).abs() <= 1e-12 * volts.abs() + 1e-15,
                "{what}, {name}: {volts}, {other_volts} V"
            );
            close(*other_density, *density, 1e-12, &format!("{what}, {name}"));
        }
        let (gain, other) = (plain.gain("Vin", output, 1e3), mirror.gain("Vin", output, 1e3));
        assert!((gain - other).norm() <= 1e-12 * gain.norm(), "{what}: gain {gain} and {other}");
    }
}

#[test]
fn which_node_is_called_ground_changes_no_difference() {
    for (what, text, output) in amplifiers() {
        let plain = Bench::of(&text);
        // The former ground becomes `old`; the supply's other end is ground.
        let rail = if what.contains("positive ground") { "m" } else { "p" };
        let new = |name: &str| match name {
            "0" => "old".to_owned(),
            name if name == rail => "0".to_owned(),
            name => name.to_owned(),
        };
        let shifted = Bench::of(&renamed(&text, new));
        for (node, name) in plain.circuit.nodes() {
            let against = format!("{},old", new(name));
            let volts = plain.bias.volts(node);
            assert!((shifted.volts(&against) - volts).abs() <= 1e-9 * volts.abs() + 1e-9, "{what}, {name}: volts");
            if !HELD.contains(&name) {
                close(shifted.density(&against, 1e3), plain.density(name, 1e3), 1e-9, &format!("{what}, {name}"));
            }
        }
        let (gain, other) = (plain.gain("Vin", output, 1e3), shifted.gain("Vin", &format!("{output},old"), 1e3));
        assert!((gain - other).norm() <= 1e-9 * gain.norm(), "{what}: gain {gain} and {other}");
    }
}

/// Random RLC cards with factors on R, L and C.
fn scaled(seed: u64, size: usize, [r, l, c]: [f64; 3]) -> Bench {
    let text = random_network(&mut Random(seed), size, false);
    let line = |line: &str| {
        let fields: Vec<&str> = line.split(' ').collect();
        let factor = match line.chars().next() {
            Some('R') => r,
            Some('L') => l,
            Some('C') => c,
            _ => return line.to_owned() + "\n",
        };
        format!("{} {} {} {:e}\n", fields[0], fields[1], fields[2], fields[3].parse::<f64>().unwrap() * factor)
    };
    Bench::of(&text.lines().map(line).collect::<String>())
}

#[test]
fn twice_the_impedance_is_twice_the_density() {
    for seed in 1..50 {
        let size = 2 + seed as usize % 4;
        let (plain, doubled) = (scaled(seed, size, [1.0; 3]), scaled(seed, size, [2.0, 2.0, 0.5]));
        for hertz in [10.0, 3e3, 2e5] {
            let densities = plain.all_densities(&plain.signal, hertz);
            for (one, two) in densities.iter().zip(doubled.all_densities(&doubled.signal, hertz)) {
                close(two, 2.0 * one, 1e-9, &format!("seed {seed} at {hertz} Hz"));
            }
        }
    }
}

#[test]
fn storing_elements_k_times_smaller_move_the_spectrum_up_k_times() {
    for seed in 1..50 {
        let size = 2 + seed as usize % 4;
        let (plain, faster) = (scaled(seed, size, [1.0; 3]), scaled(seed, size, [1.0, 0.1, 0.1]));
        for hertz in [10.0, 3e3, 2e5] {
            let densities = plain.all_densities(&plain.signal, hertz);
            for (slow, fast) in densities.iter().zip(faster.all_densities(&faster.signal, 10.0 * hertz)) {
                close(fast, *slow, 1e-9, &format!("seed {seed} at {hertz} Hz"));
            }
        }
        // Same power per hertz in ten times the hertz.
        let (_, name) = plain.circuit.nodes().next().expect("it has nodes");
        let wide = faster.rms(name, [200.0, 200e3]).powi(2);
        close(wide, 10.0 * plain.rms(name, [20.0, 20e3]).powi(2), 1e-9, &format!("seed {seed}, band"));
    }
}

// Threads

#[test]
fn results_do_not_depend_on_the_number_of_threads() {
    let (_, text, output) = amplifiers().remove(3);
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| {
            let bench = Bench::of(&text);
            let request = NoiseRequest {
                outputs: vec![bench.output(output), bench.output("c2"), bench.output("c2,c1")],
                band_hz: [20.0, 20e3],
                weighting: Weighting::A,
                tolerance: 1e-6,
            };
            let stimulus = bench.stimulus("Vin");
            let figures = noise(&bench.circuit, &bench.signal, Some(&stimulus), &request).expect("regular");
            let hertz = [20.0, 1e3, 20e3, 1e6];
            let gains = response(&bench.circuit, &bench.signal, &stimulus, &request.outputs, &hertz).expect("regular");
            let spectra = spectra(&bench.circuit, &bench.signal, &request.outputs, &hertz).expect("regular");
            // Debug output of f64 shows every bit: it is the shortest text that reads back to the same number.
            format!("{figures:?} {gains:?} {spectra:?} {:?}", bench.bias)
        })
    };
    let one = run(1);
    assert_eq!(one, run(2));
    assert_eq!(one, run(8));
}
