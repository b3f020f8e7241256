//! A campaign of random amplifiers: the bias of every one is found, and none breaks a law.
//!
//! Runs units 0 to 499 by default; `HISSMAP_UNITS=2000..4000 cargo test --release --test campaign` runs others. A unit is
//! made from its number alone, so any split of a range gives the results of the whole.

use std::ops::Range;
use std::sync::Arc;

use hissmap::bias::{self, BiasPoint};
use hissmap::circuit::{Change, Circuit};
use hissmap::element::{Element, Mechanism, SourceKind};
use hissmap::mna::{BiasEquations, NodeId, Unknown};
use hissmap::netlist;
use hissmap::smallsignal::{SmallSignal, Stimulus};
use num_complex::Complex64;
use rayon::prelude::*;

#[path = "campaign/amplifiers.rs"]
mod amplifiers;

use amplifiers::{Amplifier, PLAIN, Writing, node};

const HERTZ: [f64; 3] = [37.0, 1000.0, 15000.0];

#[test]
fn every_random_amplifier_finds_its_bias_and_keeps_the_laws() {
    let units = units();
    let failures: Vec<String> = units
        .clone()
        .into_par_iter()
        .filter_map(|unit| check(unit).err().map(|why| format!("unit {unit}: {why}")))
        .collect();
    println!(
        "campaign: units {units:?}, seeded by their numbers; {} of {} kept every law",
        units.end - units.start - failures.len() as u64,
        units.end - units.start
    );
    assert!(failures.is_empty(), "{} failures:\n{}", failures.len(), failures.join("\n"));
}

fn units() -> Range<u64> {
    let Ok(text) = std::env::var("HISSMAP_UNITS") else { return 0..500 };
    let ends: Vec<u64> = text.split("..").map(|end| end.parse().expect("HISSMAP_UNITS is FIRST..END")).collect();
    ends[0]..ends[1]
}

fn check(unit: u64) -> Result<(), String> {
    let amplifier = Amplifier::of_unit(unit);
    let kinds = amplifier.kinds.join(", ");
    let state = State::of(&amplifier, PLAIN).map_err(|why| format!("[{kinds}] {why}"))?;
    let laws = [
        residual(&state),
        densities(&state),
        nyquist(&amplifier),
        derivative(&amplifier),
        renaming(&amplifier, &state, unit),
        doubling(&amplifier, &state),
    ];
    laws.into_iter().collect::<Result<(), String>>().map_err(|why| format!("[{kinds}] {why}"))
}

struct State {
    circuit: Circuit,
    bias: BiasPoint,
    signal: SmallSignal,
}

impl State {
    fn of(amplifier: &Amplifier, writing: Writing) -> Result<Self, String> {
        let text = amplifier.text(writing);
        let (netlist, problems) = netlist::read("unit", &text, &mut |_| Err("no includes".to_owned()));
        assert!(problems.is_empty(), "{problems:?}\n{text}");
        let (circuit, _) = Circuit::build(Arc::new(netlist)).map_err(|problems| format!("{problems:?}"))?;
        Self::solved(circuit)
    }

    fn solved(circuit: Circuit) -> Result<Self, String> {
        let bias = bias::solve(&circuit).map_err(|error| error.to_string())?;
        Ok(Self::at(circuit, bias))
    }

    fn at(circuit: Circuit, bias: BiasPoint) -> Self {
        let signal = SmallSignal::linearise(&circuit, &bias);
        Self { circuit, bias, signal }
    }

    /// Contribution of every source at a node, V²/Hz.
    fn contributions(&self, at: NodeId, hertz: f64) -> Result<Vec<f64>, String> {
        let factored = self.signal.factor(&self.circuit, hertz).map_err(|error| error.to_string())?;
        let adjoint = self.signal.adjoint(&self.circuit, &factored, at, NodeId::GROUND, hertz);
        let adjoint = adjoint.map_err(|error| error.to_string())?;
        let sources = self.signal.sources.iter();
        Ok(sources
            .map(|source| {
                let gain = adjoint[source.from.index()] - adjoint[source.to.index()];
                gain.norm_sqr() * (source.white + source.flicker / hertz)
            })
            .collect())
    }

    /// Nodes that no voltage source holds.
    fn nodes(&self) -> Vec<(NodeId, String)> {
        let held = self.circuit.held_groups();
        let free = self.circuit.nodes().filter(|(id, _)| held[id.index()] == *id);
        free.map(|(id, name)| (id, name.to_owned())).collect()
    }
}

