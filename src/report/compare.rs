//! Hiss and DC before and after a change.

use super::{NoiseQuestion, PointHiss, Setting, decibels, noise};
use crate::bench::Point;
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;
use crate::element::PartId;
use crate::noise::Weighting;

/// What is asked about a change.
#[derive(Clone, Debug, PartialEq)]
pub struct CompareQuestion {
    /// Where; brought into signal order in the result.
    pub points: Vec<Point>,
    /// The source that the order starts from.
    pub input: Option<PartId>,
    /// Ends of the band, Hz, ascending, above zero.
    pub band_hz: [f64; 2],
    /// Weighting of the band figures.
    pub weighting: Weighting,
    /// Relative error of the rms figures to work for.
    pub tolerance: f64,
}

/// Before and after.
#[derive(Clone, Debug, PartialEq)]
pub struct CompareResult {
    /// Conditions after the change.
    pub setting: Setting,
    /// Temperature inside the set before it, °C.
    pub ambient_before_celsius: f64,
    /// Ends of the band, Hz.
    pub band_hz: [f64; 2],
    /// Weighting.
    pub weighting: Weighting,
    /// Points in signal order.
    pub points: Vec<ComparedNode>,
    /// What a reader should know.
    pub cautions: Vec<Diagnostic>,
}

/// A point before and after.
#[derive(Clone, Debug, PartialEq)]
pub struct ComparedNode {
    /// Its name.
    pub name: String,
    /// Hiss before, V rms.
    pub before_rms_volts: f64,
    /// Hiss after, V rms.
    pub after_rms_volts: f64,
    /// After over before in dB; `None` where either is silent.
    pub change_db: Option<f64>,
    /// Gain from the input at 1 kHz, before and after, dB; `None` without input or gain.
    pub gain_db: [Option<f64>; 2],
    /// DC before, V.
    pub before_dc_volts: f64,
    /// DC after, V.
    pub after_dc_volts: f64,
}

/// Compares a circuit with what its `changes` (a line each) made of it.
///
/// # Errors
/// [`SolveError`] names what did not settle or what nothing determines, before or after.
pub fn compare(
    before: &Circuit,
    after: &Circuit,
    changes: &[String],
    question: &CompareQuestion,
) -> Result<CompareResult, SolveError> {
    let hiss = NoiseQuestion {
        points: question.points.clone(),
        input: question.input,
        gain_hertz: 1e3,
        band_hz: question.band_hz,
        weighting: question.weighting,
        tolerance: question.tolerance,
        spectrum: false,
        source_resistance: None,
        level_volts: None,
        meter: None,
        scope: None,
    };
    let ambient_before_celsius = before.ambient.celsius();
    let before = noise(before, &[], &hiss)?;
    let after = noise(after, changes, &hiss)?;
    // A bridge changes the signal order: a point is found by its name.
    let of_before = |before: &PointHiss| after.points.iter().find(|after| after.name == before.name);
    let pairs = before.points.iter().filter_map(|before| Some((before, of_before(before)?)));
    let points = pairs.map(|(before, after)| ComparedNode {
        name: before.name.clone(),
        before_rms_volts: before.rms_volts,
        after_rms_volts: after.rms_volts,
        change_db: decibels(after.rms_volts / before.rms_volts),
        gain_db: [before.gain_db, after.gain_db],
        before_dc_volts: before.dc_volts,
        after_dc_volts: after.dc_volts,
    });
    let mut cautions = before.cautions;
    cautions.extend(after.cautions.into_iter().filter(|caution| !cautions.contains(caution)).collect::<Vec<_>>());
    Ok(CompareResult {
        points: points.collect(),
        setting: after.setting.clone(),
        ambient_before_celsius,
        band_hz: question.band_hz,
        weighting: question.weighting,
        cautions,
    })
}
