//! Between its severity points: how far the readings of a fault move inside the cell that one point stands for.
//!
//! A fault of d numbers has N points in a cube of fractions, so that each stands for a cell of side N^(−1/d). Where d is 2
//! or 3 that is far more than a reading error: without it a unit between two points fits neither, and points that happen
//! to lie near carry all the weight. The cell's spread enters as further columns of the factor, one a number:
//!
//! ```text
//!     column = G·side·0.35        G: slope of the means by the fraction, from the neighbouring points
//! ```
//!
//! G is the least-squares plane through the point itself, neighbours weighed by exp(−r²/(2·side²)): locally weighted
//! regression, Cleveland, J. Am. Stat. Assoc. 74 (1979) 829. An even cell has an sd of side/√12 = 0.29·side; a little more
//! closes the gaps between points.

use nalgebra::DMatrix;

const CELL_SD: f64 = 0.35;
/// Keeps directions in which there is no neighbour at rest, as a part of the weight of a neighbour one side away.
const RIDGE: f64 = 1e-3;

/// For each point the columns of its cell, tests × numbers. `points`: fractions, and the means of all tests; `count`: how
/// many points the whole cube has.
pub(super) fn columns(points: &[(&[f64], &[f64])], count: usize) -> Vec<DMatrix<f64>> {
    points.iter().enumerate().map(|(own, _)| of_point(points, own, count)).collect()
}

fn of_point(points: &[(&[f64], &[f64])], own: usize, count: usize) -> DMatrix<f64> {
    let (at, mean) = points[own];
    let numbers = at.len();
    if numbers == 0 {
        return DMatrix::zeros(mean.len(), 0);
    }
    let side = (count as f64).powf(-1.0 / numbers as f64);
    let mut normal = DMatrix::identity(numbers, numbers) * (RIDGE * side * side);
    let mut moved = DMatrix::zeros(numbers, mean.len());
    for (_, (there, values)) in points.iter().enumerate().filter(|(other, _)| *other != own) {
        let step: Vec<f64> = there.iter().zip(at).map(|(there, at)| there - at).collect();
        let square: f64 = step.iter().map(|step| step * step).sum();
        let weight = (-0.5 * square / (side * side)).exp();
        for row in 0..numbers {
            for column in 0..numbers {
                normal[(row, column)] += weight * step[row] * step[column];
            }
            for (test, (value, mean)) in values.iter().zip(mean).enumerate() {
                moved[(row, test)] += weight * step[row] * (value - mean);
            }
        }
    }
    let slopes = normal.cholesky().map(|normal| normal.solve(&moved));
    slopes.map_or_else(|| DMatrix::zeros(mean.len(), numbers), |slopes| slopes.transpose() * (CELL_SD * side))
}

#[cfg(test)]
mod tests {
    use super::columns;

    #[test]
    fn means_that_lie_in_a_plane_spread_by_their_slope() {
        // 25 points, a side of 1/5: a slope of 10 gives 10·0.2·0.35 = 0.7, but for the ridge of a thousandth.
        let fractions: Vec<Vec<f64>> =
            (0..25).map(|at| vec![(f64::from(at % 5) + 0.5) / 5.0, (f64::from(at / 5) + 0.5) / 5.0]).collect();
        let means: Vec<Vec<f64>> = fractions.iter().map(|at| vec![10.0 * at[0], 3.0 - 4.0 * at[1]]).collect();
        let points: Vec<(&[f64], &[f64])> = fractions.iter().zip(&means).map(|(a, b)| (&a[..], &b[..])).collect();
        for own in columns(&points, 25) {
            for (at, expected) in [((0, 0), 0.7), ((0, 1), 0.0), ((1, 0), 0.0), ((1, 1), -0.28)] {
                assert!((own[at] - expected).abs() < 2e-3, "{at:?}: {} instead of {expected}", own[at]);
            }
        }
    }
}
