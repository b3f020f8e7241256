//! The equations: unknowns, what elements stamp into them, and behind one seam the linear solver.
//!
//! Modified nodal analysis (Ho, Ruehli and Brennan, IEEE Trans. Circuits Syst. 22 (1975) 504): unknowns are node
//! voltages, then the inner nodes and branch currents of elements. Unknown 0 is ground and always zero; what is stamped
//! into its row or column is dropped, so that no element treats ground as a special case.

mod lanes;
mod solver;

use num_complex::Complex64;

pub use lanes::{LANES, LaneFactors, LanePairs, LaneScratch, LaneSolution, LaneSolver, LaneValue, LaneWork};
pub(crate) use lanes::{LaneMatrix, LaneReal, Pattern, squared_differences};
pub use solver::{Factored, LinearError, Scalar};

/// An unknown of the equations; 0 is ground.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Unknown(pub u32);

impl Unknown {
    /// The node all voltages are measured from.
    pub const GROUND: Unknown = Unknown(0);

    /// Position in vectors of length unknowns + 1.
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// A node with a name; its voltage is the unknown of the same number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct NodeId(pub u32);

impl NodeId {
    /// The node all voltages are measured from.
    pub const GROUND: NodeId = NodeId(0);

    /// Position in tables of nodes.
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

impl From<NodeId> for Unknown {
    fn from(node: NodeId) -> Self {
        Unknown(node.0)
    }
}

/// Condition ([`Factored::condition`]) beyond which a solution means nothing: rounding of the entries alone may change all
/// of it. The 10,000 amplifiers of the campaign, with and without supply, stay below 6e11; a short of 1 mΩ behind an open
/// resistor of 1 TΩ comes to 6e15, and Newton's iteration still finds its volts to 1e-11.
pub const CONDITION_LIMIT: f64 = 1e16;
/// An estimate of the condition in lanes below this fraction of the limit needs no closer look: it may be low by a factor
/// of a few.
pub(crate) const SCREEN_BELOW: f64 = 1e-2;

/// Unknowns up to which the dense solver takes over where the one in lanes gives up: beyond, it would take minutes.
pub const MOST_DENSE: usize = 1500;

/// Condition up to which the estimate in lanes is taken at its word.
const SURELY_DETERMINED: f64 = 1e13;

/// Refuses equations whose condition at a frequency is beyond [`CONDITION_LIMIT`]; what is well above suspicion is seen by
/// the solver in lanes, the rest by the dense one where it is not too large.
///
/// # Errors
/// [`LinearError`] names the unknown that is hardly determined.
pub fn require_determined(equations: &SignalEquations, hertz: f64) -> Result<(), LinearError> {
    let by_lanes = condition_in_lanes(equations, hertz);
    let limit = if equations.unknowns <= MOST_DENSE { SURELY_DETERMINED } else { CONDITION_LIMIT };
    let judged = match by_lanes {
        Ok((condition, _)) if condition <= limit => return Ok(()),
        by_lanes if equations.unknowns > MOST_DENSE => by_lanes,
        _ => dense_condition(equations, hertz),
    };
    match judged? {
        (condition, _) if condition <= CONDITION_LIMIT => Ok(()),
        (_, unknown) => Err(LinearError::Singular(unknown)),
    }
}

/// The unknown that equations determine least, where they can be solved at all.
pub fn weakest(equations: &SignalEquations, hertz: f64) -> Option<Unknown> {
    let condition = match equations.unknowns <= MOST_DENSE {
        true => dense_condition(equations, hertz),
        false => condition_in_lanes(equations, hertz),
    };
    condition.ok().map(|(_, unknown)| unknown)
}

fn condition_in_lanes(equations: &SignalEquations, hertz: f64) -> Result<(f64, Unknown), LinearError> {
    let solver = LaneSolver::new(equations, [hertz; 3])?;
    let serves = solver.serves();
    let factors = solver.into_factors([hertz; LANES]).filter(|_| serves);
    Ok(factors.map_or((f64::INFINITY, Unknown(1)), |factors| factors.condition()))
}

fn dense_condition(equations: &SignalEquations, hertz: f64) -> Result<(f64, Unknown), LinearError> {
    let omega = std::f64::consts::TAU * hertz;
    let entries = equations.entries.iter();
    let entries = entries.map(|entry| (entry.row, entry.column, Complex64::new(entry.g, omega * entry.c)));
    Factored::new(equations.unknowns, entries).map(|factored| factored.condition())
}

/// One entry of a sparse real matrix.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Entry {
    /// Equation.
    pub row: Unknown,
    /// Unknown.
    pub column: Unknown,
    /// What is added there.
    pub value: f64,
}

/// The nonlinear bias equations at one trial point: for each node the sum of the currents that leave it, for each
/// branch its own equation, and their derivatives.
#[derive(Clone, Debug)]
pub struct BiasEquations {
    /// Derivatives of the residual; entries of one place add up.
    pub jacobian: Vec<Entry>,
    /// Amperes leaving each node (volts for a branch, watts for a temperature); length unknowns + 1.
    pub residual: Vec<f64>,
    /// Largest single term of each residual, same unit.
    pub largest: Vec<f64>,
    /// Factor on all independent sources, 1 but during source stepping.
    pub source_scale: f64,
    /// Factor on the power that heats devices, 1 but during heat stepping.
    pub heat_scale: f64,
}

impl BiasEquations {
    /// Empty equations for `unknowns` unknowns besides ground.
    pub fn new(unknowns: usize) -> Self {
        Self {
            jacobian: Vec::new(),
            residual: vec![0.0; unknowns + 1],
            largest: vec![0.0; unknowns + 1],
            source_scale: 1.0,
            heat_scale: 1.0,
        }
    }

