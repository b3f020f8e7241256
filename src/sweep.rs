//! The linearised circuit over many frequencies: eight at once, on one pivot order.
//!
//! Where no single order serves all of a very wide band, its parts get orders of their own; where the order does not serve
//! at some frequency after all, a fresh one is found there, and after that the dense solver answers: it pivots for itself,
//! and names what is wrong.

use num_complex::Complex64;

use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::mna::{
    LANES, LaneFactors, LaneScratch, LaneSolution, LaneSolver, LaneValue, LaneWork, NodeId, SignalEquations,
};
use crate::smallsignal::{SmallSignal, Stimulus};

/// Halvings of a band, on the logarithm of frequency, in search of orders that serve in all of their part.
const HALVINGS: usize = 3;

/// A circuit prepared for a band of frequencies.
#[derive(Debug)]
pub struct Sweep<'a> {
    circuit: &'a Circuit,
    signal: &'a SmallSignal,
    /// Parts of the band by their upper end, Hz, ascending, and an order for each.
    parts: Vec<(f64, LaneSolver)>,
}

impl<'a> Sweep<'a> {
    /// Prepares for frequencies between `from_hz` and `to_hz`, above zero.
    pub fn new(circuit: &'a Circuit, signal: &'a SmallSignal, band_hz: [f64; 2]) -> Self {
        let mut parts = Vec::new();
        add_orders(&signal.equations, band_hz, HALVINGS, &mut parts);
        Self { circuit, signal, parts }
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
        self.at_in(LaneWork::default(), hertz)
    }

    /// As [`Sweep::at`], in memory that comes back from [`SweepPoint::into_work`].
    pub fn at_in(&'a self, work: LaneWork, hertz: [f64; LANES]) -> SweepPoint<'a> {
        let middle = (hertz[0] * hertz[LANES - 1]).sqrt();
        let part = self.parts.iter().find(|(upper, _)| middle <= *upper).or(self.parts.last());
        let factors = part.and_then(|(_, solver)| solver.factor_in(work, hertz).ok());
        SweepPoint { sweep: self, hertz, factors: factors.or_else(|| self.in_fresh_order(hertz)) }
    }

    /// With an order of these frequencies' own.
    fn in_fresh_order(&self, hertz: [f64; LANES]) -> Option<LaneFactors<'static>> {
        let samples = [hertz[0], hertz[LANES / 2], hertz[LANES - 1]];
        LaneSolver::new(&self.signal.equations, samples).ok()?.into_factors(hertz)
    }
}

/// Orders for a band, in parts where no single one proves good all over it.
fn add_orders(equations: &SignalEquations, [from, to]: [f64; 2], halvings: usize, parts: &mut Vec<(f64, LaneSolver)>) {
    let middle = (from * to).sqrt();
    let Ok(solver) = LaneSolver::new(equations, [from, middle, to]) else { return };
    // Within a decade the entries hardly change: another order would be the same.
    if solver.serves() || halvings == 0 || to < 10.0 * from {
        parts.push((to, solver));
        return;
    }
    add_orders(equations, [from, middle], halvings - 1, parts);
    add_orders(equations, [middle, to], halvings - 1, parts);
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

    /// The memory, for the next frequencies.
    pub fn into_work(self) -> LaneWork {
        self.factors.map_or_else(LaneWork::default, LaneFactors::into_work)
    }

    /// Transfer from a current into any unknown's equation to the voltage of `plus` against `minus`, as
    /// [`SmallSignal::adjoint`].
    ///
    /// # Errors
    /// [`SolveError::Singular`] names the unknown that nothing determines.
    pub fn adjoint(&self, plus: NodeId, minus: NodeId) -> Result<LaneSolution, SolveError> {
        Ok(self.adjoint_in(plus, minus, &mut LaneScratch::default())?.to_vec())
    }

    /// As [`SweepPoint::adjoint`], in memory that is there already.
    ///
    /// # Errors
    /// As [`SweepPoint::adjoint`].
    pub fn adjoint_in<'s>(
        &self,
        plus: NodeId,
        minus: NodeId,
        scratch: &'s mut LaneScratch,
    ) -> Result<&'s [LaneValue], SolveError> {
        let Sweep { circuit, signal, .. } = self.sweep;
        let (from, to) = (plus.into(), minus.into());
        let solved = self.factors.as_ref().is_some_and(|factors| factors.adjoint_in(from, to, scratch).is_some());
        let solved = solved
            || self.sweep.in_fresh_order(self.hertz).is_some_and(|own| own.adjoint_in(from, to, scratch).is_some());
        if solved {
            self.restore(scratch.solution_mut());
        } else {
            *scratch.solution_mut() = self.dense(|hertz| {
                let factored = signal.factor(circuit, hertz)?;
                signal.adjoint(circuit, &factored, plus, minus, hertz)
            })?;
        }
        Ok(scratch.solution())
    }

    /// Transfer to all unknowns from a stimulus, as [`SmallSignal::forward`].
    ///
    /// # Errors
    /// As [`SweepPoint::adjoint`].
    pub fn forward(&self, stimulus: &Stimulus) -> Result<LaneSolution, SolveError> {
        let Sweep { circuit, signal, .. } = self.sweep;
        let right = || stimulus.right(&signal.equations);
        let solution = self.factors.as_ref().and_then(|factors| factors.forward(&right()));
        match solution.or_else(|| self.sweep.in_fresh_order(self.hertz)?.forward(&right())) {
            Some(mut solution) => {
                self.restore(&mut solution);
                Ok(solution)
            }
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
        let mut settled = right.to_vec();
        for (inner, pin) in signal.equations.drops() {
            let into_inner = settled[inner.index()];
            settled[pin.index()] = settled[pin.index()].plus(&into_inner);
            settled[inner.index()] = into_inner.times(-1.0);
        }
        settled[0] = LaneValue::ZERO;
        let solution = self.factors.as_ref().and_then(|factors| factors.forward_each(&settled));
        match solution.or_else(|| self.sweep.in_fresh_order(self.hertz)?.forward_each(&settled)) {
            Some(mut solution) => {
                self.restore(&mut solution);
                Ok(solution)
            }
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

    fn restore(&self, solution: &mut [LaneValue]) {
        for (inner, pin) in self.sweep.signal.equations.drops() {
            solution[inner.index()] = solution[pin.index()].minus(&solution[inner.index()]);
        }
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
