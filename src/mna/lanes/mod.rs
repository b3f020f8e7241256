//! The linear solver for many frequencies: one pivot order per circuit, then a flat program replayed on eight
//! frequencies at once.
//!
//! The order is found once, by Markowitz count with threshold pivoting on sample frequencies (`order.rs`). It fixes where
//! every entry of L and U lies, so that factoring is a list of index pairs without a decision in it (`program.rs`), and
//! the eight lanes are plain arrays that the compiler keeps in vector registers (`kernel.rs`).
//!
//! When an order is found, it is tried over the whole band on a probe that touches all rows: how far pivots have grown
//! shows in its residual, whatever the right-hand side. How small each pivot then was is kept. Later factorizations with
//! pivots no smaller than that need no proof; others are tried on the probe themselves. Where its backward error exceeds
//! 1e-13 every solution is checked by itself, refined once above 1e-12, and what then still fails is refused: the caller
//! may look for another order, or leave it to the dense solver, which pivots for itself and can name what is wrong.

mod condition;
mod densities;
mod kernel;
mod order;
mod program;

use std::borrow::Cow;

use num_complex::Complex64;

use super::{LinearError, SignalEntry, SignalEquations, Unknown};

pub use densities::LanePairs;
use kernel::Matrix;
pub use kernel::Wide as LaneValue;
use kernel::Wide;
use order::Sampled;
use program::Program;

/// Frequencies solved at once.
pub const LANES: usize = 8;

/// Backward error of the probe above which solutions are checked one by one.
const TRUST_BELOW: f64 = 1e-13;
/// Backward error above which a solution is refined, and above which it is refused.
const REFINE_ABOVE: f64 = 1e-12;
/// How much smaller, squared, a pivot may become than where the order was tried, before the probe is asked again.
const SMALLER_SQUARED: f64 = 16.0;

/// Equations prepared for many frequencies.
#[derive(Clone, Debug)]
pub struct LaneSolver {
    program: Program,
    /// g and c of each entry.
    entries: Vec<(f64, f64)>,
    /// Row and column of each entry.
    places: Vec<(u32, u32)>,
    /// g and c by slot of the program, zero where nothing but fill comes.
    values: Vec<(f64, f64)>,
    /// Powers of two that bring rows and columns to about 1: orders and residuals are judged by them.
    row_scale: Vec<f64>,
    column_scale: Vec<f64>,
    /// |pivot|² that was the least where the order was tried and found good; zero otherwise.
    reference: Vec<f64>,
}

/// A(f) factored at eight frequencies.
#[derive(Debug)]
pub struct LaneFactors<'a> {
    solver: Cow<'a, LaneSolver>,
    work: LaneWork,
    hertz: [f64; LANES],
    /// Whether solutions need no check.
    trusted: bool,
}

/// Memory for factors, to be used again and again.
#[derive(Debug, Default)]
pub struct LaneWork {
    factors: Vec<Wide>,
    inverse_pivots: Vec<Wide>,
}

/// Memory for solutions, to be used again and again.
#[derive(Debug, Default)]
pub struct LaneScratch {
    /// By pivots; zero between solutions.
    right: Vec<Wide>,
    /// A bit a pivot; clear between solutions.
    reached: Vec<u64>,
    solution: LaneSolution,
}

impl LaneScratch {
    /// The last solution.
    pub fn solution(&self) -> &[Wide] {
        &self.solution
    }

    /// The last solution, to be worked on.
    pub fn solution_mut(&mut self) -> &mut LaneSolution {
        &mut self.solution
    }
}

/// A solution at eight frequencies, ground first; indexed by unknown.
pub type LaneSolution = Vec<Wide>;

