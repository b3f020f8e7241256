//! How readings follow the values of parts: derivatives of hiss, DC volts and gains by any number of values at once.
//!
//! One more solution per output and frequency gives all derivatives of its hiss, and one per output those that come by way
//! of the bias: the adjoint network (Director and Rohrer, IEEE Trans. Circuit Theory 16 (1969) 318; for noise Rohrer,
//! Nagel, Meyer and Weber, IEEE J. Solid-State Circuits 6 (1971) 204). A figure Φ depends on a value p by the stamps that
//! hold it and by the bias point x, where F(x, p) = 0 with slopes J = ∂F/∂x:
//!
//! ```text
//!     dΦ/dp = ∂Φ/∂p − λᵀ·∂F/∂p    with    Jᵀ·λ = ∂Φ/∂x
//! ```
//!
//! Temperatures of self-heating devices are among the x. The derivatives of stamps are central differences with steps
//! that keep nine digits; they are taken once and serve all outputs.

mod effects;
mod field;
mod rule;
mod stamps;

use num_complex::Complex64;

use crate::bias::{self, BiasPoint, Slopes, SolveError};
use crate::circuit::{Circuit, Quantity};
use crate::diagnostic::Diagnostic;
use crate::element::PartId;
use crate::mna::{LANES, LinearError, NodeId};
use crate::physics::Kelvin;
use crate::smallsignal::{LEAST_GAIN, Stimulus};
use crate::sweep::Sweep;

use effects::{Effect, Effects};
use field::Field;
pub use rule::BandRule;

/// A node against another one (ground for a single node).
pub type Output = (NodeId, NodeId);

/// Why derivatives could not be given.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum SensitivityError {
    /// A part has no such value.
    Unfit(Box<Diagnostic>),
    /// Equations were not solved.
    Unsolved(SolveError),
}

impl From<Box<Diagnostic>> for SensitivityError {
    fn from(problem: Box<Diagnostic>) -> Self {
        Self::Unfit(problem)
    }
}

impl From<SolveError> for SensitivityError {
    fn from(error: SolveError) -> Self {
        Self::Unsolved(error)
    }
}

/// An instrument across an output, coupled so that it leaves the bias alone, and with the thermal noise of its resistance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Load {
    /// Its resistance, Ω, above zero.
    pub ohms: f64,
    /// Its capacitance, F.
    pub farads: f64,
    /// Temperature of its resistance.
    pub kelvin: Kelvin,
}

/// Hiss at an output and what it follows.
#[derive(Clone, Debug, PartialEq)]
pub struct HissGradient {
    /// Mean square by the rule, V².
    pub mean_square_v2: f64,
    /// d ln(rms) by each value; all zero where nothing hisses.
    pub by: Vec<f64>,
}

/// DC volts of an output and what they follow.
#[derive(Clone, Debug, PartialEq)]
pub struct DcGradient {
    /// Volts at rest.
    pub volts: f64,
    /// Resistance of the output for a small direct current, Ω: a meter of R ohms reads volts·R/(R + this) where the circuit
    /// is linear enough.
    pub ohms: f64,
    /// Volts by each value.
    pub by: Vec<f64>,
}

/// Gain to an output and what it follows.
#[derive(Clone, Debug, PartialEq)]
pub struct GainGradient {
    /// Volts per volt or ampere of the source.
    pub gain: Complex64,
    /// d ln|gain| by each value; all zero without gain.
    pub by: Vec<f64>,
}

/// A circuit at a bias point, prepared to tell how its readings follow a list of values.
///
/// A derivative is by the natural logarithm of the value (a change of 1 % is 0.01), for temperatures per kelvin. For
/// [`Quantity::Celsius`] of a part without a temperature of its own, that of the part alone is meant; a self-heating
/// device is held at what it has at the bias point. What is zero (no leakage, no flicker) stays zero by any factor, and
/// its derivatives are zero.
#[derive(Debug)]
pub struct Sensitivity<'a> {
    sweep: &'a Sweep<'a>,
    bias: &'a BiasPoint,
    slopes: Slopes,
    effects: Effects,
    held: Vec<NodeId>,
}

