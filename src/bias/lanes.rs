//! Newton's iteration on eight circuits of one structure at once: the same equations, step limits, convergence test and
//! polishing as `newton.rs`, on one pivot order found beforehand. Each lane goes its own way; one that has settled makes
//! room for the next circuit, and one that does not settle is left to the strategies.
//!
//! What a lane comes to depends on its circuit and its start alone, not on its neighbours.

use num_complex::Complex64;

use super::convergence::{worst_residual, worst_update};
use super::newton::{Aid, POLISHING, Trial, hold_temperatures, move_junctions, stamp};
use super::{BiasPoint, SolveError, Strategy, undetermined};
use crate::circuit::Circuit;
use crate::element::Element;
use crate::mna::{
    BiasEquations, CONDITION_LIMIT, LANES, LaneMatrix, LaneReal, LinearError, Pattern, SCREEN_BELOW, Unknown,
};

/// Iterations of a lane at most: from a near start Newton needs a handful.
const MOST: usize = 60;
/// Backward error of a step above which it is refined, and above which its lane is given up.
const REFINE_ABOVE: f64 = 1e-12;
const REFUSE_ABOVE: f64 = 1e-10;

/// The bias equations of circuits of one structure, with a pivot order.
#[derive(Debug)]
pub(crate) struct BiasLanes {
    pattern: Pattern,
    /// Row and column of every entry as the elements write them, and its number in the pattern.
    written: Vec<(Unknown, Unknown, u32)>,
}

/// Memory for the iteration, and the lanes.
pub(crate) struct Workspace {
    matrix: LaneMatrix<LaneReal>,
    right: Vec<LaneReal>,
    step: Vec<LaneReal>,
    equations: BiasEquations,
    own_step: Vec<f64>,
    lanes: [Lane; LANES],
}

/// One circuit under way.
#[derive(Clone, Debug)]
struct Lane {
    /// Which circuit; `None` for an idle lane.
    circuit: Option<usize>,
    trial: Trial,
    kept: Trial,
    /// Rounds of polishing done and the least residual, once the convergence test holds.
    polished: Option<(usize, f64)>,
    last_update: f64,
    limited: bool,
    iterations: usize,
}

/// What became of a lane in one iteration.
enum Outcome {
    Goes,
    Settled,
    GivesUp,
}

impl BiasLanes {
    /// Orders the pivots for circuits of the structure of `circuit`, whose bias is known.
    ///
    /// # Errors
    /// [`SolveError::Singular`] names an unknown that nothing determines.
    pub fn new(circuit: &Circuit, bias: &BiasPoint) -> Result<Self, SolveError> {
        let unknowns = circuit.layout().with_temperatures;
        let settled = Trial::at(circuit, bias.x.clone());
        // The order must also serve on the way: all at rest, and devices about to conduct.
        let rest = Trial::at(circuit, vec![0.0; unknowns + 1]);
        let trials = [settled, rest, Trial::cold(circuit)];
        let stamped = trials.each_ref().map(|trial| {
            let mut equations = BiasEquations::new(unknowns);
            stamp(circuit, Aid::NONE, trial, &mut equations);
            equations.jacobian
        });
        let mut places: Vec<(Unknown, Unknown)> = stamped[0].iter().map(|entry| (entry.row, entry.column)).collect();
        places.sort_unstable();
        places.dedup();
        let number = |row, column| places.binary_search(&(row, column)).expect("every entry was listed");
        let mut samples = vec![[Complex64::default(); 3]; places.len()];
        for (sample, entries) in stamped.iter().enumerate() {
            for entry in entries {
                samples[number(entry.row, entry.column)][sample] += entry.value;
            }
        }
        let pattern = Pattern::new(unknowns, &places, &samples).map_err(|error| {
            let (LinearError::Singular(unknown) | LinearError::NotFinite(unknown)) = error;
            undetermined(circuit, unknown, &trials[0])
        })?;
        let written = stamped[0].iter().map(|entry| {
            let at = number(entry.row, entry.column);
            (entry.row, entry.column, u32::try_from(at).expect("entries are numbered in 32 bits"))
        });
        Ok(Self { written: written.collect(), pattern })
    }

