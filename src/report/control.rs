//! Which hiss moves with a control and which does not, so in which section a complaint lies.
//!
//! The hiss of each device at a point is compared between the control's ends, everything else as it is. What comes from
//! before the control, or from the control itself, moves with it; what stays comes from behind it.

use super::{DeviceHiss, NoiseQuestion, PointHiss, Setting, decibels, noise};
use crate::bench::Control;
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;

/// A change of the hiss that a listener would not call one, dB.
pub const STAYS_WITHIN_DB: f64 = 1.0;

/// Hiss between the ends of a control.
#[derive(Clone, Debug, PartialEq)]
pub struct ControlResult {
    /// Conditions, apart from the control.
    pub setting: Setting,
    /// The control and its ends.
    pub control: Control,
    /// Points in signal order.
    pub points: Vec<ControlledPoint>,
    /// What a reader should know of either end.
    pub cautions: Vec<Diagnostic>,
}

/// A point between the ends of a control.
#[derive(Clone, Debug, PartialEq)]
pub struct ControlledPoint {
    /// Its name.
    pub name: String,
    /// Hiss at the lower and at the upper end, V rms.
    pub rms_volts: [f64; 2],
    /// Upper over lower end, dB; `None` where either is silent.
    pub change_db: Option<f64>,
    /// How much of the mean square at the lower and at the upper end moves with the control, 0 to 1; the rest stays.
    pub moving_shares: [f64; 2],
    /// By device, by falling share at the louder end.
    pub devices: Vec<ControlledDevice>,
}

/// A device's hiss between the ends of a control.
#[derive(Clone, Debug, PartialEq)]
pub struct ControlledDevice {
    /// Its name.
    pub name: String,
    /// At the lower and at the upper end, V rms.
    pub rms_volts: [f64; 2],
    /// Upper over lower end, dB; `None` where either is silent.
    pub change_db: Option<f64>,
    /// Fraction of the mean square at the lower and at the upper end.
    pub shares: [f64; 2],
    /// Whether it changes by [`STAYS_WITHIN_DB`] or more.
    pub moves: bool,
}

/// Compares the hiss at the points of the question between the ends of a control. `changes` are the what-ifs that made the
/// circuit, a line each.
///
/// # Errors
/// What makes the circuit impossible at an end, or [`SolveError`] as a message.
pub fn control(
    circuit: &Circuit,
    changes: &[String],
    control: &Control,
    question: &NoiseQuestion,
) -> Result<ControlResult, Vec<Diagnostic>> {
    let question = NoiseQuestion {
        spectrum: false,
        source_resistance: None,
        level_volts: None,
        meter: None,
        scope: None,
        ripple: None,
        ..question.clone()
    };
    let ends = control.at_ends(circuit)?;
    let at = |end: &Circuit| noise(end, changes, &question).map_err(|error: SolveError| vec![error.diagnostic()]);
    let [low, high] = [at(&ends[0])?, at(&ends[1])?];
    let points = low.points.iter().zip(&high.points).map(|(low, high)| point(low, high));
    let mut cautions = low.cautions.clone();
    cautions.extend(high.cautions.iter().filter(|caution| !low.cautions.contains(caution)).cloned());
    Ok(ControlResult { points: points.collect(), setting: low.setting, control: control.clone(), cautions })
}

impl ControlledPoint {
    /// Which end is louder: 0 for the lower, 1 for the upper one.
    pub fn louder(&self) -> usize {
        usize::from(self.rms_volts[1] >= self.rms_volts[0])
    }
}

fn point(low: &PointHiss, high: &PointHiss) -> ControlledPoint {
    let of = |point: &PointHiss, name: &str| {
        let device = point.devices.iter().find(|device| device.name == name);
        device.map_or((0.0, 0.0), |device| (device.rms_volts, device.share))
    };
    // A device that is silent at one end is in the list of the other one.
    let (louder, other) = if high.rms_volts >= low.rms_volts { (high, low) } else { (low, high) };
    let silent = |device: &&DeviceHiss| louder.devices.iter().all(|known| known.name != device.name);
    let names = louder.devices.iter().chain(other.devices.iter().filter(silent)).map(|device| &device.name);
    let devices = names.map(|name| {
        let [(low_volts, low_share), (high_volts, high_share)] = [of(low, name), of(high, name)];
        let change_db = decibels(high_volts / low_volts);
        ControlledDevice {
            name: name.clone(),
            rms_volts: [low_volts, high_volts],
            change_db,
            shares: [low_share, high_share],
            // What is silent at one end only has moved as far as can be.
            moves: change_db.is_none_or(|db| db.abs() >= STAYS_WITHIN_DB),
        }
    });
    let devices: Vec<ControlledDevice> = devices.collect();
    let moving = |end: usize| devices.iter().filter(|device| device.moves).map(|device| device.shares[end]).sum();
    ControlledPoint {
        name: low.name.clone(),
        rms_volts: [low.rms_volts, high.rms_volts],
        change_db: decibels(high.rms_volts / low.rms_volts),
        moving_shares: [moving(0), moving(1)],
        devices,
    }
}
