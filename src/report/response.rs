//! Gain from a source to points over frequency.

use num_complex::Complex64;

use super::Setting;
use crate::bench::Point;
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;
use crate::element::PartId;
use crate::noise::cautions;
use crate::operating::Operating;
use crate::smallsignal::Stimulus;

/// What is asked about gain.
#[derive(Clone, Debug, PartialEq)]
pub struct ResponseQuestion {
    /// The source that drives.
    pub input: PartId,
    /// Where it is measured.
    pub points: Vec<Point>,
    /// At which frequencies, Hz, above zero.
    pub hertz: Vec<f64>,
}

/// Gains over frequency.
#[derive(Clone, Debug, PartialEq)]
pub struct ResponseResult {
    /// Conditions.
    pub setting: Setting,
    /// Name of the source.
    pub from: String,
    /// A curve a point, in the order of asking.
    pub curves: Vec<Curve>,
    /// What a reader should know.
    pub cautions: Vec<Diagnostic>,
}

/// Gain to one point, per volt or ampere of the source.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Name of the point.
    pub to: String,
    /// Frequency in Hz and gain.
    pub points: Vec<(f64, Complex64)>,
}

/// Computes gains. `changes` are the what-ifs that made the circuit, a line each.
///
/// # Errors
/// [`SolveError`] names what did not settle or what nothing determines.
pub fn response(
    circuit: &Circuit,
    changes: &[String],
    question: &ResponseQuestion,
) -> Result<ResponseResult, SolveError> {
    let operating = Operating::of(circuit)?;
    let outputs: Vec<_> = question.points.iter().map(|point| (point.plus, point.minus)).collect();
    let stimulus = Stimulus::of(circuit, question.input).unwrap_or_default();
    let gains = crate::response::response(circuit, &operating.signal, &stimulus, &outputs, &question.hertz)?;
    let curves = question.points.iter().zip(gains).map(|(point, gains)| Curve {
        to: point.name.clone(),
        points: question.hertz.iter().copied().zip(gains).collect(),
    });
    let top_hertz = question.hertz.iter().copied().fold(0.0, f64::max);
    let mut cautions = cautions(circuit, &operating.bias, top_hertz);
    cautions.extend(operating.cautions(circuit));
    Ok(ResponseResult {
        setting: Setting::of(circuit, changes),
        from: circuit.part(question.input).name.clone(),
        curves: curves.collect(),
        cautions,
    })
}