/// Whether a difference is more than allowed; what is not a number is.
fn beyond(difference: f64, allowed: f64) -> bool {
    difference.is_nan() || difference > allowed
}

/// Kirchhoff's current law at every node, with the junctions at the voltages of the answer: below 1e-9 of the largest current plus 1 pA.
fn residual(state: &State) -> Result<(), String> {
    let circuit = &state.circuit;
    let mut equations = BiasEquations::new(circuit.layout().with_temperatures);
    for (id, part) in circuit.parts() {
        let place = circuit.place(id);
        let junctions = part.element.junction_volts(place, &state.bias.x);
        part.element.stamp_bias(place, &state.bias.x, junctions, &mut equations);
    }
    for (row, residual) in equations.residual.iter().enumerate().skip(1) {
        if beyond(residual.abs(), 1e-9 * equations.largest[row] + 1e-12) {
            let name = circuit.describe_unknown(Unknown(row as u32));
            return Err(format!("residual {residual:e} A at {name}"));
        }
    }
    Ok(())
}

/// Noise powers are finite and none is negative.
fn densities(state: &State) -> Result<(), String> {
    for (at, name) in state.nodes() {
        for hertz in HERTZ {
            let contributions = state.contributions(at, hertz)?;
            if contributions.iter().any(|power| !power.is_finite() || *power < 0.0) {
                return Err(format!("a noise power at {name}, {hertz} Hz is negative or not finite"));
            }
        }
    }
    Ok(())
}

/// Nyquist 1928: without supply and at one temperature the density at every node is 4kT·Re Z.
fn nyquist(amplifier: &Amplifier) -> Result<(), String> {
    let state = State::of(amplifier, Writing { supply_off: true, ..PLAIN })?;
    let four_kt = state.circuit.ambient.four_kt();
    for (at, name) in state.nodes() {
        let hertz = HERTZ[1];
        let density: f64 = state.contributions(at, hertz)?.iter().sum();
        let factored = state.signal.factor(&state.circuit, hertz).map_err(|error| error.to_string())?;
        let adjoint = state.signal.adjoint(&state.circuit, &factored, at, NodeId::GROUND, hertz);
        let impedance: Complex64 = adjoint.map_err(|error| error.to_string())?[at.index()];
        // Behind 100 Ω of base resistance a cold junction conducts 1e-9 S: the sum on the diagonal keeps 1e-18 S, so
        // such a node's Re Z, a small part of its |Z|, is known to some 1e-9 of |Z|.
        let allowed = four_kt * (1e-9 * impedance.re.abs() + 1e-11 * impedance.norm());
        if beyond((density - four_kt * impedance.re).abs(), allowed) {
            return Err(format!("Nyquist at {name}: {density:e} against {:e}", four_kt * impedance.re));
        }
    }
    Ok(())
}

/// The gain at the lowest frequencies is the derivative of the bias: here by a current into the first base.
fn derivative(amplifier: &Amplifier) -> Result<(), String> {
    let writing = Writing { isothermal: true, ..PLAIN };
    let state = State::of(amplifier, writing)?;
    let circuit = &state.circuit;
    let test = circuit.find_part("ITEST").expect("every unit has its test current");
    let stimulus = Stimulus::of(circuit, test).expect("a current source");
    // So slow that the largest capacitor at the largest resistance is open.
    let hertz = 1e-12;
    let factored = state.signal.factor(circuit, hertz).map_err(|error| error.to_string())?;
    let gains = state.signal.forward(circuit, &factored, &stimulus, hertz).map_err(|error| error.to_string())?;
    // Central differences over two steps, extrapolated to none (Richardson), that move no node by more than 4 µV:
    // junctions bend over 25 mV, and more sharply where feedback brings a circuit near to latching.
    let steepest = gains[1..=circuit.nodes().len()].iter().map(|gain| gain.norm()).fold(0.0, f64::max);
    let step = 4e-6 / steepest;
    let moved = |amps: f64| -> Result<Vec<f64>, String> {
        let change = [Change::Value { part: "ITEST".to_owned(), value: amps }];
        let circuit = circuit.changed(&change).map_err(|problems| format!("{problems:?}"))?;
        bias::solve_from(&circuit, &state.bias).map(|bias| bias.x).map_err(|error| error.to_string())
    };
    let (up, down) = (moved(step)?, moved(-step)?);
    let (half_up, half_down) = (moved(step / 2.0)?, moved(-step / 2.0)?);
    for (at, name) in state.nodes() {
        let whole = (up[at.index()] - down[at.index()]) / (2.0 * step);
        let half = (half_up[at.index()] - half_down[at.index()]) / step;
        let slope = (4.0 * half - whole) / 3.0;
        let gain = gains[at.index()].re;
        // The solutions carry rounding of about 1e-15 of the supply, over differences of microvolts.
        let allowed = 3e-6 * gain.abs() + 2e-14 * (1.0 + state.bias.volts(at).abs()) / step + 1e-6 * steepest;
        if beyond((slope - gain).abs(), allowed) {
            return Err(format!("gain at {name} is {gain:e}, the derivative of the bias {slope:e}"));
        }
    }
    Ok(())
}

