//! The pivot order: Markowitz count with threshold pivoting on several sample frequencies at once.
//!
//! Markowitz, Management Science 3 (1957) 255: of the entries large enough in their row and column, the one whose
//! elimination can fill the fewest places comes first. An entry must be large enough at every sample, so that one order
//! serves the whole band.

use num_complex::Complex64;

/// Values at the sample frequencies.
pub(super) type Samples = [Complex64; 3];
/// An entry's row and column, and its values.
pub(super) type Sampled = ((u32, u32), Samples);

/// A pivot is at least this fraction of the largest entry of its row and of its column.
const THRESHOLD: f64 = 1e-2;
/// A pivot of this fraction needs to be no larger for its own sake.
const AMPLE: f64 = 0.1;
/// Rows of the fewest entries that are searched for a pivot.
const SEARCHED: usize = 6;

/// A pivot order and the places it fills.
#[derive(Debug)]
pub(super) struct Order {
    /// Row of each pivot.
    pub rows: Vec<u32>,
    /// Column of each pivot.
    pub columns: Vec<u32>,
    /// For each pivot, the other columns its row still had: the pattern of U, unsorted.
    pub upper: Vec<Vec<u32>>,
    /// For each pivot, the other rows its column still had: the pattern of L, unsorted.
    pub lower: Vec<Vec<u32>>,
}

/// How good a pivot is: the cheapest first; among these one of ample size whose row has been left alone the longest. So
/// pivots that do not wait for each other come in turn, and the processor works on several at once.
#[derive(Clone, Copy)]
struct Rank {
    cost: usize,
    small: bool,
    changed: u32,
    size: f64,
}

impl Rank {
    fn before(&self, other: &Rank) -> bool {
        (self.cost, self.small, self.changed, -self.size) < (other.cost, other.small, other.changed, -other.size)
    }
}

/// Rows that are left, and where each column's entries are.
struct Active {
    rows: Vec<Vec<(u32, Samples)>>,
    columns: Vec<Vec<u32>>,
    done: Vec<bool>,
}

/// Orders the pivots of a matrix of `n` rows; on failure the row that nothing is left of.
pub(super) fn order(n: usize, entries: &[Sampled]) -> Result<Order, u32> {
    let mut active = Active { rows: vec![Vec::new(); n], columns: vec![Vec::new(); n], done: vec![false; n] };
    for &((row, column), samples) in entries {
        active.rows[row as usize].push((column, samples));
        active.columns[column as usize].push(row);
    }
    active.rows.iter_mut().for_each(|row| row.sort_by_key(|(column, _)| *column));
    let mut order = Order {
        rows: Vec::with_capacity(n),
        columns: Vec::with_capacity(n),
        upper: Vec::with_capacity(n),
        lower: Vec::with_capacity(n),
    };
    let mut by_count = Buckets::new(&active.rows);
    for _ in 0..n {
        let (row, column) = active.pivot(&by_count)?;
        active.eliminate(row, column, &mut order, &mut by_count);
    }
    Ok(order)
}

impl Active {
    /// The best pivot among the shortest rows; beyond them where those hold none that is large enough.
    fn pivot(&self, by_count: &Buckets) -> Result<(u32, u32), u32> {
        let mut best: Option<(Rank, u32, u32)> = None;
        let mut last = 0;
        for (searched, (changed, row)) in by_count.ascending().enumerate() {
            if searched >= SEARCHED && best.is_some() {
                break;
            }
            last = row;
            let entries = &self.rows[row as usize];
            // Nothing shorter can come: a pivot of this row costs at least so much.
            let least = entries.len().saturating_sub(1);
            if best.is_some_and(|(rank, ..)| least > rank.cost) {
                break;
            }
            let largest = largest(entries.iter().map(|(_, samples)| samples));
            for (column, samples) in entries {
                let cost = (entries.len() - 1) * (self.columns[*column as usize].len() - 1);
                let size = fraction(samples, &largest);
                let rank = Rank { cost, small: size < AMPLE, changed, size };
                if size < THRESHOLD || best.is_some_and(|(known, ..)| !rank.before(&known)) {
                    continue;
                }
                if fraction(samples, &self.largest_of_column(*column)) >= THRESHOLD {
                    best = Some((rank, row, *column));
                }
            }
        }
        best.map(|(_, row, column)| (row, column)).ok_or(last)
    }

    fn largest_of_column(&self, column: u32) -> [f64; 3] {
        let rows = self.columns[column as usize].iter();
        largest(rows.filter_map(|&row| {
            let row = &self.rows[row as usize];
            row.binary_search_by_key(&column, |(column, _)| *column).ok().map(|at| &row[at].1)
        }))
    }

