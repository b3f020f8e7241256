//! Newton's iteration on the bias equations, with limited junction steps.

use super::convergence::{worst_residual, worst_update};
use super::limit::limit;
use crate::circuit::Circuit;
use crate::element::{Element, JunctionVolts, PartId};
use crate::mna::{
    self, BiasEquations, Factored, LANES, LaneFactors, LaneSolver, LaneValue, LinearError, MOST_DENSE, SignalEquations,
    Unknown,
};

/// Largest change of a temperature in one step, K.
const KELVIN_STEP: f64 = 15.0;
/// Iterations spent on digits beyond the convergence test, while they come.
pub(super) const POLISHING: usize = 8;

/// A trial point: all unknowns, and the voltages at which the junctions were last evaluated.
#[derive(Clone, Debug)]
pub(super) struct Trial {
    pub x: Vec<f64>,
    pub junctions: Vec<JunctionVolts>,
}

/// What is added to the circuit's own equations while a strategy feels its way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Aid<'a> {
    /// Factor on all sources.
    pub source_scale: f64,
    /// Factor on the power that heats devices.
    pub heat_scale: f64,
    /// Conductance from every node to its value in `anchor`, S; 0 for none.
    pub siemens: f64,
    /// Where the conductances lead to; ground if `None`.
    pub anchor: Option<&'a [f64]>,
}

impl Aid<'_> {
    /// The circuit as it is.
    pub const NONE: Aid<'static> = Aid { source_scale: 1.0, heat_scale: 1.0, siemens: 0.0, anchor: None };
}

/// Why an iteration gave up.
#[derive(Clone, Debug)]
pub(super) enum Failure {
    /// It did not settle: the unknown that moved most, and the largest residual.
    Unsettled { worst: Unknown, residual: f64 },
    /// Nothing determines this unknown.
    Singular(Unknown),
}

impl Trial {
    /// Everything at rest, the junctions of transistors and diodes about to conduct.
    pub fn cold(circuit: &Circuit) -> Self {
        let x = vec![0.0; circuit.layout().with_temperatures + 1];
        let junctions = circuit.parts().map(|(id, part)| {
            let scales = part.element.junction_scales(circuit.place(id), &x);
            match (&part.element, scales[0]) {
                (Element::Jfet(_), _) | (_, None) => [0.0; 2],
                (_, Some(scale)) => [scale.critical_volts, 0.0],
            }
        });
        let junctions = junctions.collect();
        Self { x, junctions }
    }

    /// The junction voltages that belong to `x`.
    pub fn at(circuit: &Circuit, x: Vec<f64>) -> Self {
        let junctions = circuit.parts().map(|(id, part)| part.element.junction_volts(circuit.place(id), &x)).collect();
        Self { x, junctions }
    }
}

/// Iterates from `trial` until the convergence test holds and a little further; returns the iterations spent.
pub(super) fn iterate(circuit: &Circuit, aid: Aid, trial: &mut Trial, most: usize) -> Result<usize, (usize, Failure)> {
    let unknowns = circuit.layout().with_temperatures;
    let mut equations = BiasEquations::new(unknowns);
    let mut stepper = Stepper::new(unknowns);
    let mut last_update = (Unknown(1), f64::INFINITY);
    let mut limited = true;
    let mut polished: Option<(usize, f64, Trial)> = None;
    for iteration in 0..most {
        stamp(circuit, aid, trial, &mut equations);
        let (_, residual) = worst_residual(&equations);
        if let Some((rounds, best, kept)) = &mut polished {
            if residual >= *best || *rounds == POLISHING {
                *trial = kept.clone();
                return Ok(iteration);
            }
            (*rounds, *best, *kept) = (*rounds + 1, residual, trial.clone());
        } else if !limited && residual <= 1.0 && last_update.1 <= 1.0 {
            polished = Some((0, residual, trial.clone()));
        }

        let mut step = match stepper.step(&equations) {
            Ok(step) => step,
            // The point itself is good: only its polish failed.
            Err(_) if polished.is_some() => return Ok(iteration),
            Err(LinearError::Singular(at) | LinearError::NotFinite(at)) => {
                return Err((iteration, Failure::Singular(at)));
            }
        };
        hold_temperatures(circuit, &mut step);
        trial.x.iter_mut().zip(&step).for_each(|(x, step)| *x += step);
        last_update = worst_update(&trial.x, &step);
        limited = move_junctions(circuit, trial);
    }
    if polished.is_some() {
        return Ok(most);
    }
    stamp(circuit, aid, trial, &mut equations);
    let residual = equations.residual.iter().fold(0.0, |worst: f64, residual| worst.max(residual.abs()));
    Err((most, Failure::Unsettled { worst: last_update.0, residual }))
}

