//! Gain from a source to nodes, and the frequencies at which curves are shown.

use num_complex::Complex64;
use rayon::prelude::*;

use crate::bias::SolveError;
use crate::circuit::{Circuit, PlotPoints};
use crate::mna::{LANES, NodeId};
use crate::netlist::Spacing;
use crate::smallsignal::{SmallSignal, Stimulus};
use crate::sweep::Sweep;

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
    let Some((lowest, highest)) = hertz.iter().copied().map(|hertz| (hertz, hertz)).reduce(widest) else {
        return Ok(vec![Vec::new(); outputs.len()]);
    };
    let sweep = Sweep::new(circuit, signal, [lowest, highest]);
    let batches: Vec<Vec<Vec<Complex64>>> = hertz
        .par_chunks(LANES)
        .map(|few| {
            // Lanes beyond the last frequency repeat it.
            let lanes = std::array::from_fn(|at| few[at.min(few.len() - 1)]);
            let volts = sweep.at(lanes).forward(stimulus)?;
            let gains = outputs.iter().map(|(plus, minus)| volts[plus.index()].minus(&volts[minus.index()]));
            Ok(gains.map(|gain| (0..few.len()).map(|at| Complex64::new(gain.re[at], gain.im[at])).collect()).collect())
        })
        .collect::<Result<_, SolveError>>()?;
    Ok((0..outputs.len())
        .map(|output| batches.iter().flat_map(|gains| gains[output].iter().copied()).collect())
        .collect())
}

fn widest(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    (a.0.min(b.0), a.1.max(b.1))
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
