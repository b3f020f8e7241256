//! Many variants of one structure at once give what each gives by itself, and what algebra says.

mod common;

use std::f64::consts::TAU;
use std::path::Path;
use std::sync::Arc;

use common::{K, Q, Random, T27, close};
use hissmap::bias;
use hissmap::circuit::{Adjustment, Change, Circuit, Quantity, Shift};
use hissmap::element::{Element, Excess};
use hissmap::mna::NodeId;
use hissmap::netlist::{self, Fetched};
use hissmap::noise::{self, NoiseRequest, Observer, Weighting};
use hissmap::operating::Operating;
use hissmap::physics::Kelvin;
use hissmap::smallsignal::Stimulus;
use hissmap::variants::{Families, Family, Hiss, HissRequest, Output, Points, Variant};
use num_complex::Complex64;

const BAND: [f64; 2] = [20.0, 2e4];

#[track_caller]
fn circuit(lines: &str) -> Circuit {
    let (netlist, problems) = netlist::read("test", &format!("title\n{lines}\n.end\n"), &mut |_| Err(String::new()));
    assert!(problems.is_empty(), "{problems:?}");
    Circuit::build(Arc::new(netlist)).unwrap_or_else(|problems| panic!("{problems:?}")).0
}

fn shipped(name: &str) -> Circuit {
    let path = Path::new("circuits").join(name);
    let text = std::fs::read_to_string(&path).expect("a readable file");
    let (netlist, problems) = netlist::read(name, &text, &mut |request| {
        let included = path.with_file_name(request.path);
        let text = std::fs::read_to_string(&included).map_err(|error| error.to_string())?;
        Ok(Fetched { name: included.display().to_string(), text })
    });
    assert!(problems.is_empty(), "{problems:?}");
    Circuit::build(Arc::new(netlist)).unwrap_or_else(|problems| panic!("{problems:?}")).0
}

fn to(part: hissmap::element::PartId, quantity: Quantity, value: Shift) -> Adjustment {
    Adjustment { part, quantity, value }
}

/// Every value within its tolerance; with `faults`, 3 % of the parts open, shorted or dead besides.
fn drawn(nominal: &Circuit, random: &mut Random, faults: bool) -> Circuit {
    let mut adjustments = Vec::new();
    for (id, part) in nominal.parts() {
        let faulty = faults && random.chance(0.03);
        match &part.element {
            Element::Resistor(_) if faulty => {
                let ohms = *random.pick(&[1e12, 1e-3]);
                adjustments.push(to(id, Quantity::Resistance, Shift::To(ohms)));
            }
            Element::Resistor(_) => {
                adjustments.push(to(id, Quantity::Resistance, Shift::Factor(random.even(0.9, 1.1))));
            }
            Element::Capacitor(_) => {
                let factor = if faulty { 1e-6 } else { random.even(0.8, 1.5) };
                adjustments.push(to(id, Quantity::Capacitance, Shift::Factor(factor)));
            }
            Element::Bjt(_) if faulty => {
                adjustments.push(to(id, Quantity::ForwardBeta, Shift::To(1e-3)));
                adjustments.push(to(id, Quantity::SaturationCurrent, Shift::Factor(1e-9)));
            }
            Element::Bjt(_) => {
                adjustments.push(to(id, Quantity::ForwardBeta, Shift::Factor(random.log(0.7, 1.4))));
                adjustments.push(to(id, Quantity::SaturationCurrent, Shift::Factor(random.log(0.7, 1.4))));
                adjustments.push(to(id, Quantity::Icbo, Shift::To(random.log(1e-9, 1e-6))));
            }
            _ => {}
        }
    }
    nominal.adjusted(&adjustments).expect("every value is one that a part can have")
}

fn every_node(circuit: &Circuit) -> Vec<Output> {
    circuit.nodes().map(|(plus, _)| Output { plus, minus: NodeId::GROUND, observer: Observer::NONE }).collect()
}

fn request(outputs: Vec<Output>) -> HissRequest {
    HissRequest {
        outputs,
        band_hz: BAND,
        weighting: Weighting::Flat,
        points: Points::Adaptive(1e-6),
        by_source: false,
        stimulus: None,
        gain_hz: Vec::new(),
    }
}