/// Writes all equations at a trial point.
pub(super) fn stamp(circuit: &Circuit, aid: Aid, trial: &Trial, equations: &mut BiasEquations) {
    equations.clear();
    equations.source_scale = aid.source_scale;
    equations.heat_scale = aid.heat_scale;
    for (id, part) in circuit.parts() {
        part.element.stamp_bias(circuit.place(id), &trial.x, trial.junctions[id.index()], equations);
    }
    if aid.siemens > 0.0 {
        for (node, _) in circuit.nodes() {
            let node = Unknown::from(node);
            let anchor = aid.anchor.map_or(0.0, |anchor| anchor[node.index()]);
            equations.term(node, aid.siemens * (trial.x[node.index()] - anchor));
            equations.slope(node, node, aid.siemens);
        }
    }
}

/// Refuses equations whose condition at a trial point is beyond the limit, naming the unknown that is hardly determined.
pub(super) fn require_determined(circuit: &Circuit, trial: &Trial) -> Result<(), Unknown> {
    let unknowns = circuit.layout().with_temperatures;
    let mut equations = BiasEquations::new(unknowns);
    stamp(circuit, Aid::NONE, trial, &mut equations);
    match mna::require_determined(&slopes(unknowns, &equations), ANY_HERTZ) {
        Ok(()) => Ok(()),
        Err(LinearError::Singular(unknown) | LinearError::NotFinite(unknown)) => Err(unknown),
    }
}

/// The unknown that a picoampere a volt from every node to ground has to hold, where nothing else does.
pub(super) fn weakest(circuit: &Circuit, trial: &Trial) -> Option<Unknown> {
    let unknowns = circuit.layout().with_temperatures;
    let mut equations = BiasEquations::new(unknowns);
    stamp(circuit, Aid { siemens: 1e-12, ..Aid::NONE }, trial, &mut equations);
    mna::weakest(&slopes(unknowns, &equations), ANY_HERTZ)
}

/// The slopes of the circuit's equations at a trial point, factored.
pub(super) fn factored_slopes(circuit: &Circuit, trial: &Trial) -> Result<Slopes, LinearError> {
    let unknowns = circuit.layout().with_temperatures;
    let mut equations = BiasEquations::new(unknowns);
    stamp(circuit, Aid::NONE, trial, &mut equations);
    if unknowns > ORDER_ABOVE {
        let solver = LaneSolver::new(&slopes(unknowns, &equations), [ANY_HERTZ; 3])?;
        if let Some(factors) = solver.into_factors([ANY_HERTZ; LANES]) {
            return Ok(Slopes(Solver::Lanes(Box::new(factors))));
        }
    }
    if unknowns > MOST_DENSE {
        return Err(LinearError::Singular(Unknown(1)));
    }
    let entries = equations.jacobian.iter().map(|entry| (entry.row, entry.column, entry.value));
    Ok(Slopes(Solver::Dense(Factored::new(unknowns, entries)?)))
}

/// Unknowns above which a pivot order costs less than one dense factorization.
const ORDER_ABOVE: usize = 150;

/// The slopes of all bias equations at a bias point, factored: rows are equations, columns unknowns, temperatures of
/// self-heating parts included.
#[derive(Debug)]
pub struct Slopes(Solver);