/// Other names and another order of cards change nothing.
fn renaming(amplifier: &Amplifier, state: &State, unit: u64) -> Result<(), String> {
    let writing = Writing { renamed: Some(unit), ..PLAIN };
    let other = State::of(amplifier, writing)?;
    for (at, name) in state.nodes() {
        let twin = other.circuit.find_node(&node(&name, writing)).map_err(|error| error.message)?;
        let (here, there) = (state.bias.volts(at), other.bias.volts(twin));
        if beyond((here - there).abs(), 1e-9 * here.abs() + 1e-9) {
            return Err(format!("{name} is {here} V, renamed {there} V"));
        }
        let here: f64 = state.contributions(at, HERTZ[1])?.iter().sum();
        let there: f64 = other.contributions(twin, HERTZ[1])?.iter().sum();
        if beyond((here - there).abs(), 1e-6 * here + 1e-40) {
            return Err(format!("density at {name} is {here:e}, renamed {there:e}"));
        }
    }
    Ok(())
}

fn differs(state: &State, other: &State) -> bool {
    let mut nodes = state.nodes().into_iter();
    nodes.any(|(at, _)| (state.bias.volts(at) - other.bias.volts(at)).abs() > 1e-6)
}

/// All impedances doubled and all currents halved leave volts and gains alone; each density grows by its own power.
fn doubling(amplifier: &Amplifier, state: &State) -> Result<(), String> {
    let mut other = State::of(amplifier, Writing { impedance: 2.0, ..PLAIN })?;
    if differs(state, &other) {
        // Of several solutions another was found; the law is about one and the same.
        let bias = bias::solve_from(&other.circuit, &state.bias).map_err(|error| error.to_string())?;
        other = State::at(other.circuit, bias);
    }
    let exponents: Vec<f64> = state
        .signal
        .sources
        .iter()
        .map(|source| match (source.mechanism, &state.circuit.part(source.part).element) {
            // A noise index counts volts per volt: the resistance does not matter.
            (Mechanism::Excess, _) => 0.0,
            // KF·I^AF into the impedance squared.
            (Mechanism::Flicker, Element::Bjt(device)) => 2.0 - device.model.af,
            (Mechanism::Flicker, Element::Diode(device)) => 2.0 - device.model.af,
            (Mechanism::Flicker, Element::Jfet(device)) => 2.0 - device.model.af,
            _ => 1.0,
        })
        .collect();
    for (at, name) in state.nodes() {
        let (here, there) = (state.bias.volts(at), other.bias.volts(at));
        if beyond((here - there).abs(), 1e-9 * here.abs() + 1e-9) {
            return Err(format!("{name} is {here} V, at doubled impedance {there} V"));
        }
        let here = state.contributions(at, HERTZ[1])?;
        let there = other.contributions(at, HERTZ[1])?;
        let expected: f64 = here.iter().zip(&exponents).map(|(power, exponent)| power * exponent.exp2()).sum();
        let total: f64 = there.iter().sum();
        if beyond((total - expected).abs(), 1e-6 * expected + 1e-40) {
            return Err(format!("density at {name} doubles to {total:e} instead of {expected:e}"));
        }
    }
    Ok(())
}

#[test]
fn every_unit_has_a_supply_that_can_be_switched_off() {
    let state = State::of(&Amplifier::of_unit(1), Writing { supply_off: true, ..PLAIN }).expect("unit 1 solves");
    let on = state.circuit.parts().filter(|(_, part)| match &part.element {
        Element::Source(source) => source.kind == SourceKind::Voltage && source.dc != 0.0,
        _ => false,
    });
    assert_eq!(on.count(), 0);
    assert!(state.bias.x.iter().all(|volts| volts.abs() < 1e-9));
}
