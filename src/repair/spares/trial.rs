//! One device in the place: what the circuit does with it.

use super::healthy::lost_units;
use super::heat::{Hot, heated, in_place};
use super::{Measured, SparesQuestion};
use crate::bench::OPEN_OHMS;
use crate::bias::{BiasPoint, DeviceBias, DeviceCurrents, Region, SolveError, devices, solve};
use crate::circuit::{Change, Circuit};
use crate::diagnostic::Diagnostic;
use crate::element::{Bjt, BjtRegion, Element, Excess, PartId, Pin};
use crate::mna::NodeId;
use crate::noise::{DEFAULT_TOLERANCE, NoiseRequest, cautions, noise};
use crate::operating::Operating;
use crate::repair::stress::{Stress, stress};
use crate::repair::swing::SwingQuestion;
use crate::response::{half_power_hertz, response};
use crate::smallsignal::{LEAST_GAIN, Stimulus};
use crate::stability::Stability;

/// What a circuit does with a device in the place.
#[derive(Clone, Debug)]
pub struct Trial {
    /// DC at the points of the question.
    pub points: Vec<PointShift>,
    /// All devices at the bias point.
    pub devices: Vec<DeviceBias>,
    /// The one in the place.
    pub own: DeviceBias,
    /// Whether the circuit stays at its bias point.
    pub stability: Stability,
    /// Hiss at the output, V rms.
    pub hiss_volts: f64,
    /// The same over that with the original, dB; `None` where either is silent.
    pub hiss_db: Option<f64>,
    /// Gain to the output at 1 kHz, a pure number; `None` without an input.
    pub gain: Option<f64>,
    /// The same over that with the original, dB; `None` without gain.
    pub gain_db: Option<f64>,
    /// Where the gain is 3 dB down, below and above 1 kHz, Hz.
    pub half_power_hz: [Option<f64>; 2],
    /// Between collector and emitter lug when the device is cut off, V without sign; `None` where the circuit has no rest so.
    /// A winding there swings as far beyond its supply as the device has volts at rest.
    pub cut_off_volts: Option<f64>,
    /// At the highest temperature, or why there is no rest there.
    pub hot: Result<Hot, String>,
    /// When the output is driven to the onset of clipping; `None` without an input, or where nothing can be driven.
    pub driven: Option<Stress>,
    /// Sets within their tolerances in which a transistor that amplifies with the original does not, or that find no bias;
    /// and how many were drawn: none where one is lost already at nominal values.
    pub lost_units: [usize; 2],
    /// What a reader of these figures should know.
    pub cautions: Vec<Diagnostic>,
}

/// DC at a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PointShift {
    /// V.
    pub volts: f64,
    /// V against the same point with the original.
    pub shift_volts: f64,
}

/// A resistance that drops no more of the device's volts than this is that of a winding; a load drops more. Common practice,
/// no source.
const WINDING_DROP: f64 = 0.25;

