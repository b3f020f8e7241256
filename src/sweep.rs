//! The linearised circuit over many frequencies: eight at once, on one pivot order.
//!
//! Where the order does not serve at some frequency, the dense solver answers instead: it pivots for itself, and names
//! what is wrong.

use num_complex::Complex64;

use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::mna::{LANES, LaneFactors, LaneSolution, LaneSolver, LaneValue, NodeId};
use crate::smallsignal::{SmallSignal, Stimulus};

/// A circuit prepared for a band of frequencies.
#[derive(Debug)]
pub struct Sweep<'a> {
    circuit: &'a Circuit,
    signal: &'a SmallSignal,
    solver: Option<LaneSolver>,
}

impl<'a> Sweep<'a> {
    /// Prepares for frequencies between `from_hz` and `to_hz`, above zero.
    pub fn new(circuit: &'a Circuit, signal: &'a SmallSignal, [from_hz, to_hz]: [f64; 2]) -> Self {
        let samples = [from_hz, (from_hz * to_hz).sqrt(), to_hz];
        Self { circuit, signal, solver: LaneSolver::new(&signal.equations, samples).ok() }
    }

    /// The circuit.
    pub fn circuit(&self) -> &'a Circuit {
        self.circuit
    }

    /// The same linearised.
    pub fn signal(&self) -> &'a SmallSignal {
        self.signal
    }

    /// The equations at eight frequencies, Hz.
    pub fn at(&'a self, hertz: [f64; LANES]) -> SweepPoint<'a> {
        SweepPoint { sweep: self, hertz, factors: self.solver.as_ref().and_then(|solver| solver.factor(hertz)) }
    }
}

/// The equations factored at eight frequencies.
#[derive(Debug)]
pub struct SweepPoint<'a> {
    sweep: &'a Sweep<'a>,
    hertz: [f64; LANES],
    factors: Option<LaneFactors<'a>>,
}

impl SweepPoint<'_> {
    /// Whether the equations are factored in lanes; else, and for single solutions that fail, the dense solver answers.
    pub fn is_in_lanes(&self) -> bool {
        self.factors.is_some()
    }

    /// The frequencies, Hz.
    pub fn hertz(&self) -> [f64; LANES] {
        self.hertz
    }

    /// Transfer from a current into any unknown's equation to the voltage of `plus` against `minus`, as
    /// [`SmallSignal::adjoint`].
    ///
    /// # Errors
    /// [`SolveError::Singular`] names the unknown that nothing determines.
    pub fn adjoint(&self, plus: NodeId, minus: NodeId) -> Result<LaneSolution, SolveError> {
        let Sweep { circuit, signal, .. } = self.sweep;
        match self.factors.as_ref().and_then(|factors| factors.adjoint(plus.into(), minus.into())) {
            Some(solution) => Ok(self.restored(solution)),
            None => self.dense(|hertz| {
                let factored = signal.factor(circuit, hertz)?;
                signal.adjoint(circuit, &factored, plus, minus, hertz)
            }),
        }
    }

    /// Transfer to all unknowns from a stimulus, as [`SmallSignal::forward`].
    ///
    /// # Errors
    /// As [`SweepPoint::adjoint`].
    pub fn forward(&self, stimulus: &Stimulus) -> Result<LaneSolution, SolveError> {
        let Sweep { circuit, signal, .. } = self.sweep;
        let right = || stimulus.right(&signal.equations);
        match self.factors.as_ref().and_then(|factors| factors.forward(&right())) {
            Some(solution) => Ok(self.restored(solution)),
            None => self.dense(|hertz| {
                let factored = signal.factor(circuit, hertz)?;
                signal.forward(circuit, &factored, stimulus, hertz)
            }),
        }
    }

    /// Transfer to all unknowns from currents into every unknown's equation, by nodes and with ground first, other ones in
    /// every lane.
    ///
    /// # Errors
    /// As [`SweepPoint::adjoint`].
    pub fn solve(&self, right: &[LaneValue]) -> Result<LaneSolution, SolveError> {
        let Sweep { circuit, signal, .. } = self.sweep;
        let solved = self.factors.as_ref().and_then(|factors| {
            let mut settled = right.to_vec();
            for (inner, pin) in signal.equations.drops() {
                let into_inner = settled[inner.index()];
                settled[pin.index()] = settled[pin.index()].plus(&into_inner);
                settled[inner.index()] = into_inner.times(-1.0);
            }
            factors.solve(&settled)
        });
        match solved {
            Some(solution) => Ok(self.restored(solution)),
            None => self.dense_by_lane(|lane, hertz| {
                let factored = signal.factor(circuit, hertz)?;
                let right = right.iter().map(|value| Complex64::new(value.re[lane], value.im[lane])).collect();
                signal.solve(circuit, &factored, right, hertz)
            }),
        }
    }

    /// ln|det A(f)| of each lane.
    ///
    /// # Errors
    /// As [`SweepPoint::adjoint`].
    pub fn log_determinants(&self) -> Result<[f64; LANES], SolveError> {
        if let Some(factors) = &self.factors {
            return Ok(factors.log_determinants());
        }
        let mut logarithms = [0.0; LANES];
        for (logarithm, hertz) in logarithms.iter_mut().zip(self.hertz) {
            *logarithm = self.sweep.signal.factor(self.sweep.circuit, hertz)?.log_determinant();
        }
        Ok(logarithms)
    }

    fn restored(&self, mut solution: LaneSolution) -> LaneSolution {
        for (inner, pin) in self.sweep.signal.equations.drops() {
            solution[inner.index()] = solution[pin.index()].minus(&solution[inner.index()]);
        }
        solution
    }

    fn dense(&self, solve: impl Fn(f64) -> Result<Vec<Complex64>, SolveError>) -> Result<LaneSolution, SolveError> {
        self.dense_by_lane(|_, hertz| solve(hertz))
    }

    fn dense_by_lane(
        &self,
        solve: impl Fn(usize, f64) -> Result<Vec<Complex64>, SolveError>,
    ) -> Result<LaneSolution, SolveError> {
        let mut lanes = vec![LaneValue::ZERO; self.sweep.signal.equations.unknowns + 1];
        for (lane, hertz) in self.hertz.into_iter().enumerate() {
            for (value, solved) in lanes.iter_mut().zip(solve(lane, hertz)?) {
                (value.re[lane], value.im[lane]) = (solved.re, solved.im);
            }
        }
        Ok(lanes)
    }
}
