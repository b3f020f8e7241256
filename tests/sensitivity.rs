//! How readings follow the values of parts: against readings of circuits with the values changed, and against laws.

mod common;

use std::path::Path;
use std::sync::Arc;

use common::{Bench, K, T27, close};
use hissmap::bias;
use hissmap::circuit::{Adjustment, Change, Circuit, Quantity, Shift};
use hissmap::element::{Element, PartId};
use hissmap::netlist;
use hissmap::noise::{Weighting, spectra};
use hissmap::sensitivity::{BandRule, Load, Output, Sensitivity};
use hissmap::smallsignal::SmallSignal;
use hissmap::sweep::Sweep;

const BAND: [f64; 2] = [20.0, 20e3];

/// A circuit of `circuits/`.
fn demo(name: &str) -> Bench {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("circuits");
    let text =
        |name: &str| std::fs::read_to_string(directory.join(name)).expect("the circuits are part of the project");
    let mut fetch = |request: &netlist::IncludeRequest| {
        Ok(netlist::Fetched { name: request.path.to_owned(), text: text(request.path) })
    };
    let (netlist, problems) = netlist::read(name, &text(name), &mut fetch);
    assert!(problems.iter().all(|problem| !problem.is_error()), "{problems:?}");
    let (circuit, _) = Circuit::build(Arc::new(netlist)).unwrap_or_else(|problems| panic!("{problems:?}"));
    at(circuit)
}

fn at(circuit: Circuit) -> Bench {
    let bias = bias::solve(&circuit).unwrap_or_else(|error| panic!("{error}"));
    let signal = SmallSignal::linearise(&circuit, &bias);
    Bench { circuit, bias, signal }
}

/// Every value of every part that a tolerance may move, and the ambient temperature.
fn all_values(circuit: &Circuit) -> Vec<(PartId, Quantity)> {
    let mut values = vec![(PartId(0), Quantity::Ambient)];
    for (id, part) in circuit.parts() {
        let of_part: &[Quantity] = match &part.element {
            Element::Resistor(_) => &[Quantity::Resistance, Quantity::ExcessNoise, Quantity::Celsius],
            Element::Capacitor(_) => &[Quantity::Capacitance],
            Element::Inductor(_) => &[Quantity::Inductance],
            Element::Source(_) => &[Quantity::SourceDc],
            Element::Controlled(_) => &[Quantity::Gain],
            Element::Diode(_) => &[Quantity::SaturationCurrent, Quantity::Flicker, Quantity::Celsius],
            Element::Jfet(_) => {
                &[Quantity::Threshold, Quantity::Transconductance, Quantity::Flicker, Quantity::Celsius]
            }
            Element::Bjt(_) => &[
                Quantity::ForwardBeta,
                Quantity::ReverseBeta,
                Quantity::SaturationCurrent,
                Quantity::Icbo,
                Quantity::LeakageMultiplier,
                Quantity::LeakageCorner,
                Quantity::Flicker,
                Quantity::BaseResistance,
                Quantity::Celsius,
            ],
            Element::Coupling(_) => &[],
            other => panic!("which values has {other:?}?"),
        };
        let has = |quantity: &&Quantity| match &part.element {
            Element::Bjt(e) => **quantity != Quantity::BaseResistance || e.model.rb > 0.0,
            _ => true,
        };
        values.extend(of_part.iter().filter(has).map(|&quantity| (id, quantity)));
    }
    values
}

/// The circuit with a value moved by `step`: of its logarithm, or kelvin.
fn moved(bench: &Bench, (part, quantity): (PartId, Quantity), step: f64) -> Bench {
    let value = match quantity {
        Quantity::Ambient => Shift::To(bench.circuit.ambient.celsius() + step),
        Quantity::Celsius => {
            let rise = bench.circuit.layout().temperature[part.index()];
            let rise = rise.map_or(0.0, |rise| bench.bias.x[rise.index()]);
            let own = match &bench.circuit.part(part).element {
                Element::Resistor(e) => e.celsius,
                Element::Diode(e) => e.celsius,
                Element::Bjt(e) => e.celsius,
                Element::Jfet(e) => e.celsius,
                _ => None,
            };
            Shift::To(own.unwrap_or(bench.circuit.ambient.celsius() + rise) + step)
        }
        _ => Shift::Factor(step.exp()),
    };
    let circuit = bench.circuit.adjusted(&[Adjustment { part, quantity, value }]);
    at(circuit.unwrap_or_else(|problem| panic!("{problem:?}")))
}

