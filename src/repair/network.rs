//! The linearised circuit at one frequency with parts taken out or put in, and nodes that belong together.

use num_complex::Complex64;

use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::mna::{Factored, LinearError, NodeId, SignalEquations, Unknown};
use crate::operating::Operating;
use crate::smallsignal::Stimulus;

/// A gain at a frequency.
#[derive(Clone, Debug)]
pub(super) struct Measured {
    pub stimulus: Stimulus,
    pub output: [NodeId; 2],
    pub hertz: f64,
}

/// The equations at one frequency.
#[derive(Clone, Debug)]
pub(super) struct Network<'a> {
    equations: &'a SignalEquations,
    entries: Vec<(Unknown, Unknown, Complex64)>,
    hertz: f64,
}

impl<'a> Network<'a> {
    pub fn of(operating: &'a Operating, hertz: f64) -> Self {
        let omega = std::f64::consts::TAU * hertz;
        let equations = &operating.signal.equations;
        let entries = equations.entries.iter();
        let entries = entries.map(|entry| (entry.row, entry.column, Complex64::new(entry.g, omega * entry.c)));
        Self { equations, entries: entries.collect(), hertz }
    }

    /// Puts an admittance between two nodes.
    pub fn shunt(&mut self, [a, b]: [NodeId; 2], siemens: Complex64) {
        for (row, column, value) in [(a, a, siemens), (b, b, siemens), (a, b, -siemens), (b, a, -siemens)] {
            if row != NodeId::GROUND && column != NodeId::GROUND {
                self.entries.push((row.into(), column.into(), value));
            }
        }
    }

    /// Makes an unknown zero, whatever its own equation says.
    pub fn fix(&mut self, unknown: Unknown) {
        self.entries.retain(|(row, ..)| *row != unknown);
        self.entries.push((unknown, unknown, Complex64::from(1.0)));
    }

    pub fn factor(&self, circuit: &'a Circuit) -> Result<Solvable<'a>, SolveError> {
        let factored = Factored::new(self.equations.unknowns, self.entries.iter().copied());
        let factored = factored.map_err(|error| singular(circuit, error, self.hertz))?;
        Ok(Solvable { circuit, equations: self.equations, factored, hertz: self.hertz })
    }
}

/// The equations, factored. What it returns are volts of nodes; those of inner nodes are drops.
pub(super) struct Solvable<'a> {
    circuit: &'a Circuit,
    equations: &'a SignalEquations,
    factored: Factored<Complex64>,
    hertz: f64,
}

impl Solvable<'_> {
    pub fn driven(&self, stimulus: &Stimulus) -> Result<Vec<Complex64>, SolveError> {
        let right: Vec<Complex64> = stimulus.right(self.equations).into_iter().map(Complex64::from).collect();
        self.factored.solve(&right).map_err(|error| singular(self.circuit, error, self.hertz))
    }

    /// One ampere that enters the first node and leaves the second.
    pub fn fed_at(&self, [a, b]: [NodeId; 2]) -> Result<Vec<Complex64>, SolveError> {
        self.driven(&Stimulus::current(b.into(), a.into()))
    }
}

/// Volts of the first node against the second.
pub(super) fn between(volts: &[Complex64], [a, b]: [NodeId; 2]) -> Complex64 {
    volts[a.index()] - volts[b.index()]
}

fn singular(circuit: &Circuit, error: LinearError, hertz: f64) -> SolveError {
    let (LinearError::NotFinite(unknown) | LinearError::Singular(unknown)) = error;
    SolveError::Singular { unknown: circuit.describe_unknown(unknown), frequency_hz: Some(hertz), reason: None }
}

/// Things that belong together.
pub(super) struct Groups {
    above: Vec<usize>,
}

impl Groups {
    pub fn new(size: usize) -> Self {
        Self { above: (0..size).collect() }
    }

    pub fn root(&self, one: NodeId) -> NodeId {
        let mut at = one.index();
        while self.above[at] != at {
            at = self.above[at];
        }
        NodeId(u32::try_from(at).expect("nodes are numbered in 32 bits"))
    }

    pub fn joined(&self, a: NodeId, b: NodeId) -> bool {
        self.root(a) == self.root(b)
    }

    pub fn join(&mut self, a: NodeId, b: NodeId) {
        let (a, b) = (self.root(a).index(), self.root(b).index());
        self.above[a.max(b)] = a.min(b);
    }
}