/// Whether two biases are one solution: within 1e-6 of each voltage and 1 nV. Both iterations stop at 1e-9; opens of
/// 1 TΩ beside shorts of 1 mΩ lose the rest to the condition of the equations.
fn same_bias(a: &[f64], b: &[f64]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() <= 1e-6 * a.abs().max(b.abs()) + 1e-9)
}

/// The lanes against [`Operating::of`] and [`noise::noise`], which solve each circuit by itself, with pivots of its own.
fn judge(name: &str, count: usize, faults: bool) {
    let nominal = shipped(name);
    let mut random = Random(7);
    let circuits: Vec<Circuit> = (0..count).map(|_| drawn(&nominal, &mut random, faults)).collect();
    let family = Family::new(&nominal).expect("the nominal circuit has a bias");
    let outputs = every_node(&nominal);
    let (mut right, mut refused) = (0, 0);
    let solved = family.solve(&circuits);
    let variants: Vec<&Variant> = solved.iter().flatten().collect();
    let mut hisses = family.noise(&variants, &request(outputs.clone())).into_iter();
    for (number, (circuit, solved)) in circuits.iter().zip(&solved).enumerate() {
        let what = format!("{name}, variant {number}");
        let Ok(variant) = solved else {
            refused += 1;
            continue;
        };
        let hiss = hisses.next().expect("one for each variant");
        // A solution of its own it must be in any case, whichever of several.
        let again = bias::solve_from(circuit, variant.bias()).expect("it starts at a solution");
        assert!(same_bias(&again.x, &variant.bias().x), "{what} is no solution");
        let alone = Operating::of(circuit).unwrap_or_else(|error| panic!("{what}: alone {error}"));
        if !same_bias(&alone.bias.x, &variant.bias().x) {
            continue;
        }
        let asked = NoiseRequest {
            outputs: outputs.iter().map(|output| (output.plus, output.minus)).collect(),
            band_hz: BAND,
            weighting: Weighting::Flat,
            tolerance: 1e-6,
        };
        let expected = noise::noise(circuit, &alone.signal, None, &asked).expect("a bias that was found");
        let hiss = hiss.unwrap_or_else(|error| panic!("{what}: {error}"));
        for (expected, actual) in expected.outputs.iter().zip(&hiss.outputs) {
            let mean_square = expected.rms_volts.powi(2);
            // Both are integrated to 2e-6 of the mean square; a short of 1 mΩ costs up to seven of sixteen digits.
            let allowed = if faults { 1e-5 } else { 4e-6 };
            let difference = (actual.mean_square_v2 - mean_square).abs();
            assert!(difference <= allowed * mean_square, "{what}: {} and {mean_square}", actual.mean_square_v2);
            let error = actual.error_v2.expect("the adaptive rule states it");
            assert!(error <= 2e-6 * mean_square, "{what}: an error of {error} in {mean_square}");
        }
        right += 1;
    }
    // A fault may leave a circuit without a single solution, or with several; neither is common.
    assert!(right >= count * 97 / 100, "{name}: {right} of {count} right, {refused} refused");
    assert!(faults || right == count, "{name}: {right} of {count} right, {refused} refused");
}

#[test]
fn tolerances_give_in_lanes_what_each_circuit_gives_alone() {
    for name in ["two-stage-germanium.cir", "two-stage-silicon.cir", "jfet-input.cir", "transformer-output.cir"] {
        judge(name, 60, false);
    }
}

#[test]
fn heavy_faults_are_solved_rightly_or_refused() {
    for name in ["two-stage-germanium.cir", "two-stage-silicon.cir", "jfet-input.cir", "transformer-output.cir"] {
        judge(name, 250, true);
    }
}

