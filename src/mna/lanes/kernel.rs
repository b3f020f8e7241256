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

    /// Squared moduli, in one rounding less where the processor can.
    #[inline(always)]
    pub(super) fn norm_sqr_with<const FUSED: bool>(&self) -> [f64; LANES] {
        std::array::from_fn(|lane| fused::<FUSED>(self.re[lane], self.re[lane], self.im[lane] * self.im[lane]))
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
    pub(super) fn less_product<const FUSED: bool>(&mut self, a: &Wide, b: &Wide) {
        // Copies, one array after the other: in place and lane by lane the compiler has shuffled them about.
        let (a, b, start) = (*a, *b, *self);
        let re: [f64; LANES] = std::array::from_fn(|lane| fused::<FUSED>(a.im[lane], b.im[lane], start.re[lane]));
        let im: [f64; LANES] = std::array::from_fn(|lane| fused::<FUSED>(-a.re[lane], b.im[lane], start.im[lane]));
        self.re = std::array::from_fn(|lane| fused::<FUSED>(-a.re[lane], b.re[lane], re[lane]));
        self.im = std::array::from_fn(|lane| fused::<FUSED>(-a.im[lane], b.re[lane], im[lane]));
    }

    #[inline(always)]
    pub(super) fn product<const FUSED: bool>(&self, b: &Wide) -> Wide {
        let (a, b) = (*self, *b);
        let re: [f64; LANES] = std::array::from_fn(|lane| a.im[lane] * b.im[lane]);
        let im: [f64; LANES] = std::array::from_fn(|lane| a.im[lane] * b.re[lane]);
        Wide {
            re: std::array::from_fn(|lane| fused::<FUSED>(a.re[lane], b.re[lane], -re[lane])),
            im: std::array::from_fn(|lane| fused::<FUSED>(a.re[lane], b.im[lane], im[lane])),
        }
    }

    #[inline(always)]
    fn inverse(&self) -> Wide {
        let inverse = self.norm_sqr().map(f64::recip);
        Wide {
            re: std::array::from_fn(|lane| self.re[lane] * inverse[lane]),
            im: std::array::from_fn(|lane| -self.im[lane] * inverse[lane]),
        }
    }
}

