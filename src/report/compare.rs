//! Hiss and DC before and after a change.

use super::{ControlResult, NoiseQuestion, PointHiss, Setting, control, decibels, noise};
use crate::bench::{Control, Point, advice};
use crate::bias::{self, SolveError};
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;
use crate::element::PartId;
use crate::noise::Weighting;

/// What is asked about a change.
#[derive(Clone, Debug, PartialEq)]
pub struct CompareQuestion {
    /// Where, of the circuit after the change; brought into signal order in the result.
    pub points: Vec<Point>,
    /// The source that the order starts from, of the circuit after the change.
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

impl CompareQuestion {
    /// The question about the hiss after the change.
    fn hiss(&self) -> NoiseQuestion {
        NoiseQuestion {
            points: self.points.clone(),
            input: self.input,
            gain_hertz: 1e3,
            band_hz: self.band_hz,
            weighting: self.weighting,
            tolerance: self.tolerance,
            spectrum: false,
            source_resistance: None,
            level_volts: None,
            meter: None,
            scope: None,
            ripple: None,
        }
    }
}

/// The same question before the change: a part taken out moves the numbers of others, and a node that was added is not there.
fn hiss_before(before: &Circuit, after: &Circuit, question: &CompareQuestion) -> NoiseQuestion {
    let input = question.input.and_then(|input| before.find_part(&after.part(input).name).ok());
    let points = question.points.iter().filter_map(|point| Point::read(before, &point.name).ok());
    NoiseQuestion { points: points.collect(), input, ..question.hiss() }
}

/// How the hiss moves with a control before and after the change.
///
/// # Errors
/// As [`control`].
pub fn compare_control(
    before: &Circuit,
    after: &Circuit,
    changes: &[String],
    turned: &Control,
    question: &CompareQuestion,
) -> Result<[ControlResult; 2], Vec<Diagnostic>> {
    let was = control(before, &[], turned, &hiss_before(before, after, question))?;
    Ok([was, control(after, changes, turned, &question.hiss())?])
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
    let hiss = question.hiss();
    let hiss_before = hiss_before(before, after, question);
    let ambient_before_celsius = before.ambient.celsius();
    let idle = [idle(before)?, idle(after)?];
    let before = noise(before, &[], &hiss_before)?;
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
    let [idle_before, idle_after] = idle;
    let fresh = idle_after.into_iter().filter(|caution| !idle_before.contains(caution));
    cautions.extend(
        fresh.map(|caution| Diagnostic { message: format!("after the change {}", caution.message), ..caution }),
    );
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

/// What does not work, by the advice of `check`.
fn idle(circuit: &Circuit) -> Result<Vec<Diagnostic>, SolveError> {
    Ok(advice::idle(circuit, &bias::solve(circuit)?))
}
