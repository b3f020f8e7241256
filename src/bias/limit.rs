//! Step limiting: how far a junction voltage may move in one iteration. It changes the way to the answer, never the
//! answer: an iteration counts as converged only when nothing was limited.
//!
//! Beyond the critical voltage a step is taken in the logarithm of the current instead of the voltage (Nagel, Memo
//! ERL-M520, University of California, Berkeley 1975).

use crate::element::{JunctionScale, JunctionVolts};

/// The junction voltages to evaluate a device at, on the way from `old` to `wanted`; true if any was held back.
pub(super) fn limit(
    wanted: JunctionVolts,
    old: JunctionVolts,
    scales: &[Option<JunctionScale>; 2],
) -> (JunctionVolts, bool) {
    let mut limited = wanted;
    for ((volts, &old), scale) in limited.iter_mut().zip(&old).zip(scales) {
        let Some(scale) = scale else { continue };
        *volts = match scale.breakdown_volts {
            // In breakdown the exponential runs the other way from −BV.
            Some(breakdown) if volts.min(old) < -0.5 * breakdown => {
                -breakdown - forward(-(*volts + breakdown), -(old + breakdown), scale)
            }
            _ => forward(*volts, old, scale),
        };
    }
    (limited, limited != wanted)
}

fn forward(wanted: f64, old: f64, scale: &JunctionScale) -> f64 {
    let step = scale.scale_volts;
    if wanted <= scale.critical_volts || (wanted - old).abs() <= 2.0 * step {
        return wanted;
    }
    if old > 0.0 {
        let growth = 1.0 + (wanted - old) / step;
        if growth > 0.0 { old + step * growth.ln() } else { scale.critical_volts }
    } else {
        step * (wanted / step).max(1.0).ln()
    }
}