/// Readings of a circuit by the rooms that show them to people: ln rms, volts, ln gain at 1 kHz.
fn readings(bench: &Bench, output: &str, source: Option<&str>) -> [f64; 3] {
    let gain = source.map_or(0.0, |source| bench.gain(source, output, 1e3).norm().ln());
    [bench.rms(output, BAND).ln(), bench.volts(output), gain]
}

/// Holds the gradients of three readings against central differences, to 2e-6 of the largest of the same reading.
///
/// The differences are off by rounding of the bias over their step and by the square of the step: up to 6e-7 here.
#[track_caller]
fn check(bench: &Bench, output: &str, source: Option<&str>) {
    let values = all_values(&bench.circuit);
    let sweep = Sweep::new(&bench.circuit, &bench.signal, BAND);
    let sensitivity = Sensitivity::of(&sweep, &bench.bias, &values).unwrap_or_else(|error| panic!("{error:?}"));
    let outputs = [bench.output(output)];
    let rule = BandRule::gauss(BAND, Weighting::Flat, BandRule::POINTS);
    let hiss = sensitivity.hiss(&outputs, &rule, None).expect("regular equations").remove(0);
    let dc = sensitivity.dc(&outputs).expect("regular equations").remove(0);
    let gain = source
        .map(|source| sensitivity.gain(&bench.stimulus(source), &outputs, 1e3).expect("regular equations").remove(0));
    close(hiss.mean_square_v2.sqrt(), bench.rms(output, BAND), 1e-7, "rms");
    let found = [hiss.by, dc.by, gain.map_or_else(|| vec![0.0; values.len()], |gain| gain.by)];
    let expected: Vec<[f64; 3]> = values
        .iter()
        .map(|&value| {
            let step = if matches!(value.1, Quantity::Celsius | Quantity::Ambient) { 1e-2 } else { 1e-4 };
            let [above, below] = [step, -step].map(|step| readings(&moved(bench, value, step), output, source));
            std::array::from_fn(|at| (above[at] - below[at]) / (2.0 * step))
        })
        .collect();
    for (at, reading) in ["hiss", "volts", "gain"].iter().enumerate() {
        let largest = expected.iter().map(|row| row[at].abs()).fold(0.0, f64::max);
        for ((value, row), found) in values.iter().zip(&expected).zip(&found[at]) {
            let off = (row[at] - found).abs();
            let part = &bench.circuit.part(value.0).name;
            assert!(
                off <= 2e-6 * largest,
                "{reading} at {output} by {:?} of {part}: {found} is not {}",
                value.1,
                row[at]
            );
        }
    }
}

#[test]
fn gradients_of_the_germanium_pair_are_those_of_changed_circuits() {
    let pair = demo("two-stage-germanium.cir");
    check(&pair, "out", Some("VIN"));
    check(&pair, "c1", None);
}

#[test]
fn gradients_of_the_silicon_pair_are_those_of_changed_circuits() {
    check(&demo("two-stage-silicon.cir"), "c2", Some("VIN"));
}

#[test]
fn gradients_about_a_leaking_transistor_are_those_of_changed_circuits() {
    let leak = Change::Leak {
        part: "Q2".to_owned(),
        amps: 40e-6,
        times: Some(200.0),
        corner_hz: Some(900.0),
        doubling_celsius: None,
    };
    let cold = Change::Temperature { part: "Q1".to_owned(), celsius: -30.0 };
    check(&demo("two-stage-germanium.cir").changed(&[leak, cold]), "out", Some("VIN"));
}

#[test]
fn gradients_of_a_field_effect_stage_are_those_of_changed_circuits() {
    check(&demo("jfet-input.cir"), "out", Some("VIN"));
}

#[test]
fn gradients_with_transformer_and_self_heating_are_those_of_changed_circuits() {
    check(&demo("transformer-output.cir"), "out", Some("VIN"));
}

#[test]
fn gradients_with_controlled_sources_are_those_of_changed_circuits() {
    check(&demo("controlled-sources.cir"), "o3,s3", Some("VIN"));
}