/// A diode on a current source: V = N·Vt·ln(1 + I/IS) (Shockley), V(N·Vt) from k and q.
#[test]
fn diodes_in_lanes_obey_shockley() {
    let nominal = circuit("I1 0 a 1m\nD1 a 0 DS\n.model DS D(IS=1e-12 N=1.5)");
    let source = nominal.find_part("I1").expect("it is there");
    let amps: Vec<f64> = (0..21).map(|step| 10f64.powf(-9.0 + 0.3 * f64::from(step))).collect();
    let circuits: Vec<Circuit> = amps
        .iter()
        .map(|&amps| nominal.adjusted(&[to(source, Quantity::SourceDc, Shift::To(amps))]).expect("it fits"))
        .collect();
    let family = Family::new(&nominal).expect("a bias");
    for (amps, variant) in amps.iter().zip(family.solve(&circuits)) {
        let volts = variant.expect("a bias").bias().volts(NodeId(1));
        close(volts, 1.5 * K * T27 / Q * (1.0 + amps / 1e-12).ln(), 1e-9, &format!("{amps} A"));
    }
}

/// R beside C: S = 4kTR/(1 + (f/f0)²), f0 = 1/(2πRC); over a band 4kTR·f0·(atan(f₂/f0) − atan(f₁/f0)).
fn nyquist(ohms: f64, farads: f64) -> f64 {
    let corner = 1.0 / (TAU * ohms * farads);
    4.0 * K * T27 * ohms * corner * ((BAND[1] / corner).atan() - (BAND[0] / corner).atan())
}

#[test]
fn a_resistor_beside_a_capacitor_has_the_noise_of_nyquist_with_and_without_a_load() {
    let nominal = circuit("R1 a 0 10k\nC1 a 0 1n");
    let [r, c] = ["R1", "C1"].map(|name| nominal.find_part(name).expect("it is there"));
    let mut random = Random(3);
    let values: Vec<[f64; 2]> = (0..20).map(|_| [random.log(1e2, 1e6), random.log(1e-11, 1e-7)]).collect();
    let circuits: Vec<Circuit> = values
        .iter()
        .map(|&[ohms, farads]| {
            let both = [to(r, Quantity::Resistance, Shift::To(ohms)), to(c, Quantity::Capacitance, Shift::To(farads))];
            nominal.adjusted(&both).expect("they fit")
        })
        .collect();
    let load = Observer { siemens: 1e-6, farads: 1e-10, temperature: Kelvin(T27), coupling_hz: 0.0 };
    let bare = Output { plus: NodeId(1), minus: NodeId::GROUND, observer: Observer::NONE };
    let family = Family::new(&nominal).expect("a bias");
    let solved = family.solve(&circuits);
    let variants: Vec<&Variant> = solved.iter().flatten().collect();
    assert_eq!(variants.len(), values.len());
    let asked = HissRequest {
        by_source: true,
        stimulus: None,
        gain_hz: vec![1e3, 1e4],
        ..request(vec![bare, Output { observer: load, ..bare }])
    };
    for (&[ohms, farads], hiss) in values.iter().zip(family.noise(&variants, &asked)) {
        let what = format!("{ohms} Ω, {farads} F");
        let Hiss { outputs, .. } = hiss.expect("it has a solution");
        close(outputs[0].mean_square_v2, nyquist(ohms, farads), 1e-8, &what);
        close(outputs[0].by_source_v2[0], nyquist(ohms, farads), 1e-8, &what);
        // Both at one temperature: the load is one more resistor beside the first.
        let beside = 1.0 / (1.0 / ohms + load.siemens);
        close(outputs[1].mean_square_v2, nyquist(beside, farads + load.farads), 1e-8, &what);
        for (hertz, impedance) in [1e3, 1e4].into_iter().zip(&outputs[1].impedances) {
            let expected = 1.0 / Complex64::new(1.0 / ohms, TAU * hertz * farads);
            close((impedance - expected).norm() / expected.norm() + 1.0, 1.0, 1e-12, &what);
        }
    }
}

