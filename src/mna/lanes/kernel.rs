//! The arithmetic in lanes. Plain loops over arrays of eight, compiled for what the processor offers at run time.
//!
//! Rust never fuses a product and a sum by itself, and the fused form is slow where the processor has none: so each
//! kernel is written once with the choice as a constant.

use pulp::{Arch, Simd, WithSimd};

use super::LANES;
use super::program::{Finish, Program};

/// Eight complex numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
#[repr(align(64))]
pub struct Wide {
    /// Real parts.
    pub re: [f64; LANES],
    /// Imaginary parts.
    pub im: [f64; LANES],
}

impl Wide {
    /// Eight zeros.
    pub const ZERO: Wide = Wide { re: [0.0; LANES], im: [0.0; LANES] };

    /// Squared moduli.
    #[inline(always)]
    pub fn norm_sqr(&self) -> [f64; LANES] {
        std::array::from_fn(|lane| self.re[lane] * self.re[lane] + self.im[lane] * self.im[lane])
    }

    /// |re| + |im|: within a factor of √2 of the moduli.
    #[inline(always)]
    pub fn size(&self) -> [f64; LANES] {
        std::array::from_fn(|lane| self.re[lane].abs() + self.im[lane].abs())
    }

    /// Whether every part is finite.
    pub fn is_finite(&self) -> bool {
        self.re.iter().chain(&self.im).all(|part| part.is_finite())
    }

    /// The sum.
    #[inline(always)]
    #[must_use]
    pub fn plus(&self, other: &Wide) -> Wide {
        Wide {
            re: std::array::from_fn(|lane| self.re[lane] + other.re[lane]),
            im: std::array::from_fn(|lane| self.im[lane] + other.im[lane]),
        }
    }

    /// The difference.
    #[inline(always)]
    #[must_use]
    pub fn minus(&self, other: &Wide) -> Wide {
        Wide {
            re: std::array::from_fn(|lane| self.re[lane] - other.re[lane]),
            im: std::array::from_fn(|lane| self.im[lane] - other.im[lane]),
        }
    }

    /// Every lane times a real factor.
    #[inline(always)]
    #[must_use]
    pub fn times(&self, factor: f64) -> Wide {
        Wide { re: self.re.map(|part| part * factor), im: self.im.map(|part| part * factor) }
    }

    /// self − a·b
    #[inline(always)]
    fn less_product<const FUSED: bool>(&mut self, a: &Wide, b: &Wide) {
        for lane in 0..LANES {
            self.re[lane] =
                fused::<FUSED>(-a.re[lane], b.re[lane], fused::<FUSED>(a.im[lane], b.im[lane], self.re[lane]));
            self.im[lane] =
                fused::<FUSED>(-a.re[lane], b.im[lane], fused::<FUSED>(-a.im[lane], b.re[lane], self.im[lane]));
        }
    }

    #[inline(always)]
    fn product<const FUSED: bool>(&self, b: &Wide) -> Wide {
        Wide {
            re: std::array::from_fn(|lane| fused::<FUSED>(self.re[lane], b.re[lane], -(self.im[lane] * b.im[lane]))),
            im: std::array::from_fn(|lane| fused::<FUSED>(self.re[lane], b.im[lane], self.im[lane] * b.re[lane])),
        }
    }

    #[inline(always)]
    fn inverse(&self) -> Wide {
        let norm = self.norm_sqr();
        Wide {
            re: std::array::from_fn(|lane| self.re[lane] / norm[lane]),
            im: std::array::from_fn(|lane| -self.im[lane] / norm[lane]),
        }
    }
}

/// a·b + c, in one rounding where the processor can.
#[inline(always)]
fn fused<const FUSED: bool>(a: f64, b: f64, c: f64) -> f64 {
    if FUSED { a.mul_add(b, c) } else { a * b + c }
}

/// Declares a kernel: a function that runs its body compiled for this processor. The body stands in a struct of its own,
/// not in a closure, since only what is inlined without fail is compiled for more than the least processor.
macro_rules! kernel {
    ($(#[$doc:meta])* fn $name:ident / $work:ident / $body:ident ($($argument:ident: $type:ty),*) -> $output:ty) => {
        struct $work<'a>($($type,)* std::marker::PhantomData<&'a ()>);

        impl WithSimd for $work<'_> {
            type Output = $output;

            #[inline(always)]
            fn with_simd<S: Simd>(self, _simd: S) -> $output {
                let Self($($argument,)* _) = self;
                $body::<true>($($argument),*)
            }
        }

        $(#[$doc])*
        pub(super) fn $name<'a>($($argument: $type),*) -> $output {
            match Arch::new() {
                Arch::Scalar => $body::<false>($($argument),*),
                arch => arch.dispatch($work($($argument,)* std::marker::PhantomData)),
            }
        }
    };
}

kernel! {
    /// Replays the program on `factors`, which hold the matrix's entries in their slots.
    fn factor / Factor / factor_with(
        program: &'a Program, factors: &'a mut [Wide], inverse_pivots: &'a mut [Wide]
    ) -> ()
}

