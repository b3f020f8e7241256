//! The condition of equations too large for the dense solver, or too well-behaved to need it.
//!
//! Estimate of ‖A⁻¹‖₁ by a few solutions with A and Aᵀ. Hager, SIAM J. Sci. Stat. Comput. 5 (1984) 311; Higham, ACM
//! Trans. Math. Softw. 14 (1988) 381.

use num_complex::Complex64;

use super::kernel::Wide;
use super::{LANES, LaneFactors, LaneScratch};
use crate::mna::Unknown;

/// Rounds at most; two nearly always do.
const ROUNDS: usize = 4;

impl LaneFactors<'_> {
    /// Estimate of the 1-norm condition of the equilibrated matrix at the first frequency, and the unknown the weakest
    /// direction points at.
    pub fn condition(&self) -> (f64, Unknown) {
        let solver = &self.solver;
        let n = solver.row_scale.len();
        let omega = std::f64::consts::TAU * self.hertz[0];
        let mut column_sums = vec![0.0; n];
        for (&(g, c), &(row, column)) in solver.entries.iter().zip(&solver.places) {
            let scale = solver.row_scale[row as usize] * solver.column_scale[column as usize];
            column_sums[column as usize] += Complex64::new(g, omega * c).norm() * scale;
        }
        let norm = column_sums.into_iter().fold(0.0, f64::max);
        let mut scratch = LaneScratch::default();
        self.fit(&mut scratch);
        let mut probe = vec![Complex64::from(1.0 / n as f64); n];
        let (mut estimate, mut weakest) = (0.0, 0);
        for _ in 0..ROUNDS {
            let solved = self.scaled(&probe, false, &mut scratch);
            let size: f64 = solved.iter().map(|value| value.norm()).sum();
            if !size.is_finite() {
                return (f64::INFINITY, unknown(weakest));
            }
            if size <= estimate {
                break;
            }
            estimate = size;
            weakest = position_of_largest(&solved);
            let sign = |value: &Complex64| match value.norm() {
                0.0 => Complex64::from(1.0),
                size => value.conj() / size,
            };
            let signs: Vec<Complex64> = solved.iter().map(sign).collect();
            let next = position_of_largest(&self.scaled(&signs, true, &mut scratch));
            probe.fill(Complex64::default());
            probe[next] = Complex64::from(1.0);
        }
        (estimate * norm, unknown(weakest))
    }

    /// Solves the equilibrated equations, R·A·C·x = b or their transpose, at the first frequency.
    fn scaled(&self, right: &[Complex64], transposed: bool, scratch: &mut LaneScratch) -> Vec<Complex64> {
        let (of_equations, of_unknowns) = match transposed {
            true => (&self.solver.column_scale, &self.solver.row_scale),
            false => (&self.solver.row_scale, &self.solver.column_scale),
        };
        let mut wide = vec![Wide::ZERO];
        wide.extend(right.iter().zip(of_equations).map(|(value, scale)| {
            let value = value / scale;
            Wide { re: [value.re; LANES], im: [value.im; LANES] }
        }));
        self.solve(&wide, scratch, transposed);
        let solved = scratch.solution[1..].iter().zip(of_unknowns);
        solved.map(|(value, scale)| Complex64::new(value.re[0], value.im[0]) / scale).collect()
    }
}

fn unknown(position: usize) -> Unknown {
    Unknown(u32::try_from(position + 1).expect("unknowns are numbered in 32 bits"))
}

fn position_of_largest(values: &[Complex64]) -> usize {
    let sizes = values.iter().map(|value| value.norm()).enumerate();
    sizes.fold((0, -1.0), |best, (at, size)| if size > best.1 { (at, size) } else { best }).0
}
