//! Results as values, and the values as text, JSON and CSV.
//!
//! Each question has one result value, and everything that is shown of it is drawn from that value, so table, JSON and
//! CSV cannot disagree.

mod bias;
mod check;
mod compare;
mod control;
#[cfg(feature = "cli")]
pub mod csv;
mod diagnose;
mod equations;
mod job;
pub mod json;
mod listen;
mod message;
mod noise;
#[cfg(feature = "cli")]
pub mod page;
#[cfg(feature = "cli")]
pub mod plot;
mod recording;
mod response;
mod spares;
mod symptoms;
#[cfg(feature = "cli")]
pub mod text;
mod verify;

pub use bias::{BiasQuestion, BiasResult, DeviceRow, Metered, NodeVolts, bias};
pub use check::{CheckResult, SheetCheck, check, check_sheet};
pub use compare::{CompareQuestion, CompareResult, ComparedNode, compare, compare_control};
pub use control::{ControlResult, ControlledDevice, ControlledPoint, STAYS_WITHIN_DB, control};
pub use diagnose::{DiagnoseResult, ExpectRow, ExplainRow, KindRow, NextTest, SuspectRow, diagnose, explain};
pub use equations::{EquationsResult, equations};
pub use job::{
    MeasuredSpectrum, NamedNode, PartSpectrum, PathPoint, PointSpectra, Progress, Report, ReportQuestion, Seen, SeenBy,
    ShownPart, Stage, State, Verdict, report,
};
pub use listen::{HeardPart, ListenPart, ListenQuestion, ListenResult, listen};
pub use message::Message;
pub use noise::{DeviceHiss, MechanismHiss, NoiseQuestion, NoiseResult, PointHiss, Spectrum, noise};
pub use recording::RecordingResult;
pub use response::{
    ControlCurves, Curve, ResponseError, ResponseQuestion, ResponseResult, SwingResult, Twin, TwinResult, TwinRow,
    response,
};

pub use spares::{Place, PulledResult, SparesResult, no_transistor, pulled, spares, words};
pub use symptoms::{SymptomsResult, severity, symptoms};
pub use verify::{VerifyResult, verify};

use crate::circuit::Circuit;

/// Under which conditions a result holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Setting {
    /// Title of the netlist.
    pub title: String,
    /// Temperature inside the set, °C.
    pub ambient_celsius: f64,
    /// What-ifs, a line each.
    pub changes: Vec<String>,
}

impl Setting {
    fn of(circuit: &Circuit, changes: &[String]) -> Self {
        Self { title: circuit.title.clone(), ambient_celsius: circuit.ambient.celsius(), changes: changes.to_vec() }
    }
}

/// Decibels of a ratio of amplitudes; `None` where they would be infinite or undefined.
/// A gain in dB; `None` where there is none to speak of.
fn gain_decibels(gain: f64) -> Option<f64> {
    decibels(gain).filter(|_| gain >= crate::smallsignal::LEAST_GAIN)
}

fn decibels(ratio: f64) -> Option<f64> {
    Some(20.0 * ratio.log10()).filter(|db| db.is_finite())
}
