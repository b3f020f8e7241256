//! `recording` as JSON.

use serde::Serialize;

use super::Head;
use crate::bench::recording::{Burst, Gaussianity, HumLine};
use crate::report::RecordingResult;

/// Of `recording`.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Recorded<'a> {
    #[serde(flatten)]
    head: Head,
    file: &'a str,
    channel: Option<&'a str>,
    rate_hz: f64,
    samples: u64,
    band_hz: [f64; 2],
    weight: &'static str,
    rms_v: f64,
    hiss_rms_v: f64,
    statistical_error: f64,
    flat_hiss_rms_v: f64,
    peak_to_peak_v: f64,
    dc_v: f64,
    hum: Option<JsonHum>,
    gaussian: Option<JsonGaussian>,
    segments: usize,
    #[serde(skip_serializing_if = "Option::is_none")]
    spectrum: Option<Spectrum>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct JsonHum {
    mains_hz: f64,
    rms_v: f64,
    lines: Vec<JsonLine>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct JsonLine {
    harmonic: usize,
    hz: f64,
    rms_v: f64,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct JsonGaussian {
    is_gaussian: bool,
    kurtosis: f64,
    kurtosis_error: f64,
    crest: f64,
    usual_crest: [f64; 2],
    bursts: Vec<JsonBurst>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct JsonBurst {
    s: f64,
    v: f64,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct Spectrum {
    hz: Vec<f64>,
    v_per_rthz: Vec<f64>,
    hiss_v_per_rthz: Vec<f64>,
}

impl<'a> Recorded<'a> {
    /// From its result; with the spectrum where it was asked for.
    pub fn new(head: Head, result: &'a RecordingResult, spectrum: bool) -> Self {
        let figures = &result.figures;
        let roots = |density: &[f64]| density.iter().map(|density| density.sqrt()).collect();
        let line = |line: &HumLine| JsonLine { harmonic: line.harmonic, hz: line.hertz, rms_v: line.rms_volts };
        Self {
            head,
            file: &result.name,
            channel: result.channel.as_deref(),
            rate_hz: figures.rate_hz,
            samples: figures.samples,
            band_hz: figures.band_hz,
            weight: figures.weighting.name(),
            rms_v: figures.rms_volts,
            hiss_rms_v: figures.hiss_rms_volts,
            statistical_error: figures.statistical_error,
            flat_hiss_rms_v: figures.flat_hiss_rms_volts,
            peak_to_peak_v: figures.peak_to_peak_volts,
            dc_v: figures.dc_volts,
            hum: figures.hum.as_ref().map(|hum| JsonHum {
                mains_hz: hum.mains_hz,
                rms_v: hum.rms_volts,
                lines: hum.lines.iter().map(line).collect(),
            }),
            gaussian: figures.gaussianity.as_ref().map(gaussian),
            segments: figures.spectrum.segments,
            spectrum: spectrum.then(|| Spectrum {
                hz: (0..figures.spectrum.density.len()).map(|k| k as f64 * figures.spectrum.step_hz).collect(),
                v_per_rthz: roots(&figures.spectrum.density),
                hiss_v_per_rthz: roots(&figures.hiss_spectrum.density),
            }),
        }
    }
}

fn gaussian(found: &Gaussianity) -> JsonGaussian {
    JsonGaussian {
        is_gaussian: found.is_gaussian,
        kurtosis: found.kurtosis,
        kurtosis_error: found.kurtosis_error,
        crest: found.crest,
        usual_crest: found.usual_crest,
        bursts: found.bursts.iter().map(|&Burst { seconds, volts }| JsonBurst { s: seconds, v: volts }).collect(),
    }
}
