//! The DC solution: full Newton with strategies behind it, convergence judged apart, devices described.

mod caution;
mod convergence;
mod devices;
mod limit;
mod newton;
mod strategies;

use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::mna::NodeId;

pub use caution::cautions;
pub use devices::{DeviceBias, DeviceCurrents, Region, devices};
use newton::{Failure, Trial};
pub use strategies::Strategy;

/// A bias point: all unknowns at rest.
#[derive(Clone, Debug)]
pub struct BiasPoint {
    /// Volts, branch amperes and temperature rises, ground first; length unknowns with temperatures + 1.
    pub x: Vec<f64>,
    /// What found it.
    pub strategy: Strategy,
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
    /// Nothing determines an unknown.
    #[error("the equations have no single solution: nothing determines {unknown}{}", at_hertz(*frequency_hz))]
    Singular {
        /// The unknown in words.
        unknown: String,
        /// Frequency, `None` at rest.
        frequency_hz: Option<f64>,
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
            SolveError::Singular { frequency_hz, .. } => {
                Diagnostic::error(Code::Singular, self.to_string()).help(match frequency_hz {
                    None => "give it a path for direct current, such as 10MEG to ground",
                    Some(_) => "look there for values that no part has, or ask for a narrower band",
                })
            }
        }
    }
}

/// Finds the bias point of a circuit.
///
/// # Errors
/// [`SolveError`] names the node and the device to blame.
pub fn solve(circuit: &Circuit) -> Result<BiasPoint, SolveError> {
    let cold = Trial::cold(circuit);
    let mut spent = 0;
    let mut first_failure = None;
    for strategy in Strategy::ALL {
        match strategies::attempt(strategy, circuit, &cold) {
            Ok((trial, iterations)) => {
                return Ok(BiasPoint { x: trial.x, strategy, iterations: spent + iterations });
            }
            Err((iterations, failure, trial)) => {
                spent += iterations;
                first_failure.get_or_insert((failure, trial));
            }
        }
    }
    let Some((failure, trial)) = first_failure else {
        unreachable!("there is at least one strategy, and each either returned or left a failure")
    };
    Err(explain(circuit, &failure, &trial, spent))
}

fn explain(circuit: &Circuit, failure: &Failure, trial: &Trial, iterations: usize) -> SolveError {
    match failure {
        Failure::Singular(unknown) => {
            SolveError::Singular { unknown: circuit.describe_unknown(*unknown), frequency_hz: None }
        }
        Failure::Unsettled { worst, residual } => SolveError::NoConvergence {
            iterations,
            worst_node: circuit.describe_unknown(*worst),
            worst_part: newton::heaviest_part(circuit, trial, *worst).map(|part| circuit.part(part).name.clone()),
            residual_amps: *residual,
        },
    }
}
