//! Residuals in twice the working precision.
//!
//! Refinement against them brings solutions to rounding whatever the condition, as long as the factors are good for one
//! digit: what is added last bounds the error that is left. Demmel, Hida, Kahan, Li, Mukherjee and Riedy, ACM Trans. Math.
//! Softw. 32 (2006) 325. Sums and products of two doubles without error: Dekker, Numer. Math. 18 (1971) 224; Knuth, The
//! Art of Computer Programming 2, section 4.2.2.

use pulp::{Arch, Simd, WithSimd};

use super::LANES;
use super::kernel::{Matrix, Wide, kernel};

kernel! {
    /// right − A·x, both with ground in front, rounded once.
    fn residual / Residual / residual_with(matrix: Matrix<'a>, x: &'a [Wide], right: &'a [Wide]) -> Vec<Wide>
}

/// The fused product is what finds the rounding of a product, whatever it costs: the choice of the kernel is passed over.
#[inline(always)]
fn residual_with<const FUSED: bool>(matrix: Matrix<'_>, x: &[Wide], right: &[Wide]) -> Vec<Wide> {
    let mut highs = right.to_vec();
    let mut lows = vec![Wide::ZERO; right.len()];
    for (&(g, c), &(row, column)) in matrix.entries.iter().zip(matrix.places) {
        let (row, column) = if matrix.transposed { (column, row) } else { (row, column) };
        let (mut high, mut low) = (highs[row as usize + 1], lows[row as usize + 1]);
        let x = x[column as usize + 1];
        add_products(&mut high.re, &mut low.re, &[-g; LANES], &x.re);
        add_products(&mut high.im, &mut low.im, &[-g; LANES], &x.im);
        if c != 0.0 {
            // What is solved for are the entries as factored, their own rounding included.
            let b = matrix.omegas.map(|omega| omega * c);
            add_products(&mut high.re, &mut low.re, &b, &x.im);
            add_products(&mut high.im, &mut low.im, &b.map(|b| -b), &x.re);
        }
        (highs[row as usize + 1], lows[row as usize + 1]) = (high, low);
    }
    highs.iter().zip(&lows).map(|(high, low)| high.plus(low)).collect()
}

/// high + low + a·b, lane by lane: `low` is what rounding left of `high`.
#[inline(always)]
fn add_products(high: &mut [f64; LANES], low: &mut [f64; LANES], a: &[f64; LANES], b: &[f64; LANES]) {
    for lane in 0..LANES {
        let product = a[lane] * b[lane];
        let left_of_product = a[lane].mul_add(b[lane], -product);
        let sum = high[lane] + product;
        let part = sum - high[lane];
        let left_of_sum = (high[lane] - (sum - part)) + (product - part);
        high[lane] = sum;
        low[lane] += left_of_sum + left_of_product;
    }
}
