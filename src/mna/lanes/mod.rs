//! The linear solver for many frequencies: one pivot order per circuit, then a flat program replayed on eight
//! frequencies at once.
//!
//! The order is found once, by Markowitz count with threshold pivoting on sample frequencies (`order.rs`). It fixes where
//! every entry of L and U lies, so that factoring is a list of index pairs without a decision in it (`program.rs`), and
//! the eight lanes are plain arrays that the compiler keeps in vector registers (`kernel.rs`).
//!
//! Every factorization is tried on a probe that touches all rows: how far pivots have grown shows in its residual,
//! whatever the right-hand side. Where the probe's backward error exceeds 1e-13 every solution is checked by itself,
//! refined once above 1e-12, and what then still fails is left to the dense solver, which pivots for itself and can name
//! what is wrong.

mod arithmetic;
mod kernel;
mod number;
mod order;
mod pattern;
mod program;

use num_complex::Complex64;

use super::{LinearError, SignalEquations, Unknown};

use kernel::{Matrix, Wide};
use order::Sampled;
use program::Program;

/// Frequencies solved at once.
pub const LANES: usize = 8;

/// Backward error of the probe above which solutions are checked one by one.
const TRUST_BELOW: f64 = 1e-13;
/// Backward error above which a solution is refined, and above which it is refused.
const REFINE_ABOVE: f64 = 1e-12;

/// Equations prepared for many frequencies.
#[derive(Debug)]
pub struct LaneSolver {
    program: Program,
    /// Scaled g and c of each entry.
    entries: Vec<(f64, f64)>,
    /// Row and column of each entry.
    places: Vec<(u32, u32)>,
    row_scale: Vec<f64>,
    column_scale: Vec<f64>,
    log_scale: f64,
}

/// A(f) factored at eight frequencies.
#[derive(Debug)]
pub struct LaneFactors<'a> {
    solver: &'a LaneSolver,
    factors: Vec<Wide>,
    inverse_pivots: Vec<Wide>,
    hertz: [f64; LANES],
    /// Whether the probe showed that solutions need no check.
    trusted: bool,
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
        let entries: Vec<(f64, f64)> = equations
            .entries
            .iter()
            .zip(&places)
            .map(|(entry, &(row, column))| {
                let scale = row_scale[row as usize] * column_scale[column as usize];
                (entry.g * scale, entry.c * scale)
            })
            .collect();
        let samples = entries.iter().map(|&(g, c)| omegas.map(|omega| Complex64::new(g, omega * c)));
        let sampled: Vec<Sampled> = places.iter().copied().zip(samples).collect();
        let order = order::order(n, &sampled).map_err(|row| LinearError::Singular(Unknown(row + 1)))?;
        let program = Program::new(order, &places);
        let log_scale = row_scale.iter().chain(&column_scale).map(|scale| scale.ln()).sum();
        Ok(Self { program, entries, places, row_scale, column_scale, log_scale })
    }

    /// Entries of the factors L and U together.
    pub fn slots(&self) -> usize {
        self.program.slots()
    }

    /// Products in one factorization.
    pub fn pairs(&self) -> usize {
        self.program.pairs.len()
    }

    /// Factors A(f) at eight frequencies; `None` where the order found at the samples does not serve.
    pub fn factor(&self, hertz: [f64; LANES]) -> Option<LaneFactors<'_>> {
        let omegas = hertz.map(|hertz| std::f64::consts::TAU * hertz);
        let mut factors = vec![Wide::ZERO; self.program.slots()];
        for (&(g, c), &slot) in self.entries.iter().zip(self.program.entry_slots()) {
            factors[slot as usize] = Wide { re: [g; LANES], im: omegas.map(|omega| omega * c) };
        }
        let mut inverse_pivots = vec![Wide::ZERO; self.row_scale.len()];
        kernel::factor(&self.program, &mut factors, &mut inverse_pivots);
        if !inverse_pivots.iter().all(Wide::is_finite) {
            return None;
        }
        let mut factored = LaneFactors { solver: self, factors, inverse_pivots, hertz, trusted: false };
        factored.trusted = factored.probe() <= TRUST_BELOW;
        Some(factored)
    }
}