/// Gradients of one reading, by values named as `R1`, `C1` …
struct Gradients {
    bench: Bench,
    values: Vec<(PartId, Quantity)>,
}

impl Gradients {
    fn of(lines: &str) -> Self {
        let bench = Bench::of(lines);
        let values = all_values(&bench.circuit);
        Self { bench, values }
    }

    fn with<T>(&self, ask: impl FnOnce(&Sensitivity) -> T) -> T {
        let sweep = Sweep::new(&self.bench.circuit, &self.bench.signal, BAND);
        ask(&Sensitivity::of(&sweep, &self.bench.bias, &self.values).unwrap_or_else(|error| panic!("{error:?}")))
    }

    /// d ln(rms) by every value, at a node, by a rule fine enough for any density of first order.
    fn hiss(&self, node: &str, band_hz: [f64; 2], load: Option<&Load>) -> Vec<f64> {
        let outputs: [Output; 1] = [self.bench.output(node)];
        let rule = BandRule::gauss(band_hz, Weighting::Flat, 96);
        self.with(|sensitivity| sensitivity.hiss(&outputs, &rule, load).expect("regular equations").remove(0).by)
    }

    fn of_part(&self, by: &[f64], part: &str, quantity: Quantity) -> f64 {
        let part = self.bench.circuit.find_part(part).expect("the part is there");
        by[self.values.iter().position(|value| *value == (part, quantity)).expect("the value is in the list")]
    }

    /// Σ of the derivatives by all values of one kind.
    fn sum(&self, by: &[f64], quantity: Quantity) -> f64 {
        self.values.iter().zip(by).filter(|(value, _)| value.1 == quantity).map(|(_, by)| by).sum()
    }
}

// Closed forms

/// A resistor R across a capacitor C: with x = 2πRC·f and A = atan x between the ends of the band,
/// V² = (2kT/πC)·A, hence d ln V/d ln R = ½·[x/(1+x²)]/A and d ln V/d ln C = that − ½. Over an infinite band V² is kT/C
/// whatever R.
fn across_a_capacitor(ohms: f64, farads: f64, band_hz: [f64; 2]) -> (f64, f64) {
    let [x1, x2] = band_hz.map(|hertz| 2.0 * std::f64::consts::PI * ohms * farads * hertz);
    let angle = x2.atan() - x1.atan();
    let mean_square = 2.0 * K * T27 / (std::f64::consts::PI * farads) * angle;
    (mean_square, 0.5 * (x2 / (1.0 + x2 * x2) - x1 / (1.0 + x1 * x1)) / angle)
}

#[test]
fn hiss_across_a_capacitor_follows_resistance_and_capacitance_as_algebra_says() {
    // 1/(2πRC) is 15.9 kHz.
    let gradients = Gradients::of("R1 a 0 10k\nC1 a 0 1n");
    for band in [BAND, [1.0, 100.0], [100e3, 10e6]] {
        let by = gradients.hiss("a", band, None);
        let (_, by_ohms) = across_a_capacitor(10e3, 1e-9, band);
        close(gradients.of_part(&by, "R1", Quantity::Resistance), by_ohms, 1e-8, "by resistance");
        close(gradients.of_part(&by, "C1", Quantity::Capacitance), by_ohms - 0.5, 1e-8, "by capacitance");
        // Power goes as T.
        close(gradients.of_part(&by, "R1", Quantity::Celsius), 0.5 / T27, 1e-8, "by temperature");
        close(by[0], 0.5 / T27, 1e-8, "by the ambient temperature");
    }
    // Four decades about the corner: what is left of a dependence on R is of the order of 1e-2/π.
    let wide = gradients.hiss("a", [159.0, 1.59e6], None);
    assert!(gradients.of_part(&wide, "R1", Quantity::Resistance).abs() < 4e-3);
}

