//! The static curve from an input to an output, followed outward from the bias point.
//!
//! Each point is a full solution of the nonlinear circuit, found from its neighbour (continuation), so that the curve
//! stays on one branch. Value and slope of the points make a cubic Hermite curve, which is refined where its middle
//! misses the solution there.

use crate::bias::{BiasPoint, SolveError, Strategy, solve_from};
use crate::circuit::{Circuit, Rewiring};
use crate::element::{Element, PartId, Source, SourceKind};
use crate::mna::{Factored, LinearError, NodeId, SignalEquations};
use crate::smallsignal::Stimulus;

use super::distortion::{Curve, Distortion, Knot};
use super::midband::MidBand;

/// How far the middle of an interval may miss, as a fraction of the output's distance from rest there.
const MISS: f64 = 2e-7;
/// The same as a fraction of the whole swing: below that, rounding speaks.
const ROUNDING: f64 = 1e-10;
/// Intervals are not halved below this fraction of the largest input.
const NARROWEST: f64 = 1e-8;
/// Output step over a narrowest interval that counts as a jump, as a fraction of the whole swing.
const JUMP: f64 = 1e-3;
/// Points at most.
const MOST_POINTS: usize = 4000;
/// Output beyond which nothing is looked for, V.
const FARTHEST_VOLTS: f64 = 10e3;
/// Input beyond which nothing is looked for, V or A.
const FARTHEST_INPUT: f64 = 1e3;
/// Halvings of an interval in which the curve clips.
const CLIP_HALVINGS: usize = 16;
/// Halvings of a step that finds no solution.
const HALVINGS: usize = 24;
/// First step: as much output, V, or input, V.
const FIRST_VOLTS: f64 = 1e-3;
/// Distortion up to which the curve must reach.
const WANTED_DISTORTION: f64 = 0.12;

/// A point of the curve: input from its value at rest, and what the circuit does there.
#[derive(Clone, Debug)]
pub(super) struct Sample {
    pub knot: Knot,
    pub bias: BiasPoint,
}

/// Up to where the solutions go on one branch, and what is beyond.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Trouble {
    /// Input beyond which no solution was found.
    pub ends_at: Option<f64>,
    /// Input at which the output jumps.
    pub jumps_at: Option<f64>,
}

/// The curve, its samples ascending by input.
#[derive(Clone, Debug)]
pub(super) struct Transfer {
    pub samples: Vec<Sample>,
    pub curve: Curve,
    pub trouble: Trouble,
}

/// The circuit at mid-band with an input and an output.
pub(super) struct Path<'a> {
    pub mid: &'a MidBand,
    pub input: PartId,
    pub output: (NodeId, NodeId),
}

