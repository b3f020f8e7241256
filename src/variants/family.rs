//! The family of circuits of one structure, and the bias of its members.

use rayon::prelude::*;

use super::signals::SignalLanes;
use crate::bias::{self, BiasLanes, BiasPoint, SolveError, Workspace};
use crate::circuit::Circuit;
use crate::element::NoiseSource;
use crate::operating::Operating;
use crate::smallsignal::SmallSignal;

/// Variants biased by one thread with one workspace; eight at a time, so that lanes stay busy.
const BATCH: usize = 64;

/// Circuits of one structure, prepared for solving many of them.
#[derive(Debug)]
pub struct Family {
    nominal: BiasPoint,
    structure: Vec<u32>,
    bias: BiasLanes,
    pub(super) signals: SignalLanes,
}

/// A member of a family at its bias point, linearised.
#[derive(Clone, Debug)]
pub struct Variant<'c> {
    circuit: &'c Circuit,
    bias: BiasPoint,
    /// Values of the signal pattern's entries; `None` where the equations have entries beyond it.
    pub(super) entries: Option<Vec<(f64, f64)>>,
    sources: Vec<NoiseSource>,
}

impl<'c> Variant<'c> {
    /// The circuit.
    pub fn circuit(&self) -> &'c Circuit {
        self.circuit
    }

    /// Its bias point. Which strategy found it tells whether it was found in lanes: these know Newton's alone.
    pub fn bias(&self) -> &BiasPoint {
        &self.bias
    }

    /// Its noise sources, in netlist order of their parts.
    pub fn sources(&self) -> &[NoiseSource] {
        &self.sources
    }

    /// The same with entries of another pattern.
    pub(super) fn with_entries(&self, entries: Option<Vec<(f64, f64)>>) -> Self {
        Self { circuit: self.circuit, bias: self.bias.clone(), entries, sources: self.sources.clone() }
    }

    /// The whole linearised circuit, for rooms that ask for it.
    pub fn signal(&self) -> SmallSignal {
        SmallSignal::linearise(self.circuit, &self.bias)
    }
}

impl Family {
    /// Prepares for circuits of the structure of `nominal`: the same parts between the same nodes, other values.
    ///
    /// # Errors
    /// As [`Operating::of`], by which the nominal bias is found and judged.
    pub fn new(nominal: &Circuit) -> Result<Self, SolveError> {
        Self::at(nominal, Operating::of(nominal)?.bias)
    }

    /// As [`Family::new`] with a bias that is known already. It is not judged again: whoever asks answers for it.
    ///
    /// # Errors
    /// [`SolveError::Singular`] names an unknown that nothing determines.
    pub fn at(nominal: &Circuit, at: BiasPoint) -> Result<Self, SolveError> {
        Ok(Self {
            bias: BiasLanes::new(nominal, &at)?,
            signals: SignalLanes::new(nominal, &at)?,
            structure: bias::structure(nominal),
            nominal: at,
        })
    }

    /// Whether a circuit is of this structure. Others are solved too, one by one and slowly.
    pub fn fits(&self, circuit: &Circuit) -> bool {
        bias::structure(circuit) == self.structure
    }

    /// The bias of the circuit that the family was made of.
    pub fn nominal(&self) -> &BiasPoint {
        &self.nominal
    }