impl LaneFactors<'_> {
    /// ln|det A(f)| of each lane.
    pub fn log_determinants(&self) -> [f64; LANES] {
        // The logarithm of a product of a few pivots, which are scaled to about 1, instead of one each.
        const TOGETHER: usize = 4;
        let mut sums = [-self.solver.log_scale; LANES];
        for few in self.inverse_pivots.chunks(TOGETHER) {
            let mut product = [1.0; LANES];
            for pivot in few {
                product.iter_mut().zip(pivot.norm_sqr()).for_each(|(product, norm)| *product *= norm);
            }
            sums.iter_mut().zip(product).for_each(|(sum, product)| *sum -= 0.5 * product.ln());
        }
        sums
    }

    /// Solves Aᵀ·z = e(plus) − e(minus) in every lane; `None` where no accurate solution came out.
    pub fn adjoint(&self, plus: Unknown, minus: Unknown) -> Option<LaneSolution> {
        let mut right = vec![Wide::ZERO; self.solver.row_scale.len()];
        for (unknown, sign) in [(plus, 1.0), (minus, -1.0)] {
            if unknown != Unknown::GROUND {
                let at = unknown.index() - 1;
                right[at].re = right[at].re.map(|value| value + sign * self.solver.column_scale[at]);
            }
        }
        let once =
            |right: &[Wide]| kernel::solve_transposed(&self.solver.program, &self.factors, &self.inverse_pivots, right);
        let scaled = self.checked(&right, once, true)?;
        Some(with_ground(scaled, &self.solver.row_scale))
    }

    /// Solves A·x = b in every lane for a real right-hand side of length unknowns + 1; `None` as [`LaneFactors::adjoint`].
    pub fn forward(&self, right: &[f64]) -> Option<LaneSolution> {
        let scaled = right[1..].iter().zip(&self.solver.row_scale);
        let right: Vec<Wide> =
            scaled.map(|(value, scale)| Wide { re: [value * scale; LANES], im: [0.0; LANES] }).collect();
        let once = |right: &[Wide]| kernel::solve(&self.solver.program, &self.factors, &self.inverse_pivots, right);
        let scaled = self.checked(&right, once, false)?;
        Some(with_ground(scaled, &self.solver.column_scale))
    }

    /// Backward error of a solution for a right-hand side without zeros or pattern.
    fn probe(&self) -> f64 {
        let right: Vec<Wide> = (0..self.solver.row_scale.len())
            .map(|at| Wide { re: [1.0 + (at % 7) as f64 / 7.0; LANES], im: [(at % 5) as f64 / 5.0 - 0.3; LANES] })
            .collect();
        let x = kernel::solve_transposed(&self.solver.program, &self.factors, &self.inverse_pivots, &right);
        self.residual(&right, &x, true).1
    }

    /// Solves, checks against the scaled equations where the probe asks for it, refines once where that is needed.
    fn checked(&self, right: &[Wide], once: impl Fn(&[Wide]) -> Vec<Wide>, transposed: bool) -> Option<Vec<Wide>> {
        let mut x = once(right);
        if self.trusted {
            return Some(x);
        }
        let (residual, error) = self.residual(right, &x, transposed);
        if error <= REFINE_ABOVE {
            return Some(x);
        }
        for (value, step) in x.iter_mut().zip(once(&residual)) {
            *value = value.plus(&step);
        }
        let (_, error) = self.residual(right, &x, transposed);
        (error <= REFINE_ABOVE).then_some(x)
    }

    /// right − A·x (or with Aᵀ), and its largest row over the largest of x and of the right-hand side (the scaled matrix
    /// itself is about 1), of the worst lane.
    fn residual(&self, right: &[Wide], x: &[Wide], transposed: bool) -> (Vec<Wide>, f64) {
        let matrix = Matrix {
            entries: &self.solver.entries,
            places: &self.solver.places,
            transposed,
            omegas: self.hertz.map(|hertz| std::f64::consts::TAU * hertz),
        };
        let mut residual = right.to_vec();
        kernel::subtract_products(matrix, x, &mut residual);
        if !residual.iter().all(Wide::is_finite) {
            return (residual, f64::INFINITY);
        }
        let (left, solved, given) = (largest(&residual), largest(x), largest(right));
        let lanes = (0..LANES).map(|lane| left[lane] / f64::max(solved[lane], given[lane]).max(f64::MIN_POSITIVE));
        let error = lanes.fold(0.0, f64::max);
        (residual, error)
    }
}

/// The largest size of each lane.
fn largest(values: &[Wide]) -> [f64; LANES] {
    let mut largest = [0.0f64; LANES];
    for value in values {
        largest.iter_mut().zip(value.size()).for_each(|(largest, size)| *largest = largest.max(size));
    }
    largest
}

/// Unscales a solution and puts ground in front.
fn with_ground(scaled: Vec<Wide>, scale: &[f64]) -> LaneSolution {
    let mut solution = Vec::with_capacity(scaled.len() + 1);
    solution.push(Wide::ZERO);
    solution.extend(scaled.iter().zip(scale).map(|(value, &scale)| value.times(scale)));
    solution
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
pub use kernel::Wide as LaneValue;
pub(crate) use number::LaneReal;
pub(crate) use pattern::{LaneMatrix, Pattern};
