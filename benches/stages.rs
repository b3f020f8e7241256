//! Time by stage: read, build, bias, linearise, one frequency densely, eight in lanes, all nodes over the band, at
//! several sizes.
//!
//! Sizes are chains of direct-coupled germanium pairs on one supply, of 10 unknowns a stage. Figures are of use as ratios
//! within one run.

use std::hint::black_box;
use std::sync::Arc;

use criterion::{Criterion, criterion_group, criterion_main};
use hissmap::circuit::Circuit;
use hissmap::mna::{LANES, NodeId};
use hissmap::noise::{DEFAULT_TOLERANCE, NoiseRequest, Weighting, noise};
use hissmap::smallsignal::SmallSignal;
use hissmap::sweep::Sweep;
use hissmap::{bias, netlist};

const STAGES: [usize; 3] = [1, 4, 12];

fn chain(stages: usize) -> String {
    let mut text = String::from(
        "chain of pairs\n.model G PNP (IS=2u BF=70 BR=8 VAF=40 RB=120 CJE=40p CJC=15p TF=60n EG=0.67 KF=2f ICBO=4u)\n\
         VCC bat 0 -9\nRS bat rail 100\nCS rail 0 100u\nVIN n0 0 0\n",
    );
    for n in 1..=stages {
        let from = n - 1;
        text += &format!(
            "CI{n} n{from} b{n} 10u\nQA{n} c{n} b{n} e{n} G\nRC{n} rail c{n} 15k\nRE{n} e{n} 0 1k\n\
             QB{n} n{n} c{n} k{n} G\nRD{n} rail n{n} 2.7k\nRG{n} k{n} 0 1.8k\nCG{n} k{n} 0 100u\nRF{n} k{n} b{n} 22k\n\
             RB{n} b{n} 0 12k\n"
        );
    }
    text
}

fn read(text: &str) -> netlist::Netlist {
    let (netlist, problems) = netlist::read("bench", text, &mut |_| Err("no includes".to_owned()));
    assert!(problems.is_empty(), "{problems:?}");
    netlist
}

fn stages(criterion: &mut Criterion) {
    for stages in STAGES {
        let text = chain(stages);
        let written = Arc::new(read(&text));
        let (circuit, _) = Circuit::build(Arc::clone(&written)).expect("a sound netlist");
        let point = bias::solve(&circuit).expect("a bias");
        let signal = SmallSignal::linearise(&circuit, &point);
        let outputs: Vec<_> = circuit.nodes().map(|(node, _)| (node, NodeId::GROUND)).collect();
        let request =
            NoiseRequest { outputs, band_hz: [20.0, 20e3], weighting: Weighting::Flat, tolerance: DEFAULT_TOLERANCE };
        let unknowns = circuit.layout().electrical;
        let mut bench = |stage: &str, work: &mut dyn FnMut()| {
            criterion.bench_function(&format!("{stage}/{unknowns}"), |bencher| bencher.iter(&mut *work));
        };
        bench("read", &mut || drop(black_box(read(black_box(&text)))));
        bench("build", &mut || drop(black_box(Circuit::build(Arc::clone(black_box(&written))))));
        bench("bias", &mut || drop(black_box(bias::solve(black_box(&circuit)))));
        bench("linearise", &mut || drop(black_box(SmallSignal::linearise(black_box(&circuit), &point))));
        bench("one frequency densely", &mut || {
            let factored = signal.factor(&circuit, black_box(1e3)).expect("a regular matrix");
            drop(black_box(signal.adjoint(&circuit, &factored, request.outputs[0].0, NodeId::GROUND, 1e3)));
        });
        let sweep = Sweep::new(&circuit, &signal, [20.0, 20e3]);
        let eight: [f64; LANES] = std::array::from_fn(|lane| 20.0 * 1000f64.powf(lane as f64 / 7.0));
        bench("eight frequencies in lanes", &mut || {
            drop(black_box(sweep.at(black_box(eight)).adjoint(request.outputs[0].0, NodeId::GROUND)));
        });
        bench("noise of all nodes", &mut || drop(black_box(noise(&circuit, &signal, None, black_box(&request)))));
    }
}

criterion_group!(benches, stages);
criterion_main!(benches);
