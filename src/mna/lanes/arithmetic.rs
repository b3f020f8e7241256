//! Arithmetic on eight variants at once, real or complex: plain loops over arrays of eight, compiled for what the
//! processor offers at run time, as in `kernel.rs`.

use pulp::{Arch, Simd, WithSimd};

use super::LANES;
use super::kernel::Wide;
use super::number::{LaneNumber, LaneReal, fused};
use super::program::{Finish, Program};

/// Where an entry stands, ground being row and column 0, and its slot among the factors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Place {
    pub row: u32,
    pub column: u32,
    pub slot: u32,
}

/// Declares a kernel over one kind of number, as the macro of `kernel.rs`.
macro_rules! kernel {
    ($(#[$doc:meta])* fn $name:ident / $work:ident / $body:ident ($($argument:ident: $type:ty),*) -> $output:ty) => {
        struct $work<'a, N: LaneNumber>($($type,)* std::marker::PhantomData<&'a N>);

        impl<N: LaneNumber> WithSimd for $work<'_, N> {
            type Output = $output;

            #[inline(always)]
            fn with_simd<S: Simd>(self, _simd: S) -> $output {
                let Self($($argument,)* _) = self;
                $body::<N, true>($($argument),*)
            }
        }

        $(#[$doc])*
        #[allow(clippy::too_many_arguments)]
        pub(super) fn $name<'a, N: LaneNumber>($($argument: $type),*) -> $output {
            match Arch::new() {
                Arch::Scalar => $body::<N, false>($($argument),*),
                arch => arch.dispatch($work($($argument,)* std::marker::PhantomData)),
            }
        }
    };
}

kernel! {
    /// Factors the matrix of `values` by slot; says of each lane whether its pivots are finite.
    fn factor / Factor / factor_with(
        program: &'a Program, values: &'a [N], factors: &'a mut [N], inverse_pivots: &'a mut [N]
    ) -> [bool; LANES]
}

#[inline(always)]
fn factor_with<N: LaneNumber, const FUSED: bool>(
    program: &Program,
    values: &[N],
    factors: &mut [N],
    inverse_pivots: &mut [N],
) -> [bool; LANES] {
    // Zero as long as all is finite: comparisons pass over what is not a number, a sum does not.
    let mut finite = [0.0f64; LANES];
    let mut start = 0;
    for (slot, step) in program.steps.iter().enumerate() {
        let (done, open) = factors.split_at_mut(slot);
        // A local copy stays in registers.
        let mut value = values[slot];
        for &(multiplier, upper) in &program.pairs[start..step.end as usize] {
            value = value.less::<FUSED>(&done[multiplier as usize], &done[upper as usize]);
        }
        start = step.end as usize;
        match step.finish {
            Finish::Divide(pivot) => value = value.by::<FUSED>(&inverse_pivots[pivot as usize]),
            Finish::Invert(pivot) => {
                let inverse = value.reciprocal();
                inverse_pivots[pivot as usize] = inverse;
                let size = inverse.magnitude();
                for lane in 0..LANES {
                    finite[lane] += 0.0 * size[lane];
                }
            }
            Finish::Keep => {}
        }
        open[0] = value;
    }
    finite.map(|sum| sum == 0.0)
}

kernel! {
    /// Solves the equations; `right` and `solution` by unknown, ground first.
    fn solve / Solve / solve_with(
        program: &'a Program, factors: &'a [N], inverse_pivots: &'a [N], right: &'a [N], solution: &'a mut [N],
        work: &'a mut [N]
    ) -> ()
}

#[inline(always)]
fn solve_with<N: LaneNumber, const FUSED: bool>(
    program: &Program,
    factors: &[N],
    inverse_pivots: &[N],
    right: &[N],
    solution: &mut [N],
    work: &mut [N],
) {
    let n = inverse_pivots.len();
    for row in 0..n {
        let mut value = right[program.rows[row] as usize + 1];
        for &(pivot, slot) in program.lower.row(row) {
            value = value.less::<FUSED>(&factors[slot as usize], &work[pivot as usize]);
        }
        work[row] = value;
    }
    solution[0] = N::ZERO;
    for pivot in (0..n).rev() {
        let mut value = work[pivot];
        for &(column, slot) in program.upper.row(pivot) {
            value = value.less::<FUSED>(&factors[slot as usize], &work[column as usize]);
        }
        value = value.by::<FUSED>(&inverse_pivots[pivot]);
        work[pivot] = value;
        solution[program.columns[pivot] as usize + 1] = value;
    }
}

kernel! {
    /// Solves the transposed equations; arguments as [`solve`].
    fn solve_transposed / SolveTransposed / solve_transposed_with(
        program: &'a Program, factors: &'a [N], inverse_pivots: &'a [N], right: &'a [N], solution: &'a mut [N],
        work: &'a mut [N], reached: &'a mut [bool]
    ) -> ()
}