/// a·b + c, in one rounding where the processor can.
#[inline(always)]
pub(super) fn fused<const FUSED: bool>(a: f64, b: f64, c: f64) -> f64 {
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

pub(super) use kernel;

kernel! {
    /// ln of the product of all squared moduli, lane by lane.
    fn log_of_products / LogOfProducts / log_of_products_with(values: &'a [Wide]) -> [f64; LANES]
}

/// Keeps the product's binary exponent apart, so that it neither overflows nor needs a logarithm for every factor.
#[inline(always)]
fn log_of_products_with<const FUSED: bool>(values: &[Wide]) -> [f64; LANES] {
    const MANTISSA: u64 = (1 << 52) - 1;
    const ONE: u64 = 1023 << 52;
    let mut exponents = [0u64; LANES];
    let mut product = [1.0f64; LANES];
    for value in values {
        let norms = value.norm_sqr_with::<FUSED>();
        for lane in 0..LANES {
            // Both factors between 1 and 2, their exponents added up.
            let bits = norms[lane].to_bits();
            product[lane] *= f64::from_bits(bits & MANTISSA | ONE);
            let grown = product[lane].to_bits();
            product[lane] = f64::from_bits(grown & MANTISSA | ONE);
            exponents[lane] += (bits >> 52) + (grown >> 52);
        }
    }
    // Each factor brought its exponent's bias twice.
    let bias = 2 * 1023 * values.len() as u64;
    std::array::from_fn(|lane| {
        let exponent = exponents[lane] as f64 - bias as f64;
        exponent.mul_add(std::f64::consts::LN_2, product[lane].ln())
    })
}

kernel! {
    /// Replays the program on the matrix whose entries are `values` by slot, g + j·ω·c. Returns the largest |1/pivot|²
    /// over that of the reference, lane by lane; not a number where a pivot vanished.
    fn factor / Factor / factor_with(
        program: &'a Program, values: &'a [(f64, f64)], omegas: [f64; LANES], reference: &'a [f64],
        factors: &'a mut [Wide], inverse_pivots: &'a mut [Wide]
    ) -> [f64; LANES]
}

#[inline(always)]
fn factor_with<const FUSED: bool>(
    program: &Program,
    values: &[(f64, f64)],
    omegas: [f64; LANES],
    reference: &[f64],
    factors: &mut [Wide],
    inverse_pivots: &mut [Wide],
) -> [f64; LANES] {
    let mut growth = [0.0f64; LANES];
    let mut finite = [0.0f64; LANES];
    let mut start = 0;
    for (slot, (step, &(g, c))) in program.steps.iter().zip(values).enumerate() {
        let (done, open) = factors.split_at_mut(slot);
        // A local copy stays in registers; in place it would go through memory at every pair.
        let mut value = Wide { re: [g; LANES], im: omegas.map(|omega| omega * c) };
        // Two sums in turn: each waits for its own last term only.
        let pairs = &program.pairs[start..step.end as usize];
        let mut twos = pairs.chunks_exact(2);
        if pairs.len() > 2 {
            let mut other = Wide::ZERO;
            for two in &mut twos {
                value.less_product::<FUSED>(&done[two[0].0 as usize], &done[two[0].1 as usize]);
                other.less_product::<FUSED>(&done[two[1].0 as usize], &done[two[1].1 as usize]);
            }
            value = value.plus(&other);
            for &(multiplier, upper) in twos.remainder() {
                value.less_product::<FUSED>(&done[multiplier as usize], &done[upper as usize]);
            }
        } else {
            for &(multiplier, upper) in pairs {
                value.less_product::<FUSED>(&done[multiplier as usize], &done[upper as usize]);
            }
        }
        start = step.end as usize;
        match step.finish {
            Finish::Divide(pivot) => value = value.product::<FUSED>(&inverse_pivots[pivot as usize]),
            Finish::Invert(pivot) => {
                let inverse = value.inverse();
                let (norm, usual) = (inverse.norm_sqr(), reference[pivot as usize]);
                for lane in 0..LANES {
                    let grown = norm[lane] * usual;
                    growth[lane] = if grown > growth[lane] { grown } else { growth[lane] };
                    // Comparisons pass over what is not a number; a sum does not.
                    finite[lane] += 0.0 * grown;
                }
                inverse_pivots[pivot as usize] = inverse;
            }
            Finish::Keep => {}
        }
        open[0] = value;
    }
    std::array::from_fn(|lane| growth[lane] + finite[lane])
}

kernel! {
    /// Solves the transposed equations into `solution`, by original numbers behind ground. `right`, by pivots, is left
    /// zero; `reached` has a bit for each pivot whose right-hand side is not zero, and is left clear.
    fn solve_transposed / SolveTransposed / solve_transposed_with(
        program: &'a Program, factors: &'a [Wide], inverse_pivots: &'a [Wide],
        right: &'a mut [Wide], reached: &'a mut [u64], solution: &'a mut [Wide]
    ) -> ()
}

/// With the matrix in pivot order = L·U: Uᵀ·v = b, row by row of U from what is reached (its rows are few for a single
/// unknown), then Lᵀ·w = v in dot form, as all of w is wanted.
#[inline(always)]
fn solve_transposed_with<const FUSED: bool>(
    program: &Program,
    factors: &[Wide],
    inverse_pivots: &[Wide],
    right: &mut [Wide],
    reached: &mut [u64],
    solution: &mut [Wide],
) {
    for word in 0..reached.len() {
        // Bits that this word gains lie above the one being worked on.
        while reached[word] != 0 {
            let pivot = 64 * word + reached[word].trailing_zeros() as usize;
            reached[word] &= reached[word] - 1;
            let value = right[pivot].product::<FUSED>(&inverse_pivots[pivot]);
            right[pivot] = value;
            for &(column, slot) in program.upper.row(pivot) {
                reached[column as usize / 64] |= 1 << (column % 64);
                let mut sum = right[column as usize];
                sum.less_product::<FUSED>(&factors[slot as usize], &value);
                right[column as usize] = sum;
            }
        }
    }
    solution[0] = Wide::ZERO;
    let mut end = program.below.len();
    for (pivot, &row) in program.rows.iter().enumerate().rev() {
        let mut value = std::mem::replace(&mut right[pivot], Wide::ZERO);
        let start = program.below_starts[pivot] as usize;
        for &(below, slot) in &program.below[start..end] {
            value.less_product::<FUSED>(&factors[slot as usize], &solution[below as usize]);
        }
        end = start;
        solution[row as usize + 1] = value;
    }
}

kernel! {
    /// Solves the equations into `solution`, by original numbers behind ground; `right`, by pivots, is left zero.
    fn solve / Solve / solve_with(
        program: &'a Program, factors: &'a [Wide], inverse_pivots: &'a [Wide], right: &'a mut [Wide],
        solution: &'a mut [Wide]
    ) -> ()
}

#[inline(always)]
fn solve_with<const FUSED: bool>(
    program: &Program,
    factors: &[Wide],
    inverse_pivots: &[Wide],
    right: &mut [Wide],
    solution: &mut [Wide],
) {
    let n = inverse_pivots.len();
    for row in 0..n {
        let mut value = right[row];
        for &(pivot, slot) in program.lower.row(row) {
            value.less_product::<FUSED>(&factors[slot as usize], &right[pivot as usize]);
        }
        right[row] = value;
    }
    for pivot in (0..n).rev() {
        let mut value = right[pivot];
        for &(column, slot) in program.upper.row(pivot) {
            value.less_product::<FUSED>(&factors[slot as usize], &right[column as usize]);
        }
        right[pivot] = value.product::<FUSED>(&inverse_pivots[pivot]);
    }
    solution[0] = Wide::ZERO;
    for (value, &column) in right.iter_mut().zip(&program.columns) {
        solution[column as usize + 1] = std::mem::replace(value, Wide::ZERO);
    }
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
    /// Takes A·x off `residual`; both with ground in front.
    fn subtract_products / SubtractProducts / subtract_products_with(
        matrix: Matrix<'a>, x: &'a [Wide], residual: &'a mut [Wide]
    ) -> ()
}

#[inline(always)]
fn subtract_products_with<const FUSED: bool>(matrix: Matrix<'_>, x: &[Wide], residual: &mut [Wide]) {
    for (&(g, c), &(row, column)) in matrix.entries.iter().zip(matrix.places) {
        let (row, column) = if matrix.transposed { (column, row) } else { (row, column) };
        let value = Wide { re: [g; LANES], im: std::array::from_fn(|lane| matrix.omegas[lane] * c) };
        let mut left = residual[row as usize + 1];
        left.less_product::<FUSED>(&value, &x[column as usize + 1]);
        residual[row as usize + 1] = left;
    }
}
