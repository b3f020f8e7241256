//! The linear solver for many frequencies: one pivot order per circuit, then a flat program replayed on eight
//! frequencies at once.
//!
//! The order is found once, by Markowitz count with threshold pivoting on sample frequencies (`order.rs`). It fixes where
//! every entry of L and U lies, so that factoring is a list of index pairs without a decision in it (`program.rs`), and
//! the eight lanes are plain arrays that the compiler keeps in vector registers (`kernel.rs`).
//!
//! When an order is found, it is tried over the whole band on a probe that touches all rows: how far pivots have grown
//! shows in its residual, how well the equations determine their solution in what refinement adds to it. How small each
//! pivot then was is kept. Later factorizations with pivots no smaller than that need no proof; others are tried on the
//! probe themselves. Where it fails, every solution is refined against residuals in twice the precision until nothing more
//! is added (`extended.rs`), and what does not settle is refused: the caller may look for another order, or leave it to
//! the dense solver, which pivots for itself and can name what is wrong.

mod arithmetic;
mod condition;
mod densities;
mod extended;
mod kernel;
mod number;
mod order;
mod pattern;
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

/// Backward error of the probe above which solutions are refined one by one.
const TRUST_BELOW: f64 = 1e-13;
/// What refinement may add to the probe, as a fraction of it, before all solutions are refined: less than half of what
/// densities may be wrong by.
const ADDED_AT_MOST: f64 = 2e-11;
/// What refinement adds when a solution has settled, and when it is still accepted; both as fractions of it.
const SETTLED: f64 = 1e-14;
const ACCEPTED: f64 = 1e-11;
/// Refinement steps at most.
const REFINEMENTS: usize = 6;
/// Backward error above which a rough solution is refined, and above which it is refused.
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
    /// Largest sum of sizes over a row, and over a column, of the scaled matrix at the highest sample.
    norms: [f64; 2],
    /// |pivot|² that was the least where the order was tried and its solutions found accurate; infinite otherwise.
    reference: Vec<f64>,
    /// Whether pivots did not grow anywhere the order was tried.
    serves: bool,
}

/// A(f) factored at eight frequencies.
#[derive(Debug)]
pub struct LaneFactors<'a> {
    solver: Cow<'a, LaneSolver>,
    work: LaneWork,
    hertz: [f64; LANES],
    /// Whether pivots did not grow.
    serves: bool,
    /// Whether solutions need no refinement.
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
        let mut sums = [vec![0.0; n], vec![0.0; n]];
        for (at, &(row, column)) in places.iter().enumerate() {
            let scaled = size(at) * row_scale[row as usize] * column_scale[column as usize];
            sums[0][row as usize] += scaled;
            sums[1][column as usize] += scaled;
        }
        let norms = sums.map(|sums| sums.into_iter().fold(0.0, f64::max));
        let mut values = vec![(0.0, 0.0); program.slots()];
        entries.iter().zip(program.entry_slots()).for_each(|(&entry, &slot)| values[slot as usize] = entry);
        let mut solver = Self {
            program,
            entries,
            places,
            values,
            row_scale,
            column_scale,
            norms,
            reference: vec![f64::INFINITY; n],
            serves: false,
        };
        solver.try_over(sample_hertz);
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
    pub fn serves(&self) -> bool {
        self.serves
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

    /// Tries the order all over the band, and keeps the squares of the least pivots where solutions were accurate.
    fn try_over(&mut self, samples: [f64; 3]) {
        let low = samples.iter().copied().fold(f64::INFINITY, f64::min);
        let high = samples.iter().copied().fold(0.0, f64::max);
        let step = (high / low).powf(1.0 / (LANES - 1) as f64);
        let Some(factors) = self.factor(std::array::from_fn(|lane| low * step.powi(lane as i32))) else { return };
        let least = |inverse: &Wide| inverse.norm_sqr().into_iter().fold(0.0, f64::max).recip();
        let pivots: Vec<f64> = factors.work.inverse_pivots.iter().map(least).collect();
        let (serves, trusted) = (factors.serves, factors.trusted);
        self.serves = serves;
        if trusted && pivots.iter().all(|pivot| pivot.is_finite()) {
            self.reference = pivots;
        }
    }

    /// Solves A·x = b at one frequency for a real matrix, where a rough solution does; `None` where pivots grew.
    pub fn solve_roughly(&self, right: &[f64], hertz: f64) -> Option<Vec<f64>> {
        let factors = untried(Cow::Borrowed(self), LaneWork::default(), [hertz; LANES]).ok()?.0;
        let mut scratch = LaneScratch::default();
        factors.fit(&mut scratch);
        let wide: Vec<Wide> = right.iter().map(|&value| Wide { re: [value; LANES], im: [0.0; LANES] }).collect();
        factors.solve(&wide, &mut scratch, false);
        factors.check(&wide, &mut scratch, false)?;
        Some(scratch.solution.iter().map(|value| value.re[0]).collect())
    }
}