/// With the matrix in pivot order = L·U: Uᵀ·v = b, then Lᵀ·w = v. Rows that nothing has reached are passed over.
#[inline(always)]
fn solve_transposed_with<N: LaneNumber, const FUSED: bool>(
    program: &Program,
    factors: &[N],
    inverse_pivots: &[N],
    right: &[N],
    solution: &mut [N],
    work: &mut [N],
    reached: &mut [bool],
) {
    let n = inverse_pivots.len();
    for pivot in 0..n {
        let value = right[program.columns[pivot] as usize + 1];
        work[pivot] = value;
        reached[pivot] = value != N::ZERO;
    }
    for pivot in 0..n {
        if !reached[pivot] {
            continue;
        }
        let value = work[pivot].by::<FUSED>(&inverse_pivots[pivot]);
        work[pivot] = value;
        for &(column, slot) in program.upper.row(pivot) {
            reached[column as usize] = true;
            work[column as usize] = work[column as usize].less::<FUSED>(&factors[slot as usize], &value);
        }
    }
    solution[0] = N::ZERO;
    for row in (0..n).rev() {
        let value = work[row];
        solution[program.rows[row] as usize + 1] = value;
        if !reached[row] {
            continue;
        }
        for &(pivot, slot) in program.lower.row(row) {
            reached[pivot as usize] = true;
            work[pivot as usize] = work[pivot as usize].less::<FUSED>(&factors[slot as usize], &value);
        }
    }
}

kernel! {
    /// right − A·x (or with Aᵀ) into `residual`, and its largest row over |A|·|x| + |right| of the row, lane by lane; not
    /// a number where x is none. `sizes` and `largest` are memory.
    fn backward_errors / BackwardErrors / backward_errors_with(
        places: &'a [Place], values: &'a [N], transposed: bool, right: &'a [N], x: &'a [N], residual: &'a mut [N],
        sizes: &'a mut [[f64; LANES]], largest: &'a mut [[f64; LANES]]
    ) -> [f64; LANES]
}

/// A row whose terms are all rounding of larger ones elsewhere cannot be solved to its own digits; below this fraction of
/// its largest entry times the largest unknown it is measured against these (Arioli, Demmel and Duff).
const TINY_ROW: f64 = 1e-11;

#[allow(clippy::too_many_arguments)]
#[inline(always)]
fn backward_errors_with<N: LaneNumber, const FUSED: bool>(
    places: &[Place],
    values: &[N],
    transposed: bool,
    right: &[N],
    x: &[N],
    residual: &mut [N],
    sizes: &mut [[f64; LANES]],
    largest: &mut [[f64; LANES]],
) -> [f64; LANES] {
    residual.copy_from_slice(right);
    sizes.fill([0.0; LANES]);
    largest.fill([0.0; LANES]);
    for place in places {
        let (row, column) = match transposed {
            false => (place.row as usize, place.column as usize),
            true => (place.column as usize, place.row as usize),
        };
        let value = values[place.slot as usize];
        residual[row] = residual[row].less::<FUSED>(&value, &x[column]);
        let (a, b) = (value.magnitude(), x[column].magnitude());
        let (mut size, mut large) = (sizes[row], largest[row]);
        for lane in 0..LANES {
            size[lane] = fused::<FUSED>(a[lane], b[lane], size[lane]);
            large[lane] = if a[lane] > large[lane] { a[lane] } else { large[lane] };
        }
        (sizes[row], largest[row]) = (size, large);
    }
    let mut greatest = [0.0f64; LANES];
    for value in &x[1..] {
        let size = value.magnitude();
        for lane in 0..LANES {
            greatest[lane] = if size[lane] > greatest[lane] { size[lane] } else { greatest[lane] };
        }
    }
    let (mut worst, mut finite) = ([0.0f64; LANES], [0.0f64; LANES]);
    for row in 1..x.len() {
        let (left, given) = (residual[row].magnitude(), right[row].magnitude());
        for lane in 0..LANES {
            let own = sizes[row][lane] + given[lane];
            let whole = largest[row][lane] * greatest[lane];
            let against = if own > TINY_ROW * whole { own } else { whole };
            // A row of zeros with nothing to solve is solved.
            let error = left[lane] / if against > 0.0 { against } else { 1.0 };
            worst[lane] = if error > worst[lane] { error } else { worst[lane] };
            finite[lane] += 0.0 * error;
        }
    }
    std::array::from_fn(|lane| worst[lane] + finite[lane])
}

struct SquaredDifferences<'a> {
    pairs: &'a [(u32, u32)],
    x: &'a [Wide],
    weights: &'a [LaneReal],
    squares: &'a mut [LaneReal],
}

impl WithSimd for SquaredDifferences<'_> {
    type Output = [f64; LANES];

    #[inline(always)]
    fn with_simd<S: Simd>(self, _simd: S) -> [f64; LANES] {
        squared_differences_with::<true>(self.pairs, self.x, self.weights, self.squares)
    }
}

/// |x(a) − x(b)|² of each pair (a, b) into `squares`, and their sum, each times its weight.
pub(crate) fn squared_differences(
    pairs: &[(u32, u32)],
    x: &[Wide],
    weights: &[LaneReal],
    squares: &mut [LaneReal],
) -> [f64; LANES] {
    match Arch::new() {
        Arch::Scalar => squared_differences_with::<false>(pairs, x, weights, squares),
        arch => arch.dispatch(SquaredDifferences { pairs, x, weights, squares }),
    }
}

#[inline(always)]
fn squared_differences_with<const FUSED: bool>(
    pairs: &[(u32, u32)],
    x: &[Wide],
    weights: &[LaneReal],
    squares: &mut [LaneReal],
) -> [f64; LANES] {
    let mut sum = [0.0; LANES];
    for ((&(a, b), weight), square) in pairs.iter().zip(weights).zip(squares) {
        let (a, b) = (&x[a as usize], &x[b as usize]);
        let mut own = [0.0; LANES];
        for lane in 0..LANES {
            let (re, im) = (a.re[lane] - b.re[lane], a.im[lane] - b.im[lane]);
            own[lane] = fused::<FUSED>(re, re, im * im);
            sum[lane] = fused::<FUSED>(own[lane], weight.0[lane], sum[lane]);
        }
        square.0 = own;
    }
    sum
}