    /// Memory for [`BiasLanes::solve`].
    pub fn workspace(&self) -> Workspace {
        let unknowns = self.pattern.unknowns();
        let trial = Trial { x: Vec::new(), junctions: Vec::new() };
        let idle = Lane {
            circuit: None,
            kept: trial.clone(),
            trial,
            polished: None,
            last_update: f64::INFINITY,
            limited: true,
            iterations: 0,
        };
        Workspace {
            matrix: self.pattern.matrix(),
            right: vec![LaneReal([0.0; LANES]); unknowns + 1],
            step: vec![LaneReal([0.0; LANES]); unknowns + 1],
            equations: BiasEquations::new(unknowns),
            own_step: vec![0.0; unknowns + 1],
            lanes: std::array::from_fn(|_| idle.clone()),
        }
    }

    /// Solves each circuit from the start of the same position; `None` where the iteration did not settle.
    pub fn solve(
        &self,
        circuits: &[&Circuit],
        starts: &[&BiasPoint],
        workspace: &mut Workspace,
    ) -> Vec<Option<BiasPoint>> {
        let mut points: Vec<Option<BiasPoint>> = vec![None; circuits.len()];
        let mut next = 0;
        loop {
            for lane in &mut workspace.lanes {
                if lane.circuit.is_none() && next < circuits.len() {
                    lane.load(next, circuits[next], starts[next]);
                    next += 1;
                }
            }
            if workspace.lanes.iter().all(|lane| lane.circuit.is_none()) {
                return points;
            }
            self.iterate(circuits, workspace, &mut points);
        }
    }

    /// One iteration of every busy lane.
    fn iterate(&self, circuits: &[&Circuit], workspace: &mut Workspace, points: &mut [Option<BiasPoint>]) {
        let Workspace { matrix, right, step, equations, own_step, lanes } = workspace;
        matrix.clear();
        for (at, lane) in lanes.iter_mut().enumerate() {
            let Some(circuit) = lane.circuit else { continue };
            stamp(circuits[circuit], Aid::NONE, &lane.trial, equations);
            match if self.write(equations, at, matrix, right) { lane.judge(equations) } else { Outcome::GivesUp } {
                Outcome::Goes => {}
                Outcome::Settled => {
                    points[circuit] = Some(lane.point());
                    lane.circuit = None;
                }
                Outcome::GivesUp => lane.circuit = None,
            }
        }
        let busy: [bool; LANES] = std::array::from_fn(|at| lanes[at].circuit.is_some());
        if !busy.contains(&true) {
            return;
        }
        let finite = matrix.factor(&self.pattern);
        let wanted = std::array::from_fn(|at| busy[at] && finite[at]);
        let errors = matrix.solve_checked(&self.pattern, false, right, step, &wanted, REFINE_ABOVE);
        for (at, lane) in lanes.iter_mut().enumerate() {
            let Some(circuit) = lane.circuit else { continue };
            let sound = finite[at] && errors[at] <= REFUSE_ABOVE;
            own_step.iter_mut().zip(step.iter()).for_each(|(own, step)| *own = step.0[at]);
            match lane.advance(circuits[circuit], own_step, sound) {
                Outcome::Goes => {}
                Outcome::Settled => {
                    points[circuit] = Some(lane.point());
                    lane.circuit = None;
                }
                Outcome::GivesUp => lane.circuit = None,
            }
        }
    }

    /// Writes one lane's equations; false where they are not of this structure.
    fn write(
        &self,
        equations: &BiasEquations,
        lane: usize,
        matrix: &mut LaneMatrix<LaneReal>,
        right: &mut [LaneReal],
    ) -> bool {
        if equations.jacobian.len() != self.written.len() || equations.residual.len() != right.len() {
            return false;
        }
        for (entry, &(row, column, number)) in equations.jacobian.iter().zip(&self.written) {
            if (entry.row, entry.column) != (row, column) {
                return false;
            }
            matrix.value_mut(&self.pattern, number as usize).0[lane] += entry.value;
        }
        for (right, residual) in right.iter_mut().zip(&equations.residual).skip(1) {
            right.0[lane] = -residual;
        }
        true
    }

