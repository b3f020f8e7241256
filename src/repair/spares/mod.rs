//! Spares: each tried in the place of a transistor, against what healthy units have and against its ratings.
//!
//! The reference is the circuit with the device that its card describes. A spare is put in by itself, everything else at
//! its value, and the circuit solved as for any other question: bias, small signal, hiss; then once more at the highest
//! temperature inside the cabinet. A part of the drawer gets the BF and the ICBO with which its model reads on a tester what
//! was measured on it ([`tester`]). Limits that no rating and no healthy band gives are marked as common practice.

mod candidate;
mod finding;
mod healthy;
mod heat;
mod judge;
pub mod pulled;
pub mod tester;
mod trial;
mod twin;

use std::cmp::{Ordering, Reverse};

use rayon::prelude::*;

use crate::bench::Point;
use crate::bench::healthy::HealthyModel;
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::element::{Bjt, Element, PartId};
use crate::noise::Weighting;

pub use candidate::Candidate;
pub use finding::{Finding, Verdict, Weight, When};
pub use healthy::Bands;
pub use heat::Hot;
pub use tester::{Measured, Readings, Tester};
pub use trial::{PointShift, Trial};
pub use twin::twin_of;

/// Frequency of gains, Hz: the standard reference frequency of IEC 60268-3.
pub const GAIN_HERTZ: f64 = 1e3;
/// More hiss than this over the original is what a customer complains of, dB: as in diagnosis, common practice, no source.
pub const COMPLAINT_DB: f64 = 5.0;

/// What is asked about spares.
#[derive(Clone, Debug)]
pub struct SparesQuestion<'a> {
    /// The circuit with the original in its place.
    pub circuit: &'a Circuit,
    /// The place: a bipolar transistor of the circuit.
    pub part: PartId,
    /// What is tried.
    pub candidates: Vec<Candidate>,
    /// Source of the signal; without one there are no gains.
    pub input: Option<PartId>,
    /// Where hiss and gain count.
    pub output: Point,
    /// Where DC is compared.
    pub points: Vec<Point>,
    /// Band of the hiss, Hz, ascending, above zero.
    pub band_hz: [f64; 2],
    /// Weighting of the hiss.
    pub weighting: Weighting,
    /// The highest temperature inside the cabinet, °C.
    pub hottest_celsius: f64,
    /// Healthy units.
    pub healthy: HealthyModel,
    /// On which spares were measured.
    pub tester: Tester,
    /// The same place in the other channel.
    pub twin: Option<PartId>,
    /// How far healthy devices differ: largest over smallest current gain and leakage.
    pub healthy_ratios: [f64; 2],
    /// Pinout and case of the device that comes out, where they are known.
    pub original_pinout: Option<String>,
    /// Its case.
    pub original_case: Option<String>,
}

/// The spares of a place, the best first.
#[derive(Clone, Debug)]
pub struct Spares {
    /// What healthy units have.
    pub bands: Bands,
    /// The device that is there.
    pub original: Trial,
    /// Name of the other channel's device, and what it reads on the tester.
    pub twin: Option<(String, Readings)>,
    /// In order of rank.
    pub tried: Vec<Tried>,
}

/// A spare that was tried.
#[derive(Clone, Debug)]
pub struct Tried {
    /// The spare.
    pub candidate: Candidate,
    /// The device as it was put in.
    pub device: Bjt,
    /// What it reads on the tester.
    pub readings: Readings,
    /// What comes of the findings.
    pub verdict: Verdict,
    /// What is to be said: the wrong kind of part or another shape first, then the weightiest.
    pub findings: Vec<Finding>,
    /// What it does in its place; `None` where the circuit finds no bias with it, or for one of the wrong polarity.
    pub trial: Option<Trial>,
}

/// Why no spare was tried.
#[derive(Clone, Debug, PartialEq)]
pub enum SparesError {
    /// The circuit itself has no answer.
    Unsolved(SolveError),
    /// The place is no bipolar transistor.
    NoTransistor(String),
}

impl From<SolveError> for SparesError {
    fn from(error: SolveError) -> Self {
        SparesError::Unsolved(error)
    }
}

/// Tries each candidate in the place, and ranks them: those that fit first, then those with fewer remarks, then the quieter
/// ones, then those that shift the DC less; what is equal stays in the order of the question.
///
/// # Errors
/// [`SparesError`] where the original has no bias, or the place is no transistor.
pub fn spares(question: &SparesQuestion<'_>) -> Result<Spares, SparesError> {
    let part = question.circuit.part(question.part);
    let Element::Bjt(original) = &part.element else { return Err(SparesError::NoTransistor(part.name.clone())) };
    let reference = trial::trial(question, original, &Measured::default(), None)?;
    let bands = healthy::bands(&question.healthy, question)?;
    let twin = question.twin.and_then(|twin| match &question.circuit.part(twin).element {
        Element::Bjt(device) => Some((question.circuit.part(twin).name.clone(), question.tester.read(device))),
        _ => None,
    });
    let bench = judge::Bench { question, original, reference: &reference, bands: &bands, twin: twin.as_ref() };
    // In parallel, and ranked in order of the question.
    let mut tried: Vec<Tried> = question
        .candidates
        .par_iter()
        .map(|candidate| {
            let (device, mut findings) = candidate.fitted(original, &question.tester);
            let readings = question.tester.read(&device);
            // One of the wrong polarity is held off, or breaks down: no figure of it would mean anything.
            let tries = device.polarity == original.polarity;
            let outcome = tries.then(|| trial::trial(question, &device, &candidate.measured, Some(&reference)));
            findings.extend(bench.judge(candidate, &device, &readings, &outcome));
            findings.sort_by_key(|finding| (!finding.is_of_kind(), Reverse(finding.weight())));
            let verdict = Verdict::of(&findings);
            Tried {
                candidate: candidate.clone(),
                device,
                readings,
                verdict,
                findings,
                trial: outcome.and_then(Result::ok),
            }
        })
        .collect();
    tried.sort_by(|a, b| rank(a).partial_cmp(&rank(b)).unwrap_or(Ordering::Equal));
    Ok(Spares { bands, original: reference, twin, tried })
}

/// Verdict, reasons against, remarks, hiss over the original to a tenth of a decibel, farthest shift.
fn rank(tried: &Tried) -> (Verdict, usize, usize, f64, f64) {
    let weighing = |weight: Weight| tried.findings.iter().filter(|finding| finding.weight() == weight).count();
    let (hiss, shift) = tried.trial.as_ref().map_or((f64::MAX, f64::MAX), |trial| {
        let shifts = trial.points.iter().map(|point| point.shift_volts.abs());
        ((10.0 * trial.hiss_db.unwrap_or(0.0)).round(), shifts.fold(0.0, f64::max))
    });
    (tried.verdict, weighing(Weight::Against), weighing(Weight::Remark), hiss, shift)
}
