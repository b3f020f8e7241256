//! What a transistor is asked for when the output is driven: peak current and volts, and the heat of the worst sine.
//!
//! Over the static curve of `transfer`, up to the onset of clipping. A sine A·cos θ at the input heats a device by the mean of
//! its power over θ; that is worst below full drive in a class B stage, V²/(π²·R) for each of two ideal devices at 2/π of the
//! full amplitude (Millman and Halkias, Electronic Devices and Circuits, McGraw-Hill 1967, on class B push-pull).

use super::midband::MidBand;
use super::network::Measured;
use super::swing::{SwingError, SwingQuestion};
use super::transfer::{Path, Transfer};
use crate::circuit::Circuit;
use crate::element::{Element, PartId};
use crate::operating::Operating;
use crate::smallsignal::Stimulus;

/// What a transistor is asked for up to the onset of clipping. Without signs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stress {
    /// Peak collector current, A.
    pub peak_amps: f64,
    /// Peak volts between collector and emitter.
    pub peak_volts: f64,
    /// Mean heat of the sine that heats it most, W; at least that at rest.
    pub watts: f64,
}

/// Amplitudes that are tried, and points of half a period.
const AMPLITUDES: usize = 24;
const PHASES: usize = 128;

/// Drives an output to the onset of clipping and looks at a bipolar transistor; `None` for another part.
///
/// # Errors
/// [`SwingError`] where nothing can be driven.
pub fn stress(
    circuit: &Circuit,
    operating: &Operating,
    question: &SwingQuestion,
    part: PartId,
) -> Result<Option<Stress>, SwingError> {
    let stimulus = Stimulus::of(circuit, question.input).unwrap_or_default();
    let output = question.output;
    let measured = Measured { stimulus, output: [output.0, output.1], hertz: question.mid_hz };
    let mid = MidBand::of(circuit, operating, &measured)?;
    let path = Path { mid: &mid, input: question.input, output };
    let transfer = path.transfer()?;
    let Element::Bjt(device) = &mid.circuit.part(part).element else { return Ok(None) };
    let full = onset(&transfer);
    let (mut peak_amps, mut peak_volts, mut power) = (0.0f64, 0.0f64, Vec::new());
    for sample in &transfer.samples {
        let x = &sample.bias.x;
        let place = mid.circuit.place(part);
        power.push((sample.knot.input, device.watts(place, x)));
        if sample.knot.input.abs() <= full {
            let [collector, _, emitter] = device.nodes.map(|node| x[node.index()]);
            peak_amps = peak_amps.max(device.pin_amps(place, x).0.abs());
            peak_volts = peak_volts.max((collector - emitter).abs());
        }
    }
    let heat = |amplitude: f64| {
        let phases = (0..PHASES).map(|k| std::f64::consts::PI * (k as f64 + 0.5) / PHASES as f64);
        phases.map(|phase| between(&power, amplitude * phase.cos())).sum::<f64>() / PHASES as f64
    };
    let watts = (0..=AMPLITUDES).map(|k| heat(full * k as f64 / AMPLITUDES as f64)).fold(0.0, f64::max);
    Ok(Some(Stress { peak_amps, peak_volts, watts }))
}

/// The amplitude at which a sine begins to clip; the largest that the curve covers where none does.
fn onset(transfer: &Transfer) -> f64 {
    let clips = transfer.curve.clips().into_iter().flatten().map(|knot| knot.input.abs());
    clips.fold(transfer.curve.reach(), f64::min)
}

/// A value between points that ascend, held at the ends.
fn between(points: &[(f64, f64)], at: f64) -> f64 {
    let next = points.partition_point(|(input, _)| *input < at);
    match (next.checked_sub(1).and_then(|before| points.get(before)), points.get(next)) {
        (Some((a, low)), Some((b, high))) => low + (high - low) * (at - a) / (b - a),
        (Some((_, held)), None) | (None, Some((_, held))) => *held,
        (None, None) => 0.0,
    }
}
