//! Equations of one pattern whose values differ from lane to lane: eight variants of a circuit at once, in real numbers
//! for the bias or in complex ones at a frequency.
//!
//! One pivot order, found on sample values, serves all variants; how well it serves each is measured by the backward
//! error of its solutions, row by row (Arioli, Demmel and Duff, SIAM J. Matrix Anal. Appl. 10 (1989) 165), which no
//! scaling of rows can hide. Nothing here allocates once the workspace is made.

use num_complex::Complex64;

use super::super::{LinearError, Unknown};
use super::LANES;
use super::arithmetic::{self, Place};
use super::number::LaneNumber;
use super::order::{self, Sampled};
use super::program::Program;
use super::scales;

/// A pattern of entries with its pivot order.
#[derive(Debug)]
pub(crate) struct Pattern {
    program: Program,
    unknowns: usize,
    /// Row, column and slot of each entry, by rows and columns.
    places: Vec<Place>,
    /// Where the entries of each row begin; row 0 is ground's and empty.
    row_starts: Vec<u32>,
}

/// Values of a pattern in eight lanes, their factors, and the memory that solving needs.
#[derive(Clone, Debug)]
pub(crate) struct LaneMatrix<N: LaneNumber> {
    /// By slot, what is filled in by elimination being zero.
    values: Vec<N>,
    factors: Vec<N>,
    inverse_pivots: Vec<N>,
    work: Vec<N>,
    reached: Vec<bool>,
    residual: Vec<N>,
    correction: Vec<N>,
    sizes: Vec<[f64; LANES]>,
    largest: Vec<[f64; LANES]>,
}

impl Pattern {
    /// Orders the pivots of a matrix with entries at `places`, ascending and one each, none of them ground's. `samples`
    /// gives three values of each entry; the order suits all of them.
    ///
    /// # Errors
    /// [`LinearError::Singular`] names an unknown that nothing determines at a sample, [`LinearError::NotFinite`] one
    /// whose equation holds an infinite value.
    pub fn new(
        unknowns: usize,
        places: &[(Unknown, Unknown)],
        samples: &[[Complex64; 3]],
    ) -> Result<Self, LinearError> {
        if let Some(at) = samples.iter().position(|values| !values.iter().all(|value| value.is_finite())) {
            return Err(LinearError::NotFinite(places[at].0));
        }
        let inner: Vec<(u32, u32)> = places.iter().map(|&(row, column)| (row.0 - 1, column.0 - 1)).collect();
        let size = |at: usize| samples[at].iter().map(|value| value.norm()).fold(0.0, f64::max);
        let row_scale = scales(unknowns, inner.iter().enumerate().map(|(at, &(row, _))| (row, size(at))))?;
        let column_scale = scales(
            unknowns,
            inner.iter().enumerate().map(|(at, &(row, column))| (column, size(at) * row_scale[row as usize])),
        )?;
        let scaled: Vec<Sampled> = inner
            .iter()
            .zip(samples)
            .map(|(&(row, column), values)| {
                let scale = row_scale[row as usize] * column_scale[column as usize];
                ((row, column), values.map(|value| value * scale))
            })
            .collect();
        let order = order::order(unknowns, &scaled).map_err(|row| LinearError::Singular(Unknown(row + 1)))?;
        let program = Program::new(order, &inner);
        let mut row_starts = vec![0u32; unknowns + 2];
        places.iter().for_each(|(row, _)| row_starts[row.index() + 1] += 1);
        for row in 1..row_starts.len() {
            row_starts[row] += row_starts[row - 1];
        }
        let places = places
            .iter()
            .zip(program.entry_slots())
            .map(|(&(row, column), &slot)| Place { row: row.0, column: column.0, slot })
            .collect();
        Ok(Self { program, unknowns, places, row_starts })
    }

    /// Number of unknowns besides ground.
    pub fn unknowns(&self) -> usize {
        self.unknowns
    }

    /// Number of entries.
    pub fn entries(&self) -> usize {
        self.places.len()
    }

    /// The number of the entry at a place; `None` where the pattern has none.
    pub fn entry(&self, row: Unknown, column: Unknown) -> Option<usize> {
        let (from, to) = (self.row_starts[row.index()] as usize, self.row_starts[row.index() + 1] as usize);
        self.places[from..to].iter().position(|place| place.column == column.0).map(|at| from + at)
    }

