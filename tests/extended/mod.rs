//! Complex numbers of twice the double precision, and dense elimination with them: 32 digits to judge 16 by.
//!
//! Sums and products without error: Dekker, Numer. Math. 18 (1971) 224; Knuth, The Art of Computer Programming 2, section
//! 4.2.2.

#![allow(dead_code)]

use std::ops::{Add, Div, Mul, Neg, Sub};

/// The unevaluated sum of two doubles.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Double(pub f64, pub f64);

/// a + b and what rounding left of it.
fn two_sum(a: f64, b: f64) -> Double {
    let sum = a + b;
    let part = sum - a;
    Double(sum, (a - (sum - part)) + (b - part))
}

impl Double {
    pub fn product(a: f64, b: f64) -> Self {
        let product = a * b;
        Double(product, a.mul_add(b, -product))
    }

    pub fn value(self) -> f64 {
        self.0 + self.1
    }
}

impl Add for Double {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        let (high, low) = (two_sum(self.0, other.0), two_sum(self.1, other.1));
        let middle = two_sum(high.0, high.1 + low.0);
        two_sum(middle.0, middle.1 + low.1)
    }
}

impl Neg for Double {
    type Output = Self;
    fn neg(self) -> Self {
        Double(-self.0, -self.1)
    }
}

impl Sub for Double {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        self + -other
    }
}

impl Mul for Double {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        let product = Double::product(self.0, other.0);
        two_sum(product.0, product.1 + (self.0 * other.1 + self.1 * other.0))
    }
}

impl Div for Double {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        let first = self.0 / other.0;
        let left = self - other * Double(first, 0.0);
        let second = left.0 / other.0;
        let left = left - other * Double(second, 0.0);
        two_sum(first, second) + Double(left.0 / other.0, 0.0)
    }
}

/// A complex number.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Complex {
    pub re: Double,
    pub im: Double,
}

impl Complex {
    pub const ZERO: Complex = Complex { re: Double(0.0, 0.0), im: Double(0.0, 0.0) };
    pub const ONE: Complex = Complex { re: Double(1.0, 0.0), im: Double(0.0, 0.0) };

    pub fn norm_sqr(self) -> Double {
        self.re * self.re + self.im * self.im
    }

    pub fn size(self) -> f64 {
        self.re.0.abs() + self.im.0.abs()
    }

    pub fn minus(self, other: Self) -> Self {
        Self { re: self.re - other.re, im: self.im - other.im }
    }

    pub fn plus(self, other: Self) -> Self {
        Self { re: self.re + other.re, im: self.im + other.im }
    }

    pub fn times(self, other: Self) -> Self {
        Self { re: self.re * other.re - self.im * other.im, im: self.re * other.im + self.im * other.re }
    }

    pub fn over(self, other: Self) -> Self {
        let norm = other.norm_sqr();
        let product = self.times(Self { re: other.re, im: -other.im });
        Self { re: product.re / norm, im: product.im / norm }
    }
}

/// A matrix of `n` rows factored by elimination, the largest scaled entry of each column as its pivot.
pub struct Factored {
    n: usize,
    /// By rows in pivot order: multipliers left of the diagonal, U from it on.
    rows: Vec<Vec<Complex>>,
    /// Row of each pivot.
    order: Vec<usize>,
}

impl Factored {
    /// Factors a matrix given by rows; `None` where a pivot vanishes.
    pub fn of(mut rows: Vec<Vec<Complex>>) -> Option<Self> {
        let n = rows.len();
        let mut order: Vec<usize> = (0..n).collect();
        let scales: Vec<f64> =
            rows.iter().map(|row| row.iter().map(|value| value.size()).fold(0.0, f64::max)).collect();
        for pivot in 0..n {
            let size = |at: usize| rows[at][pivot].size() / scales[order[at]];
            let best = (pivot..n).max_by(|&a, &b| size(a).total_cmp(&size(b)))?;
            if rows[best][pivot].size() == 0.0 {
                return None;
            }
            rows.swap(pivot, best);
            order.swap(pivot, best);
            let (above, below) = rows.split_at_mut(pivot + 1);
            let above = &above[pivot];
            let filled: Vec<usize> = (pivot + 1..n).filter(|&column| above[column] != Complex::ZERO).collect();
            for row in below.iter_mut().filter(|row| row[pivot] != Complex::ZERO) {
                let multiplier = row[pivot].over(above[pivot]);
                row[pivot] = multiplier;
                for &column in &filled {
                    row[column] = row[column].minus(multiplier.times(above[column]));
                }
            }
        }
        Some(Self { n, rows, order })
    }

    /// Solves Aᵀ·z = e(unknown).
    pub fn transposed(&self, unknown: usize) -> Vec<Complex> {
        let mut v = vec![Complex::ZERO; self.n];
        v[unknown] = Complex::ONE;
        for pivot in 0..self.n {
            if v[pivot] == Complex::ZERO {
                continue;
            }
            v[pivot] = v[pivot].over(self.rows[pivot][pivot]);
            for column in pivot + 1..self.n {
                if self.rows[pivot][column] != Complex::ZERO {
                    v[column] = v[column].minus(self.rows[pivot][column].times(v[pivot]));
                }
            }
        }
        for row in (0..self.n).rev() {
            for pivot in 0..row {
                if self.rows[row][pivot] != Complex::ZERO {
                    v[pivot] = v[pivot].minus(self.rows[row][pivot].times(v[row]));
                }
            }
        }
        let mut z = vec![Complex::ZERO; self.n];
        self.order.iter().zip(v).for_each(|(&row, value)| z[row] = value);
        z
    }
}
