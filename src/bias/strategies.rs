//! What is tried, in order, until the bias is found: Newton's iteration by itself; conductances from every node to
//! ground that are taken away step by step; sources that are turned up step by step; and a set powered up through
//! capacitors at every node, in growing time steps. All end on the circuit as it is: nothing of an aid is left in the
//! answer.

use super::newton::{Aid, Failure, Trial, iterate};
use crate::circuit::Circuit;

/// Iterations of a plain attempt.
const PLAIN: usize = 80;
/// Iterations of one step of a continuation.
const PER_STEP: usize = 40;
/// Steps of a continuation.
const STEPS: usize = 400;

/// How a bias point was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Strategy {
    /// Newton's iteration by itself.
    Newton,
    /// Conductances to ground, taken away step by step.
    ConductanceStepping,
    /// Sources turned up step by step.
    SourceStepping,
    /// Powered up in growing time steps.
    PseudoTransient,
}

impl Strategy {
    /// All of them, in the order of trying.
    pub const ALL: [Strategy; 4] =
        [Strategy::Newton, Strategy::ConductanceStepping, Strategy::SourceStepping, Strategy::PseudoTransient];
}

/// Runs one strategy from `start`; returns the point and the iterations spent.
pub(super) fn attempt(
    strategy: Strategy,
    circuit: &Circuit,
    start: &Trial,
    heat_scale: f64,
) -> Result<(Trial, usize), (usize, Failure, Trial)> {
    let plain = Aid { heat_scale, ..Aid::NONE };
    let mut walk = Walk { circuit, plain, trial: start.clone(), spent: 0 };
    let outcome = match strategy {
        Strategy::Newton => walk.solve(plain, PLAIN),
        Strategy::ConductanceStepping => walk.conductance_stepping(),
        Strategy::SourceStepping => walk.source_stepping(),
        Strategy::PseudoTransient => walk.pseudo_transient(),
    };
    match outcome {
        Ok(()) => Ok((walk.trial, walk.spent)),
        Err(failure) => Err((walk.spent, failure, walk.trial)),
    }
}

/// Lets a circuit go from a point that is no solution, in growing time steps.
pub(super) fn settle(circuit: &Circuit, from: Trial) -> Result<(Trial, usize), (usize, Failure, Trial)> {
    let mut walk = Walk { circuit, plain: Aid::NONE, trial: from, spent: 0 };
    match walk.settle() {
        Ok(()) => Ok((walk.trial, walk.spent)),
        Err(failure) => Err((walk.spent, failure, walk.trial)),
    }
}

/// Turns the heating of devices up from none, from a bias found without it; on failure returns how far it came. It gives up
/// where a step of `least` of the heating fails.
pub(super) fn heat_up(circuit: &Circuit, cold: Trial, least: f64) -> Result<(Trial, usize), (f64, Trial)> {
    let mut walk = Walk { circuit, plain: Aid::NONE, trial: cold, spent: 0 };
    let (mut at, mut stride) = (0.0, 0.1);
    for _ in 0..STEPS {
        if at >= 1.0 {
            return Ok((walk.trial, walk.spent));
        }
        let next = f64::min(at + stride, 1.0);
        match walk.solve(Aid { heat_scale: next, ..Aid::NONE }, PER_STEP) {
            Ok(()) => (at, stride) = (next, stride * 1.5),
            Err(_) if stride < least => break,
            Err(_) => stride *= 0.3,
        }
    }
    Err((at, walk.trial))
}

struct Walk<'a> {
    circuit: &'a Circuit,
    /// The circuit without the strategy's own aid.
    plain: Aid<'static>,
    trial: Trial,
    spent: usize,
}

impl Walk<'_> {
    /// Solves the aided circuit from where the walk stands; on failure it stays where it was.
    fn solve(&mut self, aid: Aid, most: usize) -> Result<(), Failure> {
        let mut trial = self.trial.clone();
        match iterate(self.circuit, aid, &mut trial, most) {
            Ok(spent) => {
                self.spent += spent;
                self.trial = trial;
                Ok(())
            }
            Err((spent, failure)) => {
                self.spent += spent;
                Err(failure)
            }
        }
    }

    fn conductance_stepping(&mut self) -> Result<(), Failure> {
        // Exponents of ten: 100 S ties every node to ground, 1e-14 S is less than any real leakage.
        let (mut at, last, mut stride) = (2.0, -14.0, 2.0);
        self.solve(Aid { siemens: 10f64.powf(at), ..self.plain }, PLAIN)?;
        for _ in 0..STEPS {
            if at <= last {
                return self.solve(self.plain, PLAIN);
            }
            let next = f64::max(at - stride, last);
            match self.solve(Aid { siemens: 10f64.powf(next), ..self.plain }, PER_STEP) {
                Ok(()) => (at, stride) = (next, f64::min(stride * 1.5, 2.0)),
                Err(failure) if stride < 1e-4 => return Err(failure),
                Err(_) => stride *= 0.3,
            }
        }
        self.solve(self.plain, PLAIN)
    }

    fn source_stepping(&mut self) -> Result<(), Failure> {
        self.trial = Trial::at(self.circuit, vec![0.0; self.trial.x.len()]);
        let (mut at, mut stride) = (0.0, 0.05);
        for _ in 0..STEPS {
            if at >= 1.0 {
                return Ok(());
            }
            let next = f64::min(at + stride, 1.0);
            let scaled = Aid { source_scale: next, ..self.plain };
            match self.solve(scaled, PER_STEP) {
                Ok(()) => (at, stride) = (next, stride * 2.0),
                Err(failure) if stride < 1e-7 => return Err(failure),
                Err(_) => stride *= 0.25,
            }
        }
        self.solve(self.plain, PLAIN)
    }

    fn pseudo_transient(&mut self) -> Result<(), Failure> {
        self.trial = Trial::at(self.circuit, vec![0.0; self.trial.x.len()]);
        self.settle()
    }

    /// Lets the circuit go from where the walk stands.
    fn settle(&mut self) -> Result<(), Failure> {
        // Capacitance over time step, S: each step pulls towards the previous one.
        let mut siemens = 1.0;
        for _ in 0..STEPS {
            let anchor = self.trial.x.clone();
            let before = self.spent;
            match self.solve(Aid { siemens, anchor: Some(&anchor), ..self.plain }, PER_STEP) {
                Ok(()) => {
                    let quick = self.spent - before < 12;
                    siemens *= if quick { 0.3 } else { 0.8 };
                    if siemens < 1e-12 && self.solve(self.plain, PLAIN).is_ok() {
                        return Ok(());
                    }
                    siemens = siemens.max(1e-16);
                }
                Err(failure) if siemens > 1e9 => return Err(failure),
                Err(_) => siemens *= 10.0,
            }
        }
        self.solve(self.plain, PLAIN)
    }
}
