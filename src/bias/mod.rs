//! The DC solution: full Newton with strategies behind it, convergence judged apart, devices described.

mod caution;
mod convergence;
mod devices;
mod lanes;
mod limit;
mod newton;
mod strategies;

use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::mna::{LinearError, NodeId, Unknown};

pub use caution::cautions;
pub use devices::{DeviceBias, DeviceCurrents, Region, devices};
pub(crate) use lanes::{BiasLanes, Workspace, structure};
pub use newton::Slopes;
use newton::{Failure, Trial};
pub use strategies::Strategy;

/// A bias point: all unknowns at rest.
#[derive(Clone, Debug)]
pub struct BiasPoint {
    /// Volts, branch amperes and temperature rises, ground first; length unknowns with temperatures + 1.
    pub x: Vec<f64>,
    /// What found it.
    pub strategy: Strategy,
    /// Whether the heating of devices had to be turned up step by step, from a bias found without it.
    pub heat_stepping: bool,
    /// Newton iterations spent in all.
    pub iterations: usize,
}

impl BiasPoint {
    /// DC volts of a node.
    pub fn volts(&self, node: NodeId) -> f64 {
        self.x[node.index()]
    }
}

/// Why equations were not solved.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SolveError {
    /// Every strategy failed.
    #[error("no bias was found: {worst_node} did not settle after {iterations} iterations{}", blamed(worst_part))]
    NoConvergence {
        /// Iterations spent by all strategies.
        iterations: usize,
        /// What moved most, in words.
        worst_node: String,
        /// The device there.
        worst_part: Option<String>,
        /// Largest residual left, A.
        residual_amps: f64,
    },
    /// A device heats itself and has no temperature at which it stays: its current rises faster than its heat leaves.
    #[error(
        "{part} runs away thermally: with {:.0} % of its heating it sits at {celsius:.0} °C, with all of it nowhere",
        100.0 * fraction
    )]
    ThermalRunaway {
        /// The hottest device.
        part: String,
        /// How much of the heating still has a solution, 0 to 1.
        fraction: f64,
        /// Its temperature there, °C.
        celsius: f64,
    },
    /// Nothing determines an unknown.
    #[error(
        "the equations have no single solution: nothing determines {unknown}{}{}",
        at_hertz(*frequency_hz),
        because(reason)
    )]
    Singular {
        /// The unknown in words.
        unknown: String,
        /// Frequency, `None` at rest.
        frequency_hz: Option<f64>,
        /// What the connections tell about it, in words.
        reason: Option<String>,
    },
    /// The noise of a part overflows.
    #[error("the hiss of {part} is too large to compute with")]
    TooLarge {
        /// Its name.
        part: String,
    },
}

fn blamed(part: &Option<String>) -> String {
    part.as_ref().map_or_else(String::new, |part| format!("; look at {part}"))
}

fn because(reason: &Option<String>) -> String {
    reason.as_ref().map_or_else(String::new, |reason| format!(": {reason}"))
}

fn at_hertz(frequency: Option<f64>) -> String {
    frequency.map_or_else(String::new, |hertz| format!(" at {}", crate::units::engineering(hertz, "Hz", 3)))
}

impl SolveError {
    /// The same as a message for people.
    pub fn diagnostic(&self) -> Diagnostic {
        match self {
            SolveError::NoConvergence { .. } => Diagnostic::error(Code::NoBias, self.to_string())
                .help("check the values and polarities around it: supply, base resistors, model type"),
            SolveError::TooLarge { .. } => Diagnostic::error(Code::ValueOutOfRange, self.to_string())
                .help("look for a value that no real part has"),
            SolveError::ThermalRunaway { part, .. } => Diagnostic::error(Code::NoBias, self.to_string())
                .help(format!("give {part} an emitter resistor or a smaller RTH: a heat sink")),
            SolveError::Singular { frequency_hz, .. } => {
                Diagnostic::error(Code::Singular, self.to_string()).help(match frequency_hz {
                    None => "give it a path for direct current, such as 10MEG to ground",
                    Some(_) => "look there for values that no part has, or ask for a narrower band",
                })
            }
        }
    }
}

/// Steps of the heating in which the search for a bias gives up, and in which a runaway counts as seen.
const LEAST_HEATING: f64 = 1e-6;
const QUICK_HEATING: f64 = 1e-3;

/// Finds the bias point of a circuit.
///
/// # Errors
/// [`SolveError`] names the node and the device to blame.
pub fn solve(circuit: &Circuit) -> Result<BiasPoint, SolveError> {
    search(circuit, &Trial::cold(circuit))
}

/// Finds the bias point of a circuit that differs little from one whose bias is known: the same structure, other values.
///
/// # Errors
/// As [`solve`].
pub fn solve_from(circuit: &Circuit, near: &BiasPoint) -> Result<BiasPoint, SolveError> {
    if near.x.len() != circuit.layout().with_temperatures + 1 {
        return solve(circuit);
    }
    search(circuit, &Trial::at(circuit, near.x.clone()))
}

/// Finds the bias point that a circuit settles at when it is let go from `x`, which need not be a solution.
///
/// # Errors
/// As [`solve`].
pub fn settle_from(circuit: &Circuit, x: Vec<f64>) -> Result<BiasPoint, SolveError> {
    match strategies::settle(circuit, Trial::at(circuit, x)) {
        Ok((trial, iterations)) => {
            Ok(Found { trial, strategy: Strategy::PseudoTransient, iterations }.into_point(0, false))
        }
        Err((iterations, failure, trial)) => Err(explain(circuit, &failure, &trial, iterations)),
    }
}

