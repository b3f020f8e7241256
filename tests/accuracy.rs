//! The fast solver against elimination in twice the precision: whatever the values, its densities are right or refused.
//!
//! `HISSMAP_SEEDS=100` and `HISSMAP_FAULTED=2000` in the environment ask for more than the few of a short run.

use std::fmt::Write;
use std::sync::Arc;

use hissmap::bias;
use hissmap::circuit::Circuit;
use hissmap::mna::{LANES, LaneSolver, NodeId, Unknown};
use hissmap::netlist;
use hissmap::smallsignal::SmallSignal;
use hissmap::sweep::Sweep;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

mod extended;
use extended::{Complex, Double, Factored};

/// Ends and middle of the audio band, and beyond.
const HERTZ: [f64; LANES] = [20.0, 53.0, 150.0, 400.0, 1e3, 3e3, 2e4, 1e5];
/// Lanes that are compared: the double precision takes its time.
const COMPARED: [usize; 2] = [0, 6];
/// Densities below this fraction of the largest at any node are not heard anywhere.
const LEAST: f64 = 1e-36;

fn asked(name: &str, short: u64) -> u64 {
    std::env::var(name).map_or(short, |text| text.parse().expect("a number"))
}

/// What happens to a part.
#[derive(Clone, Copy, PartialEq)]
enum Fault {
    None,
    Open,
    Short,
}

/// Amplifier blocks on one rail whose values are spread, or whose parts are at fault with a probability.
struct Board {
    random: ChaCha8Rng,
    text: String,
    /// Decades that values may lie to either side.
    spread: f64,
    faulty: f64,
}

impl Board {
    /// `blocks` of nine unknowns each.
    fn text(seed: u64, blocks: usize, spread: f64, faulty: f64) -> String {
        let models = [
            "N NPN (IS=1e-14 BF=250 VAF=80 RB=200 RE=0.5 CJE=12p CJC=4p TF=0.5n KF=4f)",
            "G PNP (IS=2u BF=70 BR=8 VAF=40 RB=120 RC=3 CJE=40p CJC=15p TF=60n EG=0.67 KF=2f ICBO=4u)",
            // Dead ones: hardly a junction left.
            "NX NPN (IS=1e-30 BF=1 RB=200 RE=0.5 CJE=12p CJC=4p TF=0.5n KF=4f)",
            "GX PNP (IS=1e-30 BF=1 RB=120 RC=3 CJE=40p CJC=15p TF=60n EG=0.67 KF=2f ICBO=1e-20)",
        ];
        let mut board = Self { random: ChaCha8Rng::seed_from_u64(seed), text: "board\n".to_owned(), spread, faulty };
        models.iter().for_each(|model| board.line(&format!(".model {model}")));
        board.line("VP p 0 12\nVN n 0 -12\nVIN o0 0 0");
        board.resistor("RP", "p", "rp", 10.0);
        board.resistor("RN", "n", "rn", 10.0);
        board.capacitor("CP", "rp", 1e-4);
        board.capacitor("CN", "rn", 1e-4);
        for block in 1..=blocks {
            let (rail, model) = if block % 2 == 0 { ("rn", "G") } else { ("rp", "N") };
            let at = |name: &str| format!("{name}{block}");
            let before = format!("o{}", block - 1);
            board.resistor(&at("RA"), &before, &at("m"), 1e4);
            board.coupling(&at("CI"), &at("m"), &at("b"), 1e-5);
            board.resistor(&at("RU"), rail, &at("b"), 2.2e4);
            board.resistor(&at("RD"), &at("b"), "0", 5.6e3);
            board.transistor(&at("QA"), [&at("c"), &at("b"), &at("e")], model);
            board.resistor(&at("RE"), &at("e"), "0", 1e3);
            board.resistor(&at("RC"), rail, &at("c"), 3.3e3);
            board.transistor(&at("QB"), [rail, &at("c"), &at("o")], model);
            board.resistor(&at("RL"), &at("o"), "0", 4.7e3);
            board.capacitor(&at("CL"), &at("o"), 1e-9);
        }
        board.text
    }