impl LaneSolver {
    /// Finds a pivot order that suits all of `sample_hertz`.
    ///
    /// # Errors
    /// [`LinearError::Singular`] names an unknown that nothing determines, [`LinearError::NotFinite`] one whose
    /// equation holds an infinite value.
    pub fn new(equations: &SignalEquations, sample_hertz: [f64; 3]) -> Result<Self, LinearError> {
        let n = equations.unknowns;
        let omegas = sample_hertz.map(|hertz| std::f64::consts::TAU * hertz);
        let position = |unknown: Unknown| unknown.0 - 1;
        let places: Vec<(u32, u32)> =
            equations.entries.iter().map(|entry| (position(entry.row), position(entry.column))).collect();
        let size = |at: usize| {
            let entry = &equations.entries[at];
            omegas.iter().map(|omega| entry.g.abs() + omega * entry.c.abs()).fold(0.0, f64::max)
        };
        if let Some(entry) = equations.entries.iter().find(|entry| !(entry.g + entry.c).is_finite()) {
            return Err(LinearError::NotFinite(entry.row));
        }
        let row_scale = scales(n, places.iter().enumerate().map(|(at, &(row, _))| (row, size(at))))?;
        let column_scale = scales(
            n,
            places.iter().enumerate().map(|(at, &(row, column))| (column, size(at) * row_scale[row as usize])),
        )?;
        let entries: Vec<(f64, f64)> = equations.entries.iter().map(|entry| (entry.g, entry.c)).collect();
        let sampled: Vec<Sampled> = entries
            .iter()
            .zip(&places)
            .map(|(&(g, c), &(row, column))| {
                let scale = row_scale[row as usize] * column_scale[column as usize];
                ((row, column), omegas.map(|omega| Complex64::new(g, omega * c) * scale))
            })
            .collect();
        let order = order::order(n, &sampled).map_err(|row| LinearError::Singular(Unknown(row + 1)))?;
        let program = Program::new(order, &places);
        let mut values = vec![(0.0, 0.0); program.slots()];
        entries.iter().zip(program.entry_slots()).for_each(|(&entry, &slot)| values[slot as usize] = entry);
        let mut solver = Self { program, entries, places, values, row_scale, column_scale, reference: vec![0.0; n] };
        solver.reference = solver.tried(sample_hertz).unwrap_or_else(|| vec![f64::INFINITY; n]);
        Ok(solver)
    }

    /// Takes the values of equations with the same pattern, whatever they are: no pivot is known to be good then. False,
    /// and nothing done, where the pattern is another one.
    pub fn take_values(&mut self, equations: &SignalEquations) -> bool {
        let same = |(entry, place): (&SignalEntry, &(u32, u32))| (entry.row.0 - 1, entry.column.0 - 1) == *place;
        if equations.entries.len() != self.places.len() || !equations.entries.iter().zip(&self.places).all(same) {
            return false;
        }
        for ((entry, known), &slot) in equations.entries.iter().zip(&mut self.entries).zip(self.program.entry_slots()) {
            *known = (entry.g, entry.c);
            self.values[slot as usize] = *known;
        }
        self.reference.fill(f64::INFINITY);
        true
    }

    /// Entries of the factors L and U together.
    pub fn slots(&self) -> usize {
        self.program.slots()
    }

    /// Products in one factorization.
    pub fn pairs(&self) -> usize {
        self.program.pairs.len()
    }

    /// Whether the order proved good all over the band it was found for.
    pub fn is_proven(&self) -> bool {
        self.reference.iter().all(|pivot| pivot.is_finite())
    }

    /// Factors A(f) at eight frequencies; `None` where the order found at the samples does not serve.
    pub fn factor(&self, hertz: [f64; LANES]) -> Option<LaneFactors<'_>> {
        factored(Cow::Borrowed(self), LaneWork::default(), hertz).ok()
    }

    /// As [`LaneSolver::factor`], in memory that is there already; it comes back on failure, and from
    /// [`LaneFactors::into_work`].
    ///
    /// # Errors
    /// The memory, where the order found at the samples does not serve.
    pub fn factor_in(&self, work: LaneWork, hertz: [f64; LANES]) -> Result<LaneFactors<'_>, LaneWork> {
        factored(Cow::Borrowed(self), work, hertz)
    }

    /// As [`LaneSolver::factor`], for a solver that serves once.
    pub fn into_factors(self, hertz: [f64; LANES]) -> Option<LaneFactors<'static>> {
        factored(Cow::Owned(self), LaneWork::default(), hertz).ok()
    }

    /// The squares of the least pivots over the band, if the probe finds the order good all over it.
    fn tried(&self, samples: [f64; 3]) -> Option<Vec<f64>> {
        let (low, high) =
            samples.iter().fold((f64::INFINITY, 0.0), |(low, high), &hertz| (hertz.min(low), hertz.max(high)));
        let step = (high / low).powf(1.0 / (LANES - 1) as f64);
        let factors = self.factor(std::array::from_fn(|lane| low * step.powi(lane as i32)))?;
        let least = |inverse: &Wide| inverse.norm_sqr().into_iter().fold(0.0, f64::max).recip();
        let pivots: Vec<f64> = factors.work.inverse_pivots.iter().map(least).collect();
        (factors.trusted && pivots.iter().all(|pivot| pivot.is_finite())).then_some(pivots)
    }
}