fn factored(solver: Cow<'_, LaneSolver>, work: LaneWork, hertz: [f64; LANES]) -> Result<LaneFactors<'_>, LaneWork> {
    let (mut factored, growth) = untried(solver, work, hertz)?;
    if growth.iter().any(|&growth| growth.is_nan() || growth > SMALLER_SQUARED) {
        let (error, added) = factored.probe();
        factored.serves = error <= TRUST_BELOW;
        factored.trusted = factored.serves && added <= ADDED_AT_MOST;
    }
    Ok(factored)
}

/// The factors, and the largest |1/pivot|² over that of the reference, lane by lane.
fn untried(
    solver: Cow<'_, LaneSolver>,
    mut work: LaneWork,
    hertz: [f64; LANES],
) -> Result<(LaneFactors<'_>, [f64; LANES]), LaneWork> {
    work.factors.resize(solver.values.len(), Wide::ZERO);
    work.inverse_pivots.resize(solver.row_scale.len(), Wide::ZERO);
    let omegas = hertz.map(|hertz| std::f64::consts::TAU * hertz);
    let LaneWork { factors, inverse_pivots } = &mut work;
    let growth = kernel::factor(&solver.program, &solver.values, omegas, &solver.reference, factors, inverse_pivots);
    // Not a number also where no pivot is known to be good yet.
    let doubtful = growth.iter().any(|growth| !growth.is_finite());
    if doubtful && !inverse_pivots.iter().all(Wide::is_finite) {
        return Err(work);
    }
    Ok((LaneFactors { solver, work, hertz, serves: true, trusted: true }, growth))
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
            self.refine(&right, scratch, true)?;
        }
        Some(&mut scratch.solution)
    }

    /// Solves A·x = b in every lane for a real right-hand side of length unknowns + 1; `None` as [`LaneFactors::adjoint`].
    pub fn forward(&self, right: &[f64]) -> Option<LaneSolution> {
        let wide: Vec<Wide> = right.iter().map(|&value| Wide { re: [value; LANES], im: [0.0; LANES] }).collect();
        self.forward_each(&wide)
    }

    /// Solves A·x = b for a right-hand side of each lane's own, ground first and zero; `None` as [`LaneFactors::adjoint`].
    pub fn forward_each(&self, right: &[LaneValue]) -> Option<LaneSolution> {
        self.each(right, false)
    }

    /// Solves Aᵀ·x = b (transposed, not conjugated), as [`LaneFactors::forward_each`].
    pub fn transposed_each(&self, right: &[LaneValue]) -> Option<LaneSolution> {
        self.each(right, true)
    }

    fn each(&self, right: &[Wide], transposed: bool) -> Option<LaneSolution> {
        let mut scratch = LaneScratch::default();
        self.fit(&mut scratch);
        self.solve(right, &mut scratch, transposed);
        if !self.trusted {
            self.refine(right, &mut scratch, transposed)?;
        }
        Some(scratch.solution)
    }

    /// Solves A·x = b for a right-hand side of each lane's own, ground first, refined until it has settled; `None` as
    /// [`LaneFactors::adjoint`].
    pub fn refined(&self, right: &[LaneValue]) -> Option<LaneSolution> {
        let mut scratch = LaneScratch::default();
        self.fit(&mut scratch);
        self.solve(right, &mut scratch, false);
        self.refine(right, &mut scratch, false)?;
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

    /// Backward error of a solution for a right-hand side without zeros or pattern, and what refinement adds to it.
    fn probe(&self) -> (f64, f64) {
        let mut scratch = LaneScratch::default();
        self.fit(&mut scratch);
        let mut right = vec![Wide::ZERO];
        right.extend(self.solver.column_scale.iter().enumerate().map(|(at, scale)| Wide {
            re: [(1.0 + (at % 7) as f64 / 7.0) / scale; LANES],
            im: [((at % 5) as f64 / 5.0 - 0.3) / scale; LANES],
        }));
        self.solve(&right, &mut scratch, true);
        let error = self.residual(&right, &scratch.solution, true).1;
        (error, self.add_step(&right, &mut scratch, true))
    }

    /// Refines a solution until it has settled.
    fn refine(&self, right: &[Wide], scratch: &mut LaneScratch, transposed: bool) -> Option<()> {
        let mut before = f64::INFINITY;
        for _ in 0..REFINEMENTS {
            let added = self.add_step(right, scratch, transposed);
            if added <= SETTLED {
                return Some(());
            }
            // Also where it is not a number.
            if added.is_nan() || added > 0.5 * before {
                return (before <= ACCEPTED).then_some(());
            }
            before = added;
        }
        (before <= ACCEPTED).then_some(())
    }

    /// One step of refinement; what it adds as a fraction of the solution, of the worst lane.
    fn add_step(&self, right: &[Wide], scratch: &mut LaneScratch, transposed: bool) -> f64 {
        let residual = extended::residual(self.matrix(transposed), &scratch.solution, right);
        let once = scratch.solution.clone();
        self.solve(&residual, scratch, transposed);
        let scale = if transposed { &self.solver.row_scale } else { &self.solver.column_scale };
        let scaled =
            |values: &[Wide]| largest(values[1..].iter().zip(scale).map(|(value, &scale)| value.times(scale.recip())));
        let added = scaled(&scratch.solution);
        let finite = scratch.solution.iter().all(Wide::is_finite);
        scratch.solution.iter_mut().zip(&once).for_each(|(step, value)| *step = value.plus(step));
        let whole = scaled(&scratch.solution);
        match finite {
            true => (0..LANES).map(|lane| added[lane] / whole[lane].max(f64::MIN_POSITIVE)).fold(0.0, f64::max),
            false => f64::NAN,
        }
    }

    fn matrix(&self, transposed: bool) -> Matrix<'_> {
        let omegas = self.hertz.map(|hertz| std::f64::consts::TAU * hertz);
        Matrix { entries: &self.solver.entries, places: &self.solver.places, transposed, omegas }
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

    /// right − A·x (or with Aᵀ), and the backward error by norms of the scaled equations, ‖r‖ over ‖A‖·‖x‖ or ‖b‖, of the
    /// worst lane. Rigal and Gaches, J. ACM 14 (1967) 543.
    fn residual(&self, right: &[Wide], x: &[Wide], transposed: bool) -> (Vec<Wide>, f64) {
        let solver = &self.solver;
        let mut residual = right.to_vec();
        kernel::subtract_products(self.matrix(transposed), x, &mut residual);
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
        let norm = solver.norms[usize::from(transposed)];
        let whole = |lane: usize| f64::max(norm * solved[lane], given[lane]).max(f64::MIN_POSITIVE);
        let lanes = (0..LANES).map(|lane| left[lane] / whole(lane));
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

pub(crate) use arithmetic::squared_differences;
pub(crate) use number::LaneReal;
pub(crate) use pattern::{LaneMatrix, Pattern};
