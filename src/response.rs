//! Gain from a source to nodes, and the frequencies at which curves are shown.

use num_complex::Complex64;
use rayon::prelude::*;

use crate::bias::SolveError;
use crate::circuit::{Circuit, PlotPoints};
use crate::mna::{LANES, NodeId};
use crate::netlist::Spacing;
use crate::smallsignal::{LEAST_GAIN, SmallSignal, Stimulus};
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

/// Frequencies between which limits of the band are looked for, Hz: beyond them no netlist of an audio set means anything.
const SEARCHED_HZ: [f64; 2] = [1e-3, 1e8];

/// The frequencies below and above `reference_hz` at which the gain first falls to half its power there (-3 dB); `None`
/// where it does not fall so far between 1 mHz and 100 MHz, or where there is no gain to speak of.
///
/// This is the gain-limited effective frequency range of IEC 60268-3, whose standard reference frequency is 1 kHz.
///
/// # Errors
/// As [`response`].
pub fn half_power_hertz(
    circuit: &Circuit,
    signal: &SmallSignal,
    stimulus: &Stimulus,
    output: (NodeId, NodeId),
    reference_hz: f64,
) -> Result<[Option<f64>; 2], SolveError> {
    let gain = |hertz: f64| -> Result<f64, SolveError> {
        let factored = signal.factor(circuit, hertz)?;
        let volts = signal.forward(circuit, &factored, stimulus, hertz)?;
        Ok((volts[output.0.index()] - volts[output.1.index()]).norm())
    };
    let half = gain(reference_hz)? * std::f64::consts::FRAC_1_SQRT_2;
    if half < LEAST_GAIN {
        return Ok([None; 2]);
    }
    let mut found = [None; 2];
    for (found, end) in found.iter_mut().zip(SEARCHED_HZ) {
        let octaves = (end / reference_hz).log2();
        // Steps of a sixth of an octave see every dip that a tone network makes.
        let steps = (6.0 * octaves.abs()).ceil();
        let hertz: Vec<f64> =
            (0..=steps as usize).map(|k| reference_hz * (octaves * k as f64 / steps).exp2()).collect();
        let gains = response(circuit, signal, stimulus, &[output], &hertz)?;
        let Some(outside) = gains[0].iter().position(|gain| gain.norm() <= half).filter(|&at| at > 0) else { continue };
        let (mut inside, mut outside) = (hertz[outside - 1], hertz[outside]);
        // 48 halvings of a sixth of an octave leave nothing between.
        for _ in 0..48 {
            let middle = (inside * outside).sqrt();
            if gain(middle)? > half { inside = middle } else { outside = middle }
        }
        *found = Some(outside);
    }
    Ok(found)
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