#[derive(Debug)]
enum Solver {
    Dense(Factored<f64>),
    Lanes(Box<LaneFactors<'static>>),
}

impl Slopes {
    /// Solves Jᵀ·λ = b: how much a figure whose slopes by the unknowns are `right` loses by one ampere (volt, watt) in
    /// each equation. Both of length unknowns with temperatures + 1, ground first.
    ///
    /// # Errors
    /// [`LinearError`] names the unknown to blame.
    pub fn solve_transposed(&self, right: &[f64]) -> Result<Vec<f64>, LinearError> {
        match &self.0 {
            Solver::Dense(factored) => factored.solve_transposed(right),
            Solver::Lanes(factors) => {
                let mut wide: Vec<LaneValue> =
                    right.iter().map(|&value| LaneValue { re: [value; LANES], im: [0.0; LANES] }).collect();
                wide[0] = LaneValue::ZERO;
                let solution = factors.transposed_each(&wide).ok_or(LinearError::Singular(Unknown(1)))?;
                Ok(solution.iter().map(|value| value.re[0]).collect())
            }
        }
    }
}

/// Slopes know no frequency: one factorization at any of them serves.
const ANY_HERTZ: f64 = 1.0;

/// The slopes as equations of signals, entries one a place.
fn slopes(unknowns: usize, equations: &BiasEquations) -> SignalEquations {
    let mut slopes = SignalEquations::new(unknowns);
    equations.jacobian.iter().for_each(|entry| slopes.add(entry.row, entry.column, entry.value, 0.0));
    slopes.settle();
    slopes
}

/// Unknowns above which the sparse solver is worth its pivot order.
const SPARSE_ABOVE: usize = 20;

/// Solves for the steps of one iteration, on one pivot order while that serves.
struct Stepper {
    unknowns: usize,
    order: Option<LaneSolver>,
}

impl Stepper {
    fn new(unknowns: usize) -> Self {
        Self { unknowns, order: None }
    }

    fn step(&mut self, equations: &BiasEquations) -> Result<Vec<f64>, LinearError> {
        let right: Vec<f64> = equations.residual.iter().map(|residual| -residual).collect();
        if self.unknowns > SPARSE_ABOVE
            && let Some(step) = self.sparse_step(equations, &right)
        {
            return Ok(step);
        }
        if self.unknowns > MOST_DENSE {
            mna::require_determined(&slopes(self.unknowns, equations), ANY_HERTZ)?;
            return Err(LinearError::Singular(Unknown(1)));
        }
        let entries = equations.jacobian.iter().map(|entry| (entry.row, entry.column, entry.value));
        Factored::new(self.unknowns, entries)?.solve(&right)
    }

    /// The step by the solver in lanes, all lanes alike: on the order of the step before, then on one of its own; `None`
    /// leaves it to the dense solver, which can say what is wrong.
    fn sparse_step(&mut self, equations: &BiasEquations, right: &[f64]) -> Option<Vec<f64>> {
        let slopes = slopes(self.unknowns, equations);
        let solved = |solver: &LaneSolver| solver.solve_roughly(right, ANY_HERTZ);
        if let Some(known) = &mut self.order
            && known.take_values(&slopes)
            && let Some(step) = solved(known)
        {
            return Some(step);
        }
        self.order = LaneSolver::new(&slopes, [ANY_HERTZ; 3]).ok();
        solved(self.order.as_ref()?)
    }
}

/// Holds back the steps of temperatures.
pub(super) fn hold_temperatures(circuit: &Circuit, step: &mut [f64]) {
    for rise in circuit.layout().temperature.iter().flatten() {
        let step = &mut step[rise.index()];
        *step = step.clamp(-KELVIN_STEP, KELVIN_STEP);
    }
}

/// Moves the junctions towards the voltages of the trial point; true if any was held back.
pub(super) fn move_junctions(circuit: &Circuit, trial: &mut Trial) -> bool {
    let mut limited = false;
    for (id, part) in circuit.parts() {
        let place = circuit.place(id);
        let wanted = part.element.junction_volts(place, &trial.x);
        let scales = part.element.junction_scales(place, &trial.x);
        let junctions = &mut trial.junctions[id.index()];
        let (moved, held) = limit(wanted, *junctions, &scales);
        *junctions = moved;
        limited |= held;
    }
    limited
}

/// The part whose terms weigh most in an unknown's equation, for blaming.
pub(super) fn heaviest_part(circuit: &Circuit, trial: &Trial, unknown: Unknown) -> Option<PartId> {
    let mut heaviest: Option<(PartId, f64)> = None;
    for (id, part) in circuit.parts() {
        let mut equations = BiasEquations::new(circuit.layout().with_temperatures);
        part.element.stamp_bias(circuit.place(id), &trial.x, trial.junctions[id.index()], &mut equations);
        let weight = equations.largest[unknown.index()];
        let device = matches!(part.element, Element::Diode(_) | Element::Bjt(_) | Element::Jfet(_));
        // A device bends; a resistor at the same node is hardly ever to blame.
        let weight = if device { weight.abs() } else { 0.0 };
        if weight > 0.0 && heaviest.is_none_or(|(_, most)| weight > most) {
            heaviest = Some((id, weight));
        }
    }
    heaviest.map(|(id, _)| id)
}