    /// Bias and linearised equations of each circuit, in order; Newton starts from the nominal bias.
    ///
    /// Each result is an error of its own: [`SolveError`] as [`crate::bias::solve`] and, for what rounding would decide,
    /// [`crate::bias::require_determined`].
    pub fn solve<'c>(&self, circuits: &'c [Circuit]) -> Vec<Result<Variant<'c>, SolveError>> {
        self.solve_from(circuits, |_| &self.nominal)
    }

    /// As [`Family::solve`], each circuit from a start of its own: the bias of a neighbour.
    pub fn solve_from<'c, 's>(
        &self,
        circuits: &'c [Circuit],
        start: impl Fn(usize) -> &'s BiasPoint + Sync,
    ) -> Vec<Result<Variant<'c>, SolveError>> {
        let batches: Vec<Vec<_>> = circuits
            .par_chunks(BATCH)
            .enumerate()
            .map_init(
                || self.bias.workspace(),
                |workspace, (batch, circuits)| {
                    let starts: Vec<&BiasPoint> =
                        (0..circuits.len()).map(|position| start(batch * BATCH + position)).collect();
                    self.batch(circuits, &starts, workspace)
                },
            )
            .collect();
        batches.into_iter().flatten().collect()
    }

    fn batch<'c>(
        &self,
        circuits: &'c [Circuit],
        starts: &[&BiasPoint],
        workspace: &mut Workspace,
    ) -> Vec<Result<Variant<'c>, SolveError>> {
        let fitting: Vec<usize> = (0..circuits.len()).filter(|&at| self.fits(&circuits[at])).collect();
        let of = |chosen: &[usize]| -> Vec<&Circuit> { chosen.iter().map(|&at| &circuits[at]).collect() };
        let near: Vec<&BiasPoint> = fitting.iter().map(|&at| starts[at]).collect();
        let mut points: Vec<Option<BiasPoint>> = vec![None; circuits.len()];
        for (&at, point) in fitting.iter().zip(self.bias.solve(&of(&fitting), &near, workspace)) {
            points[at] = point;
        }
        let mut points: Vec<Result<BiasPoint, SolveError>> = points
            .into_iter()
            .zip(circuits.iter().zip(starts))
            .map(|(point, (circuit, start))| point.map_or_else(|| alone(circuit, start), Ok))
            .collect();
        let found: Vec<usize> = fitting.iter().copied().filter(|&at| points[at].is_ok()).collect();
        let at: Vec<&BiasPoint> = found.iter().filter_map(|&at| points[at].as_ref().ok()).collect();
        let undetermined = self.bias.undetermined(&of(&found), &at, workspace);
        let mut doubtful = vec![true; circuits.len()];
        found.iter().zip(undetermined).for_each(|(&at, doubt)| doubtful[at] = doubt);
        for ((point, circuit), doubtful) in points.iter_mut().zip(circuits).zip(doubtful) {
            if let (Ok(bias), true) = (&*point, doubtful)
                && let Err(error) = bias::require_determined(circuit, bias)
            {
                *point = Err(error);
            }
        }
        let judged = points.into_iter().zip(circuits).map(|(point, circuit)| Ok(self.linearised(circuit, point?)));
        let variants: Vec<_> = judged.collect();
        self.signals.refuse_undetermined(variants)
    }

    fn linearised<'c>(&self, circuit: &'c Circuit, bias: BiasPoint) -> Variant<'c> {
        let (entries, sources) = self.signals.stamp(circuit, &bias);
        Variant { circuit, bias, entries, sources }
    }
}

/// Families by structure: a bridge, a lifted leg or another state of a test is a family of its own.
#[derive(Debug, Default)]
pub struct Families {
    known: Vec<Family>,
}

impl Families {
    /// The family of a circuit's structure; made of this circuit where none is known.
    ///
    /// # Errors
    /// As [`Family::new`].
    pub fn of(&mut self, circuit: &Circuit) -> Result<&Family, SolveError> {
        let at = match self.known.iter().position(|family| family.fits(circuit)) {
            Some(at) => at,
            None => {
                self.known.push(Family::new(circuit)?);
                self.known.len() - 1
            }
        };
        Ok(&self.known[at])
    }
}

/// A circuit that did not settle in lanes: every strategy, first from the start that was given. One that runs away thermally
/// has no bias to search for, and the search would take seconds.
fn alone(circuit: &Circuit, start: &BiasPoint) -> Result<BiasPoint, SolveError> {
    if let Some(runaway) = bias::runs_away_from(circuit, start) {
        return Err(runaway);
    }
    bias::solve_from(circuit, start).or_else(|_| bias::solve(circuit))
}