/// A divider: R2/(R1 + R2), and with a load across R2 that beside it.
#[test]
fn gains_in_lanes_are_those_of_the_divider() {
    let nominal = circuit("V1 in 0 0 AC 1\nR1 in a 1k\nR2 a 0 1k");
    let [v, r1, r2] = ["V1", "R1", "R2"].map(|name| nominal.find_part(name).expect("it is there"));
    let values = [[1e3, 1e3], [2e3, 5e2], [1e5, 1e3]];
    let circuits: Vec<Circuit> = values
        .iter()
        .map(|&[upper, lower]| {
            let both = [to(r1, Quantity::Resistance, Shift::To(upper)), to(r2, Quantity::Resistance, Shift::To(lower))];
            nominal.adjusted(&both).expect("they fit")
        })
        .collect();
    let family = Family::new(&nominal).expect("a bias");
    let solved = family.solve(&circuits);
    let variants: Vec<&Variant> = solved.iter().flatten().collect();
    let a = nominal.find_node("a").expect("it is there");
    let observer = Observer { siemens: 1e-4, farads: 0.0, temperature: Kelvin(T27), coupling_hz: 0.0 };
    let output = Output { plus: a, minus: NodeId::GROUND, observer: Observer::NONE };
    let asked = HissRequest {
        stimulus: Stimulus::of(&nominal, v),
        gain_hz: vec![1e3],
        points: Points::Fixed,
        ..request(vec![output, Output { observer, ..output }])
    };
    for (&[upper, lower], hiss) in values.iter().zip(family.noise(&variants, &asked)) {
        let outputs = hiss.expect("it has a solution").outputs;
        let loaded = 1.0 / (1.0 / lower + 1e-4);
        for (output, lower) in outputs.iter().zip([lower, loaded]) {
            close(output.gains[0].re, lower / (upper + lower), 1e-12, "gain");
            close(output.gains[0].im + 1.0, 1.0, 1e-12, "no reactance");
            assert_eq!(output.error_v2, None);
            // 4kT·R of what the node sees, load and all at one temperature, white over the band.
            let seen = 1.0 / (1.0 / upper + 1.0 / lower);
            close(output.mean_square_v2, 4.0 * K * T27 * seen * (BAND[1] - BAND[0]), 1e-12, "white hiss");
        }
    }
}

/// R, L and C in parallel, each lane's resonance of quality 50 somewhere else: over all frequencies the mean square is
/// kT/C (equipartition).
#[test]
fn a_resonance_of_any_lane_is_found() {
    let nominal = circuit("R1 a 0 100k\nL1 a b 0.1\nR2 b 0 1u\nC1 a 0 10n");
    let l = nominal.find_part("L1").expect("it is there");
    let r = nominal.find_part("R1").expect("it is there");
    let circuits: Vec<Circuit> = (0..10)
        .map(|number| {
            let henries = 0.1 * 1.3f64.powi(number);
            // Q = R·√(C/L) = 50
            let ohms = 50.0 * (henries / 1e-8).sqrt();
            let both = [to(l, Quantity::Inductance, Shift::To(henries)), to(r, Quantity::Resistance, Shift::To(ohms))];
            nominal.adjusted(&both).expect("they fit")
        })
        .collect();
    let family = Family::new(&nominal).expect("a bias");
    let solved = family.solve(&circuits);
    let variants: Vec<&Variant> = solved.iter().flatten().collect();
    let output = Output { plus: NodeId(1), minus: NodeId::GROUND, observer: Observer::NONE };
    let asked = HissRequest { band_hz: [1.0, 1e7], ..request(vec![output]) };
    for (number, hiss) in family.noise(&variants, &asked).into_iter().enumerate() {
        let hiss = hiss.expect("it has a solution");
        // Far above f0 the density is 4kT·R·(f0/(Q·f))²: from 1e7 Hz on (2/π)·f0/(Q·1e7) of kT/C, 7e-7 at most.
        close(hiss.outputs[0].mean_square_v2, K * T27 / 1e-8, 1e-5, &format!("variant {number}"));
    }
}

