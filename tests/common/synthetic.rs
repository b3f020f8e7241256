//! Banks of diagnosis made from random numbers, and units drawn from them.

use hissmap::diagnosis::{
    Bank, BankBuilder, Component, Costs, Draw, Hypothesis, HypothesisIndex, Observed, OtherSettings, PartIndex,
    Reading, Scale, Test, TestIndex,
};
use nalgebra::{DMatrix, DVector};

/// How large a bank is.
pub struct Size {
    pub parts: usize,
    pub kinds: usize,
    pub points: usize,
    pub tests: usize,
    pub tolerances: usize,
    /// By how many reading sd a fault moves the tests it moves.
    pub contrast: f64,
}

/// A test of changes in dB, so that a coordinate is the value over 0.7 dB.
pub fn test(at: usize, cost: f64) -> Test {
    Test {
        label: format!("t{at}"),
        scale: Scale::CHANGE,
        cost,
        unsolders: false,
        verifies: true,
        group: at,
        touched_by: Vec::new(),
    }
}

pub fn hypothesis(part: usize, weight: f64) -> Hypothesis {
    Hypothesis { part: Some(PartIndex(part)), kind: "leak".into(), weight, moves_dc: false }
}

pub fn point(test: usize, value: f64) -> Reading {
    Reading { test: TestIndex(test), observed: Observed::Point(value) }
}

/// No unlisted fault at all.
pub const CLOSED: OtherSettings =
    OtherSettings { probability: 0.0, first_variance: 2.0, second_sd: 3.0, least_dc_sd: 15.0 };

/// One part a row: its weight, and its mean in every test; one variance for all, tests independent.
pub fn plain(rows: &[(f64, Vec<f64>)], variance: f64, costs: &[f64], other: &OtherSettings) -> Bank {
    let hypotheses = rows.iter().enumerate().map(|(part, (weight, _))| hypothesis(part, *weight)).collect();
    let tests: Vec<Test> = costs.iter().enumerate().map(|(at, cost)| test(at, *cost)).collect();
    let mut builder = BankBuilder::new((0..rows.len()).map(|part| format!("P{part}")).collect(), hypotheses, tests);
    for (part, (_, mean)) in rows.iter().enumerate() {
        let component =
            Component { hypothesis: HypothesisIndex(part), severity: Some(1.0), share: 1.0, mean: mean.clone() };
        builder.add_with_covariance(component, &(DMatrix::identity(costs.len(), costs.len()) * variance));
    }
    builder.finish(Costs::default(), other).expect("a sound bank")
}

/// Faults that move a few tests each, along a curve of their severity; tolerances that move all.
pub fn random(size: &Size, other: &OtherSettings, seed: u64) -> Bank {
    let mut draw = Draw::new(seed, 0);
    let hypotheses: Vec<Hypothesis> = (0..size.parts * size.kinds)
        .map(|at| Hypothesis {
            part: Some(PartIndex(at / size.kinds)),
            kind: format!("kind{}", at % size.kinds),
            weight: (2.0 * draw.normal()).exp(),
            moves_dc: at % size.kinds == 0,
        })
        .collect();
    let tests: Vec<Test> = (0..size.tests)
        .map(|at| {
            let scale = if at % 3 == 0 { Scale::DC } else { Scale::CHANGE };
            Test { scale, ..test(at, [0.3, 1.0, 1.0, 2.0][at % 4]) }
        })
        .collect();
    let parts = (0..size.parts).map(|part| format!("P{part}")).collect();
    let mut builder = BankBuilder::new(parts, hypotheses, tests);
    let shared =
        DMatrix::from_fn(size.tests, size.tolerances, |_, _| 2.5 * draw.normal() / (size.tolerances as f64).sqrt());
    for part in 0..size.parts {
        // Kinds of one part look alike in most tests.
        let of_part =
            DVector::from_fn(
                size.tests,
                |_, _| if draw.uniform() < 0.35 { size.contrast * draw.normal() } else { 0.0 },
            );
        for kind in 0..size.kinds {
            let own = &of_part + DVector::from_fn(size.tests, |_, _| draw.normal());
            let bend = DVector::from_fn(size.tests, |_, _| 0.4 * draw.normal());
            for severity in 0..size.points {
                let s = (severity as f64 + 0.5) / size.points as f64;
                let mean = &own * (0.4 + 1.6 * s) + &bend * (4.0 * s * (1.0 - s));
                let component = Component {
                    hypothesis: HypothesisIndex(part * size.kinds + kind),
                    severity: Some(3.0 * 100f64.powf(s)),
                    share: 1.0 / size.points as f64,
                    mean: mean.iter().copied().collect(),
                };
                let factor = &shared * (1.0 + 0.2 * s);
                builder.add(component, &factor);
            }
        }
    }
    builder.finish(Costs::default(), other).expect("a sound bank")
}

/// A unit: which part is at fault (one more than the last: unlisted), and the reading of every test.
pub struct Unit {
    pub part: usize,
    pub readings: Vec<f64>,
}

/// Draws a unit from the components of a bank by their weight.
pub fn draw_unit(bank: &Bank, draw: &mut Draw) -> Unit {
    let share = draw.uniform();
    let mut reached = 0.0;
    let component = (0..bank.len())
        .find(|&component| {
            reached += bank.weight_of(component);
            reached >= share
        })
        .unwrap_or(bank.len() - 1);
    let tests = bank.tests.len();
    let covariance = bank.covariance_matrix(component) + DMatrix::identity(tests, tests);
    let lower = covariance.cholesky().expect("a covariance").l();
    let errors = DVector::from_fn(tests, |_, _| draw.normal());
    let readings = DVector::from_column_slice(bank.mean_of(component)) + lower * errors;
    let part = bank.ranges().iter().position(|range| range.contains(&component)).expect("in a range");
    Unit { part, readings: readings.iter().copied().collect() }
}

/// P, mean and variance of N(0,1) in an interval by Simpson's rule with 20 000 steps.
pub fn integrated(alpha: f64, beta: f64) -> (f64, f64, f64) {
    let steps = 20_000;
    // Beyond, the density has fallen by exp(−40) from its largest value.
    let beta = if alpha > 0.0 { beta.min((alpha * alpha + 80.0).sqrt()) } else { beta };
    let width = (beta - alpha) / f64::from(steps);
    let integral = |of: &dyn Fn(f64) -> f64| {
        let sum: f64 = (0..=steps)
            .map(|step| {
                let t = alpha + width * f64::from(step);
                let weight = if step == 0 || step == steps { 1.0 } else { 2.0 + 2.0 * f64::from(step % 2) };
                weight * of(t) * (-0.5 * t * t).exp()
            })
            .sum();
        sum * width / 3.0 / (2.0 * std::f64::consts::PI).sqrt()
    };
    let mass = integral(&|_| 1.0);
    let mean = integral(&|t| t) / mass;
    (mass, mean, integral(&|t| (t - mean) * (t - mean)) / mass)
}
