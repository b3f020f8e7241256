//! Which setting of a control makes two channels equally loud.

use crate::bias::{BiasPoint, SolveError, solve, solve_from};
use crate::circuit::{Change, Circuit};
use crate::diagnostic::Diagnostic;
use crate::element::PartId;
use crate::mna::NodeId;
use crate::smallsignal::{SmallSignal, Stimulus};

/// What is promised, dB.
const PROMISED_DB: f64 = 0.01;
/// What is worked for, dB.
const EQUAL_DB: f64 = 1e-5;
/// Settings that are tried for a change of sign.
const TRIED: usize = 16;
/// Halvings of the bracket at most.
const HALVINGS: usize = 80;

/// One channel: what drives it and where it comes out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Channel {
    /// Its source.
    pub input: PartId,
    /// Its output, a node against another.
    pub output: (NodeId, NodeId),
}

/// The setting that equalizes two channels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Balance {
    /// Value of the parameter, and what is left of first channel over second there, dB; `None` where no setting does.
    pub equal: Option<(f64, f64)>,
    /// First channel over second at both limits, dB.
    pub at_limits_db: [f64; 2],
}

/// Why it was not solved.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum BalanceError {
    /// No bias or no gain at a setting.
    Unsolved(SolveError),
    /// The circuit refuses a setting.
    Refused(Vec<Diagnostic>),
}

impl From<SolveError> for BalanceError {
    fn from(error: SolveError) -> Self {
        BalanceError::Unsolved(error)
    }
}

/// Gain of a channel at a frequency in dB; silence is far below everything.
///
/// # Errors
/// [`SolveError::Singular`] names the unknown that nothing determines.
pub fn level_db(circuit: &Circuit, signal: &SmallSignal, channel: &Channel, hertz: f64) -> Result<f64, SolveError> {
    let factored = signal.factor(circuit, hertz)?;
    let stimulus = Stimulus::of(circuit, channel.input).unwrap_or_default();
    let volts = signal.forward(circuit, &factored, &stimulus, hertz)?;
    let gain = (volts[channel.output.0.index()] - volts[channel.output.1.index()]).norm();
    Ok(20.0 * gain.max(f64::MIN_POSITIVE).log10())
}

/// Solves |gain of one channel| = |gain of the other| at `hertz` for a `.param` between two limits, by bisection between
/// settings at which one or the other is louder.
///
/// # Errors
/// [`BalanceError`].
pub fn balance(
    circuit: &Circuit,
    channels: &[Channel; 2],
    parameter: &str,
    limits: [f64; 2],
    hertz: f64,
) -> Result<Balance, BalanceError> {
    let mut near: Option<BiasPoint> = None;
    let mut difference = |value: f64| -> Result<f64, BalanceError> {
        let set = circuit
            .changed(&[Change::Parameter { name: parameter.to_owned(), value }])
            .map_err(BalanceError::Refused)?;
        let bias = match &near {
            Some(near) => solve_from(&set, near)?,
            None => solve(&set)?,
        };
        let signal = SmallSignal::linearise(&set, &bias);
        near = Some(bias);
        Ok(level_db(&set, &signal, &channels[0], hertz)? - level_db(&set, &signal, &channels[1], hertz)?)
    };
    let [low, high] = limits;
    let settings: Vec<f64> = (0..=TRIED).map(|step| low + (high - low) * step as f64 / TRIED as f64).collect();
    let differences = settings.iter().map(|&value| difference(value)).collect::<Result<Vec<f64>, _>>()?;
    let at_limits_db = [differences[0], differences[TRIED]];
    let Some(at) = differences.windows(2).position(|pair| pair[0] * pair[1] <= 0.0) else {
        return Ok(Balance { equal: None, at_limits_db });
    };
    let (mut a, mut b) = (settings[at], settings[at + 1]);
    let mut of_a = differences[at];
    let mut best = if of_a.abs() <= differences[at + 1].abs() { (a, of_a) } else { (b, differences[at + 1]) };
    for _ in 0..HALVINGS {
        if best.1.abs() <= EQUAL_DB {
            break;
        }
        let middle = 0.5 * (a + b);
        let here = difference(middle)?;
        if here.abs() < best.1.abs() {
            best = (middle, here);
        }
        if here * of_a > 0.0 { (a, of_a) = (middle, here) } else { b = middle }
    }
    // A control that switches passes zero without being there.
    Ok(Balance { equal: Some(best).filter(|best| best.1.abs() <= PROMISED_DB), at_limits_db })
}