    fn line(&mut self, line: &str) {
        writeln!(self.text, "{line}").expect("a text grows without fail");
    }

    fn spread(&mut self, value: f64) -> f64 {
        value * 10f64.powf(self.random.random_range(-1.0..1.0) * self.spread)
    }

    fn fault(&mut self) -> Fault {
        match (self.random.random_bool(self.faulty), self.random.random_bool(0.5)) {
            (false, _) => Fault::None,
            (true, true) => Fault::Open,
            (true, false) => Fault::Short,
        }
    }

    fn resistor(&mut self, name: &str, a: &str, b: &str, ohms: f64) {
        let ohms = match self.fault() {
            Fault::None => self.spread(ohms),
            Fault::Open => 1e12,
            Fault::Short => 1e-3,
        };
        self.line(&format!("{name} {a} {b} {ohms:e}"));
    }

    fn capacitor(&mut self, name: &str, a: &str, farads: f64) {
        self.coupling(name, a, "0", farads);
    }

    /// With a resistor beside and one in series that a fault makes small or large.
    fn coupling(&mut self, name: &str, a: &str, b: &str, farads: f64) {
        let farads = self.spread(farads);
        let (across, series) = match self.fault() {
            Fault::None => (1e12, 0.1),
            Fault::Open => (1e12, 1e12),
            Fault::Short => (1e-3, 0.1),
        };
        self.line(&format!(
            "{name} {a} {name}x {farads:e}\nRX{name} {a} {name}x {across:e}\nRS{name} {name}x {b} {series:e}"
        ));
    }

    fn transistor(&mut self, name: &str, [c, b, e]: [&str; 3], model: &str) {
        let dead = if self.fault() == Fault::None { "" } else { "X" };
        self.line(&format!("{name} {c} {b} {e} {model}{dead}"));
    }
}

struct Linear {
    circuit: Circuit,
    signal: SmallSignal,
}

/// `None` where no bias is found: refused.
fn linear(text: &str) -> Option<Linear> {
    let (netlist, problems) = netlist::read("test", text, &mut |_| Err("no includes".to_owned()));
    assert!(problems.is_empty(), "{problems:?}");
    let (circuit, _) = Circuit::build(Arc::new(netlist)).unwrap_or_else(|errors| panic!("{errors:?}"));
    let bias = bias::solve(&circuit).ok()?;
    let signal = SmallSignal::linearise(&circuit, &bias);
    Some(Linear { circuit, signal })
}

/// A(f) as the doubles that the equations hold, in twice the precision.
fn exact(signal: &SmallSignal, hertz: f64) -> Option<Factored> {
    let n = signal.equations.unknowns;
    let mut rows = vec![vec![Complex::ZERO; n]; n];
    let omega = std::f64::consts::TAU * hertz;
    for entry in &signal.equations.entries {
        let value = Complex { re: Double(entry.g, 0.0), im: Double::product(omega, entry.c) };
        let place = &mut rows[entry.row.index() - 1][entry.column.index() - 1];
        *place = place.plus(value);
    }
    Factored::of(rows)
}

/// The density at a node, V²/Hz.
fn exact_density(signal: &SmallSignal, factored: &Factored, node: NodeId, hertz: f64) -> f64 {
    let mut z = vec![Complex::ZERO];
    z.extend(factored.transposed(node.index() - 1));
    for (inner, pin) in signal.equations.drops() {
        z[inner.index()] = z[pin.index()].minus(z[inner.index()]);
    }
    let terms = signal.sources.iter().map(|source| {
        let norm = z[source.from.index()].minus(z[source.to.index()]).norm_sqr().value();
        norm * (source.white + source.flicker / hertz)
    });
    terms.sum()
}

/// Densities by lanes at every node that no source holds, `[node][lane]`; `None` where one is refused.
fn fast_densities(
    linear: &Linear,
    transfer: impl Fn(NodeId) -> Option<Vec<hissmap::mna::LaneValue>>,
) -> Vec<(NodeId, Option<[f64; LANES]>)> {
    let held = linear.circuit.held_groups();
    let free = linear.circuit.nodes().map(|(node, _)| node).filter(|node| held[node.index()] == *node);
    let densities = free.map(|node| {
        let densities = transfer(node).map(|z| {
            let mut totals = [0.0; LANES];
            for source in &linear.signal.sources {
                let norms = z[source.from.index()].minus(&z[source.to.index()]).norm_sqr();
                for lane in 0..LANES {
                    totals[lane] += norms[lane] * (source.white + source.flicker / HERTZ[lane]);
                }
            }
            totals
        });
        (node, densities)
    });
    densities.collect()
}