    /// Forgets all stamps, keeping the memory.
    pub fn clear(&mut self) {
        self.jacobian.clear();
        self.residual.fill(0.0);
        self.largest.fill(0.0);
    }

    /// Adds one term to the equation of `row`.
    pub fn term(&mut self, row: Unknown, value: f64) {
        self.residual[row.index()] += value;
        let largest = &mut self.largest[row.index()];
        *largest = largest.max(value.abs());
    }

    /// Adds ∂(equation of `row`)/∂(`column`).
    pub fn slope(&mut self, row: Unknown, column: Unknown, value: f64) {
        if row != Unknown::GROUND && column != Unknown::GROUND {
            self.jacobian.push(Entry { row, column, value });
        }
    }

    /// A current that leaves `from` and enters `to`, with its derivatives by unknown.
    pub fn current(&mut self, from: Unknown, to: Unknown, amps: f64, slopes: &[(Unknown, f64)]) {
        self.term(from, amps);
        self.term(to, -amps);
        for &(column, value) in slopes {
            self.slope(from, column, value);
            self.slope(to, column, -value);
        }
    }

    /// The branch current of an element that fixes a voltage: it leaves `a`, enters `b`, and its own equation begins as
    /// v(a) − v(b).
    pub fn voltage_branch(&mut self, a: Unknown, b: Unknown, branch: Unknown, x: &[f64]) {
        self.current(a, b, x[branch.index()], &[(branch, 1.0)]);
        self.term(branch, x[a.index()]);
        self.term(branch, -x[b.index()]);
        self.slope(branch, a, 1.0);
        self.slope(branch, b, -1.0);
    }

    /// A conductance between two nodes at the voltages `x`.
    pub fn conductance(&mut self, a: Unknown, b: Unknown, siemens: f64, x: &[f64]) {
        let amps = siemens * (x[a.index()] - x[b.index()]);
        self.current(a, b, amps, &[(a, siemens), (b, -siemens)]);
    }
}

/// One entry of the linearised equations: A(f) = g + j·2πf·c.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SignalEntry {
    /// Equation.
    pub row: Unknown,
    /// Unknown.
    pub column: Unknown,
    /// Part that does not depend on frequency: siemens in node equations.
    pub g: f64,
    /// Part that rises with frequency: farads in node equations, henries in those of windings.
    pub c: f64,
}

/// The linearised equations G, C of a circuit at a bias point.
///
/// The unknown of a device's inner node is not its voltage but the drop across the ohmic part before it: v(inner) =
/// v(pin) − x(inner), and its equation is taken off the pin's in the same way. A cold junction of 1e-12 S behind 1 Ω
/// would else be lost in the sum on the diagonal. [`SignalEquations::restore`] gives back voltages.
#[derive(Clone, Debug, Default)]
pub struct SignalEquations {
    /// Number of unknowns besides ground.
    pub unknowns: usize,
    /// Entries; those of one place add up. [`SignalEquations::settle`] makes them one a place.
    pub entries: Vec<SignalEntry>,
    /// Inner nodes, the pins before them, and the conductance between.
    ohmic: Vec<(Unknown, Unknown, f64)>,
}

impl SignalEquations {
    /// Empty equations for `unknowns` unknowns besides ground.
    pub fn new(unknowns: usize) -> Self {
        Self { unknowns, entries: Vec::new(), ohmic: Vec::new() }
    }

    /// Forgets all stamps, keeping the memory.
    pub fn clear(&mut self) {
        self.entries.clear();
        self.ohmic.clear();
    }

    /// Adds one entry; those of ground are dropped.
    pub fn add(&mut self, row: Unknown, column: Unknown, g: f64, c: f64) {
        if row != Unknown::GROUND && column != Unknown::GROUND && (g != 0.0 || c != 0.0) {
            self.entries.push(SignalEntry { row, column, g, c });
        }
    }