fn factored(solver: Cow<'_, LaneSolver>, mut work: LaneWork, hertz: [f64; LANES]) -> Result<LaneFactors<'_>, LaneWork> {
    work.factors.resize(solver.values.len(), Wide::ZERO);
    work.inverse_pivots.resize(solver.row_scale.len(), Wide::ZERO);
    let omegas = hertz.map(|hertz| std::f64::consts::TAU * hertz);
    let LaneWork { factors, inverse_pivots } = &mut work;
    let growth = kernel::factor(&solver.program, &solver.values, omegas, &solver.reference, factors, inverse_pivots);
    // Also not a number for an unproven order whose reference is infinite: no pivot is known to be good.
    if !inverse_pivots.iter().all(Wide::is_finite) {
        return Err(work);
    }
    let mut factored = LaneFactors { solver, work, hertz, trusted: true };
    let proven = growth.iter().all(|&growth| growth > 0.0 && growth <= SMALLER_SQUARED);
    factored.trusted = proven || factored.probe() <= TRUST_BELOW;
    Ok(factored)
}

impl LaneFactors<'_> {
    /// The memory, for the next factorization.
    pub fn into_work(self) -> LaneWork {
        self.work
    }

    /// ln|det A(f)| of each lane.
    pub fn log_determinants(&self) -> [f64; LANES] {
        kernel::log_of_products(&self.work.inverse_pivots).map(|logarithm| -0.5 * logarithm)
    }

    /// Solves Aᵀ·z = e(plus) − e(minus) in every lane; `None` where no accurate solution came out.
    pub fn adjoint(&self, plus: Unknown, minus: Unknown) -> Option<LaneSolution> {
        let mut scratch = LaneScratch::default();
        self.adjoint_in(plus, minus, &mut scratch)?;
        Some(scratch.solution)
    }

    /// As [`LaneFactors::adjoint`], in memory that is there already.
    pub fn adjoint_in<'s>(
        &self,
        plus: Unknown,
        minus: Unknown,
        scratch: &'s mut LaneScratch,
    ) -> Option<&'s mut [Wide]> {
        self.fit(scratch);
        for (unknown, sign) in [(plus, 1.0), (minus, -1.0)] {
            if unknown != Unknown::GROUND {
                let pivot = self.solver.program.pivot_of_column[unknown.index() - 1] as usize;
                let value = &mut scratch.right[pivot];
                value.re = value.re.map(|value| value + sign);
                scratch.reached[pivot / 64] |= 1 << (pivot % 64);
            }
        }
        self.transposed(scratch);
        if !self.trusted {
            let mut right = vec![Wide::ZERO; scratch.solution.len()];
            for (unknown, sign) in [(plus, 1.0), (minus, -1.0)] {
                let value = &mut right[unknown.index()];
                value.re = value.re.map(|value| value + sign);
            }
            right[0] = Wide::ZERO;
            self.check(&right, scratch, true)?;
        }
        Some(&mut scratch.solution)
    }

    /// Solves A·x = b in every lane for a real right-hand side of length unknowns + 1; `None` as [`LaneFactors::adjoint`].
    pub fn forward(&self, right: &[f64]) -> Option<LaneSolution> {
        let mut scratch = LaneScratch::default();
        self.fit(&mut scratch);
        let wide: Vec<Wide> = right.iter().map(|&value| Wide { re: [value; LANES], im: [0.0; LANES] }).collect();
        self.solve(&wide, &mut scratch, false);
        if !self.trusted {
            self.check(&wide, &mut scratch, false)?;
        }
        Some(scratch.solution)
    }

    fn fit(&self, scratch: &mut LaneScratch) {
        let n = self.solver.row_scale.len();
        if scratch.right.len() != n {
            *scratch = LaneScratch {
                right: vec![Wide::ZERO; n],
                reached: vec![0; n.div_ceil(64)],
                solution: vec![Wide::ZERO; n + 1],
            };
        }
    }

    /// Backward error of a solution for a right-hand side without zeros or pattern.
    fn probe(&self) -> f64 {
        let mut scratch = LaneScratch::default();
        self.fit(&mut scratch);
        let mut right = vec![Wide::ZERO];
        right.extend(self.solver.column_scale.iter().enumerate().map(|(at, scale)| Wide {
            re: [(1.0 + (at % 7) as f64 / 7.0) / scale; LANES],
            im: [((at % 5) as f64 / 5.0 - 0.3) / scale; LANES],
        }));
        self.solve(&right, &mut scratch, true);
        self.residual(&right, &scratch.solution, true).1
    }

    /// One solution for a right-hand side with ground in front, into the scratch.
    fn solve(&self, right: &[Wide], scratch: &mut LaneScratch, transposed: bool) {
        let program = &self.solver.program;
        let order = if transposed { &program.columns } else { &program.rows };
        scratch.right.iter_mut().zip(order).for_each(|(value, &at)| *value = right[at as usize + 1]);
        if transposed {
            for pivot in 0..scratch.right.len() {
                scratch.reached[pivot / 64] |= 1 << (pivot % 64);
            }
            self.transposed(scratch);
        } else {
            let LaneWork { factors, inverse_pivots } = &self.work;
            kernel::solve(program, factors, inverse_pivots, &mut scratch.right, &mut scratch.solution);
        }
    }

    fn transposed(&self, scratch: &mut LaneScratch) {
        let LaneWork { factors, inverse_pivots } = &self.work;
        let LaneScratch { right, reached, solution } = scratch;
        kernel::solve_transposed(&self.solver.program, factors, inverse_pivots, right, reached, solution);
    }

    /// Checks a solution against the scaled equations and refines it once where that is needed.
    fn check(&self, right: &[Wide], scratch: &mut LaneScratch, transposed: bool) -> Option<()> {
        let (residual, error) = self.residual(right, &scratch.solution, transposed);
        if error <= REFINE_ABOVE {
            return Some(());
        }
        let once = scratch.solution.clone();
        self.solve(&residual, scratch, transposed);
        scratch.solution.iter_mut().zip(once).for_each(|(step, value)| *step = value.plus(step));
        let (_, error) = self.residual(right, &scratch.solution, transposed);
        (error <= REFINE_ABOVE).then_some(())
    }

    /// right − A·x (or with Aᵀ), and in the scaled equations its largest row over the largest of x and of the right-hand
    /// side (the scaled matrix itself is about 1), of the worst lane.
    fn residual(&self, right: &[Wide], x: &[Wide], transposed: bool) -> (Vec<Wide>, f64) {
        let solver = &self.solver;
        let matrix = Matrix {
            entries: &solver.entries,
            places: &solver.places,
            transposed,
            omegas: self.hertz.map(|hertz| std::f64::consts::TAU * hertz),
        };
        let mut residual = right.to_vec();
        kernel::subtract_products(matrix, x, &mut residual);
        if !residual.iter().all(Wide::is_finite) {
            return (residual, f64::INFINITY);
        }
        let (of_equations, of_unknowns) = match transposed {
            true => (&solver.column_scale, &solver.row_scale),
            false => (&solver.row_scale, &solver.column_scale),
        };
        let left = largest(residual[1..].iter().zip(of_equations).map(|(value, &scale)| value.times(scale)));
        let given = largest(right[1..].iter().zip(of_equations).map(|(value, &scale)| value.times(scale)));
        let solved = largest(x[1..].iter().zip(of_unknowns).map(|(value, &scale)| value.times(scale.recip())));
        let lanes = (0..LANES).map(|lane| left[lane] / f64::max(solved[lane], given[lane]).max(f64::MIN_POSITIVE));
        let error = lanes.fold(0.0, f64::max);
        (residual, error)
    }
}

/// The largest size of each lane.
fn largest(values: impl Iterator<Item = Wide>) -> [f64; LANES] {
    let mut largest = [0.0f64; LANES];
    for value in values {
        largest.iter_mut().zip(value.size()).for_each(|(largest, size)| *largest = largest.max(size));
    }
    largest
}

/// Powers of two that bring the largest entry of each row (or column) to about 1.
fn scales(n: usize, sizes: impl Iterator<Item = (u32, f64)>) -> Result<Vec<f64>, LinearError> {
    let mut largest = vec![0.0f64; n];
    for (at, size) in sizes {
        let largest = &mut largest[at as usize];
        *largest = largest.max(size);
    }
    let unfed = largest.iter().position(|&size| size == 0.0);
    match unfed {
        Some(at) => {
            Err(LinearError::Singular(Unknown(u32::try_from(at + 1).expect("unknowns are numbered in 32 bits"))))
        }
        None => Ok(largest.into_iter().map(|size| (-size.log2().round()).exp2()).collect()),
    }
}