    /// Whether the equations at each point may be so near to singular that rounding decides them, which
    /// [`super::require_determined`] then looks at more closely.
    pub fn undetermined(&self, circuits: &[&Circuit], points: &[&BiasPoint], workspace: &mut Workspace) -> Vec<bool> {
        let Workspace { matrix, right, equations, lanes, .. } = workspace;
        let mut judged = Vec::with_capacity(points.len());
        for (circuits, points) in circuits.chunks(LANES).zip(points.chunks(LANES)) {
            matrix.clear();
            let mut fits = [false; LANES];
            for (at, (circuit, point)) in circuits.iter().zip(points).enumerate() {
                let trial = &mut lanes[at].trial;
                trial.set(circuit, &point.x);
                stamp(circuit, Aid::NONE, trial, equations);
                fits[at] = self.write(equations, at, matrix, right);
            }
            let finite = matrix.factor(&self.pattern);
            let conditions = matrix.conditions(&self.pattern);
            let clear = |at: usize| fits[at] && finite[at] && conditions[at] < SCREEN_BELOW * CONDITION_LIMIT;
            judged.extend((0..points.len()).map(|at| !clear(at)));
        }
        judged
    }
}

impl Trial {
    /// Becomes the trial at `x`, keeping the memory.
    fn set(&mut self, circuit: &Circuit, x: &[f64]) {
        self.x.clear();
        self.x.extend_from_slice(x);
        self.junctions.clear();
        let Self { x, junctions } = self;
        junctions.extend(circuit.parts().map(|(id, part)| part.element.junction_volts(circuit.place(id), x)));
    }

    fn copy_from(&mut self, other: &Trial) {
        self.x.clone_from(&other.x);
        self.junctions.clone_from(&other.junctions);
    }
}

impl Lane {
    fn load(&mut self, number: usize, circuit: &Circuit, start: &BiasPoint) {
        self.circuit = Some(number);
        let unknowns = circuit.layout().with_temperatures;
        if start.x.len() == unknowns + 1 {
            self.trial.set(circuit, &start.x);
        } else {
            self.trial.set(circuit, &vec![0.0; unknowns + 1]);
        }
        self.polished = None;
        self.last_update = f64::INFINITY;
        self.limited = true;
        self.iterations = 0;
    }

    /// Judges the trial point by its residual: whether it has settled and is as good as it gets.
    fn judge(&mut self, equations: &BiasEquations) -> Outcome {
        let (_, residual) = worst_residual(equations);
        match &mut self.polished {
            Some((rounds, best)) => {
                if residual >= *best || *rounds == POLISHING {
                    return Outcome::Settled;
                }
                (*rounds, *best) = (*rounds + 1, residual);
                self.kept.copy_from(&self.trial);
            }
            None if !self.limited && residual <= 1.0 && self.last_update <= 1.0 => {
                self.polished = Some((0, residual));
                self.kept.copy_from(&self.trial);
            }
            None if self.iterations >= MOST => return Outcome::GivesUp,
            None => {}
        }
        Outcome::Goes
    }

    /// Takes a step, which is `sound` where the linear equations were solved.
    fn advance(&mut self, circuit: &Circuit, step: &mut [f64], sound: bool) -> Outcome {
        if !sound {
            // The point itself may be good, only its polish failed; else another pivot order must serve.
            return if self.polished.is_some() { Outcome::Settled } else { Outcome::GivesUp };
        }
        hold_temperatures(circuit, step);
        self.trial.x.iter_mut().zip(step.iter()).for_each(|(x, step)| *x += step);
        self.last_update = worst_update(&self.trial.x, step).1;
        self.limited = move_junctions(circuit, &mut self.trial);
        self.iterations += 1;
        Outcome::Goes
    }

    /// The best point found.
    fn point(&self) -> BiasPoint {
        BiasPoint {
            x: self.kept.x.clone(),
            strategy: Strategy::Newton,
            heat_stepping: false,
            iterations: self.iterations,
        }
    }
}

/// The structure of the bias equations: circuits of equal structure share a pattern.
pub(crate) fn structure(circuit: &Circuit) -> Vec<u32> {
    let mut structure = Vec::with_capacity(6 * circuit.parts().len());
    for (id, part) in circuit.parts() {
        let kind = match &part.element {
            Element::Resistor(_) => 0,
            Element::Capacitor(_) => 1,
            Element::Inductor(_) => 2,
            Element::Coupling(_) => 3,
            Element::Source(_) => 4,
            Element::Controlled(_) => 5,
            Element::Diode(_) => 6,
            Element::Bjt(_) => 7,
            Element::Jfet(_) => 8,
        };
        structure.extend([kind, part.element.inner_unknowns(), u32::from(part.element.heats_itself()), id.0]);
        structure.extend(part.element.nodes().iter().map(|node| node.0));
    }
    structure
}
