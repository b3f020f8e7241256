//! The flat program of a pivot order: where every entry of L and U lies, and which pairs of them each one takes.
//!
//! Rows are worked off in pivot order, each entry from left to right (dot form):
//! l(i,j) = (a(i,j) − Σ l(i,k)·u(k,j)) / u(j,j) for j < i, and u(i,j) = a(i,j) − Σ l(i,k)·u(k,j) from the diagonal on.

use super::order::{Order, short};

/// What follows the subtractions of a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Finish {
    /// Multiply by the inverse of this pivot: an entry of L.
    Divide(u32),
    /// Note the inverse: the pivot itself.
    Invert(u32),
    /// Nothing: an entry of U.
    Keep,
}

/// One entry of L or U: its pairs are `pairs[previous end..end]`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Step {
    pub end: u32,
    pub finish: Finish,
}

/// A factorization as a list of index pairs. The step of a slot has the slot's number.
#[derive(Clone, Debug)]
pub(super) struct Program {
    pub steps: Vec<Step>,
    pub pairs: Vec<(u32, u32)>,
    entry_slots: Vec<u32>,
    /// Original row and column of each pivot.
    pub rows: Vec<u32>,
    pub columns: Vec<u32>,
    /// Entries of U right of each pivot: column in pivot order, slot.
    pub upper: Sparse,
    /// Entries of L left of each pivot's row: pivot, slot.
    pub lower: Sparse,
    /// Entries of L below each pivot, from `below_starts` on: original row + 1 (ground stands in front), slot.
    pub below: Vec<(u32, u32)>,
    pub below_starts: Vec<u32>,
    /// Place in pivot order of each original row and column.
    pub pivot_of_row: Vec<u32>,
    pub pivot_of_column: Vec<u32>,
}

/// Rows of a sparse pattern.
#[derive(Clone, Debug, Default)]
pub(super) struct Sparse {
    ends: Vec<u32>,
    items: Vec<(u32, u32)>,
}

impl Sparse {
    pub fn row(&self, row: usize) -> &[(u32, u32)] {
        let start = if row == 0 { 0 } else { self.ends[row - 1] as usize };
        &self.items[start..self.ends[row] as usize]
    }

    fn push_row(&mut self, items: impl Iterator<Item = (u32, u32)>) {
        self.items.extend(items);
        self.ends.push(short(self.items.len()));
    }
}

impl Program {
    /// `places` are the original rows and columns of the matrix's entries, one each.
    pub fn new(order: Order, places: &[(u32, u32)]) -> Self {
        let n = order.rows.len();
        let inverse = |of: &[u32]| {
            let mut pivot_of = vec![0u32; n];
            of.iter().enumerate().for_each(|(pivot, &at)| pivot_of[at as usize] = short(pivot));
            pivot_of
        };
        let (pivot_of_row, pivot_of_column) = (inverse(&order.rows), inverse(&order.columns));

        // Left and right of the diagonal in pivot order, ascending.
        let mut left: Vec<Vec<u32>> = vec![Vec::new(); n];
        for (pivot, rows) in order.lower.iter().enumerate() {
            rows.iter().for_each(|&row| left[pivot_of_row[row as usize] as usize].push(short(pivot)));
        }
        let right: Vec<Vec<u32>> = order
            .upper
            .iter()
            .map(|columns| {
                let mut columns: Vec<u32> = columns.iter().map(|&column| pivot_of_column[column as usize]).collect();
                columns.sort_unstable();
                columns
            })
            .collect();

        let mut program = Self {
            steps: Vec::new(),
            pairs: Vec::new(),
            entry_slots: Vec::new(),
            rows: order.rows,
            columns: order.columns,
            upper: Sparse::default(),
            lower: Sparse::default(),
            below: Vec::new(),
            below_starts: Vec::with_capacity(n),
            pivot_of_row: Vec::new(),
            pivot_of_column: Vec::new(),
        };
        // Slot of each column of the row being worked on, and the pairs each of its entries takes.
        let mut slot_of = vec![u32::MAX; n];
        let mut row_starts = Vec::with_capacity(n);
        for row in 0..n {
            let start = program.steps.len();
            row_starts.push(start);
            let columns: Vec<u32> =
                left[row].iter().copied().chain([short(row)]).chain(right[row].iter().copied()).collect();
            for (offset, &column) in columns.iter().enumerate() {
                slot_of[column as usize] = short(start + offset);
            }
            let mut taken: Vec<Vec<(u32, u32)>> = vec![Vec::new(); columns.len()];
            for &pivot in &left[row] {
                let multiplier = slot_of[pivot as usize];
                for &(column, slot) in program.upper.row(pivot as usize) {
                    let target = slot_of[column as usize] as usize - start;
                    taken[target].push((multiplier, slot));
                }
            }
            for (&column, taken) in columns.iter().zip(&taken) {
                program.pairs.extend(taken);
                let finish = match (column as usize).cmp(&row) {
                    std::cmp::Ordering::Less => Finish::Divide(column),
                    std::cmp::Ordering::Equal => Finish::Invert(column),
                    std::cmp::Ordering::Greater => Finish::Keep,
                };
                program.steps.push(Step { end: short(program.pairs.len()), finish });
            }
            let slots =
                |columns: &[u32]| columns.iter().map(|&column| (column, slot_of[column as usize])).collect::<Vec<_>>();
            program.lower.push_row(slots(&left[row]).into_iter());
            program.upper.push_row(slots(&right[row]).into_iter());
            columns.iter().for_each(|&column| slot_of[column as usize] = u32::MAX);
        }
        program.entry_slots = places
            .iter()
            .map(|&(row, column)| {
                let (row, column) = (pivot_of_row[row as usize] as usize, pivot_of_column[column as usize]);
                let of = |entries: &[(u32, u32)]| entries[entries.partition_point(|&(at, _)| at < column)].1;
                match (column as usize).cmp(&row) {
                    std::cmp::Ordering::Less => of(program.lower.row(row)),
                    std::cmp::Ordering::Equal => short(row_starts[row] + left[row].len()),
                    std::cmp::Ordering::Greater => of(program.upper.row(row)),
                }
            })
            .collect();
        let mut below: Vec<Vec<(u32, u32)>> = vec![Vec::new(); n];
        for row in 0..n {
            let original = program.rows[row] + 1;
            program.lower.row(row).iter().for_each(|&(pivot, slot)| below[pivot as usize].push((original, slot)));
        }
        for entries in below {
            program.below_starts.push(short(program.below.len()));
            program.below.extend(entries);
        }
        (program.pivot_of_row, program.pivot_of_column) = (pivot_of_row, pivot_of_column);
        program
    }

    /// Entries of L and U together.
    pub fn slots(&self) -> usize {
        self.steps.len()
    }

    /// The slot each entry of the matrix begins in.
    pub fn entry_slots(&self) -> &[u32] {
        &self.entry_slots
    }
}
