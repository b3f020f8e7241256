//! The linear solver behind one seam: factor once, solve forward and transposed.
//!
//! Dense LU with partial pivoting (nalgebra) on the equilibrated matrix, then iterative refinement against the sparse
//! entries. Rows and columns are scaled by powers of two, which changes no digit; refinement in working precision brings
//! the componentwise backward error to rounding even where the pivots were poor (Skeel, Math. Comp. 35 (1980) 817).
//! A small residual proves nothing about a matrix that is singular in all but name, so [`Factored::condition`]
//! estimates the condition (Hager, SIAM J. Sci. Stat. Comput. 5 (1984) 311).

use nalgebra::{ComplexField, DMatrix, DVector, Dyn, LU};

use super::Unknown;

/// Backward error that refinement works towards.
const BACKWARD_GOAL: f64 = 1e-15;
/// Backward error beyond which a solution is refused.
const BACKWARD_LIMIT: f64 = 1e-10;
/// Refinement steps at most.
const REFINEMENTS: usize = 3;

/// Real or complex numbers of double precision.
pub trait Scalar: ComplexField<RealField = f64> + Copy {}
impl<T: ComplexField<RealField = f64> + Copy> Scalar for T {}

/// Why a linear system was not solved.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum LinearError {
    /// An entry of matrix or right-hand side is infinite or not a number.
    NotFinite(Unknown),
    /// Nothing determines this unknown.
    Singular(Unknown),
}

/// A factored matrix.
#[derive(Debug)]
pub struct Factored<T: Scalar> {
    lu: LU<T, Dyn, Dyn>,
    entries: Vec<(usize, usize, T)>,
    row_scale: Vec<f64>,
    column_scale: Vec<f64>,
}

impl<T: Scalar> Factored<T> {
    /// Factors the sum of `entries` as a matrix of `unknowns` rows; entries of ground must not occur.
    ///
    /// # Errors
    /// [`LinearError::NotFinite`] and [`LinearError::Singular`] name the unknown to blame.
    pub fn new(unknowns: usize, entries: impl Iterator<Item = (Unknown, Unknown, T)>) -> Result<Self, LinearError> {
        let entries: Vec<(usize, usize, T)> =
            entries.map(|(row, column, value)| (row.index() - 1, column.index() - 1, value)).collect();
        let mut matrix = DMatrix::<T>::zeros(unknowns, unknowns);
        for &(row, column, value) in &entries {
            if !value.is_finite() {
                return Err(LinearError::NotFinite(unknown(row)));
            }
            matrix[(row, column)] += value;
        }
        let row_scale = equilibrate(unknowns, |row| largest(matrix.row(row).iter()))?;
        for (row, &scale) in row_scale.iter().enumerate() {
            matrix.row_mut(row).iter_mut().for_each(|value| *value = value.scale(scale));
        }
        let column_scale = equilibrate(unknowns, |column| largest(matrix.column(column).iter()))?;
        for (column, &scale) in column_scale.iter().enumerate() {
            matrix.column_mut(column).iter_mut().for_each(|value| *value = value.scale(scale));
        }
        let lu = LU::new(matrix);
        let zero_pivot = (0..unknowns).find(|&i| lu.lu_internal()[(i, i)].modulus() == 0.0);
        match zero_pivot {
            Some(column) => Err(LinearError::Singular(unknown(column))),
            None => Ok(Self { lu, entries, row_scale, column_scale }),
        }
    }

    /// Solves A·x = b. `right` and the result have length unknowns + 1, ground first.
    ///
    /// # Errors
    /// [`LinearError`] if the right-hand side is not finite or no accurate solution exists.
    pub fn solve(&self, right: &[T]) -> Result<Vec<T>, LinearError> {
        self.refined(right, |b| self.forward_once(b), |&(row, column, value)| (row, column, value), &self.row_scale)
    }

