//! Transfers to every output at one frequency, of eight variants at once.

use std::cell::OnceCell;

use super::Variant;
use super::hiss::Output;
use super::signals::{EightVariants, SignalLanes};
use crate::bias::SolveError;
use crate::mna::{LANES, LaneValue};
use crate::smallsignal::SmallSignal;
use crate::sweep::Sweep;

/// Backward error of a probe that touches all rows, below which solutions at its frequency are taken without a check.
const TRUST_BELOW: f64 = 1e-13;
/// Outputs from which on the probe costs less than the checks it spares.
const PROBE_FROM: usize = 3;
/// Backward error above which a solution is refined, and then given to a pivot order of the variant's own.
const REFINE_ABOVE: f64 = 1e-12;

/// Pivot orders of single variants, made when the common one does not serve.
#[derive(Default)]
pub(super) struct Own<'a> {
    signals: [OnceCell<SmallSignal>; LANES],
    sweeps: [OnceCell<Sweep<'a>>; LANES],
}

/// Eight variants under way.
pub(super) struct Transfers<'a> {
    signals: &'a SignalLanes,
    pub variants: &'a [&'a Variant<'a>],
    outputs: &'a [Output],
    band_hz: [f64; 2],
    /// Whether voltage sources hold an output.
    held: Vec<bool>,
    lanes: EightVariants,
    solution: Vec<LaneValue>,
    right: Vec<LaneValue>,
    probe: Vec<LaneValue>,
    own: &'a Own<'a>,
    /// Why a variant has no solution.
    pub failed: [Option<SolveError>; LANES],
}

impl<'a> Transfers<'a> {
    /// `variants` fit the pattern of `signals`, and are eight at most.
    pub fn new(
        signals: &'a SignalLanes,
        variants: &'a [&'a Variant<'a>],
        outputs: &'a [Output],
        band_hz: [f64; 2],
        own: &'a Own<'a>,
    ) -> Self {
        let groups = variants[0].circuit().held_groups();
        let held = outputs.iter().map(|output| groups[output.plus.index()] == groups[output.minus.index()]);
        let mut lanes = EightVariants::new(signals);
        lanes.load(signals, variants.iter().map(|variant| variant.entries.as_deref()));
        let length = signals.pattern.unknowns() + 1;
        Self {
            held: held.collect(),
            lanes,
            solution: vec![LaneValue::ZERO; length],
            right: vec![LaneValue::ZERO; length],
            probe: (0..length).map(probe_value).collect(),
            failed: std::array::from_fn(|_| None),
            signals,
            variants,
            outputs,
            band_hz,
            own,
        }
    }

    /// Lanes that hold a variant which has solutions.
    pub fn alive(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.variants.len()).filter(|&lane| self.failed[lane].is_none())
    }

    /// Solves the equations at one frequency and hands each output's transfer from all unknowns, as
    /// [`SmallSignal::adjoint`], to `visit`; returns ln|det| of each lane.
    pub fn at(&mut self, hertz: f64, mut visit: impl FnMut(usize, &[LaneValue])) -> [f64; LANES] {
        let used = self.variants.len();
        let finite = self.lanes.factor(self.signals, hertz);
        let mut served: [bool; LANES] = std::array::from_fn(|lane| lane < used && finite[lane]);
        let mut logarithms = self.lanes.matrix.log_determinants();
        // Other lanes take theirs from the solver of their own.
        (0..LANES).filter(|&lane| !served[lane]).for_each(|lane| logarithms[lane] = 0.0);
        let mut solution = std::mem::take(&mut self.solution);
        let trusted = self.outputs.len() >= PROBE_FROM && self.probe(&served, &mut solution);
        for (position, output) in self.outputs.iter().enumerate() {
            if self.held[position] {
                // Voltage sources hold this output: what rounding leaves of the transfers is no hiss.
                solution.fill(LaneValue::ZERO);
                visit(position, &solution);
                continue;
            }
            let (plus, minus) = (output.plus.index(), output.minus.index());
            self.right[plus].re = [1.0; LANES];
            self.right[minus].re = [-1.0; LANES];
            self.right[0] = LaneValue::ZERO;
            let (pattern, matrix) = (&self.signals.pattern, &mut self.lanes.matrix);
            if trusted {
                matrix.solve(pattern, true, &self.right, &mut solution);
            } else {
                let errors = matrix.solve_checked(pattern, true, &self.right, &mut solution, &served, REFINE_ABOVE);
                served = std::array::from_fn(|lane| served[lane] && errors[lane] <= REFINE_ABOVE);
            }
            (self.right[plus], self.right[minus]) = (LaneValue::ZERO, LaneValue::ZERO);
            self.signals.restore(&mut solution);
            for lane in (0..used).filter(|&lane| !served[lane]) {
                self.alone(lane, hertz, output, &mut solution, &mut logarithms[lane]);
            }
            visit(position, &solution);
        }
        self.solution = solution;
        logarithms
    }

    /// Whether a solution for a right-hand side without zeros or pattern shows the factors of all lanes to be sound: how
    /// far pivots have grown shows there, whatever the right-hand side.
    fn probe(&mut self, served: &[bool; LANES], solution: &mut [LaneValue]) -> bool {
        let (pattern, matrix) = (&self.signals.pattern, &mut self.lanes.matrix);
        let errors = matrix.solve_checked(pattern, true, &self.probe, solution, served, f64::INFINITY);
        errors.iter().zip(served).all(|(&error, &served)| !served || error <= TRUST_BELOW)
    }

    /// One lane by a pivot order of its own, or densely behind that.
    fn alone(&mut self, lane: usize, hertz: f64, output: &Output, solution: &mut [LaneValue], logarithm: &mut f64) {
        if self.failed[lane].is_some() {
            return;
        }
        let variant = self.variants[lane];
        let signal = self.own.signals[lane].get_or_init(|| variant.signal());
        let sweep = self.own.sweeps[lane].get_or_init(|| Sweep::new(variant.circuit(), signal, self.band_hz));
        let point = sweep.at([hertz; LANES]);
        let solved = point.adjoint(output.plus, output.minus).and_then(|own| Ok((own, point.log_determinants()?[0])));
        match solved {
            Ok((own, determinant)) => {
                *logarithm = determinant;
                for (value, own) in solution.iter_mut().zip(own) {
                    (value.re[lane], value.im[lane]) = (own.re[0], own.im[0]);
                }
            }
            Err(error) => self.failed[lane] = Some(error),
        }
    }
}

/// The right-hand side of the probe at an unknown; nothing at ground.
fn probe_value(unknown: usize) -> LaneValue {
    match unknown {
        0 => LaneValue::ZERO,
        at => LaneValue { re: [1.0 + (at % 7) as f64 / 7.0; LANES], im: [(at % 5) as f64 / 5.0 - 0.3; LANES] },
    }
}