#[test]
fn results_depend_neither_on_threads_nor_a_bias_on_its_neighbours() {
    let nominal = shipped("two-stage-germanium.cir");
    let mut random = Random(11);
    let circuits: Vec<Circuit> = (0..150).map(|_| drawn(&nominal, &mut random, true)).collect();
    let family = Family::new(&nominal).expect("a bias");
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool");
        pool.install(|| {
            let solved = family.solve(&circuits);
            let variants: Vec<&Variant> = solved.iter().flatten().collect();
            let hiss = family.noise(&variants, &request(every_node(&nominal)));
            let biases: Vec<Option<Vec<u64>>> = solved
                .iter()
                .map(|variant| Some(variant.as_ref().ok()?.bias().x.iter().map(|x| x.to_bits()).collect()))
                .collect();
            // `{:?}` of a number reads back to the same bits.
            (biases, format!("{hiss:?}"))
        })
    };
    let (biases, hiss) = on(1);
    assert_eq!(on(2), (biases.clone(), hiss));
    for (circuit, together) in circuits.iter().zip(biases) {
        let alone = family.solve(std::slice::from_ref(circuit)).pop().expect("one gives one");
        let alone: Option<Vec<u64>> = alone.ok().map(|variant| variant.bias().x.iter().map(|x| x.to_bits()).collect());
        assert_eq!(alone, together);
    }
}

/// Circuits of another structure come out right all the same, among others of the family.
#[test]
fn a_bridge_among_variants_is_solved_by_itself() {
    let nominal = shipped("two-stage-germanium.cir");
    let family = Family::new(&nominal).expect("a bias");
    let bridge = Change::Bridge { nodes: ["c2".into(), "b1".into()], ohms: 5e5, excess: Excess::None };
    let bridged = nominal.changed(&[bridge]).expect("both nodes are there");
    assert!(family.fits(&nominal) && !family.fits(&bridged));
    let circuits = [nominal.clone(), bridged];
    let solved = family.solve(&circuits);
    let variants: Vec<&Variant> = solved.iter().flatten().collect();
    let hisses = family.noise(&variants, &request(every_node(&nominal)));
    for ((circuit, variant), hiss) in circuits.iter().zip(&variants).zip(hisses) {
        let alone = Operating::of(circuit).expect("a bias");
        assert!(same_bias(&alone.bias.x, &variant.bias().x));
        let asked = NoiseRequest {
            outputs: circuit.nodes().map(|(node, _)| (node, NodeId::GROUND)).collect(),
            band_hz: BAND,
            weighting: Weighting::Flat,
            tolerance: 1e-6,
        };
        let expected = noise::noise(circuit, &alone.signal, None, &asked).expect("a bias");
        for (expected, actual) in expected.outputs.iter().zip(hiss.expect("a bias").outputs) {
            let mean_square = expected.rms_volts.powi(2);
            assert!((actual.mean_square_v2 - mean_square).abs() <= 4e-6 * mean_square);
        }
    }
}

#[test]
fn each_structure_has_one_family() {
    let nominal = circuit("V1 a 0 1\nR1 a b 1k\nR2 b 0 1k");
    let r = nominal.find_part("R1").expect("it is there");
    let shifted = nominal.adjusted(&[to(r, Quantity::Resistance, Shift::Factor(2.0))]).expect("it fits");
    let bridge = Change::Bridge { nodes: ["a".into(), "b".into()], ohms: 1e3, excess: Excess::None };
    let bridged = nominal.changed(&[bridge]).expect("both nodes are there");
    let mut families = Families::default();
    let volts = |families: &mut Families, circuit: &Circuit| {
        let family = families.of(circuit).expect("a bias");
        assert!(family.fits(circuit));
        let solved = family.solve(std::slice::from_ref(circuit)).pop().expect("one gives one");
        let b = circuit.find_node("b").expect("it is there");
        (solved.expect("a bias").bias().volts(b), family.nominal().volts(b))
    };
    // Dividers of 1 V: 1k/(1k + 1k), 1k/(2k + 1k) in the same family, 1k/(0.5k + 1k) in another one.
    for (circuit, own, nominal) in [(&nominal, 0.5, 0.5), (&shifted, 1.0 / 3.0, 0.5), (&bridged, 2.0 / 3.0, 2.0 / 3.0)]
    {
        let (volts, of_family) = volts(&mut families, circuit);
        close(volts, own, 1e-12, "the variant");
        close(of_family, nominal, 1e-12, "the nominal one of its family");
    }
}