    fn eliminate(&mut self, row: u32, column: u32, order: &mut Order, by_count: &mut Buckets) {
        let pivot_row = std::mem::take(&mut self.rows[row as usize]);
        by_count.remove(row, pivot_row.len());
        self.done[row as usize] = true;
        for (other, _) in &pivot_row {
            self.columns[*other as usize].retain(|&at| at != row);
        }
        let below = std::mem::take(&mut self.columns[column as usize]);
        let at = pivot_row.binary_search_by_key(&column, |(column, _)| *column).expect("the pivot is of its row");
        let pivot = pivot_row[at].1;
        for &target in &below {
            let old = std::mem::take(&mut self.rows[target as usize]);
            by_count.remove(target, old.len());
            let new = self.combined(target, &old, &pivot_row, column, &pivot);
            by_count.add(target, new.len(), short(order.rows.len()) + 1);
            self.rows[target as usize] = new;
        }
        order.rows.push(row);
        order.columns.push(column);
        order.upper.push(pivot_row.iter().map(|(other, _)| *other).filter(|&other| other != column).collect());
        order.lower.push(below);
    }

    /// A row less its multiple of the pivot row; both ascending. Entries that cancel keep their place.
    fn combined(
        &mut self,
        target: u32,
        old: &[(u32, Samples)],
        pivot_row: &[(u32, Samples)],
        column: u32,
        pivot: &Samples,
    ) -> Vec<(u32, Samples)> {
        let at =
            old.binary_search_by_key(&column, |(column, _)| *column).expect("the row stands in the pivot's column");
        let factor: Samples = std::array::from_fn(|sample| old[at].1[sample] / pivot[sample]);
        let mut new = Vec::with_capacity(old.len() + pivot_row.len());
        let (mut left, mut right) = (old.iter().peekable(), pivot_row.iter().peekable());
        loop {
            let next = match (left.peek(), right.peek()) {
                (None, None) => break,
                (Some((a, _)), Some((b, _))) if a == b => {
                    let ((column, kept), (_, taken)) = (left.next().expect("peeked"), right.next().expect("peeked"));
                    (*column, std::array::from_fn(|sample| kept[sample] - factor[sample] * taken[sample]))
                }
                (Some((a, _)), Some((b, _))) if a < b => *left.next().expect("peeked"),
                (Some(_), None) => *left.next().expect("peeked"),
                (_, Some(_)) => {
                    let (filled, taken) = right.next().expect("peeked");
                    if *filled != column {
                        self.columns[*filled as usize].push(target);
                    }
                    (*filled, std::array::from_fn(|sample| -factor[sample] * taken[sample]))
                }
            };
            if next.0 != column {
                new.push(next);
            }
        }
        new
    }
}

fn largest<'a>(entries: impl Iterator<Item = &'a Samples>) -> [f64; 3] {
    entries.fold([0.0; 3], |largest, samples| {
        std::array::from_fn(|at| f64::max(largest[at], samples[at].norm_sqr().sqrt()))
    })
}

/// The least fraction, over the samples, of an entry by the largest.
fn fraction(samples: &Samples, largest: &[f64; 3]) -> f64 {
    let fractions = samples
        .iter()
        .zip(largest)
        .map(|(value, &largest)| if largest > 0.0 { value.norm_sqr().sqrt() / largest } else { 0.0 });
    fractions.fold(f64::INFINITY, f64::min)
}

/// Rows by their number of entries; among equals the one left alone the longest, then the lowest.
struct Buckets {
    rows: Vec<std::collections::BTreeSet<(u32, u32)>>,
    /// By row: the pivots taken when it was last changed.
    changed: Vec<u32>,
}

impl Buckets {
    fn new(rows: &[Vec<(u32, Samples)>]) -> Self {
        let mut buckets = Self { rows: vec![Default::default(); rows.len() + 1], changed: vec![0; rows.len()] };
        for (row, entries) in rows.iter().enumerate() {
            buckets.add(short(row), entries.len(), 0);
        }
        buckets
    }

    fn add(&mut self, row: u32, count: usize, changed: u32) {
        self.changed[row as usize] = changed;
        self.rows[count].insert((changed, row));
    }

    fn remove(&mut self, row: u32, count: usize) {
        self.rows[count].remove(&(self.changed[row as usize], row));
    }

    fn ascending(&self) -> impl Iterator<Item = (u32, u32)> {
        self.rows.iter().flat_map(|rows| rows.iter().copied())
    }
}

pub(super) fn short(number: usize) -> u32 {
    u32::try_from(number).expect("a factorization that fits in memory has fewer than 2^32 entries")
}
