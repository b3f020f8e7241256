//! How far an output swings, what stops it, how many watts that is, and how a sine is distorted.
//!
//! The static transfer at mid-band: from the bias point the input is moved up and down, and for each value the nonlinear
//! circuit is solved, with its coupling and bypass capacitors holding their charge (`capacitors.rs` says which), windings
//! their ampere-turns (`windings.rs`), devices their temperatures. The output for a sine follows from that curve.
//!
//! A side clips at the first level, outward from rest, at which the slope of the curve falls below half of its mean slope
//! from rest to there. Clipping begins, for a sine, where the nearer side clips. Total harmonic distortion is the rms of
//! the harmonics over the rms of the whole output without its mean, as a meter with a notch reads it; single harmonics
//! are over the fundamental. Watts are V²/R of the rms output into the load. The rated source
//! e.m.f., source impedance and load of IEC 60268-3 are what the netlist says: the input is the e.m.f. of its source.
//!
//! Limits: one frequency in the middle of the band; nothing that takes time. Slew rate, the charge that a long overload
//! pumps into coupling capacitors, sagging supplies and the warming of devices are not in it. Where capacitors shape the
//! tone at mid-band they stand as resistances, so that harmonics are not filtered; where the static gain then differs
//! from the gain there, a caution says so.

use super::culprit::culprit;
use super::distortion::{HARMONICS, Knot};
use super::figures::{Figures, cautions};
use super::midband::MidBand;
use super::network::{Measured, Network, between};
use super::transfer::{Path, Sample, Transfer};
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, PartId, Source, SourceKind};
use crate::mna::NodeId;
use crate::operating::Operating;
use crate::smallsignal::{LEAST_GAIN, Stimulus};

/// The standard reference frequency of audio measurements, Hz (IEC 60268-3).
pub const MID_HERTZ: f64 = 1e3;
/// Sides whose clip levels differ by less than this fraction clip alike.
pub const ALIKE: f64 = 0.05;
/// An output that never moves so far does not follow its input, V.
const LEAST_SWING_VOLTS: f64 = 1e-6;

/// What is asked about swing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SwingQuestion {
    /// The source that drives.
    pub input: PartId,
    /// The output, a node against another.
    pub output: (NodeId, NodeId),
    /// A frequency in the middle of the band, Hz.
    pub mid_hz: f64,
    /// The resistor that takes the power; `None` for the one across the output.
    pub load: Option<PartId>,
}

/// What an output does on the way to clipping and beyond.
#[derive(Clone, Debug, PartialEq)]
pub struct Swing {
    /// Frequency in the middle of the band, Hz.
    pub mid_hz: f64,
    /// Unit of the input: `V` or `A`.
    pub input_unit: &'static str,
    /// Output at rest, V.
    pub rest_volts: f64,
    /// Slope of the static curve at rest, V per volt or ampere of the source.
    pub static_gain: f64,
    /// Magnitude of the gain at mid-band, all capacitors as they are.
    pub mid_gain: f64,
    /// Capacitors that hold their charge, in netlist order.
    pub holding: Vec<PartId>,
    /// Capacitors that are open, in netlist order.
    pub open: Vec<PartId>,
    /// Capacitors that shape the tone and stand as resistances, in netlist order.
    pub shaping: Vec<PartId>,
    /// The resistor across the output and its Ω, if there is one.
    pub load: Option<(PartId, f64)>,
    /// Clipping of the output upwards; `None` where the curve found no end.
    pub up: Option<Clip>,
    /// Clipping of the output downwards.
    pub down: Option<Clip>,
    /// Highest and lowest output reached, V from rest.
    pub reached_volts: [f64; 2],
    /// Levels from low to high.
    pub levels: Vec<Level>,
    /// Where a sine begins to clip.
    pub onset: Option<Level>,
    /// Where the total harmonic distortion rises through 1 % for the last time.
    pub at_one_percent: Option<Level>,
    /// The same for 10 %.
    pub at_ten_percent: Option<Level>,
    /// What a reader should know.
    pub cautions: Vec<Diagnostic>,
}

