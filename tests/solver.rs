//! The fast solver is judged by the dense one, which pivots for itself at every frequency, and by the equations.

use std::sync::Arc;

use hissmap::bias;
use hissmap::circuit::Circuit;
use hissmap::mna::{LANES, LaneSolver, NodeId, Unknown};
use hissmap::netlist;
use hissmap::smallsignal::{SmallSignal, Stimulus};
use hissmap::sweep::Sweep;

#[path = "campaign/amplifiers.rs"]
#[allow(dead_code)]
mod amplifiers;
#[path = "../benches/common/mod.rs"]
mod circuits;

const HERTZ: [f64; LANES] = [0.1, 20.0, 317.0, 1e3, 15e3, 1e5, 1e6, 3e7];

struct Linear {
    circuit: Circuit,
    signal: SmallSignal,
}

fn linear(text: &str) -> Linear {
    let (netlist, problems) = netlist::read("test", text, &mut |_| Err("no includes".to_owned()));
    assert!(problems.is_empty(), "{problems:?}");
    let (circuit, _) = Circuit::build(Arc::new(netlist)).unwrap_or_else(|errors| panic!("{errors:?}"));
    let bias = bias::solve(&circuit).unwrap_or_else(|error| panic!("{error}"));
    let signal = SmallSignal::linearise(&circuit, &bias);
    Linear { circuit, signal }
}

/// Density at every node by both solvers: the worst relative difference at each frequency; `None` where the order does
/// not serve, and the dense solver would be compared with itself.
fn worst_density_differences(linear: &Linear) -> Option<[f64; LANES]> {
    let Linear { circuit, signal } = linear;
    let sweep = Sweep::new(circuit, signal, [HERTZ[0], HERTZ[LANES - 1]]);
    let point = sweep.at(HERTZ);
    if !point.is_in_lanes() {
        return None;
    }
    let dense: Vec<_> = HERTZ.iter().map(|&hertz| signal.factor(circuit, hertz).expect("regular")).collect();
    let held = circuit.held_groups();
    let mut worst = [0.0f64; LANES];
    for (node, _) in circuit.nodes().filter(|(node, _)| held[node.index()] == *node) {
        let lanes = point.adjoint(node, NodeId::GROUND).expect("regular");
        for (lane, &hertz) in HERTZ.iter().enumerate() {
            let exact = signal.adjoint(circuit, &dense[lane], node, NodeId::GROUND, hertz).expect("regular");
            let (mut by_lanes, mut by_dense) = (0.0, 0.0);
            for source in &signal.sources {
                let density = source.white + source.flicker / hertz;
                let (from, to) = (source.from.index(), source.to.index());
                by_lanes += lanes[from].minus(&lanes[to]).norm_sqr()[lane] * density;
                by_dense += (exact[from] - exact[to]).norm_sqr() * density;
            }
            if by_dense > 1e-60 {
                let difference = (by_lanes - by_dense).abs() / by_dense;
                // `max` would pass over what is not a number.
                worst[lane] = if difference.is_nan() { f64::INFINITY } else { worst[lane].max(difference) };
            }
        }
    }
    Some(worst)
}

#[test]
fn random_amplifiers_hiss_alike_by_both_solvers() {
    let mut served = 0;
    for unit in 0..120 {
        let text = amplifiers::Amplifier::of_unit(unit).text(amplifiers::PLAIN);
        let Some(differences) = worst_density_differences(&linear(&text)) else { continue };
        served += 1;
        for (worst, hertz) in differences.into_iter().zip(HERTZ) {
            // At 30 MHz 100 µF are 2e4 S; a node that floats on them keeps 2e-12 S on the diagonal, of some 1e-5 S to
            // ground: the equations themselves, as numbers, are known no better.
            let allowed = if hertz < 1e5 { 1e-9 } else { 1e-6 };
            assert!(worst < allowed, "unit {unit}: densities differ by {worst:e} at {hertz} Hz");
        }
    }
    // Over eight decades and a half, far beyond any band asked for, some orders fail at one end.
    assert!(served >= 110, "only {served} of 120 were solved in lanes");
}

#[test]
fn extreme_values_beside_each_other_hiss_alike_by_both_solvers() {
    let text = "extremes\nV1 i 0 1\nR1 i a 1m\nR2 a b 1T\nC1 b 0 1p\nR3 b c 1u\nC2 c 0 1000u\nL1 c d 1n\nR4 d e 1G\n\
                L2 e f 1k\nR5 f 0 1m\nC3 a f 0.001p\nE1 g 0 b c 1e6\nR6 g h 1k\nC4 h 0 1n\nG1 h 0 a b 1e-9\n";
    // Eighteen decades of conductance at one node: what a double keeps of the smaller one.
    let worst = worst_density_differences(&linear(text)).expect("an order that serves");
    let worst = worst.into_iter().fold(0.0, f64::max);
    assert!(worst < 1e-6, "densities differ by {worst:e}");
}

