//! Variants of the direct-coupled pair, all tolerances drawn: value changes, bias, and the hiss of all nodes from 20 Hz to
//! 20 kHz to 1e-4 of the rms. In lanes as a family, and each by itself as `Operating::of` and `noise` solve it.
//!
//! Read the figures per variant as ratios within one run. `RAYON_NUM_THREADS=1` and `=2` show what threads bring.

use std::hint::black_box;
use std::path::Path;
use std::sync::Arc;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use hissmap::circuit::{Adjustment, Circuit, Quantity, Shift};
use hissmap::element::Element;
use hissmap::mna::NodeId;
use hissmap::netlist::{self, Fetched};
use hissmap::noise::{NoiseRequest, Observer, Weighting, noise};
use hissmap::operating::Operating;
use hissmap::variants::{Family, HissRequest, Output, Points, Variant};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const BAND: [f64; 2] = [20.0, 20e3];
const TOLERANCE: f64 = 1e-4;

fn pair() -> Circuit {
    let path = Path::new("circuits/two-stage-germanium.cir");
    let text = std::fs::read_to_string(path).expect("a readable file");
    let (netlist, problems) = netlist::read("pair", &text, &mut |request| {
        let included = path.with_file_name(request.path);
        let text = std::fs::read_to_string(&included).map_err(|error| error.to_string())?;
        Ok(Fetched { name: included.display().to_string(), text })
    });
    assert!(problems.is_empty(), "{problems:?}");
    Circuit::build(Arc::new(netlist)).expect("a sound netlist").0
}

/// Resistors within 10 %, capacitors within a factor of 1.5, gain and leakage of transistors within 2.
fn drawn(nominal: &Circuit, random: &mut ChaCha8Rng) -> Circuit {
    let mut adjustments = Vec::new();
    for (part, known) in nominal.parts() {
        let mut shift = |quantity, within: f64| {
            let factor = within.powf(random.random_range(-1.0..1.0));
            adjustments.push(Adjustment { part, quantity, value: Shift::Factor(factor) });
        };
        match known.element {
            Element::Resistor(_) => shift(Quantity::Resistance, 1.1),
            Element::Capacitor(_) => shift(Quantity::Capacitance, 1.5),
            Element::Bjt(_) => {
                shift(Quantity::ForwardBeta, 2.0);
                shift(Quantity::SaturationCurrent, 1.4);
                shift(Quantity::Icbo, 2.0);
                shift(Quantity::Flicker, 2.0);
            }
            _ => {}
        }
    }
    nominal.adjusted(&adjustments).expect("every value is one that a part can have")
}

fn variants(criterion: &mut Criterion) {
    const TOGETHER: usize = 1000;
    const ALONE: usize = 20;
    let nominal = pair();
    let outputs: Vec<(NodeId, NodeId)> = nominal.nodes().map(|(node, _)| (node, NodeId::GROUND)).collect();
    let asked = HissRequest {
        outputs: outputs.iter().map(|&(plus, minus)| Output { plus, minus, observer: Observer::NONE }).collect(),
        band_hz: BAND,
        weighting: Weighting::Flat,
        points: Points::Adaptive(TOLERANCE),
        by_source: false,
        stimulus: None,
        gain_hz: Vec::new(),
    };
    let drawn_circuits = |count: usize| -> Vec<Circuit> {
        let mut random = ChaCha8Rng::seed_from_u64(1);
        (0..count).map(|_| drawn(&nominal, &mut random)).collect()
    };
    let mut group = criterion.benchmark_group("variants of the pair");
    group.sample_size(10);
    group.throughput(Throughput::Elements(1));
    group.bench_function("order once", |bencher| bencher.iter(|| black_box(Family::new(black_box(&nominal)))));
    group.throughput(Throughput::Elements(TOGETHER as u64));
    group.bench_function("values alone", |bencher| bencher.iter(|| black_box(drawn_circuits(TOGETHER))));
    group.bench_function("in lanes, bias", |bencher| {
        let circuits = drawn_circuits(TOGETHER);
        let family = Family::new(&nominal).expect("a bias");
        bencher.iter(|| black_box(family.solve(black_box(&circuits)).len()));
    });
    for (name, points) in [("to 1e-4", asked.points), ("24 points", Points::Fixed)] {
        let asked = HissRequest { points, ..asked.clone() };
        group.bench_function(format!("in lanes, all of it, {name}"), |bencher| {
            bencher.iter(|| {
                let family = Family::new(&nominal).expect("a bias");
                let circuits = drawn_circuits(TOGETHER);
                let solved = family.solve(&circuits);
                let found: Vec<&Variant> = solved.iter().flatten().collect();
                black_box(family.noise(&found, &asked).len())
            });
        });
    }
    group.throughput(Throughput::Elements(ALONE as u64));
    group.bench_function("each by itself, all of it, to 1e-4", |bencher| {
        bencher.iter(|| {
            for circuit in drawn_circuits(ALONE) {
                let operating = Operating::of(&circuit).expect("a bias");
                let asked = NoiseRequest {
                    outputs: outputs.clone(),
                    band_hz: BAND,
                    weighting: Weighting::Flat,
                    tolerance: TOLERANCE,
                };
                drop(black_box(noise(&circuit, &operating.signal, None, &asked)));
            }
        });
    });
    group.finish();
}

criterion_group!(benches, variants);
criterion_main!(benches);