#[test]
fn an_instrument_loads_the_hiss_as_algebra_says() {
    // The probe's resistance and capacitance lie across R1: P = R1·R/(R1 + R), and d ln P/d ln R1 = R/(R1 + R).
    let gradients = Gradients::of("R1 a 0 100k\nR2 b 0 1k");
    let load = Load { ohms: 1e6, farads: 100e-12, kelvin: hissmap::physics::Kelvin(T27) };
    let parallel = 100e3 * 1e6 / (100e3 + 1e6);
    let (mean_square, by_ohms) = across_a_capacitor(parallel, 100e-12, BAND);
    let rule = BandRule::gauss(BAND, Weighting::Flat, 96);
    let outputs = [gradients.bench.output("a")];
    let read = gradients.with(|sensitivity| sensitivity.hiss(&outputs, &rule, Some(&load)).expect("regular").remove(0));
    close(read.mean_square_v2, mean_square, 1e-9, "mean square");
    let by = gradients.of_part(&read.by, "R1", Quantity::Resistance);
    close(by, by_ohms * 1e6 / (100e3 + 1e6), 1e-8, "by resistance");
}

#[test]
fn a_loaded_amplifier_is_one_with_the_probe_soldered_in() {
    // Behind a capacitor so large that the audio band does not notice it: 1/(2π·1 MΩ·1 F) is 1.6e-7 Hz.
    let amplifier = "VCC s 0 12\nR1 s b 470k\nR2 s c 4k7\nC1 b 0 100n\nC2 c 0 1n\nQ1 c b 0 T\n\
                     .model T NPN(IS=1e-14 BF=120 RB=300 CJC=4p CJE=10p TF=1n KF=1e-15 VAF=60)";
    let bare = Gradients::of(amplifier);
    let load = Load { ohms: 22e3, farads: 2.2e-9, kelvin: hissmap::physics::Kelvin(T27) };
    let by = bare.hiss("c", BAND, Some(&load));
    let soldered = Gradients::of(&format!("{amplifier}\nCP c p 1\nRP p 0 22k\nCQ p 0 2.2n"));
    let expected = soldered.hiss("c", BAND, None);
    for (value, by) in bare.values.iter().zip(&by).skip(1) {
        let name = &bare.bench.circuit.part(value.0).name;
        let expected = soldered.of_part(&expected, name, value.1);
        assert!((by - expected).abs() < 1e-7, "{name} {:?}: {by} is not {expected}", value.1);
    }
}

#[test]
fn the_gain_of_a_low_pass_follows_its_parts_as_algebra_says() {
    // |H| = 1/√(1 + x²), d ln|H|/d ln R = −x²/(1 + x²).
    let gradients = Gradients::of("V1 i 0 0\nR1 i a 10k\nC1 a 0 10n");
    let outputs = [gradients.bench.output("a")];
    let stimulus = gradients.bench.stimulus("V1");
    let gain = gradients.with(|sensitivity| sensitivity.gain(&stimulus, &outputs, 2e3).expect("regular").remove(0));
    let x = 2.0 * std::f64::consts::PI * 2e3 * 10e3 * 10e-9;
    close(gain.gain.norm(), 1.0 / (1.0 + x * x).sqrt(), 1e-12, "gain");
    for (part, quantity) in [("R1", Quantity::Resistance), ("C1", Quantity::Capacitance)] {
        close(gradients.of_part(&gain.by, part, quantity), -x * x / (1.0 + x * x), 1e-8, part);
    }
}

#[test]
fn the_volts_of_a_divider_follow_its_parts_and_its_meter() {
    let gradients = Gradients::of("V1 s 0 9\nR1 s a 30k\nR2 a 0 10k");
    let outputs = [gradients.bench.output("a"), gradients.bench.output("s,a")];
    let dc = gradients.with(|sensitivity| sensitivity.dc(&outputs).expect("regular"));
    close(dc[0].volts, 2.25, 1e-12, "volts");
    // R1 and R2 side by side.
    close(dc[0].ohms, 7.5e3, 1e-9, "ohms");
    // V = 9·R2/(R1 + R2): by ln R2 it is V·R1/(R1 + R2), by ln of the supply V itself.
    close(gradients.of_part(&dc[0].by, "R2", Quantity::Resistance), 2.25 * 0.75, 1e-8, "by R2");
    close(gradients.of_part(&dc[0].by, "R1", Quantity::Resistance), -2.25 * 0.75, 1e-8, "by R1");
    close(gradients.of_part(&dc[0].by, "V1", Quantity::SourceDc), 2.25, 1e-8, "by the supply");
    close(gradients.of_part(&dc[1].by, "V1", Quantity::SourceDc), 6.75, 1e-8, "between two nodes");
}

