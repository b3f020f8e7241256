//! The circuit linearised at a bias point: G, C, stimuli, noise sources.
//!
//! Temperatures are held at their bias values: thermal time constants lie below the audio band.

use num_complex::Complex64;

use crate::bias::{BiasPoint, SolveError};
use crate::circuit::Circuit;
use crate::element::{Element, Mechanism, NoiseList, NoiseSource, PartId, SourceKind};
use crate::mna::{Factored, LinearError, MOST_DENSE, NodeId, SignalEquations, Unknown, require_determined};
use crate::physics::Kelvin;

/// Gains below this, -260 dB, are rounding of balanced or separate circuits: no set has them.
pub const LEAST_GAIN: f64 = 1e-13;

/// A(f) = G + j·2πf·C and the noise sources of every part.
#[derive(Clone, Debug)]
pub struct SmallSignal {
    /// The equations, one entry a place.
    pub equations: SignalEquations,
    /// Independent noise currents, in netlist order of their parts.
    pub sources: Vec<NoiseSource>,
}

impl SmallSignal {
    /// Linearises `circuit` at `bias`.
    pub fn linearise(circuit: &Circuit, bias: &BiasPoint) -> Self {
        let mut signal = Self::stamped(circuit, bias);
        signal.equations.settle();
        signal
    }

    /// Every part's entries and sources, the equations not settled yet.
    fn stamped(circuit: &Circuit, bias: &BiasPoint) -> Self {
        let mut equations = SignalEquations::new(circuit.layout().electrical);
        let mut sources = Vec::new();
        for (id, part) in circuit.parts() {
            let place = circuit.place(id);
            part.element.stamp_signal(place, &bias.x, &mut equations);
            part.element.list_noise(place, &bias.x, &mut NoiseList::new(id, &mut sources));
        }
        Self { equations, sources }
    }

    /// Linearises at the same bias with a resistance at the input: in series with a voltage source, across a current
    /// source. Its thermal noise counts as that of the source. `None` where `input` is no source.
    pub fn behind_resistance(
        circuit: &Circuit,
        bias: &BiasPoint,
        input: PartId,
        ohms: f64,
        kelvin: Kelvin,
    ) -> Option<Self> {
        let Element::Source(source) = &circuit.part(input).element else { return None };
        let mut behind = Self::stamped(circuit, bias);
        let (from, to, white) = match source.kind {
            SourceKind::Current => {
                let [a, b] = source.nodes.map(Unknown::from);
                behind.equations.admittance(a, b, 1.0 / ohms, 0.0);
                (a, b, kelvin.four_kt() / ohms)
            }
            // v(a) − v(b) − R·i = 0, and its noise is a voltage in that equation.
            SourceKind::Voltage => {
                let branch = circuit.layout().first_inner[input.index()];
                behind.equations.add(branch, branch, -ohms, 0.0);
                (branch, Unknown::GROUND, kelvin.four_kt() * ohms)
            }
        };
        behind.equations.settle();
        behind.sources.push(NoiseSource { part: input, mechanism: Mechanism::Thermal, from, to, white, flicker: 0.0 });
        Some(behind)
    }

    /// Factors A(f) densely. What is too large for that is refused: see [`MOST_DENSE`].
    ///
    /// # Errors
    /// [`SolveError::Singular`] names the unknown that nothing determines.
    pub fn factor(&self, circuit: &Circuit, hertz: f64) -> Result<Factored<Complex64>, SolveError> {
        if self.equations.unknowns > MOST_DENSE {
            let judged = require_determined(&self.equations, hertz);
            return Err(singular(circuit, judged.err().unwrap_or(LinearError::Singular(Unknown(1))), hertz));
        }
        let omega = std::f64::consts::TAU * hertz;
        let entries = self.equations.entries.iter();
        let entries = entries.map(|entry| (entry.row, entry.column, Complex64::new(entry.g, omega * entry.c)));
        Factored::new(self.equations.unknowns, entries).map_err(|error| singular(circuit, error, hertz))
    }

    /// Refuses equations whose solutions mean nothing at a frequency, because rounding of their entries could change them at
    /// will.
    ///
    /// # Errors
    /// [`SolveError::Singular`] names the unknown that is hardly determined.
    pub fn require_determined(&self, circuit: &Circuit, hertz: f64) -> Result<(), SolveError> {
        require_determined(&self.equations, hertz).map_err(|error| singular(circuit, error, hertz))
    }