#[inline(always)]
fn factor_with<const FUSED: bool>(program: &Program, factors: &mut [Wide], inverse_pivots: &mut [Wide]) {
    let mut start = 0;
    for (slot, step) in program.steps.iter().enumerate() {
        let (done, open) = factors.split_at_mut(slot);
        // A local copy stays in registers; in place it would go through memory at every pair.
        let mut value = open[0];
        for &(multiplier, upper) in &program.pairs[start..step.end as usize] {
            value.less_product::<FUSED>(&done[multiplier as usize], &done[upper as usize]);
        }
        start = step.end as usize;
        match step.finish {
            Finish::Divide(pivot) => value = value.product::<FUSED>(&inverse_pivots[pivot as usize]),
            Finish::Invert(pivot) => inverse_pivots[pivot as usize] = value.inverse(),
            Finish::Keep => {}
        }
        open[0] = value;
    }
}

kernel! {
    /// Solves the transposed equations; both vectors by original numbers.
    fn solve_transposed / SolveTransposed / solve_transposed_with(
        program: &'a Program, factors: &'a [Wide], inverse_pivots: &'a [Wide], right: &'a [Wide]
    ) -> Vec<Wide>
}

/// With the matrix in pivot order = L·U: Uᵀ·v = b, then Lᵀ·w = v. Rows that nothing has reached are passed over.
#[inline(always)]
fn solve_transposed_with<const FUSED: bool>(
    program: &Program,
    factors: &[Wide],
    inverse_pivots: &[Wide],
    right: &[Wide],
) -> Vec<Wide> {
    let n = inverse_pivots.len();
    let mut v: Vec<Wide> = program.columns.iter().map(|&column| right[column as usize]).collect();
    let mut reached: Vec<bool> = v.iter().map(|value| *value != Wide::ZERO).collect();
    for pivot in 0..n {
        if !reached[pivot] {
            continue;
        }
        let value = v[pivot].product::<FUSED>(&inverse_pivots[pivot]);
        v[pivot] = value;
        for &(column, slot) in program.upper.row(pivot) {
            reached[column as usize] = true;
            v[column as usize].less_product::<FUSED>(&factors[slot as usize], &value);
        }
    }
    for row in (0..n).rev() {
        if !reached[row] {
            continue;
        }
        let value = v[row];
        for &(pivot, slot) in program.lower.row(row) {
            reached[pivot as usize] = true;
            v[pivot as usize].less_product::<FUSED>(&factors[slot as usize], &value);
        }
    }
    unordered(&program.rows, &v)
}

kernel! {
    /// Solves the equations; both vectors by original numbers.
    fn solve / Solve / solve_with(
        program: &'a Program, factors: &'a [Wide], inverse_pivots: &'a [Wide], right: &'a [Wide]
    ) -> Vec<Wide>
}

#[inline(always)]
fn solve_with<const FUSED: bool>(
    program: &Program,
    factors: &[Wide],
    inverse_pivots: &[Wide],
    right: &[Wide],
) -> Vec<Wide> {
    let n = inverse_pivots.len();
    let mut v: Vec<Wide> = program.rows.iter().map(|&row| right[row as usize]).collect();
    for row in 0..n {
        let mut value = v[row];
        for &(pivot, slot) in program.lower.row(row) {
            value.less_product::<FUSED>(&factors[slot as usize], &v[pivot as usize]);
        }
        v[row] = value;
    }
    for pivot in (0..n).rev() {
        let mut value = v[pivot];
        for &(column, slot) in program.upper.row(pivot) {
            value.less_product::<FUSED>(&factors[slot as usize], &v[column as usize]);
        }
        v[pivot] = value.product::<FUSED>(&inverse_pivots[pivot]);
    }
    unordered(&program.columns, &v)
}

fn unordered(original: &[u32], in_order: &[Wide]) -> Vec<Wide> {
    let mut values = vec![Wide::ZERO; in_order.len()];
    original.iter().zip(in_order).for_each(|(&at, value)| values[at as usize] = *value);
    values
}

/// The entries of a matrix as (g, c) and their places.
#[derive(Clone, Copy)]
pub(super) struct Matrix<'a> {
    pub entries: &'a [(f64, f64)],
    pub places: &'a [(u32, u32)],
    /// Rows and columns exchanged.
    pub transposed: bool,
    pub omegas: [f64; LANES],
}

kernel! {
    /// Takes A·x off `residual`.
    fn subtract_products / SubtractProducts / subtract_products_with(
        matrix: Matrix<'a>, x: &'a [Wide], residual: &'a mut [Wide]
    ) -> ()
}

#[inline(always)]
fn subtract_products_with<const FUSED: bool>(matrix: Matrix<'_>, x: &[Wide], residual: &mut [Wide]) {
    for (&(g, c), &(row, column)) in matrix.entries.iter().zip(matrix.places) {
        let (row, column) = if matrix.transposed { (column, row) } else { (row, column) };
        let value = Wide { re: [g; LANES], im: std::array::from_fn(|lane| matrix.omegas[lane] * c) };
        let mut left = residual[row as usize];
        left.less_product::<FUSED>(&value, &x[column as usize]);
        residual[row as usize] = left;
    }
}
