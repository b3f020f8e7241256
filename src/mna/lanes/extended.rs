//! Residuals in twice the working precision.
//!
//! Refinement against them brings solutions to rounding whatever the condition, as long as the factors are good for one
//! digit: what is added last bounds the error that is left. Demmel, Hida, Kahan, Li, Mukherjee and Riedy, ACM Trans. Math.
//! Softw. 32 (2006) 325. Sums and products of two doubles without error: Dekker, Numer. Math. 18 (1971) 224; Knuth, The
//! Art of Computer Programming 2, section 4.2.2.

use super::LANES;
use super::kernel::{Matrix, Wide};

/// right − A·x, both with ground in front, rounded once.
pub(super) fn residual(matrix: Matrix<'_>, x: &[Wide], right: &[Wide]) -> Vec<Wide> {
    let mut sums: Vec<[Double; 2 * LANES]> = right
        .iter()
        .map(|value| {
            std::array::from_fn(|at| match at < LANES {
                true => Double::of(value.re[at]),
                false => Double::of(value.im[at - LANES]),
            })
        })
        .collect();
    for (&(g, c), &(row, column)) in matrix.entries.iter().zip(matrix.places) {
        let (row, column) = if matrix.transposed { (column, row) } else { (row, column) };
        let (sum, x) = (&mut sums[row as usize + 1], &x[column as usize + 1]);
        for lane in 0..LANES {
            let (re, im) = (x.re[lane], x.im[lane]);
            sum[lane].add_product(-g, re);
            sum[lane + LANES].add_product(-g, im);
            if c != 0.0 {
                // What is solved for are the entries as factored, their own rounding included.
                let b = matrix.omegas[lane] * c;
                sum[lane].add_product(b, im);
                sum[lane + LANES].add_product(-b, re);
            }
        }
    }
    let rounded = sums.iter().map(|sum| Wide {
        re: std::array::from_fn(|lane| sum[lane].rounded()),
        im: std::array::from_fn(|lane| sum[lane + LANES].rounded()),
    });
    rounded.collect()
}

/// A sum and what rounding left of it.
#[derive(Clone, Copy)]
struct Double {
    high: f64,
    low: f64,
}

impl Double {
    fn of(value: f64) -> Self {
        Self { high: value, low: 0.0 }
    }

    fn add_product(&mut self, a: f64, b: f64) {
        let product = a * b;
        let left_of_product = a.mul_add(b, -product);
        let sum = self.high + product;
        let part = sum - self.high;
        let left_of_sum = (self.high - (sum - part)) + (product - part);
        self.high = sum;
        self.low += left_of_sum + left_of_product;
    }

    fn rounded(self) -> f64 {
        self.high + self.low
    }
}
