//! The circuit reduced to the states that store energy.
//!
//! With C = P·Q of as many columns and rows as C has independent ones, (G + s0·C)⁻¹·C has the eigenvalues of
//! Q·(G + s0·C)⁻¹·P besides zeros: a capacitor between two nodes is one state, not two. P and Q come of elimination row by
//! row, largest rows first, so that no multiplier is large.

use nalgebra::DMatrix;

use crate::mna::{Factored, LANES, LaneSolver, LaneValue, SignalEquations};

/// What elimination leaves of an entry below this fraction of its column's share in the row is rounding.
const ROUNDING: f64 = 1e-13;
/// Any frequency: shifted equations are real, and know none.
const ANY_HERTZ: f64 = 1.0;

/// C = P·Q, by columns of P and rows of Q; indices by unknown.
pub(super) struct States {
    inputs: Vec<Vec<(usize, f64)>>,
    outputs: Vec<Vec<(usize, f64)>>,
}

impl States {
    pub fn of(equations: &SignalEquations) -> Self {
        let storing = |of: fn(&crate::mna::SignalEntry) -> usize| {
            let mut storing: Vec<usize> = equations.entries.iter().filter(|entry| entry.c != 0.0).map(of).collect();
            storing.sort_unstable();
            storing.dedup();
            storing
        };
        let (rows, columns) = (storing(|entry| entry.row.index()), storing(|entry| entry.column.index()));
        let mut dense = vec![vec![0.0; columns.len()]; rows.len()];
        for entry in equations.entries.iter().filter(|entry| entry.c != 0.0) {
            let row = rows.binary_search(&entry.row.index()).expect("listed above");
            let column = columns.binary_search(&entry.column.index()).expect("listed above");
            dense[row][column] += entry.c;
        }
        let largest = |row: &[f64]| row.iter().fold(0.0, |largest: f64, value| largest.max(value.abs()));
        let mut order: Vec<usize> = (0..rows.len()).collect();
        order.sort_by(|&a, &b| largest(&dense[b]).total_cmp(&largest(&dense[a])));

        // Each pivot row with its pivot's column; each row's multiples of them.
        let mut pivots: Vec<(usize, Vec<f64>)> = Vec::new();
        let mut inputs: Vec<Vec<(usize, f64)>> = Vec::new();
        for row in order {
            let mut left = std::mem::take(&mut dense[row]);
            let mut share: Vec<f64> = left.iter().map(|value| value.abs()).collect();
            for (state, (column, pivot)) in pivots.iter().enumerate() {
                if left[*column] == 0.0 {
                    continue;
                }
                let multiple = left[*column] / pivot[*column];
                for ((left, share), value) in left.iter_mut().zip(&mut share).zip(pivot) {
                    *left -= multiple * value;
                    *share = share.max((multiple * value).abs());
                }
                left[*column] = 0.0;
                inputs[state].push((rows[row], multiple));
            }
            for (left, share) in left.iter_mut().zip(&share) {
                if left.abs() <= ROUNDING * share {
                    *left = 0.0;
                }
            }
            let column = (0..left.len()).max_by(|&a, &b| left[a].abs().total_cmp(&left[b].abs()));
            if let Some(column) = column.filter(|&column| left[column] != 0.0) {
                inputs.push(vec![(rows[row], 1.0)]);
                pivots.push((column, left));
            }
        }
        let sparse = |row: &Vec<f64>| -> Vec<(usize, f64)> {
            let stored = row.iter().enumerate().filter(|(_, value)| **value != 0.0);
            stored.map(|(at, value)| (columns[at], *value)).collect()
        };
        let outputs = pivots.iter().map(|(_, row)| sparse(row)).collect();
        Self { inputs, outputs }
    }

    /// Q·(G + s0·C)⁻¹·P for a real shift s0, rad/s; `None` where the shifted equations have no solution.
    pub fn matrix(&self, equations: &SignalEquations, shift: f64) -> Option<DMatrix<f64>> {
        let size = self.inputs.len();
        let mut shifted = SignalEquations::new(equations.unknowns);
        equations.entries.iter().for_each(|entry| shifted.add(entry.row, entry.column, entry.g + shift * entry.c, 0.0));
        let mut matrix = DMatrix::zeros(size, size);
        let mut note = |state: usize, solved: &dyn Fn(usize) -> f64| {
            for (row, output) in self.outputs.iter().enumerate() {
                matrix[(row, state)] = output.iter().map(|&(unknown, value)| value * solved(unknown)).sum();
            }
        };
        if let Some(columns) = self.solved_in_lanes(&shifted) {
            for (state, column) in columns.iter().enumerate() {
                note(state, &|unknown| column[unknown]);
            }
            return Some(matrix);
        }
        let entries = shifted.entries.iter().map(|entry| (entry.row, entry.column, entry.g));
        let factored = Factored::<f64>::new(equations.unknowns, entries).ok()?;
        for (state, input) in self.inputs.iter().enumerate() {
            let mut right = vec![0.0; equations.unknowns + 1];
            input.iter().for_each(|&(row, value)| right[row] = value);
            let solved = factored.solve(&right).ok()?;
            note(state, &|unknown| solved[unknown]);
        }
        Some(matrix)
    }

    /// One solution a state, eight of them at once.
    fn solved_in_lanes(&self, shifted: &SignalEquations) -> Option<Vec<Vec<f64>>> {
        let solver = LaneSolver::new(shifted, [ANY_HERTZ; 3]).ok()?;
        let factors = solver.factor([ANY_HERTZ; LANES])?;
        let mut columns = Vec::with_capacity(self.inputs.len());
        for few in self.inputs.chunks(LANES) {
            let mut right = vec![LaneValue::ZERO; shifted.unknowns + 1];
            for (lane, input) in few.iter().enumerate() {
                input.iter().for_each(|&(row, value)| right[row].re[lane] = value);
            }
            let solved = factors.refined(&right)?;
            columns.extend((0..few.len()).map(|lane| solved.iter().map(|value| value.re[lane]).collect()));
        }
        Some(columns)
    }
}