/// Puts a device in the place, of which so much is `measured` and will not be otherwise. `reference` is the trial of the original, `None` for that itself.
///
/// # Errors
/// [`SolveError`] where the circuit has no bias with it.
pub(super) fn trial(
    question: &SparesQuestion<'_>,
    device: &Bjt,
    measured: &Measured,
    reference: Option<&Trial>,
) -> Result<Trial, SolveError> {
    let circuit = in_place(question.circuit, question.part, device);
    let operating = Operating::of(&circuit)?;
    let Operating { bias, signal, stability, .. } = &operating;
    let output = (question.output.plus, question.output.minus);
    let request = NoiseRequest {
        outputs: vec![output],
        band_hz: question.band_hz,
        weighting: question.weighting,
        tolerance: DEFAULT_TOLERANCE,
    };
    let hiss_volts = noise(&circuit, signal, None, &request)?.outputs[0].rms_volts;
    let stimulus = question.input.and_then(|input| Stimulus::of(&circuit, input));
    let (gain, half_power_hz) = match &stimulus {
        Some(stimulus) => {
            let gain = response(&circuit, signal, stimulus, &[output], &[super::GAIN_HERTZ])?[0][0].norm();
            (Some(gain), half_power_hertz(&circuit, signal, stimulus, output, super::GAIN_HERTZ)?)
        }
        None => (None, [None; 2]),
    };
    let points = question.points.iter().enumerate().map(|(at, point)| {
        let volts = bias.volts(point.plus) - bias.volts(point.minus);
        PointShift { volts, shift_volts: volts - reference.map_or(volts, |reference| reference.points[at].volts) }
    });
    let all = devices(&circuit, bias);
    let own = all.iter().find(|own| own.part == question.part);
    let own = own.expect("the place is a transistor, and each has a row").clone();
    let kick_volts = match own.currents {
        DeviceCurrents::Bjt { vce_v, .. } if at_winding(&circuit, bias, device) => vce_v.abs(),
        _ => 0.0,
    };
    let amplifying = reference.map_or(&all, |reference| &reference.devices).iter();
    let amplifying: Vec<PartId> =
        amplifying.filter(|device| device.region == Region::Bjt(BjtRegion::Active)).map(|device| device.part).collect();
    // With a transistor out of action at its nominal values there is no need to look for sets that lose one.
    let all_amplify =
        all.iter().all(|device| device.region == Region::Bjt(BjtRegion::Active) || !amplifying.contains(&device.part));
    let driven = question.input.filter(|_| all_amplify).and_then(|input| {
        let swing = SwingQuestion { input, output, mid_hz: super::GAIN_HERTZ, load: None };
        stress(&circuit, &operating, &swing, question.part).ok().flatten()
    });
    let ratio_db = |after: f64, before: f64| Some(20.0 * (after / before).log10()).filter(|db| db.is_finite());
    let gain_db = |before: f64| gain.filter(|&gain| gain >= LEAST_GAIN).and_then(|gain| ratio_db(gain, before));
    Ok(Trial {
        points: points.collect(),
        own,
        devices: all,
        stability: stability.clone(),
        hiss_volts,
        hiss_db: reference.map_or(Some(0.0), |reference| ratio_db(hiss_volts, reference.hiss_volts)),
        gain,
        gain_db: match reference {
            None => gain.map(|_| 0.0),
            Some(reference) => reference.gain.and_then(gain_db),
        },
        half_power_hz,
        cut_off_volts: cut_off_volts(question, device).map(|volts| volts + kick_volts),
        driven,
        lost_units: if all_amplify { lost_units(question, device, measured, &amplifying) } else { [0, 0] },
        cautions: [cautions(&circuit, bias, question.band_hz[1]), operating.cautions(&circuit)].concat(),
        hot: heated(&circuit, question.part, device, question.hottest_celsius, question.tester.volts),
    })
}

/// Whether collector or emitter hang on a winding, its own resistance between. One that has hardly any DC across it at rest
/// gives back in the other half of the swing what it took: a class A stage with a transformer swings to twice its supply
/// (Millman and Halkias, Electronic Devices and Circuits, McGraw-Hill 1967, on transformer-coupled power amplifiers).
fn at_winding(circuit: &Circuit, bias: &BiasPoint, device: &Bjt) -> bool {
    let [collector, _, emitter] = device.nodes;
    let most_volts = WINDING_DROP * (bias.volts(collector) - bias.volts(emitter)).abs();
    let mut near = vec![collector, emitter];
    for (_, part) in circuit.parts() {
        let Element::Resistor(resistor) = &part.element else { continue };
        let [a, b] = resistor.nodes;
        if (bias.volts(a) - bias.volts(b)).abs() < most_volts {
            near.extend([collector, emitter].contains(&a).then_some(b));
            near.extend([collector, emitter].contains(&b).then_some(a));
        }
    }
    // What voltage sources hold does not swing.
    let held = circuit.held_groups();
    near.retain(|node| held[node.index()] != NodeId::GROUND);
    circuit.parts().any(|(_, part)| match &part.element {
        Element::Inductor(winding) => winding.nodes.iter().any(|node| near.contains(node)),
        _ => false,
    })
}

/// The volts that the place has for a device that lets nothing through: its collector cut, and read from the lugs.
fn cut_off_volts(question: &SparesQuestion<'_>, device: &Bjt) -> Option<f64> {
    let name = question.circuit.part(question.part).name.clone();
    let cut = Change::Series { part: name.clone(), pin: Pin::Collector, ohms: OPEN_OHMS, excess: Excess::None };
    let open: Circuit = question.circuit.changed(&[cut]).ok()?;
    let part = open.find_part(&name).ok()?;
    let Element::Bjt(stand_in) = &open.part(part).element else { return None };
    let open = in_place(&open, part, &Bjt { nodes: stand_in.nodes, ..device.clone() });
    let bias = solve(&open).ok()?;
    let [collector, _, emitter] =
        device.nodes.map(|lug| Some(bias.volts(open.find_node(question.circuit.node_name(lug)).ok()?)));
    Some((collector? - emitter?).abs())
}
