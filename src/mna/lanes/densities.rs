//! Sums over many pairs of unknowns of squared differences of a solution: what every noise current makes of a transfer.

use pulp::{Arch, Simd, WithSimd};

use super::LANES;
use super::kernel::{Wide, kernel};
use crate::mna::Unknown;

/// Pairs of unknowns i, j and what their squared differences are multiplied by: |x(i) − x(j)|²·(w + h·t).
#[derive(Clone, Debug, Default)]
pub struct LanePairs {
    /// i, j, and whether the pair before is the same.
    ends: Vec<(u32, u32, bool)>,
    factors: Vec<(f64, f64)>,
}

impl LanePairs {
    /// Of pairs and their (w, h), kept in order.
    pub fn new(pairs: impl Iterator<Item = (Unknown, Unknown, f64, f64)>) -> Self {
        let mut all = Self::default();
        let mut before = None;
        for (from, to, white, flicker) in pairs {
            all.ends.push((from.0, to.0, before == Some((from, to))));
            all.factors.push((white, flicker));
            before = Some((from, to));
        }
        all
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.ends.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.ends.is_empty()
    }

    /// Σ |x(i) − x(j)|²·(w + h·t) in each lane, `t` being that lane's `per_hertz`.
    pub fn totals(&self, solution: &[Wide], per_hertz: [f64; LANES]) -> [f64; LANES] {
        totals(self, solution, per_hertz)
    }

    /// As [`LanePairs::totals`] times `curve`; each pair's terms, times `weights`, are added over the lanes to its place in
    /// `sums`.
    pub fn split(
        &self,
        solution: &[Wide],
        per_hertz: [f64; LANES],
        curve: [f64; LANES],
        weights: [f64; LANES],
        sums: &mut [f64],
    ) -> [f64; LANES] {
        split(self, solution, per_hertz, curve, weights, sums)
    }
}

kernel! {
    fn totals / Totals / totals_with(pairs: &'a LanePairs, solution: &'a [Wide], per_hertz: [f64; LANES]) -> [f64; LANES]
}

#[inline(always)]
fn totals_with<const FUSED: bool>(pairs: &LanePairs, solution: &[Wide], per_hertz: [f64; LANES]) -> [f64; LANES] {
    let mut totals = [0.0; LANES];
    let mut norms = [0.0; LANES];
    for (&(from, to, again), &(white, flicker)) in pairs.ends.iter().zip(&pairs.factors) {
        if !again {
            norms = solution[from as usize].minus(&solution[to as usize]).norm_sqr_with::<FUSED>();
        }
        for lane in 0..LANES {
            let density = super::kernel::fused::<FUSED>(flicker, per_hertz[lane], white);
            totals[lane] = super::kernel::fused::<FUSED>(norms[lane], density, totals[lane]);
        }
    }
    totals
}

kernel! {
    fn split / Split / split_with(
        pairs: &'a LanePairs, solution: &'a [Wide], per_hertz: [f64; LANES], curve: [f64; LANES], weights: [f64; LANES],
        sums: &'a mut [f64]
    ) -> [f64; LANES]
}

#[inline(always)]
fn split_with<const FUSED: bool>(
    pairs: &LanePairs,
    solution: &[Wide],
    per_hertz: [f64; LANES],
    curve: [f64; LANES],
    weights: [f64; LANES],
    sums: &mut [f64],
) -> [f64; LANES] {
    let mut totals = [0.0; LANES];
    let mut norms = [0.0; LANES];
    for ((&(from, to, again), &(white, flicker)), sum) in pairs.ends.iter().zip(&pairs.factors).zip(sums) {
        if !again {
            norms = solution[from as usize].minus(&solution[to as usize]).norm_sqr_with::<FUSED>();
            norms = std::array::from_fn(|lane| norms[lane] * curve[lane]);
        }
        let mut weighted = [0.0; LANES];
        for lane in 0..LANES {
            let density = norms[lane] * super::kernel::fused::<FUSED>(flicker, per_hertz[lane], white);
            totals[lane] += density;
            weighted[lane] = weights[lane] * density;
        }
        // Halves are added, so that the lanes stay in one register.
        let four: [f64; LANES / 2] = std::array::from_fn(|lane| weighted[lane] + weighted[lane + LANES / 2]);
        *sum += (four[0] + four[2]) + (four[1] + four[3]);
    }
    totals
}