    /// Transfer to all unknowns from a stimulus, per volt or ampere of it; ground first.
    ///
    /// # Errors
    /// As [`SmallSignal::factor`].
    pub fn forward(
        &self,
        circuit: &Circuit,
        factored: &Factored<Complex64>,
        stimulus: &Stimulus,
        hertz: f64,
    ) -> Result<Vec<Complex64>, SolveError> {
        let right: Vec<Complex64> = stimulus.right(&self.equations).into_iter().map(Complex64::from).collect();
        self.voltages(circuit, factored.solve(&right), hertz)
    }

    /// Transfer from a current into any unknown's equation to the voltage of `plus` against `minus`; ground first.
    ///
    /// # Errors
    /// As [`SmallSignal::factor`].
    pub fn adjoint(
        &self,
        circuit: &Circuit,
        factored: &Factored<Complex64>,
        plus: NodeId,
        minus: NodeId,
        hertz: f64,
    ) -> Result<Vec<Complex64>, SolveError> {
        let mut right = vec![Complex64::default(); self.equations.unknowns + 1];
        right[plus.index()] += 1.0;
        right[minus.index()] -= 1.0;
        right[0] = Complex64::default();
        self.voltages(circuit, factored.solve_transposed(&right), hertz)
    }

    /// Transfer to all unknowns from any right-hand side by nodes: currents into every unknown's equation; ground first.
    ///
    /// # Errors
    /// As [`SmallSignal::factor`].
    pub fn solve(
        &self,
        circuit: &Circuit,
        factored: &Factored<Complex64>,
        mut right: Vec<Complex64>,
        hertz: f64,
    ) -> Result<Vec<Complex64>, SolveError> {
        for (inner, pin) in self.equations.drops() {
            let into_inner = right[inner.index()];
            right[pin.index()] += into_inner;
            right[inner.index()] = -into_inner;
        }
        right[0] = Complex64::default();
        self.voltages(circuit, factored.solve(&right), hertz)
    }

    fn voltages(
        &self,
        circuit: &Circuit,
        solution: Result<Vec<Complex64>, LinearError>,
        hertz: f64,
    ) -> Result<Vec<Complex64>, SolveError> {
        let mut solution = solution.map_err(|error| singular(circuit, error, hertz))?;
        self.equations.restore(&mut solution);
        Ok(solution)
    }
}

/// One volt or ampere of an independent source, as the right-hand side of the equations; by default none.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stimulus {
    rows: Vec<(Unknown, f64)>,
}

impl Stimulus {
    /// The stimulus of a V or I part; `None` for any other.
    pub fn of(circuit: &Circuit, part: PartId) -> Option<Self> {
        let Element::Source(source) = &circuit.part(part).element else { return None };
        let rows = match source.kind {
            SourceKind::Voltage => vec![(circuit.layout().first_inner[part.index()], 1.0)],
            SourceKind::Current => return Some(Self::current(source.nodes[0].into(), source.nodes[1].into())),
        };
        Some(Self { rows })
    }

    /// A current of one ampere that leaves `from` and enters `to`.
    pub fn current(from: Unknown, to: Unknown) -> Self {
        Self { rows: vec![(from, -1.0), (to, 1.0)] }
    }

    /// Its right-hand side of the settled equations, ground first.
    pub fn right(&self, equations: &SignalEquations) -> Vec<f64> {
        let mut right = vec![0.0; equations.unknowns + 1];
        for &(row, value) in &self.rows {
            right[row.index()] += value;
        }
        equations.settle_right(&mut right);
        right
    }

    /// Its rows and their signs.
    pub fn rows(&self) -> &[(Unknown, f64)] {
        &self.rows
    }

    /// Its transfer to the output of an adjoint solution.
    pub fn gain(&self, adjoint: &[Complex64]) -> Complex64 {
        self.rows.iter().map(|&(row, value)| adjoint[row.index()] * value).sum()
    }
}

fn singular(circuit: &Circuit, error: LinearError, hertz: f64) -> SolveError {
    let (LinearError::NotFinite(unknown) | LinearError::Singular(unknown)) = error;
    SolveError::Singular { unknown: circuit.describe_unknown(unknown), frequency_hz: Some(hertz), reason: None }
}