impl Path<'_> {
    /// Follows the curve until both sides clip and a sine is distorted by more than a tenth, or as far as it goes.
    pub fn transfer(&self) -> Result<Transfer, SolveError> {
        let rest = self.at_rest()?;
        let slope = rest.knot.slope.abs();
        let first = match self.source().map(|source| source.kind) {
            Some(SourceKind::Voltage) => f64::min(FIRST_VOLTS, FIRST_VOLTS / slope),
            _ => FIRST_VOLTS / slope,
        };
        let mut trouble = Trouble::default();
        let mut samples = vec![rest];
        let mut start = StopRule::default();
        let mut reach = first;
        loop {
            for side in [-1.0, 1.0] {
                self.extend(&mut samples, side * reach, &mut trouble);
            }
            let curve = Curve::of(samples.iter().map(|sample| sample.knot).collect());
            if trouble.ends_at.is_some() || reach > FARTHEST_INPUT || start.stops(&curve, reach) {
                break;
            }
            reach *= std::f64::consts::SQRT_2;
        }
        self.refine(&mut samples, &mut trouble);
        self.pin_clips(&mut samples);
        let curve = Curve::of(samples.iter().map(|sample| sample.knot).collect());
        Ok(Transfer { samples, curve, trouble })
    }

    fn source(&self) -> Option<&Source> {
        match &self.mid.circuit.part(self.input).element {
            Element::Source(source) => Some(source),
            _ => None,
        }
    }

    /// The circuit with its input moved from rest.
    pub fn driven(&self, input: f64) -> Circuit {
        let mut rewiring = Rewiring::default();
        if let Some(source) = self.source() {
            rewiring.replace(self.input, Element::Source(Source { dc: source.dc + input, ..source.clone() }));
        }
        self.mid.circuit.rewired(rewiring)
    }

    fn at_rest(&self) -> Result<Sample, SolveError> {
        let bias = BiasPoint { x: self.mid.x.clone(), strategy: Strategy::Newton, heat_stepping: false, iterations: 0 };
        self.sample(0.0, &bias)
    }

    fn sample(&self, input: f64, near: &BiasPoint) -> Result<Sample, SolveError> {
        let circuit = self.driven(input);
        let bias = solve_from(&circuit, near)?;
        let (plus, minus) = self.output;
        let output = bias.volts(plus) - bias.volts(minus);
        let slope = self.slope(&circuit, |_| &bias.x)?;
        Ok(Sample { knot: Knot { input, output, slope }, bias })
    }

    /// The slope of the curve, each part linearised at the unknowns that `at` gives for it.
    pub fn slope<'x>(&self, circuit: &Circuit, at: impl Fn(PartId) -> &'x [f64]) -> Result<f64, SolveError> {
        let mut equations = SignalEquations::new(circuit.layout().electrical);
        for (id, part) in circuit.parts() {
            part.element.stamp_signal(circuit.place(id), at(id), &mut equations);
        }
        equations.settle();
        // At rest in frequency: open capacitors and shorted windings are no part of it.
        let entries = equations.entries.iter().filter(|entry| entry.g != 0.0);
        let entries = entries.map(|entry| (entry.row, entry.column, entry.g));
        let right = Stimulus::of(circuit, self.input).unwrap_or_default().right(&equations);
        let solved = Factored::new(equations.unknowns, entries).and_then(|factored| factored.solve(&right));
        let volts = solved.map_err(|error| {
            let (LinearError::NotFinite(unknown) | LinearError::Singular(unknown)) = error;
            let unknown = circuit.describe_unknown(unknown);
            SolveError::Singular { unknown, frequency_hz: None, reason: None }
        })?;
        let (plus, minus) = self.output;
        Ok(volts[plus.index()] - volts[minus.index()])
    }

    /// A sample near another, found by plain iteration alone: what other strategies find may lie on another branch.
    fn continued(&self, input: f64, near: &Sample) -> Option<Sample> {
        let sample = self.sample(input, &near.bias).ok()?;
        (sample.bias.strategy == Strategy::Newton && !sample.bias.heat_stepping).then_some(sample)
    }

    /// Goes on from the outermost sample of a side to `input`, in smaller steps where a large one fails.
    fn extend(&self, samples: &mut Vec<Sample>, input: f64, trouble: &mut Trouble) {
        let upward = input > 0.0;
        let mut smaller = 0;
        let mut target = input;
        loop {
            let Some(outermost) = (if upward { samples.last() } else { samples.first() }) else { return };
            let from = outermost.knot.input;
            match self.continued(target, outermost) {
                Some(sample) => {
                    let at = if upward { samples.len() } else { 0 };
                    samples.insert(at, sample);
                    if target == input {
                        return;
                    }
                    target = input;
                }
                None if smaller < HALVINGS => {
                    smaller += 1;
                    target = 0.5 * (from + target);
                }
                None => {
                    let nearer = trouble.ends_at.is_none_or(|known: f64| from.abs() < known.abs());
                    if nearer {
                        trouble.ends_at = Some(from);
                    }
                    return;
                }
            }
        }
    }

    /// Halves the intervals in which the curve clips: its slope is less sure than its value.
    fn pin_clips(&self, samples: &mut Vec<Sample>) {
        for side in 0..2 {
            for _ in 0..CLIP_HALVINGS {
                let curve = Curve::of(samples.iter().map(|sample| sample.knot).collect());
                let Some([inner, outer]) = curve.clip_intervals()[side] else { break };
                let between = 0.5 * (samples[inner].knot.input + samples[outer].knot.input);
                let Some(sample) = self.continued(between, &samples[inner]) else { break };
                samples.insert(inner.max(outer), sample);
            }
        }
    }

    /// Halves intervals until the curve's middle is the solution there.
    fn refine(&self, samples: &mut Vec<Sample>, trouble: &mut Trouble) {
        let Some(rest) = samples.iter().find(|sample| sample.knot.input == 0.0).map(|sample| sample.knot.output) else {
            return;
        };
        let widest = samples.iter().map(|sample| sample.knot.input.abs()).fold(0.0, f64::max);
        let swing = samples.iter().map(|sample| (sample.knot.output - rest).abs()).fold(0.0, f64::max);
        let mut done: Vec<Sample> = Vec::with_capacity(samples.len());
        let mut ahead: Vec<Sample> = std::mem::take(samples);
        ahead.reverse();
        done.extend(ahead.pop());
        while let (Some(left), Some(right)) = (done.last(), ahead.last()) {
            let (a, b) = (left.knot, right.knot);
            let width = b.input - a.input;
            let between = 0.5 * (a.input + b.input);
            if done.len() + ahead.len() >= MOST_POINTS {
                done.extend(ahead.pop());
                continue;
            }
            // A fold or a jump has no solution near by in between; it ends at the narrowest interval.
            let middle = self.continued(between, left).or_else(|| self.continued(between, right));
            let guess = a.between(&b, between);
            let near = middle.as_ref().is_some_and(|middle| {
                let miss = (middle.knot.output - guess).abs();
                miss <= MISS * (middle.knot.output - rest).abs() + ROUNDING * swing
            });
            if width <= NARROWEST * widest && !near {
                if (b.output - a.output).abs() > JUMP * swing
                    && trouble.jumps_at.is_none_or(|known: f64| between.abs() < known.abs())
                {
                    trouble.jumps_at = Some(between);
                }
                done.extend(ahead.pop());
                continue;
            }
            match middle {
                Some(middle) if near => {
                    done.push(middle);
                    done.extend(ahead.pop());
                }
                Some(middle) => ahead.push(middle),
                None => done.extend(ahead.pop()),
            }
        }
        *samples = done;
    }
}

/// When the curve goes far enough.
#[derive(Default)]
struct StopRule {
    /// Where the distortion last rose above what is wanted, and what it was one step before.
    crossed: Option<f64>,
    before: f64,
}

impl StopRule {
    fn stops(&mut self, curve: &Curve, reach: f64) -> bool {
        let span = curve.knots().iter().map(|knot| (knot.output - curve.rest()).abs()).fold(0.0, f64::max);
        if span > FARTHEST_VOLTS {
            return true;
        }
        let distortion = Distortion::of(curve, reach).total;
        if distortion < WANTED_DISTORTION || distortion < self.before {
            self.crossed = None;
        } else if self.crossed.is_none() {
            self.crossed = Some(reach);
        }
        self.before = distortion;
        match curve.clips() {
            [Some(down), Some(up)] => {
                let outer = down.input.abs().max(up.input.abs());
                reach >= 1.5 * outer && distortion >= WANTED_DISTORTION || reach >= 8.0 * outer
            }
            // A device that bends more and more, without end.
            _ => self.crossed.is_some_and(|crossed| reach > 32.0 * crossed),
        }
    }
}