    /// Solves Aᵀ·x = b (transposed, not conjugated). Lengths as [`Factored::solve`].
    ///
    /// # Errors
    /// As [`Factored::solve`].
    pub fn solve_transposed(&self, right: &[T]) -> Result<Vec<T>, LinearError> {
        self.refined(
            right,
            |b| self.transposed_once(b),
            |&(row, column, value)| (column, row, value),
            &self.column_scale,
        )
    }

    /// ln|det A|.
    pub fn log_determinant(&self) -> f64 {
        let diagonal = self.lu.lu_internal().diagonal();
        let scaled: f64 = diagonal.iter().map(|pivot| pivot.modulus().ln()).sum();
        // The scaling differs from one frequency to the next, and is no property of A.
        let scales = self.row_scale.iter().chain(&self.column_scale);
        scaled - scales.map(|scale| scale.ln()).sum::<f64>()
    }

    /// Estimate of the 1-norm condition of the equilibrated matrix, and the unknown the weakest direction points at.
    pub fn condition(&self) -> (f64, Unknown) {
        let n = self.row_scale.len();
        let mut column_sums = vec![0.0; n];
        for &(row, column, value) in &self.entries {
            column_sums[column] += value.modulus() * self.row_scale[row] * self.column_scale[column];
        }
        let norm = column_sums.iter().copied().fold(0.0, f64::max);
        let mut probe = DVector::from_element(n, T::from_real(1.0 / n as f64));
        let (mut estimate, mut weakest) = (0.0, 0);
        for _ in 0..4 {
            let Some(solved) = self.lu.solve(&probe) else { return (f64::INFINITY, unknown(weakest)) };
            let size: f64 = solved.iter().map(|value| value.modulus()).sum();
            if !size.is_finite() {
                return (f64::INFINITY, unknown(weakest));
            }
            if size <= estimate {
                break;
            }
            estimate = size;
            weakest = position_of_largest(solved.iter().map(|value| value.modulus()));
            let signs = solved.map(|value| if value.modulus() == 0.0 { T::one() } else { value.signum().conjugate() });
            let back = self.scaled_transposed(&signs);
            let next = position_of_largest(back.iter().map(|value| value.modulus()));
            probe = DVector::from_element(n, T::zero());
            probe[next] = T::one();
        }
        (estimate * norm, unknown(weakest))
    }

    fn refined(
        &self,
        right: &[T],
        once: impl Fn(&[T]) -> Vec<T>,
        place: impl Fn(&(usize, usize, T)) -> (usize, usize, T),
        scale: &[f64],
    ) -> Result<Vec<T>, LinearError> {
        let right = &right[1..];
        if let Some(row) = right.iter().position(|value| !value.is_finite()) {
            return Err(LinearError::NotFinite(unknown(row)));
        }
        let mut x = once(right);
        let mut best = BackwardError { componentwise: f64::INFINITY, normwise: f64::INFINITY, worst_row: 0 };
        let mut best_x = x.clone();
        for _ in 0..=REFINEMENTS {
            let mut residual = right.to_vec();
            let mut size: Vec<f64> = right.iter().map(|value| value.modulus()).collect();
            for entry in &self.entries {
                let (row, column, value) = place(entry);
                let term = value * x[column];
                residual[row] -= term;
                size[row] += term.modulus();
            }
            let error = BackwardError::of(&residual, &size, scale);
            // Not `>=` the other way round: a NaN must end here too.
            let improved = error.componentwise < best.componentwise;
            if !improved {
                break;
            }
            best = error;
            best_x.copy_from_slice(&x);
            if best.componentwise <= BACKWARD_GOAL {
                break;
            }
            for (value, step) in x.iter_mut().zip(once(&residual)) {
                *value += step;
            }
        }
        if best.normwise <= BACKWARD_LIMIT && best_x.iter().all(|value| value.is_finite()) {
            let mut with_ground = Vec::with_capacity(best_x.len() + 1);
            with_ground.push(T::zero());
            with_ground.extend(best_x);
            Ok(with_ground)
        } else {
            Err(LinearError::Singular(unknown(best.worst_row)))
        }
    }