/// The worst relative difference of the densities, over nodes and lanes compared, and how many were refused.
fn worst(linear: &Linear, fast: &[(NodeId, Option<[f64; LANES]>)]) -> (f64, usize) {
    let mut worst = 0.0;
    for lane in COMPARED {
        let Some(factored) = exact(&linear.signal, HERTZ[lane]) else { continue };
        for (node, densities) in fast {
            let Some(densities) = densities else { continue };
            let exact = exact_density(&linear.signal, &factored, *node, HERTZ[lane]);
            if exact > LEAST {
                let difference = (densities[lane] - exact).abs() / exact;
                worst = if difference.is_nan() { f64::INFINITY } else { f64::max(worst, difference) };
            }
        }
    }
    (worst, fast.iter().filter(|(_, densities)| densities.is_none()).count())
}

fn by_sweep(linear: &Linear) -> Vec<(NodeId, Option<[f64; LANES]>)> {
    let sweep = Sweep::new(&linear.circuit, &linear.signal, [HERTZ[0], HERTZ[LANES - 1]]);
    let point = sweep.at(HERTZ);
    fast_densities(linear, |node| point.adjoint(node, NodeId::GROUND).ok())
}

/// About 100 unknowns; values up to three decades to either side. A double keeps 1e-16 of the largest entry at a node.
#[test]
fn densities_of_extreme_values_are_right_to_ten_digits() {
    for seed in 0..asked("HISSMAP_SEEDS", 6) {
        let spread = [0.3, 1.0, 2.0, 3.0][seed as usize % 4];
        let Some(linear) = linear(&Board::text(seed, 9, spread, 0.0)) else { continue };
        let (worst, refused) = worst(&linear, &by_sweep(&linear));
        assert_eq!(refused, 0, "seed {seed}");
        assert!(worst < 1e-10, "seed {seed}, {} unknowns: {worst:e}", linear.signal.equations.unknowns);
    }
}

/// 3 % of the parts open (1 TΩ), shorted (1 mΩ) or dead; each by an order of its own, and as values replayed on the order
/// of the healthy board.
#[test]
fn heavily_faulted_boards_are_right_or_refused() {
    let healthy = linear(&Board::text(0, 4, 0.0, 0.0)).expect("a bias");
    let samples = [HERTZ[0], 1e3, HERTZ[LANES - 1]];
    let nominal = LaneSolver::new(&healthy.signal.equations, samples).expect("an order");
    let (mut judged, mut refused) = (0, 0);
    let variants = asked("HISSMAP_FAULTED", 40);
    for seed in 0..variants {
        let Some(linear) = linear(&Board::text(seed, 4, 0.0, 0.03)) else {
            refused += 1;
            continue;
        };
        let (own, _) = worst(&linear, &by_sweep(&linear));
        assert!(own < 1e-9, "seed {seed}: {own:e} by its own order");
        let mut replayed = nominal.clone();
        if !replayed.take_values(&linear.signal.equations) {
            continue;
        }
        let Some(factors) = replayed.factor(HERTZ) else {
            refused += 1;
            continue;
        };
        let transfers = fast_densities(&linear, |node| {
            let mut z = factors.adjoint(node.into(), Unknown::GROUND)?;
            for (inner, pin) in linear.signal.equations.drops() {
                z[inner.index()] = z[pin.index()].minus(&z[inner.index()]);
            }
            Some(z)
        });
        let (replayed, without) = worst(&linear, &transfers);
        assert!(replayed < 1e-9, "seed {seed}: {replayed:e} on the healthy order");
        judged += 1;
        refused += usize::from(without > 0);
    }
    assert!(2 * judged > variants, "only {judged} of {variants} were judged, {refused} refused");
}
