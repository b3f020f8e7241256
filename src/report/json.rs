//! Results as serialized types: the stable form for other programs, SI units in the keys.
//!
//! Version 1. A key that is there stays and keeps its meaning; keys may be added. What would be infinite, or is not
//! there, is `null`.

mod control;
mod diagnose;
mod drill;
mod listen;
mod recording;
mod spares;
mod symptoms;
mod verify;

use serde::Serialize;

pub use listen::Listen;
pub use recording::Recorded;
pub use spares::{PulledForm, SparesForm};
pub use symptoms::SymptomChart;
pub use verify::Verify;

use super::{
    BiasResult, CheckResult, CompareResult, Curve, Message, NodeVolts, NoiseResult, ResponseResult, SwingResult,
    TwinResult,
};
use crate::bench::healthy::Band;
use crate::bench::instrument::Trace;
use crate::bias::DeviceCurrents;
use crate::repair::swing::{Clip, Level};

pub use control::Control;
pub use diagnose::{Diagnose, LineError};
pub use drill::{BestScore, DrillClass, DrillScore, Score, ScoreStep};

/// Version of the form.
pub const SCHEMA: u32 = 1;

/// What every object begins with.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Head {
    schema: u32,
    command: &'static str,
    warnings: Vec<Message>,
}

impl Head {
    /// The head of a command's result.
    pub fn new(command: &'static str, warnings: Vec<Message>) -> Self {
        Self { schema: SCHEMA, command, warnings }
    }
}

/// A refusal: what is wrong with the input.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Refusal<'a> {
    schema: u32,
    command: Option<&'a str>,
    errors: Vec<Message>,
    warnings: Vec<Message>,
}

impl<'a> Refusal<'a> {
    /// The refusal of a command; `None` where it is not known which.
    pub fn new(command: Option<&'a str>, errors: Vec<Message>, warnings: Vec<Message>) -> Self {
        Self { schema: SCHEMA, command, errors, warnings }
    }
}

/// Of `check`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Check {
    #[serde(flatten)]
    head: Head,
    sound: bool,
    errors: Vec<Message>,
    /// Of a bench sheet.
    #[serde(skip_serializing_if = "Option::is_none")]
    printed: Option<Vec<CheckPrinted>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    explanations: Option<Vec<CheckExplanation>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct CheckPrinted {
    point: String,
    node: String,
    printed_v: f64,
    computed_v: Option<f64>,
    sd_v: f64,
    deviation_sd: Option<f64>,
    disagrees: bool,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct CheckExplanation {
    text: String,
    still_disagreeing: usize,
    misfit: f64,
}

impl Check {
    /// A sound netlist or sheet.
    pub fn sound(head: Head, result: &CheckResult) -> Self {
        let printed = result.sheet.as_ref().map(|sheet| &sheet.printed);
        let points = printed.map(|printed| {
            let each = printed.points.iter().map(|point| CheckPrinted {
                point: point.name.clone(),
                node: point.node.clone(),
                printed_v: point.printed_volts,
                computed_v: point.computed_volts,
                sd_v: point.sd_volts,
                deviation_sd: point.deviation(),
                disagrees: point.disagrees(),
            });
            each.collect()
        });
        let explanations = printed.map(|printed| {
            let each = printed.explanations.iter().map(|explanation| CheckExplanation {
                text: explanation.text.clone(),
                still_disagreeing: explanation.disagreeing,
                misfit: explanation.misfit,
            });
            each.collect()
        });
        Self { head, sound: true, errors: Vec::new(), printed: points, explanations }
    }

    /// One with errors.
    pub fn unsound(head: Head, errors: Vec<Message>) -> Self {
        Self { head, sound: false, errors, printed: None, explanations: None }
    }
}

/// Of `bias`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Bias<'a> {
    #[serde(flatten)]
    head: Head,
    title: &'a str,
    ambient_c: f64,
    nodes: Vec<BiasNode<'a>>,
    devices: Vec<BiasDevice<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct BiasNode<'a> {
    node: &'a str,
    dc_v: f64,
    /// Null where the circuit finds no bias with the meter there.
    #[serde(skip_serializing_if = "Option::is_none")]
    meter_v: Option<Option<f64>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    meter_disturbs: Option<bool>,
    #[serde(flatten)]
    healthy: Option<Band>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct BiasDevice<'a> {
    device: &'a str,
    kind: &'static str,
    region: &'static str,
    power_w: f64,
    temperature_c: f64,
    #[serde(flatten)]
    currents: DeviceCurrents,
}

