//! Gain from a source to nodes, and the frequencies at which curves are shown.

use num_complex::Complex64;
use rayon::prelude::*;

use crate::bias::SolveError;
use crate::circuit::{Circuit, PlotPoints};
use crate::mna::NodeId;
use crate::netlist::Spacing;
use crate::smallsignal::{SmallSignal, Stimulus};

/// Points per decade where the netlist names none.
pub const POINTS_PER_DECADE: usize = 20;

/// Gains per volt (or ampere) of the stimulus, indexed `[output][frequency]`. An output is a node against another.
///
/// # Errors
/// [`SolveError::Singular`] names the unknown that nothing determines.
pub fn response(
    circuit: &Circuit,
    signal: &SmallSignal,
    stimulus: &Stimulus,
    outputs: &[(NodeId, NodeId)],
    hertz: &[f64],
) -> Result<Vec<Vec<Complex64>>, SolveError> {
    let by_frequency: Vec<Vec<Complex64>> = hertz
        .par_iter()
        .map(|&hertz| {
            let factored = signal.factor(circuit, hertz)?;
            let volts = signal.forward(circuit, &factored, stimulus, hertz)?;
            Ok(outputs.iter().map(|(plus, minus)| volts[plus.index()] - volts[minus.index()]).collect())
        })
        .collect::<Result<_, SolveError>>()?;
    Ok((0..outputs.len()).map(|output| by_frequency.iter().map(|gains| gains[output]).collect()).collect())
}

/// Frequencies of a plot, both ends of the band included, ascending.
pub fn plot_hertz(points: &PlotPoints) -> Vec<f64> {
    let [from, to] = points.band_hz;
    let ratio = to / from;
    let steps = match points.spacing {
        Spacing::Decade => ratio.log10() * points.count as f64,
        Spacing::Octave => ratio.log2() * points.count as f64,
        Spacing::Linear => points.count.saturating_sub(1) as f64,
    };
    // A step that would land on the upper end but for rounding is the upper end.
    let whole = (steps - 1e-9).floor().max(0.0) as usize;
    let mut hertz: Vec<f64> = (0..=whole)
        .map(|step| match points.spacing {
            Spacing::Decade => from * 10f64.powf(step as f64 / points.count as f64),
            Spacing::Octave => from * 2f64.powf(step as f64 / points.count as f64),
            Spacing::Linear => from + (to - from) * step as f64 / steps.max(1.0),
        })
        .collect();
    if to > from {
        hertz.push(to);
    }
    hertz
}