/// Refuses a solution that means nothing, because rounding of the equations' own entries could change it at will.
///
/// # Errors
/// [`SolveError::Singular`] names the unknown that is hardly determined.
pub fn require_determined(circuit: &Circuit, bias: &BiasPoint) -> Result<(), SolveError> {
    let trial = Trial::at(circuit, bias.x.clone());
    newton::require_determined(circuit, &trial).map_err(|unknown| undetermined(circuit, unknown, &trial))
}

/// The slopes of all bias equations at a bias point, factored: rows are equations, columns unknowns, temperatures of
/// self-heating parts included.
///
/// # Errors
/// [`SolveError::Singular`] names the unknown that nothing determines.
pub fn slopes(circuit: &Circuit, bias: &BiasPoint) -> Result<Slopes, SolveError> {
    let trial = Trial::at(circuit, bias.x.clone());
    newton::factored_slopes(circuit, &trial).map_err(|error| {
        let (LinearError::NotFinite(unknown) | LinearError::Singular(unknown)) = error;
        undetermined(circuit, unknown, &trial)
    })
}

/// Why a circuit near one whose bias is known has none, where its heating shows it at once: turned up from the bias without
/// heating it comes to a point beyond which there is no bias. `None` where that is not so, and a search is worth while.
pub(crate) fn runs_away_from(circuit: &Circuit, near: &BiasPoint) -> Option<SolveError> {
    let layout = circuit.layout();
    if near.x.len() != layout.with_temperatures + 1 || layout.temperature.iter().all(Option::is_none) {
        return None;
    }
    let start = Trial::at(circuit, near.x.clone());
    let (cold, _) = strategies::attempt(Strategy::Newton, circuit, &start, 0.0).ok()?;
    let (fraction, trial) = strategies::heat_up(circuit, cold, QUICK_HEATING).err()?;
    Some(runaway(circuit, fraction, &trial))
}

fn search(circuit: &Circuit, start: &Trial) -> Result<BiasPoint, SolveError> {
    let (failure, trial, spent) = match run(circuit, start, 1.0) {
        Ok(found) => return Ok(found.into_point(0, false)),
        Err(failed) => failed,
    };
    if circuit.layout().temperature.iter().any(Option::is_some)
        && let Ok(cold) = run(circuit, start, 0.0)
    {
        let strategy = cold.strategy;
        return match strategies::heat_up(circuit, cold.trial, LEAST_HEATING) {
            Ok((trial, iterations)) => {
                Ok(Found { trial, strategy, iterations: cold.iterations + iterations }.into_point(spent, true))
            }
            Err((fraction, trial)) => Err(runaway(circuit, fraction, &trial)),
        };
    }
    Err(explain(circuit, &failure, &trial, spent))
}

/// A point that one strategy found.
struct Found {
    trial: Trial,
    strategy: Strategy,
    iterations: usize,
}

impl Found {
    fn into_point(self, spent_before: usize, heat_stepping: bool) -> BiasPoint {
        let iterations = spent_before + self.iterations;
        BiasPoint { x: self.trial.x, strategy: self.strategy, heat_stepping, iterations }
    }
}

/// Tries every strategy; on failure returns what the first one failed of and the iterations of all.
fn run(circuit: &Circuit, start: &Trial, heat_scale: f64) -> Result<Found, (Failure, Trial, usize)> {
    let mut spent = 0;
    let mut first = None;
    for strategy in Strategy::ALL {
        match strategies::attempt(strategy, circuit, start, heat_scale) {
            Ok((trial, iterations)) => return Ok(Found { trial, strategy, iterations: spent + iterations }),
            Err((iterations, failure, trial)) => {
                spent += iterations;
                first.get_or_insert((failure, trial));
            }
        }
    }
    let (failure, trial) =
        first.expect("there is at least one strategy, and one that does not return leaves a failure");
    Err((failure, trial, spent))
}

fn runaway(circuit: &Circuit, fraction: f64, trial: &Trial) -> SolveError {
    let rises = circuit.parts().filter_map(|(id, part)| {
        let rise = circuit.layout().temperature[id.index()]?;
        Some((part.name.clone(), trial.x[rise.index()]))
    });
    let hottest = rises.max_by(|a, b| a.1.total_cmp(&b.1));
    let (part, rise) = hottest.unwrap_or_else(|| ("a device".to_owned(), 0.0));
    SolveError::ThermalRunaway { part, fraction, celsius: circuit.ambient.celsius() + rise }
}

fn explain(circuit: &Circuit, failure: &Failure, trial: &Trial, iterations: usize) -> SolveError {
    match failure {
        Failure::Singular(unknown) => undetermined(circuit, *unknown, trial),
        Failure::Unsettled { worst, residual } => SolveError::NoConvergence {
            iterations,
            worst_node: circuit.describe_unknown(*worst),
            worst_part: newton::heaviest_part(circuit, trial, *worst).map(|part| circuit.part(part).name.clone()),
            residual_amps: *residual,
        },
    }
}

/// `unknown` is where the elimination ended, which may be far from where the trouble is.
fn undetermined(circuit: &Circuit, unknown: Unknown, trial: &Trial) -> SolveError {
    let unknown = newton::weakest(circuit, trial).unwrap_or(unknown);
    let (unknown, reason) = match circuit.undetermined(unknown) {
        Some((place, reason)) => (place, Some(reason)),
        None => (circuit.describe_unknown(unknown), None),
    };
    SolveError::Singular { unknown, frequency_hz: None, reason }
}