impl<'a> Sensitivity<'a> {
    /// Prepares derivatives by `values` about `bias`, which is the bias point that `sweep` was linearised at.
    ///
    /// # Errors
    /// [`SensitivityError::Unfit`] names a part that has no such value, [`SensitivityError::Unsolved`] an unknown that
    /// nothing determines.
    pub fn of(
        sweep: &'a Sweep<'a>,
        bias: &'a BiasPoint,
        values: &[(PartId, Quantity)],
    ) -> Result<Self, SensitivityError> {
        let circuit = sweep.circuit();
        let slopes = bias::slopes(circuit, bias)?;
        let effects = Effects::of(circuit, bias, &slopes, values)?;
        Ok(Self { sweep, bias, slopes, effects, held: circuit.held_groups() })
    }

    /// Hiss at every output, summed by `rule`, read with the instrument `load` (else unloaded).
    ///
    /// # Errors
    /// [`SolveError::Singular`] names the unknown that nothing determines.
    pub fn hiss(
        &self,
        outputs: &[Output],
        rule: &BandRule,
        load: Option<&Load>,
    ) -> Result<Vec<HissGradient>, SolveError> {
        let points: Vec<_> = rule.batches().map(|batch| (self.sweep.at(batch.hertz), batch)).collect();
        let of = |&(plus, minus): &Output| {
            let mut field = Field::default();
            // What voltage sources hold does not hiss: only rounding would be left of it.
            if self.held[plus.index()] != self.held[minus.index()] {
                for (point, batch) in &points {
                    field.add_hiss(self.sweep.signal(), point, (plus, minus), batch, load)?;
                }
            }
            let by = match field.mean_square > 0.0 {
                true => self.gradient(&field, 0.5 / field.mean_square)?,
                false => self.nothing(),
            };
            Ok(HissGradient { mean_square_v2: field.mean_square, by })
        };
        outputs.iter().map(of).collect()
    }

    /// Volts at rest of every output.
    ///
    /// # Errors
    /// [`SolveError::Singular`] names the unknown that nothing determines.
    pub fn dc(&self, outputs: &[Output]) -> Result<Vec<DcGradient>, SolveError> {
        let of = |&(plus, minus): &Output| {
            let mut by_unknown = vec![0.0; self.bias.x.len()];
            by_unknown[plus.index()] += 1.0;
            by_unknown[minus.index()] -= 1.0;
            let adjoint = self.adjoint(by_unknown)?;
            Ok(DcGradient {
                volts: self.bias.volts(plus) - self.bias.volts(minus),
                ohms: adjoint[plus.index()] - adjoint[minus.index()],
                by: self.effects.values.iter().map(|effect| self.effects.through_bias(effect, &adjoint)).collect(),
            })
        };
        outputs.iter().map(of).collect()
    }

    /// Gain from `stimulus` to every output at a frequency in Hz.
    ///
    /// # Errors
    /// [`SolveError::Singular`] names the unknown that nothing determines.
    pub fn gain(&self, stimulus: &Stimulus, outputs: &[Output], hertz: f64) -> Result<Vec<GainGradient>, SolveError> {
        let point = self.sweep.at([hertz; LANES]);
        let from = point.forward(stimulus)?;
        let of = |&output: &Output| {
            let (gain, field) = Field::of_gain(&point, output, &from, LEAST_GAIN)?;
            let by = match field {
                Some(field) => self.gradient(&field, 1.0)?,
                None => self.nothing(),
            };
            Ok(GainGradient { gain: Complex64::new(gain.re[0], gain.im[0]), by })
        };
        outputs.iter().map(of).collect()
    }

    fn nothing(&self) -> Vec<f64> {
        vec![0.0; self.effects.values.len()]
    }

    /// `scale` times the derivatives of what a field stands for.
    fn gradient(&self, field: &Field, scale: f64) -> Result<Vec<f64>, SolveError> {
        let factors = field.factors(&self.effects.derivatives);
        let adjoint = self.adjoint(self.effects.by_unknown(&factors, self.bias.x.len()))?;
        let by = |effect: &Effect| {
            let own = self.effects.by_stamps(effect, &factors);
            scale * (own + self.effects.through_bias(effect, &adjoint))
        };
        Ok(self.effects.values.iter().map(by).collect())
    }

    fn adjoint(&self, by_unknown: Vec<f64>) -> Result<Vec<f64>, SolveError> {
        self.slopes.solve_transposed(&by_unknown).map_err(|error| unsolved(self.sweep.circuit(), error))
    }
}

fn unsolved(circuit: &Circuit, error: LinearError) -> SolveError {
    let (LinearError::NotFinite(unknown) | LinearError::Singular(unknown)) = error;
    SolveError::Singular { unknown: circuit.describe_unknown(unknown), frequency_hz: None, reason: None }
}