impl<'a> Bias<'a> {
    /// From its result.
    pub fn new(head: Head, result: &'a BiasResult) -> Self {
        let devices = result.devices.iter().map(|device| BiasDevice {
            device: &device.name,
            kind: device.bias.kind,
            region: device.bias.region.name(),
            power_w: device.bias.watts,
            temperature_c: device.bias.celsius,
            currents: device.bias.currents,
        });
        Self {
            head,
            title: &result.setting.title,
            ambient_c: result.setting.ambient_celsius,
            nodes: result.nodes.iter().map(bias_node).collect(),
            devices: devices.collect(),
        }
    }
}

fn bias_node(node: &NodeVolts) -> BiasNode<'_> {
    BiasNode {
        node: &node.name,
        dc_v: node.volts,
        meter_v: node.metered.map(|metered| metered.volts),
        meter_disturbs: node.metered.map(|metered| metered.disturbed),
        healthy: node.healthy,
    }
}

/// Of `response`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Response<'a> {
    #[serde(flatten)]
    head: Head,
    from: &'a str,
    mid_hz: f64,
    outputs: Vec<ResponseOutput<'a>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    controls: Vec<ResponseControl<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    twin: Option<ResponseTwin<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    swing: Option<ResponseSwing<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct ResponseOutput<'a> {
    to: &'a str,
    points: Vec<ResponsePoint>,
    half_power_hz: [Option<f64>; 2],
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct ResponsePoint {
    hz: f64,
    re: f64,
    im: f64,
    db: Option<f64>,
    phase_deg: f64,
}

impl<'a> Response<'a> {
    /// From its result.
    pub fn new(head: Head, result: &'a ResponseResult) -> Self {
        let controls = result.controls.iter().map(|control| ResponseControl {
            control: &control.control,
            settings: control
                .settings
                .iter()
                .map(|(value, curves)| ResponseSetting {
                    value: *value,
                    outputs: curves.iter().map(ResponseOutput::of).collect(),
                })
                .collect(),
        });
        Self {
            head,
            from: &result.from,
            mid_hz: result.mid_hz,
            outputs: result.curves.iter().map(ResponseOutput::of).collect(),
            controls: controls.collect(),
            twin: result.twin.as_ref().map(ResponseTwin::of),
            swing: result.swing.as_ref().map(ResponseSwing::of),
        }
    }
}

impl<'a> ResponseOutput<'a> {
    fn of(curve: &'a Curve) -> Self {
        let point = |&(hz, gain): &(f64, num_complex::Complex64)| ResponsePoint {
            hz,
            re: gain.re,
            im: gain.im,
            db: super::gain_decibels(gain.norm()),
            phase_deg: gain.arg().to_degrees(),
        };
        let points = curve.points.iter().map(point).collect();
        Self { to: &curve.to, points, half_power_hz: curve.half_power_hz }
    }
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct ResponseControl<'a> {
    control: &'a str,
    settings: Vec<ResponseSetting<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct ResponseSetting<'a> {
    value: f64,
    outputs: Vec<ResponseOutput<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct ResponseTwin<'a> {
    from: &'a str,
    #[serde(flatten)]
    output: ResponseOutput<'a>,
    channels: Vec<ResponseChannels>,
    #[serde(skip_serializing_if = "Option::is_none")]
    balance: Option<ResponseBalance<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct ResponseChannels {
    hz: f64,
    difference_db: Option<f64>,
    difference_deg: f64,
    crosstalk_to_twin_db: Option<f64>,
    crosstalk_from_twin_db: Option<f64>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct ResponseBalance<'a> {
    control: &'a str,
    value: Option<f64>,
    left_db: Option<f64>,
    at_limits_db: [f64; 2],
}

impl<'a> ResponseTwin<'a> {
    fn of(twin: &'a TwinResult) -> Self {
        let channels = twin.rows.iter().map(|row| ResponseChannels {
            hz: row.hertz,
            difference_db: row.difference_db,
            difference_deg: row.difference_degrees,
            crosstalk_to_twin_db: row.crosstalk_to_twin_db,
            crosstalk_from_twin_db: row.crosstalk_from_twin_db,
        });
        let balance = twin.balance.as_ref().map(|(control, balance)| ResponseBalance {
            control,
            value: balance.equal.map(|(value, _)| value),
            left_db: balance.equal.map(|(_, left)| left),
            at_limits_db: balance.at_limits_db,
        });
        Self { from: &twin.from, output: ResponseOutput::of(&twin.curve), channels: channels.collect(), balance }
    }
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct ResponseSwing<'a> {
    to: &'a str,
    method: &'static str,
    input_unit: &'static str,
    rest_v: f64,
    static_gain: f64,
    mid_gain: f64,
    load: Option<&'a str>,
    load_ohm: Option<f64>,
    holding: &'a [String],
    open: &'a [String],
    shaping: &'a [String],
    clips: SwingClips<'a>,
    symmetrical: Option<bool>,
    onset: Option<SwingLevel>,
    one_percent: Option<SwingLevel>,
    ten_percent: Option<SwingLevel>,
    levels: Vec<SwingLevel>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct SwingClips<'a> {
    up: Option<SwingClip<'a>>,
    down: Option<SwingClip<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct SwingClip<'a> {
    v: f64,
    input: f64,
    device: Option<&'a str>,
    cause: Option<&'static str>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct SwingLevel {
    input_rms: f64,
    output_rms_v: f64,
    power_w: Option<f64>,
    distortion: f64,
    harmonics: [f64; 4],
}

impl SwingLevel {
    fn of(level: &Level) -> Self {
        Self {
            input_rms: level.input_rms,
            output_rms_v: level.output_rms_volts,
            power_w: level.watts,
            distortion: level.total_distortion,
            harmonics: level.harmonics,
        }
    }
}

impl<'a> ResponseSwing<'a> {
    fn of(swing: &'a SwingResult) -> Self {
        let figures = &swing.figures;
        let clip = |clip: &Option<Clip>, by: &'a Option<String>| {
            clip.as_ref().map(|clip| SwingClip {
                v: clip.volts,
                input: clip.input,
                device: by.as_deref(),
                cause: clip.by.map(|(_, cause)| cause.name()),
            })
        };
        let level = |level: &Option<Level>| level.as_ref().map(SwingLevel::of);
        Self {
            to: &swing.to,
            method: "mid-band, quasi-static",
            input_unit: figures.input_unit,
            rest_v: figures.rest_volts,
            static_gain: figures.static_gain,
            mid_gain: figures.mid_gain,
            load: swing.load.as_deref(),
            load_ohm: figures.load.map(|(_, ohms)| ohms),
            holding: &swing.holding,
            open: &swing.open,
            shaping: &swing.shaping,
            clips: SwingClips { up: clip(&figures.up, &swing.by[0]), down: clip(&figures.down, &swing.by[1]) },
            symmetrical: figures.symmetrical(),
            onset: level(&figures.onset),
            one_percent: level(&figures.at_one_percent),
            ten_percent: level(&figures.at_ten_percent),
            levels: figures.levels.iter().map(SwingLevel::of).collect(),
        }
    }
}

/// Of `noise`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Noise<'a> {
    #[serde(flatten)]
    head: Head,
    band_hz: [f64; 2],
    weight: &'static str,
    points: usize,
    nodes: Vec<NoiseNode<'a>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    controls: Vec<Control<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct NoiseNode<'a> {
    node: &'a str,
    dc_v: f64,
    gain_db: Option<f64>,
    rms_v: f64,
    relative_error: f64,
    peak_to_peak_v: f64,
    input_rms_v: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    noise_figure_db: Option<Option<f64>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    snr_db: Option<Option<f64>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    meter_v: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    scope: Option<NoiseTrace>,
    /// Of `rms_v`.
    #[serde(flatten)]
    healthy: Option<Band>,
    #[serde(skip_serializing_if = "Option::is_none")]
    hum_rms_v: Option<f64>,
    devices: Vec<NoiseDevice<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    spectrum: Option<NoiseSpectrum<'a>>,
}

/// What a scope shows; without divisions where the hiss is below its own noise.
#[derive(Clone, Debug, PartialEq, Serialize)]
struct NoiseTrace {
    rms_v: f64,
    peak_to_peak_v: f64,
    visible: bool,
    divisions: Option<f64>,
    v_per_division: f64,
    words: String,
}

impl From<Trace> for NoiseTrace {
    fn from(trace: Trace) -> Self {
        Self {
            rms_v: trace.rms_volts,
            peak_to_peak_v: trace.peak_to_peak_volts,
            visible: trace.shown.is_some(),
            divisions: trace.shown.map(|shown| shown.divisions),
            v_per_division: trace.shown.map_or(trace.finest_volts, |shown| shown.volts_per_division),
            words: trace.words(),
        }
    }
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct NoiseDevice<'a> {
    device: &'a str,
    share: f64,
    rms_v: f64,
    mechanisms: Vec<NoiseMechanism>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct NoiseMechanism {
    mechanism: &'static str,
    share: f64,
    rms_v: f64,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct NoiseSpectrum<'a> {
    hz: &'a [f64],
    v_per_rthz: &'a [f64],
}

impl<'a> Noise<'a> {
    /// From its result, and the controls that were asked for.
    pub fn new(head: Head, result: &'a NoiseResult, controls: Vec<Control<'a>>) -> Self {
        let nodes = result.points.iter().map(|point| NoiseNode {
            node: &point.name,
            dc_v: point.dc_volts,
            gain_db: point.gain_db,
            rms_v: point.rms_volts,
            relative_error: point.relative_error,
            peak_to_peak_v: point.peak_to_peak_volts,
            input_rms_v: point.input_rms,
            // Asked for and infinite is null; not asked for is not there.
            noise_figure_db: result.source_resistance.as_ref().map(|_| point.noise_figure_db),
            snr_db: result.level_volts.map(|_| point.snr_db),
            meter_v: point.meter_volts,
            scope: point.trace.map(NoiseTrace::from),
            healthy: point.healthy,
            hum_rms_v: point.hum_rms_volts,
            devices: point.devices.iter().map(noise_device).collect(),
            spectrum: point
                .spectrum
                .as_ref()
                .map(|spectrum| NoiseSpectrum { hz: &spectrum.hertz, v_per_rthz: &spectrum.volts_per_root_hertz }),
        });
        Self {
            head,
            band_hz: result.band_hz,
            weight: result.weighting.name(),
            points: result.frequencies,
            nodes: nodes.collect(),
            controls,
        }
    }
}

fn noise_device(device: &super::DeviceHiss) -> NoiseDevice<'_> {
    let mechanisms = device.mechanisms.iter().map(|one| NoiseMechanism {
        mechanism: one.mechanism.name(),
        share: one.share,
        rms_v: one.rms_volts,
    });
    NoiseDevice { device: &device.name, share: device.share, rms_v: device.rms_volts, mechanisms: mechanisms.collect() }
}

/// Of `compare`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Compare<'a> {
    #[serde(flatten)]
    head: Head,
    changes: &'a [String],
    nodes: Vec<CompareNode<'a>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    controls: Vec<Control<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct CompareNode<'a> {
    node: &'a str,
    before_rms_v: f64,
    after_rms_v: f64,
    change_db: Option<f64>,
    before_dc_v: f64,
    after_dc_v: f64,
}

impl<'a> Compare<'a> {
    /// From its result, and the controls that were asked for.
    pub fn new(head: Head, result: &'a CompareResult, controls: Vec<Control<'a>>) -> Self {
        let nodes = result.points.iter().map(|point| CompareNode {
            node: &point.name,
            before_rms_v: point.before_rms_volts,
            after_rms_v: point.after_rms_volts,
            change_db: point.change_db,
            before_dc_v: point.before_dc_volts,
            after_dc_v: point.after_dc_volts,
        });
        Self { head, changes: &result.setting.changes, nodes: nodes.collect(), controls }
    }
}