/// Forty direct-coupled pairs on one rail: beyond 150 unknowns the bias is stepped by the sparse solver.
#[test]
fn the_bias_of_a_large_circuit_obeys_kirchhoff_at_every_node() {
    let mut text = String::from(
        "pairs\n.model G PNP (IS=2u BF=70 BR=8 VAF=40 RB=120 EG=0.67 ICBO=4u)\nVCC bat 0 -12\nRS bat rail 10\nV0 n0 0 0\n",
    );
    for n in 1..=40 {
        let from = n - 1;
        text += &format!(
            "C{n} n{from} b{n} 10u\nQA{n} c{n} b{n} e{n} G\nRC{n} rail c{n} 15k\nRE{n} e{n} 0 1k\nQB{n} n{n} c{n} k{n} G\n\
             RD{n} rail n{n} 2.7k\nRG{n} k{n} 0 1.8k\nRF{n} k{n} b{n} 22k\nRB{n} b{n} 0 12k\n"
        );
    }
    let Linear { circuit, .. } = linear(&text);
    assert!(circuit.layout().electrical > 150);
    let bias = bias::solve(&circuit).expect("a bias");
    assert_eq!(bias.strategy, bias::Strategy::Newton);
    let mut equations = hissmap::mna::BiasEquations::new(circuit.layout().with_temperatures);
    for (id, part) in circuit.parts() {
        let place = circuit.place(id);
        part.element.stamp_bias(place, &bias.x, part.element.junction_volts(place, &bias.x), &mut equations);
    }
    for (row, residual) in equations.residual.iter().enumerate().skip(1) {
        assert!(residual.abs() <= 1e-9 * equations.largest[row] + 1e-12, "{residual:e} A left in row {row}");
    }
    // All stages are alike and share the rail.
    let volts = |name: &str| bias.volts(circuit.find_node(name).expect("a node"));
    for n in 2..=40 {
        assert!((volts(&format!("n{n}")) - volts("n1")).abs() < 1e-9);
    }
}

/// A uniform ladder of 1500 sections: forward and transposed solutions satisfy the equations entry by entry.
#[test]
fn a_long_ladder_is_solved_to_rounding() {
    let mut text = String::from("ladder\nV1 n0 0 1\n");
    for section in 1..=1500 {
        text += &format!("R{section} n{} n{section} 1k\nC{section} n{section} 0 1n\n", section - 1);
    }
    let (netlist, _) = netlist::read("test", &text, &mut |_| Err("no includes".to_owned()));
    let mut limits = netlist::Limits::default();
    limits.unknowns = 10_000;
    let (circuit, _) = Circuit::build_with(Arc::new(netlist), &limits).expect("a sound netlist");
    let x = vec![0.0; circuit.layout().with_temperatures + 1];
    let bias = bias::BiasPoint { x, strategy: bias::Strategy::Newton, heat_stepping: false, iterations: 0 };
    let signal = SmallSignal::linearise(&circuit, &bias);
    let solver = LaneSolver::new(&signal.equations, [HERTZ[0], 1e3, HERTZ[LANES - 1]]).expect("an order");
    // A tree needs no fill: each of 1500 pivots is followed by one row.
    assert!(solver.slots() <= signal.equations.entries.len() + 10, "{} entries filled", solver.slots());
    let factored = solver.factor(HERTZ).expect("regular");
    let stimulus = Stimulus::of(&circuit, circuit.find_part("V1").expect("a part")).expect("a source");
    let right = stimulus.right(&signal.equations);
    let forward = factored.forward(&right).expect("solved");
    let last = circuit.find_node("n1500").expect("a node");
    let adjoint = factored.adjoint(last.into(), Unknown::GROUND).expect("solved");
    for (lane, hertz) in HERTZ.iter().enumerate() {
        let omega = std::f64::consts::TAU * hertz;
        let mut left: Vec<num_complex::Complex64> = right.iter().map(|&value| value.into()).collect();
        for entry in &signal.equations.entries {
            let value = num_complex::Complex64::new(entry.g, omega * entry.c);
            let x = forward[entry.column.index()];
            left[entry.row.index()] -= value * num_complex::Complex64::new(x.re[lane], x.im[lane]);
        }
        assert!(left.iter().all(|residual| residual.norm() < 1e-14), "a residual at {hertz} Hz");
        // The gain from source to end is the same number by either way round.
        let by_adjoint =
            stimulus.rows().iter().map(|(row, value)| adjoint[row.index()].times(*value)).next().expect("a row");
        let by_forward = forward[last.index()];
        let difference = by_adjoint.minus(&by_forward).norm_sqr()[lane].sqrt();
        assert!(difference <= 1e-12 * by_forward.norm_sqr()[lane].sqrt().max(1e-3), "{difference:e} at {hertz} Hz");
    }
}