    fn forward_once(&self, right: &[T]) -> Vec<T> {
        let mut x = DVector::from_iterator(right.len(), right.iter().zip(&self.row_scale).map(|(b, &s)| b.scale(s)));
        // A factor with a zero on its diagonal was refused on construction, so the solve cannot fail.
        self.lu.solve_mut(&mut x);
        x.iter().zip(&self.column_scale).map(|(value, &s)| value.scale(s)).collect()
    }

    fn transposed_once(&self, right: &[T]) -> Vec<T> {
        let scaled =
            DVector::from_iterator(right.len(), right.iter().zip(&self.column_scale).map(|(b, &s)| b.scale(s)));
        let x = self.scaled_transposed(&scaled);
        x.iter().zip(&self.row_scale).map(|(value, &s)| value.scale(s)).collect()
    }

    /// P·A = L·U, so Aᵀ·x = b is Uᵀ·y = b, Lᵀ·z = y, x = Pᵀ·z.
    fn scaled_transposed(&self, right: &DVector<T>) -> DVector<T> {
        let mut x = right.clone();
        let factors = self.lu.lu_internal();
        factors.tr_solve_upper_triangular_mut(&mut x);
        tr_solve_unit_lower(factors, &mut x);
        self.lu.p().inv_permute_rows(&mut x);
        x
    }
}

/// How far a solution is from solving its equations.
struct BackwardError {
    /// Largest |residual| over |A|·|x| + |b|, row by row: what refinement brings down to rounding. Rows whose exact
    /// solution is zero never get there, so it judges progress only.
    componentwise: f64,
    /// Largest scaled residual over the largest scaled |A|·|x| + |b|: what decides whether the solution is accepted.
    normwise: f64,
    worst_row: usize,
}

impl BackwardError {
    fn of<T: Scalar>(residual: &[T], size: &[f64], scale: &[f64]) -> Self {
        let (mut componentwise, mut largest, mut whole, mut worst_row) = (0.0, 0.0, 0.0, 0);
        for (row, ((r, &size), &scale)) in residual.iter().zip(size).zip(scale).enumerate() {
            let r = r.modulus();
            if !r.is_finite() {
                return Self { componentwise: f64::NAN, normwise: f64::NAN, worst_row: row };
            }
            if size > 0.0 {
                componentwise = f64::max(componentwise, r / size);
            }
            if r * scale > largest {
                (largest, worst_row) = (r * scale, row);
            }
            whole = f64::max(whole, size * scale);
        }
        Self { componentwise, normwise: if whole > 0.0 { largest / whole } else { 0.0 }, worst_row }
    }
}

/// Solves Lᵀ·x = b for the unit lower triangle of `factors`.
fn tr_solve_unit_lower<T: Scalar>(factors: &DMatrix<T>, x: &mut DVector<T>) {
    for column in (0..x.len()).rev() {
        let mut sum = x[column];
        for row in column + 1..x.len() {
            sum -= factors[(row, column)] * x[row];
        }
        x[column] = sum;
    }
}

fn unknown(position: usize) -> Unknown {
    Unknown(u32::try_from(position + 1).expect("fewer than 2^32 unknowns"))
}

fn largest<'a, T: Scalar>(values: impl Iterator<Item = &'a T>) -> f64 {
    values.fold(0.0, |largest, value| largest.max(value.modulus()))
}

/// Powers of two that bring the largest entry of each row (or column) to about 1.
fn equilibrate(count: usize, largest: impl Fn(usize) -> f64) -> Result<Vec<f64>, LinearError> {
    (0..count)
        .map(|position| {
            let size = largest(position);
            if size > 0.0 { Ok((-size.log2().round()).exp2()) } else { Err(LinearError::Singular(unknown(position))) }
        })
        .collect()
}

fn position_of_largest(values: impl Iterator<Item = f64>) -> usize {
    values.enumerate().fold((0, -1.0), |best, (at, value)| if value > best.1 { (at, value) } else { best }).0
}