// Laws

#[test]
fn scaling_of_impedance_and_frequency_bind_the_derivatives_of_a_passive_network() {
    let gradients = Gradients::of(
        "R1 a 0 47k\nC1 a b 2.2n\nR2 b 0 10k\nC2 b c 10n\nR3 c a 22k\nC3 c 0 470p\nR4 c d 100\nL1 d e 50m\nR5 e 0 3k3\n\
         L2 f 0 20m\nR6 f 0 1k\nK1 L1 L2 0.7",
    );
    for node in ["a", "b", "c", "f"] {
        let by = gradients.hiss(node, BAND, None);
        let [ohms, farads, henries] = [Quantity::Resistance, Quantity::Capacitance, Quantity::Inductance]
            .map(|quantity| gradients.sum(&by, quantity));
        // Every impedance times a: R·a, L·a, C/a. Every density 4kT·Re Z goes up by a, the rms by √a.
        close(ohms - farads + henries, 0.5, 1e-7, "scaling of impedance");
        // Every frequency divided by a: L·a, C·a. The band then covers what was a times as high:
        // V²(a) = ∫S(a·f)df, so d ln V/d ln a = ½·(f₂·S(f₂) − f₁·S(f₁) − V²)/V².
        let output = gradients.bench.output(node);
        let ends = spectra(&gradients.bench.circuit, &gradients.bench.signal, &[output], &BAND).expect("regular");
        let mean_square = gradients.bench.rms(node, BAND).powi(2);
        let expected = 0.5 * ((BAND[1] * ends[0][1] - BAND[0] * ends[0][0]) / mean_square - 1.0);
        let off = (farads + henries - expected).abs();
        assert!(off < 1e-7, "scaling of frequency at {node}: off by {off:e}");
    }
}

#[test]
fn scaling_of_impedance_binds_the_derivatives_of_an_amplifier() {
    // Every impedance times a and every current divided by a leaves all volts. Shot noise goes as the current, so in
    // A²/Hz all sources go as 1/a (flicker with AF = 1 too), and in V²/Hz as a. The transit time's capacitance is TF·gm
    // and follows by itself; junction capacitances are left out.
    let gradients = Gradients::of(
        "VEE n 0 -9\nVIN i 0 0\nRS i j 600\nC1 j b 1u\nR1 n b 82k\nR2 b 0 18k\nQ1 c b e G\nR3 n c 10k\nR4 e 0 1k\n\
         C2 e 0 47u\nQ2 o c f G\nR5 n o 2k2\nR6 f 0 1k5\nC3 o x 2u\nR7 x 0 47k\n\
         .model G PNP(IS=1u BF=70 BR=5 VAF=40 RB=150 TF=30n ISE=50n NE=1.8 EG=0.67 KF=1e-15 ICBO=3u LEAKM=20 LEAKFC=400)",
    );
    holds_scaling_of_impedance(&gradients, &["c", "e", "x"], &["b", "c", "o", "f"]);
}

#[test]
fn scaling_of_impedance_binds_the_derivatives_of_a_large_set() {
    // Twenty pairs of nine unknowns on one supply: past the size where the bias is solved sparsely.
    let mut text = String::from(
        "VEE s 0 -9\nRS s n 220\nCS n 0 100u\n\
         .model G PNP(IS=1u BF=70 BR=5 VAF=40 RB=150 TF=30n EG=0.67 KF=1e-15 ICBO=3u LEAKM=20 LEAKFC=400)\n",
    );
    for at in 0..20 {
        text += &format!(
            "RI{at} x{at} 0 600\nCI{at} x{at} b{at} 1u\nRF{at} k{at} b{at} 22k\nRB{at} b{at} 0 12k\n\
             QA{at} c{at} b{at} e{at} G\nRC{at} n c{at} 15k\nRE{at} e{at} 0 1k\nQB{at} o{at} c{at} k{at} G\n\
             RD{at} n o{at} 2k7\nRK{at} k{at} 0 1k8\nCK{at} k{at} 0 100u\n"
        );
    }
    let gradients = Gradients::of(&text);
    assert!(gradients.bench.circuit.layout().with_temperatures > 150);
    holds_scaling_of_impedance(&gradients, &["o0", "c19"], &["o0", "c19"]);
}