    /// Memory for eight matrices of this pattern.
    pub fn matrix<N: LaneNumber>(&self) -> LaneMatrix<N> {
        let (slots, length) = (self.program.slots(), self.unknowns + 1);
        LaneMatrix {
            values: vec![N::ZERO; slots],
            factors: vec![N::ZERO; slots],
            inverse_pivots: vec![N::ZERO; self.unknowns],
            work: vec![N::ZERO; self.unknowns],
            reached: vec![false; self.unknowns],
            residual: vec![N::ZERO; length],
            correction: vec![N::ZERO; length],
            sizes: vec![[0.0; LANES]; length],
            largest: vec![[0.0; LANES]; length],
        }
    }
}

impl<N: LaneNumber> LaneMatrix<N> {
    /// The value of an entry, in all lanes.
    pub fn value_mut(&mut self, pattern: &Pattern, entry: usize) -> &mut N {
        &mut self.values[pattern.places[entry].slot as usize]
    }

    /// Sets every entry to zero.
    pub fn clear(&mut self) {
        self.values.fill(N::ZERO);
    }

    /// Factors all lanes; says of each whether its pivots are finite. The factors of other lanes are sound all the same.
    pub fn factor(&mut self, pattern: &Pattern) -> [bool; LANES] {
        arithmetic::factor(&pattern.program, &self.values, &mut self.factors, &mut self.inverse_pivots)
    }

    /// Solves A·x = b, or with Aᵀ, in place, ground first. Returns each lane's backward error; not finite where the
    /// lane has no solution. Where it exceeds `refine_above` in a lane of `wanted`, all are refined once.
    pub fn solve_checked(
        &mut self,
        pattern: &Pattern,
        transposed: bool,
        right: &[N],
        solution: &mut [N],
        wanted: &[bool; LANES],
        refine_above: f64,
    ) -> [f64; LANES] {
        self.solve(pattern, transposed, right, solution);
        let errors = self.backward_errors(pattern, transposed, right, solution);
        // Not `>`: what is not a number must be refined, or rather be seen to be past it.
        let good =
            |errors: &[f64; LANES]| errors.iter().zip(wanted).all(|(&error, &wanted)| !wanted || error <= refine_above);
        if good(&errors) {
            return errors;
        }
        let residual = std::mem::take(&mut self.residual);
        let mut correction = std::mem::take(&mut self.correction);
        self.solve(pattern, transposed, &residual, &mut correction);
        let mut refined = std::mem::take(&mut self.work);
        refined.clear();
        refined.extend(solution.iter().zip(&correction).map(|(value, step)| value.plus(step)));
        (self.residual, self.correction) = (residual, correction);
        let after = self.backward_errors(pattern, transposed, right, &refined);
        // Lane by lane the better of both: a lane that was good must not depend on its neighbours.
        let better: [bool; LANES] =
            std::array::from_fn(|lane| errors[lane] > refine_above && after[lane] < errors[lane]);
        solution.iter_mut().zip(&refined).for_each(|(value, refined)| *value = value.chosen(refined, &better));
        refined.resize(pattern.unknowns, N::ZERO);
        self.work = refined;
        std::array::from_fn(|lane| if better[lane] { after[lane] } else { errors[lane] })
    }

    /// Solves A·x = b, or with Aᵀ, ground first, without any check.
    pub fn solve(&mut self, pattern: &Pattern, transposed: bool, right: &[N], solution: &mut [N]) {
        let Self { factors, inverse_pivots, work, reached, .. } = self;
        if transposed {
            arithmetic::solve_transposed(&pattern.program, factors, inverse_pivots, right, solution, work, reached);
        } else {
            arithmetic::solve(&pattern.program, factors, inverse_pivots, right, solution, work);
        }
    }

    /// Backward error of solutions, lane by lane; the residuals are kept.
    fn backward_errors(&mut self, pattern: &Pattern, transposed: bool, right: &[N], solution: &[N]) -> [f64; LANES] {
        let Self { values, residual, sizes, largest, .. } = self;
        arithmetic::backward_errors(&pattern.places, values, transposed, right, solution, residual, sizes, largest)
    }