/// Where one side clips.
#[derive(Clone, Debug, PartialEq)]
pub struct Clip {
    /// Output from rest, V.
    pub volts: f64,
    /// Input from rest that it takes, V or A.
    pub input: f64,
    /// The device that does it, where one can be told.
    pub by: Option<(PartId, ClipCause)>,
}

/// What a device does that clips.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum ClipCause {
    /// A bipolar transistor has no voltage left, or works backwards.
    Saturates,
    /// A field-effect transistor has no voltage left.
    Ohmic,
    /// A transistor has no current left.
    CutOff,
    /// A diode conducts.
    Conducts,
    /// A diode blocks.
    Blocks,
    /// Its gain falls without either.
    Flattens,
}

impl ClipCause {
    /// The stable name of results.
    pub fn name(self) -> &'static str {
        match self {
            ClipCause::Saturates => "saturates",
            ClipCause::Ohmic => "ohmic",
            ClipCause::CutOff => "cut_off",
            ClipCause::Conducts => "conducts",
            ClipCause::Blocks => "blocks",
            ClipCause::Flattens => "flattens",
        }
    }

    /// The same in a sentence after the device's name.
    pub fn words(self) -> &'static str {
        match self {
            ClipCause::Saturates => "saturates",
            ClipCause::Ohmic => "runs into its ohmic region",
            ClipCause::CutOff => "is cut off",
            ClipCause::Conducts => "conducts",
            ClipCause::Blocks => "blocks",
            ClipCause::Flattens => "loses its gain",
        }
    }
}

/// A sine of some level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Source e.m.f. (or current), rms.
    pub input_rms: f64,
    /// Output without its mean, V rms.
    pub output_rms_volts: f64,
    /// Into the load, W; `None` without one.
    pub watts: Option<f64>,
    /// Rms of all harmonics over that of the whole output.
    pub total_distortion: f64,
    /// 2nd to 5th harmonic over the fundamental.
    pub harmonics: [f64; HARMONICS],
}

impl Swing {
    /// Whether both sides clip alike: their levels differ by less than [`ALIKE`] of the smaller; `None` where one does not
    /// clip.
    pub fn symmetrical(&self) -> Option<bool> {
        let [up, down] = [self.up.as_ref()?, self.down.as_ref()?].map(|clip| clip.volts.abs());
        Some((up - down).abs() <= ALIKE * up.min(down))
    }
}

/// Why there is no answer about swing.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SwingError {
    /// The equations have no solution.
    #[error(transparent)]
    Unsolved(#[from] SolveError),
    /// Without transistor or diode nothing clips.
    #[error("nothing in this circuit clips: it has no transistor and no diode")]
    NothingBends,
    /// No signal gets from input to output at mid-band.
    #[error("at mid-band no signal gets from {input} to {output}")]
    NoPath {
        /// The source.
        input: String,
        /// The output node.
        output: String,
    },
}

impl SwingError {
    /// The same as a message for people.
    pub fn diagnostic(&self) -> Diagnostic {
        match self {
            SwingError::Unsolved(error) => error.diagnostic(),
            SwingError::NothingBends => Diagnostic::error(Code::MissingInput, self.to_string())
                .help("ask about the gain alone, without --swing"),
            SwingError::NoPath { .. } => Diagnostic::error(Code::MissingInput, self.to_string())
                .help("name the source and the output: --from VIN --to out, or another frequency: --mid 400"),
        }
    }
}

/// The resistor across an output: of several the one of the fewest ohms.
pub fn load_across(circuit: &Circuit, output: (NodeId, NodeId)) -> Option<(PartId, f64)> {
    let across = |nodes: [NodeId; 2]| nodes == [output.0, output.1] || nodes == [output.1, output.0];
    let loads = circuit.parts().filter_map(|(id, part)| match &part.element {
        Element::Resistor(resistor) if across(resistor.nodes) => Some((id, resistor.ohms)),
        _ => None,
    });
    loads.min_by(|a, b| a.1.total_cmp(&b.1))
}

/// The resistor that was named, else the one across the output.
pub(super) fn load_of(circuit: &Circuit, named: Option<PartId>, output: (NodeId, NodeId)) -> Option<(PartId, f64)> {
    let named = named.and_then(|part| match &circuit.part(part).element {
        Element::Resistor(resistor) => Some((part, resistor.ohms)),
        _ => None,
    });
    named.or_else(|| load_across(circuit, output))
}

