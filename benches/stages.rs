//! Time of each stage at several sizes of circuit: chains of amplifier blocks on one rail. Read the figures as ratios
//! within one run. The last line of each kind, `per frequency`, shows how the cost grows from about 100 to 1000 unknowns.

use std::hint::black_box;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use criterion::{Criterion, criterion_group, criterion_main};
use hissmap::bench::Point;
use hissmap::bench::symptoms::{SymptomQuestion, symptoms};
use hissmap::bias;
use hissmap::circuit::Circuit;
use hissmap::mna::{LANES, LaneScratch, LaneSolver, LaneWork, NodeId, Unknown};
use hissmap::netlist::{self, Fetched};
use hissmap::noise::{DEFAULT_TOLERANCE, NoiseRequest, Weighting, noise};
use hissmap::smallsignal::SmallSignal;

mod common;

/// Unknowns beyond which the whole hiss of all nodes takes too long to repeat, and beyond which dense solutions do.
const ALL_NODES_TO: usize = 400;
const DENSE_TO: usize = 400;

fn read(text: &str) -> netlist::Netlist {
    let (netlist, problems) = netlist::read("bench", text, &mut |_| Err("no includes".to_owned()));
    assert!(problems.is_empty(), "{problems:?}");
    netlist
}

fn built(text: &str) -> (Circuit, SmallSignal) {
    let (circuit, _) = Circuit::build(Arc::new(read(text))).expect("a sound netlist");
    let point = bias::solve(&circuit).expect("a bias");
    let signal = SmallSignal::linearise(&circuit, &point);
    (circuit, signal)
}

fn stages(criterion: &mut Criterion) {
    for blocks in common::CHAINS {
        let text = common::chain(blocks);
        let written = Arc::new(read(&text));
        let (circuit, signal) = built(&text);
        let point = bias::solve(&circuit).expect("a bias");
        let out = circuit.noise.as_ref().expect("a .noise statement").output.0;
        let request = |outputs| NoiseRequest {
            outputs,
            band_hz: [20.0, 20e3],
            weighting: Weighting::Flat,
            tolerance: DEFAULT_TOLERANCE,
        };
        let one = request(vec![(out, NodeId::GROUND)]);
        let all = request(circuit.nodes().map(|(node, _)| (node, NodeId::GROUND)).collect());
        let unknowns = circuit.layout().electrical;
        let mut bench = |stage: &str, work: &mut dyn FnMut()| {
            criterion.bench_function(&format!("{stage}/{unknowns}"), |bencher| bencher.iter(&mut *work));
        };
        bench("read", &mut || drop(black_box(read(black_box(&text)))));
        bench("build", &mut || drop(black_box(Circuit::build(Arc::clone(black_box(&written))))));
        bench("bias", &mut || drop(black_box(bias::solve(black_box(&circuit)))));
        bench("linearise", &mut || drop(black_box(SmallSignal::linearise(black_box(&circuit), &point))));
        if unknowns <= DENSE_TO {
            bench("one frequency densely", &mut || {
                let factored = signal.factor(&circuit, black_box(1e3)).expect("a regular matrix");
                drop(black_box(signal.adjoint(&circuit, &factored, out, NodeId::GROUND, 1e3)));
            });
        }
        bench("order", &mut || drop(black_box(LaneSolver::new(&signal.equations, black_box([20.0, 632.0, 20e3])))));
        let solver = LaneSolver::new(&signal.equations, [20.0, 632.0, 20e3]).expect("an order");
        let mut memory = (LaneWork::default(), LaneScratch::default());
        bench("eight frequencies in lanes", &mut || eight(&solver, out.into(), &mut memory));
        bench("noise at the output", &mut || drop(black_box(noise(&circuit, &signal, None, black_box(&one)))));
        if unknowns <= ALL_NODES_TO {
            bench("noise at all nodes", &mut || drop(black_box(noise(&circuit, &signal, None, black_box(&all)))));
        }
    }
}

fn eight(solver: &LaneSolver, output: Unknown, memory: &mut (LaneWork, LaneScratch)) {
    let hertz = black_box(std::array::from_fn::<f64, LANES, _>(|lane| 20.0 * 1000f64.powf(lane as f64 / 7.0)));
    let factors = solver.factor_in(std::mem::take(&mut memory.0), hertz).expect("an order that serves");
    black_box(factors.adjoint_in(output, Unknown::GROUND, &mut memory.1));
    memory.0 = factors.into_work();
}

/// The whole symptom chart of the two-channel unit, every fault at every node; `RAYON_NUM_THREADS` shows what threads
/// bring.
fn chart(criterion: &mut Criterion) {
    let path = Path::new("circuits/replay-amplifier.cir");
    let text = std::fs::read_to_string(path).expect("a readable file");
    let (netlist, problems) = netlist::read("unit", &text, &mut |request| {
        let included = path.with_file_name(request.path);
        let text = std::fs::read_to_string(&included).map_err(|error| error.to_string())?;
        Ok(Fetched { name: included.display().to_string(), text })
    });
    assert!(problems.is_empty(), "{problems:?}");
    let (circuit, _) = Circuit::build(Arc::new(netlist)).expect("a sound netlist");
    let defaults = circuit.noise.as_ref().expect("a .noise statement");
    let output = Point::of(&circuit, defaults.output.0);
    let question = SymptomQuestion::of_circuit(&circuit, Some(defaults.source), output, [20.0, 20e3]);
    let mut group = criterion.benchmark_group("symptoms");
    group.sample_size(10);
    group.bench_function(circuit.layout().electrical.to_string(), |bencher| {
        bencher.iter(|| black_box(symptoms(black_box(&circuit), &question).expect("a bias")).rows.len());
    });
    group.finish();
}

/// The least time for eight frequencies over runs, so that what else the machine does counts little.
fn growth(_: &mut Criterion) {
    let kinds: [(&str, [String; 2]); 2] = [
        ("amplifier chain", [common::chain(14), common::chain(144)]),
        ("ladder", [common::ladder(98), common::ladder(998)]),
    ];
    for (kind, texts) in kinds {
        let least = texts.map(|text| {
            let (circuit, signal) = built(&text);
            let out = circuit.noise.as_ref().expect("a .noise statement").output.0;
            let solver = LaneSolver::new(&signal.equations, [20.0, 632.0, 20e3]).expect("an order");
            let mut memory = (LaneWork::default(), LaneScratch::default());
            let mut least = f64::INFINITY;
            for _ in 0..2000 {
                let start = Instant::now();
                eight(&solver, out.into(), &mut memory);
                least = least.min(start.elapsed().as_secs_f64());
            }
            (circuit.layout().electrical, 1e6 * least / LANES as f64)
        });
        let [(few, short), (many, long)] = least;
        println!(
            "{kind}, per frequency: {short:.2} us at {few} unknowns, {long:.2} us at {many}: {:.1} times",
            long / short
        );
    }
}

criterion_group!(benches, stages, chart, growth);
criterion_main!(benches);