    /// Estimate of each lane's condition in the 1-norm, rows and columns brought to about 1 (Hager, SIAM J. Sci. Stat.
    /// Comput. 5 (1984) 311), as [`Factored::condition`]; two rounds of it.
    ///
    /// [`Factored::condition`]: super::super::Factored::condition
    pub fn conditions(&mut self, pattern: &Pattern) -> [f64; LANES] {
        let length = pattern.unknowns + 1;
        let magnitude = |place: &Place, values: &[N]| values[place.slot as usize].magnitude();
        // Largest entry of each row, then of each column with its rows so divided.
        let (mut rows, mut columns, mut sums) =
            (vec![[0.0f64; LANES]; length], vec![[0.0f64; LANES]; length], vec![[0.0f64; LANES]; length]);
        for place in &pattern.places {
            let size = magnitude(place, &self.values);
            let row = &mut rows[place.row as usize];
            *row = std::array::from_fn(|lane| row[lane].max(size[lane]));
        }
        for place in &pattern.places {
            let (size, row) = (magnitude(place, &self.values), rows[place.row as usize]);
            let column = &mut columns[place.column as usize];
            *column = std::array::from_fn(|lane| column[lane].max(size[lane] / row[lane]));
        }
        for place in &pattern.places {
            let (size, row) = (magnitude(place, &self.values), rows[place.row as usize]);
            let (column, sum) = (columns[place.column as usize], &mut sums[place.column as usize]);
            *sum = std::array::from_fn(|lane| sum[lane] + size[lane] / row[lane] / column[lane]);
        }
        let mut norm = [0.0f64; LANES];
        for sum in &sums[1..] {
            norm = std::array::from_fn(|lane| norm[lane].max(sum[lane]));
        }

        let mut probe = vec![[1.0 / pattern.unknowns as f64; LANES]; length];
        let mut right = vec![N::ZERO; length];
        let mut solution = vec![N::ZERO; length];
        let mut estimate = [0.0f64; LANES];
        for _ in 0..2 {
            for at in 1..length {
                right[at] = N::real(std::array::from_fn(|lane| probe[at][lane] * rows[at][lane]));
            }
            self.solve(pattern, false, &right, &mut solution);
            let mut size = [0.0f64; LANES];
            for at in 1..length {
                let value = solution[at].magnitude();
                size = std::array::from_fn(|lane| size[lane] + value[lane] * columns[at][lane]);
                right[at] = solution[at].sign().times(&columns[at]);
            }
            // A sum that is not a number must come out as the worst.
            estimate =
                std::array::from_fn(
                    |lane| {
                        if size[lane].is_nan() { f64::INFINITY } else { estimate[lane].max(size[lane]) }
                    },
                );
            self.solve(pattern, true, &right, &mut solution);
            let (mut largest, mut at_most) = ([-1.0f64; LANES], [1usize; LANES]);
            for at in 1..length {
                let value = solution[at].magnitude();
                for lane in 0..LANES {
                    let value = value[lane] * rows[at][lane];
                    if value > largest[lane] {
                        (largest[lane], at_most[lane]) = (value, at);
                    }
                }
            }
            for (at, probe) in probe.iter_mut().enumerate() {
                *probe = std::array::from_fn(|lane| f64::from(u8::from(at == at_most[lane])));
            }
        }
        std::array::from_fn(|lane| estimate[lane] * norm[lane])
    }

    /// ln|det A| of each lane, but for the sign of the pivot order.
    pub fn log_determinants(&self) -> [f64; LANES] {
        // The logarithm of a product of a few pivots instead of one each; four of any size that parts have stay finite.
        const TOGETHER: usize = 4;
        let mut sums = [0.0; LANES];
        for few in self.inverse_pivots.chunks(TOGETHER) {
            let mut product = [1.0; LANES];
            for pivot in few {
                product.iter_mut().zip(pivot.norm_sqr()).for_each(|(product, norm)| *product *= norm);
            }
            sums.iter_mut().zip(product).for_each(|(sum, product)| *sum -= 0.5 * product.ln());
        }
        sums
    }
}
