//! Which device makes a curve go flat.
//!
//! Where the output has stopped following, the circuit is linearised with every device as it is there, but one as it was
//! halfway to clipping. The device that brings the gain back is the one that took it. So the half of a push-pull pair
//! that rests while the other works is not blamed: bringing it back changes nothing.

use crate::bias::{DeviceBias, DeviceCurrents, Region, devices};
use crate::element::{BjtRegion, JfetRegion, PartId};

use super::swing::ClipCause;
use super::transfer::{Path, Sample};

/// Slope at which a curve counts as flat, as a fraction of the mean slope where it begins to clip.
const FLAT: f64 = 0.05;
/// Gain must come back by this factor for a device to be blamed.
const BROUGHT_BACK: f64 = 1.5;
/// A device that carries less than this part of its current is cut off.
const CUT_OFF: f64 = 0.2;

/// Who clips on one side. `outward` holds the samples of that side from rest on.
pub(super) fn culprit(path: &Path, outward: &[&Sample], clip_input: f64) -> Option<(PartId, ClipCause)> {
    let rest = outward.first()?;
    let inside = outward.iter().rfind(|sample| sample.knot.input.abs() <= 0.5 * clip_input.abs())?;
    let beyond = || outward.iter().filter(|sample| sample.knot.input.abs() >= clip_input.abs());
    let mean = |sample: &Sample| ((sample.knot.output - rest.knot.output) / sample.knot.input).abs();
    let first_mean = beyond().next().map(|sample| mean(sample))?;
    let flat = beyond().find(|sample| sample.knot.slope.abs() < FLAT * first_mean).or_else(|| beyond().next_back())?;

    let circuit = path.driven(flat.knot.input);
    let [then, now] = [inside, flat].map(|sample| devices(&circuit, &sample.bias));
    let with = |device: PartId| {
        let at = |part: PartId| -> &[f64] { if part == device { &inside.bias.x } else { &flat.bias.x } };
        path.slope(&circuit, at).ok().map(f64::abs).filter(|gain| gain.is_finite())
    };
    let scored = then.iter().zip(&now).filter_map(|(then, now)| Some((with(then.part)?, then, now)));
    let (gain, then, now) = scored.max_by(|a, b| a.0.total_cmp(&b.0))?;
    (gain > BROUGHT_BACK * flat.knot.slope.abs()).then(|| (now.part, cause(then, now)))
}

fn cause(then: &DeviceBias, now: &DeviceBias) -> ClipCause {
    let current = |device: &DeviceBias| match device.currents {
        DeviceCurrents::Bjt { ic_a, .. } => ic_a.abs(),
        DeviceCurrents::Diode { i_a, .. } => i_a.abs(),
        DeviceCurrents::Jfet { id_a, .. } => id_a.abs(),
    };
    let (before, after) = (current(then), current(now));
    match (now.region, now.currents) {
        (_, DeviceCurrents::Diode { .. }) if after > before => ClipCause::Conducts,
        (_, DeviceCurrents::Diode { .. }) => ClipCause::Blocks,
        _ if after < CUT_OFF * before => ClipCause::CutOff,
        (Region::Bjt(BjtRegion::Saturated | BjtRegion::Reversed), _) => ClipCause::Saturates,
        (Region::Jfet(JfetRegion::Ohmic), _) => ClipCause::Ohmic,
        _ => ClipCause::Flattens,
    }
}