    /// A current from `from` to `to` of g + j·2πf·c times the voltage of `plus` against `minus`.
    pub fn transadmittance(&mut self, from: Unknown, to: Unknown, plus: Unknown, minus: Unknown, g: f64, c: f64) {
        self.add(from, plus, g, c);
        self.add(from, minus, -g, -c);
        self.add(to, plus, -g, -c);
        self.add(to, minus, g, c);
    }

    /// The branch current of an element that fixes a voltage, as [`BiasEquations::voltage_branch`].
    pub fn voltage_branch(&mut self, a: Unknown, b: Unknown, branch: Unknown) {
        self.add(a, branch, 1.0, 0.0);
        self.add(b, branch, -1.0, 0.0);
        self.add(branch, a, 1.0, 0.0);
        self.add(branch, b, -1.0, 0.0);
    }

    /// A conductance of `g` siemens beside a capacitance of `c` farads between two nodes.
    pub fn admittance(&mut self, a: Unknown, b: Unknown, g: f64, c: f64) {
        self.transadmittance(a, b, a, b, g, c);
    }

    /// The ohmic part of a device, between its pin and the inner node that has its own unknown.
    pub fn ohmic(&mut self, pin: Unknown, inner: Unknown, siemens: f64) {
        self.ohmic.push((inner, pin, siemens));
    }

    /// Turns inner voltages into drops and adds up the entries of each place, in order of rows and columns.
    pub fn settle(&mut self) {
        let mut pins: Vec<Option<Unknown>> = vec![None; self.unknowns + 1];
        self.ohmic.iter().for_each(|&(inner, pin, _)| pins[inner.index()] = Some(pin));
        let parts = |unknown: Unknown| match pins[unknown.index()] {
            Some(pin) => [(unknown, -1.0), (pin, 1.0)],
            None => [(unknown, 1.0), (Unknown::GROUND, 0.0)],
        };
        for entry in std::mem::take(&mut self.entries) {
            for (row, row_sign) in parts(entry.row) {
                for (column, column_sign) in parts(entry.column) {
                    let sign = row_sign * column_sign;
                    self.add(row, column, sign * entry.g, sign * entry.c);
                }
            }
        }
        for (inner, _, siemens) in self.ohmic.clone() {
            self.add(inner, inner, siemens, 0.0);
        }
        self.entries.sort_by_key(|entry| u64::from(entry.row.0) << 32 | u64::from(entry.column.0));
        self.entries.dedup_by(|next, kept| {
            let same = (next.row, next.column) == (kept.row, kept.column);
            if same {
                kept.g += next.g;
                kept.c += next.c;
            }
            same
        });
    }

    /// The settled equations turned back into those of node voltages throughout, entries one a place.
    pub fn by_nodes(&self) -> Vec<SignalEntry> {
        // v(inner) = v(pin) − drop and drop = v(pin) − v(inner): turning twice gives back what was.
        let mut turned = SignalEquations {
            unknowns: self.unknowns,
            entries: self.entries.clone(),
            ohmic: self.ohmic.iter().map(|&(inner, pin, _)| (inner, pin, 0.0)).collect(),
        };
        turned.settle();
        turned.entries
    }

    /// Unknowns that are drops, and the pins they lie behind.
    pub fn drops(&self) -> impl Iterator<Item = (Unknown, Unknown)> + '_ {
        self.ohmic.iter().map(|&(inner, pin, _)| (inner, pin))
    }

    /// Unknowns that are drops, and the conductance each lies across.
    pub(crate) fn drop_siemens(&self) -> impl Iterator<Item = (Unknown, f64)> + '_ {
        self.ohmic.iter().map(|&(inner, _, siemens)| (inner, siemens))
    }

    /// Ohmic parts of devices: inner node, pin, siemens.
    pub(crate) fn ohmic_parts(&self) -> &[(Unknown, Unknown, f64)] {
        &self.ohmic
    }

    /// Turns a right-hand side by nodes into one of the settled equations.
    pub fn settle_right(&self, right: &mut [f64]) {
        for &(inner, pin, _) in &self.ohmic {
            let into_inner = right[inner.index()];
            right[pin.index()] += into_inner;
            right[inner.index()] = -into_inner;
        }
        right[Unknown::GROUND.index()] = 0.0;
    }

    /// Turns a solution of the settled equations (forward or transposed) into voltages of inner nodes.
    pub fn restore(&self, solution: &mut [Complex64]) {
        for &(inner, pin, _) in &self.ohmic {
            solution[inner.index()] = solution[pin.index()] - solution[inner.index()];
        }
    }
}