/// The exchange format, read by its description alone and solved densely with nalgebra, gives the density of the library.
#[test]
fn the_equations_as_text_give_the_same_density_in_any_linear_algebra_package() {
    let text = "pair\nVIN i 0 0\nRI i s 1k\nC1 s b1 10u\nVCC v 0 -9\nR1 v c1 12k\nQ1 c1 b1 e1 P\nR2 e1 0 220\nQ2 c2 c1 e2 P\nR3 v c2 3.3k\n\
                R4 e2 0 1k\nC2 e2 0 100u\nR5 e2 b1 22k\nL1 c2 o 1m\nR6 o 0 10k\n\
                .model P PNP (IS=2u BF=70 BR=8 EG=0.67 RB=120 RC=4 RE=0.3 CJE=40p CJC=15p TF=60n KF=2f ICBO=5u LEAKM=9 LEAKFC=200)\n";
    let Linear { circuit, signal } = linear(text);
    let hertz = [33.0, 1e3, 2e4];
    let written = hissmap::report::equations(&circuit, &[], &[], &hertz).expect("equations").text;
    let mut tokens = written.lines().filter(|line| !line.starts_with('#')).flat_map(str::split_whitespace);
    let mut number = || -> f64 {
        let token = tokens.find(|token| token.parse::<f64>().is_ok()).expect("a number");
        token.parse().expect("a number")
    };
    let mut count = || number() as usize;
    let n = count();
    let triplets = count();
    let triplets: Vec<[f64; 4]> = (0..triplets).map(|_| std::array::from_fn(|_| number())).collect();
    let sources = number() as usize;
    let sources: Vec<[f64; 4]> = (0..sources).map(|_| std::array::from_fn(|_| number())).collect();
    let freqs = number() as usize;
    let freqs: Vec<f64> = (0..freqs).map(|_| number()).collect();
    assert_eq!(freqs, hertz);
    let observed = number() as usize;
    let observed: Vec<usize> = (0..observed).map(|_| number() as usize).collect();
    let outputs: Vec<_> = circuit.nodes().map(|(node, _)| (node, NodeId::GROUND)).collect();
    let densities = hissmap::noise::spectra(&circuit, &signal, &outputs, &hertz).expect("densities");
    for (position, &u) in observed.iter().enumerate() {
        for (at, &f) in freqs.iter().enumerate() {
            let mut a = nalgebra::DMatrix::<num_complex::Complex64>::zeros(n, n);
            for [i, j, g, c] in &triplets {
                a[(*i as usize, *j as usize)] += num_complex::Complex64::new(*g, std::f64::consts::TAU * f * c);
            }
            let mut e = nalgebra::DVector::zeros(n);
            e[u] = num_complex::Complex64::from(1.0);
            let z = a.transpose().lu().solve(&e).expect("regular");
            let of = |i: f64| if i < 0.0 { num_complex::Complex64::default() } else { z[i as usize] };
            let density: f64 = sources.iter().map(|[i, j, w, h]| (of(*i) - of(*j)).norm_sqr() * (w + h / f)).sum();
            let ours = densities[position][at];
            // The package solves for inner voltages, which keep less of cold junctions than drops do.
            assert!((density - ours).abs() <= 1e-8 * ours + 1e-36, "unknown {u} at {f} Hz: {density:e} and {ours:e}");
        }
    }
}

#[test]
fn an_equation_that_nothing_feeds_is_named() {
    let mut equations = hissmap::mna::SignalEquations::new(2);
    equations.add(Unknown(1), Unknown(1), 1.0, 0.0);
    let error = LaneSolver::new(&equations, [1.0, 10.0, 100.0]).map(|_| ()).expect_err("a zero row");
    assert_eq!(error, hissmap::mna::LinearError::Singular(Unknown(2)));
}

/// 10,000 unknowns through the public path; the gain from the first block to the last, where both halves of the work meet,
/// is the same number forward and transposed.
#[test]
fn ten_thousand_unknowns_are_solved() {
    let (netlist, problems) = netlist::read("test", &circuits::chain(1429), &mut |_| Err("no includes".to_owned()));
    assert!(problems.is_empty(), "{problems:?}");
    let (circuit, _) = Circuit::build(Arc::new(netlist)).expect("within the limits");
    assert!(circuit.layout().electrical > 10_000);
    let operating = hissmap::operating::Operating::of(&circuit).expect("a bias");
    let (from, to) = (circuit.find_part("QA1400").expect("a part"), circuit.find_node("out").expect("a node"));
    let nodes = circuit.part(from).element.nodes();
    let stimulus = Stimulus::current(nodes[0].into(), nodes[2].into());
    let sweep = Sweep::new(&circuit, &operating.signal, [20.0, 20e3]);
    let hertz = [20.0, 50.0, 100.0, 500.0, 1e3, 5e3, 1e4, 2e4];
    let point = sweep.at(hertz);
    assert!(point.is_in_lanes());
    let forward = point.forward(&stimulus).expect("solved")[to.index()];
    let adjoint = point.adjoint(to, NodeId::GROUND).expect("solved");
    let adjoint = adjoint[nodes[2].index()].minus(&adjoint[nodes[0].index()]);
    for (lane, hertz) in hertz.into_iter().enumerate() {
        let (size, apart) = (forward.norm_sqr()[lane].sqrt(), forward.minus(&adjoint).norm_sqr()[lane].sqrt());
        assert!(size > 0.0 && apart < 1e-9 * size, "{apart:e} of {size:e} at {hertz} Hz");
    }
}