/// The law on hiss and volts at some nodes.
#[track_caller]
fn holds_scaling_of_impedance(gradients: &Gradients, hiss: &[&str], volts: &[&str]) {
    let scaled = |by: &[f64]| {
        let sum = |quantity| gradients.sum(by, quantity);
        sum(Quantity::Resistance) + sum(Quantity::BaseResistance)
            - sum(Quantity::Capacitance)
            - sum(Quantity::SaturationCurrent)
            - sum(Quantity::Icbo)
    };
    for node in hiss {
        close(scaled(&gradients.hiss(node, BAND, None)), 0.5, 1e-6, node);
    }
    let outputs: Vec<Output> = volts.iter().map(|node| gradients.bench.output(node)).collect();
    for dc in gradients.with(|sensitivity| sensitivity.dc(&outputs).expect("regular")) {
        let largest = dc.by.iter().fold(0.0, |largest: f64, by| largest.max(by.abs()));
        assert!(scaled(&dc.by).abs() < 1e-7 * largest, "{} of {largest}", scaled(&dc.by));
    }
}

// Where there is nothing to tell

#[test]
fn what_a_source_holds_does_not_hiss_and_follows_nothing() {
    let gradients = Gradients::of("V1 s 0 9\nR1 s a 10k\nR2 a 0 10k");
    assert!(gradients.hiss("s", BAND, None).iter().all(|&by| by == 0.0));
    assert!(gradients.hiss("0", BAND, None).iter().all(|&by| by == 0.0));
}

#[test]
fn a_value_that_a_part_does_not_have_is_refused() {
    let bench = Bench::of("V1 s 0 9\nR1 s 0 10k");
    let sweep = Sweep::new(&bench.circuit, &bench.signal, BAND);
    for value in
        [(PartId(1), Quantity::Capacitance), (PartId(99), Quantity::Resistance), (PartId(99), Quantity::Celsius)]
    {
        assert!(Sensitivity::of(&sweep, &bench.bias, &[value]).is_err(), "{value:?}");
    }
}

// The rule

#[test]
fn the_rule_is_that_of_gauss_and_legendre() {
    // Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, table 25.4, n = 3 and n = 5, given there to 15
    // digits: on ln f from -1 to 1 the frequencies are e^x and the weights w·e^x.
    let e = std::f64::consts::E;
    for (points, table) in [
        (3, &[(-0.774596669241483, 0.555555555555556), (0.0, 0.888888888888889)][..]),
        (
            5,
            &[
                (-0.906179845938664, 0.236926885056189),
                (-0.538469310105683, 0.478628670499366),
                (0.0, 0.568888888888889),
            ],
        ),
    ] {
        let rule = BandRule::gauss([1.0 / e, e], Weighting::Flat, points);
        assert_eq!(rule.hertz().len(), points);
        for (at, &(abscissa, weight)) in table.iter().enumerate() {
            close(rule.hertz()[at], f64::exp(abscissa), 1e-14, "frequency");
            close(rule.weights()[at], weight * f64::exp(abscissa), 1e-13, "weight");
            close(rule.hertz()[points - 1 - at], f64::exp(-abscissa), 1e-14, "frequency");
        }
    }
    // Of white noise all that counts is the width of the band.
    let rule = BandRule::gauss(BAND, Weighting::Flat, BandRule::POINTS);
    close(rule.weights().iter().sum(), BAND[1] - BAND[0], 1e-12, "width");
}

#[test]
fn a_rule_that_is_none_is_refused() {
    assert!(BandRule::new(vec![100.0, 1e3], vec![1.0, 2.0]).is_some());
    for (hertz, weights) in [
        (vec![], vec![]),
        (vec![1e3], vec![1.0, 2.0]),
        (vec![0.0, 1e3], vec![1.0, 2.0]),
        (vec![1e3, 100.0], vec![1.0, 2.0]),
        (vec![100.0, f64::NAN], vec![1.0, 2.0]),
        (vec![100.0, 1e3], vec![1.0, f64::INFINITY]),
    ] {
        assert!(BandRule::new(hertz.clone(), weights).is_none(), "{hertz:?}");
    }
}