/// Swing of an output of a circuit at work.
///
/// # Errors
/// [`SwingError`].
pub fn swing(circuit: &Circuit, operating: &Operating, question: &SwingQuestion) -> Result<Swing, SwingError> {
    let SwingQuestion { input, output, mid_hz, load } = *question;
    let bends = |element: &Element| matches!(element, Element::Diode(_) | Element::Bjt(_) | Element::Jfet(_));
    if !circuit.parts().any(|(_, part)| bends(&part.element)) {
        return Err(SwingError::NothingBends);
    }
    let stimulus = Stimulus::of(circuit, input).unwrap_or_default();
    let measured = Measured { stimulus, output: [output.0, output.1], hertz: mid_hz };
    let mid_gain = gain_at(circuit, operating, &measured)?;
    let mid = MidBand::of(circuit, operating, &measured)?;
    let path = Path { mid: &mid, input, output };
    let at_rest = path.slope(&mid.circuit, |_| &mid.x)?;
    let no_path = || SwingError::NoPath {
        input: circuit.part(input).name.clone(),
        output: circuit.node_name(output.0).to_owned(),
    };
    if at_rest.abs() < LEAST_GAIN {
        return Err(no_path());
    }
    let transfer = path.transfer()?;
    let swing = transfer.curve.knots().iter().map(|knot| (knot.output - transfer.curve.rest()).abs());
    if swing.fold(0.0, f64::max) < LEAST_SWING_VOLTS {
        return Err(no_path());
    }
    let load = load_of(circuit, load, output);
    let figures = Figures { curve: &transfer.curve, load_ohms: load.map(|(_, ohms)| ohms) };
    let [one, other] = transfer.curve.clips();
    let clips = [one, other].map(|knot| knot.map(|knot| clip(&path, &transfer, knot)));
    let onset = clips.iter().flatten().map(|clip| clip.input.abs()).reduce(f64::min);
    let onset = onset.filter(|&amplitude| amplitude <= transfer.curve.reach());
    let [mut up, mut down] = [None, None];
    for clip in clips.into_iter().flatten() {
        if clip.volts > 0.0 { up = Some(clip) } else { down = Some(clip) }
    }
    let outputs = || transfer.curve.knots().iter().map(|knot| knot.output - transfer.curve.rest());
    Ok(Swing {
        mid_hz,
        input_unit: match &circuit.part(input).element {
            Element::Source(Source { kind: SourceKind::Current, .. }) => "A",
            _ => "V",
        },
        rest_volts: transfer.curve.rest(),
        static_gain: at_rest,
        mid_gain,
        load,
        up,
        down,
        reached_volts: [outputs().fold(0.0, f64::max), outputs().fold(0.0, f64::min)],
        levels: figures.table(onset),
        onset: onset.map(|amplitude| figures.level(amplitude)),
        at_one_percent: figures.distorted_by(0.01),
        at_ten_percent: figures.distorted_by(0.10),
        cautions: cautions(circuit, &mid, &transfer, [at_rest.abs(), mid_gain]),
        holding: mid.holding.clone(),
        open: mid.open.clone(),
        shaping: mid.shaping.clone(),
    })
}

fn gain_at(circuit: &Circuit, operating: &Operating, measured: &Measured) -> Result<f64, SolveError> {
    let volts = Network::of(operating, measured.hertz).factor(circuit)?.driven(&measured.stimulus)?;
    Ok(between(&volts, measured.output).norm())
}

fn clip(path: &Path, transfer: &Transfer, knot: Knot) -> Clip {
    let side = |sample: &&Sample| sample.knot.input * knot.input >= 0.0;
    let mut outward: Vec<&Sample> = transfer.samples.iter().filter(side).collect();
    outward.sort_by(|a, b| a.knot.input.abs().total_cmp(&b.knot.input.abs()));
    Clip { volts: knot.output - transfer.curve.rest(), input: knot.input, by: culprit(path, &outward, knot.input) }
}
