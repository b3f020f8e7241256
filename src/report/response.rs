//! Gain from a source to points over frequency: curves and their limits, controls, channel against channel, swing.

use num_complex::Complex64;

use super::{Setting, decibels, gain_decibels};
use crate::bench::{Control, Point};
use crate::bias::SolveError;
use crate::circuit::{Change, Circuit};
use crate::diagnostic::{Code, Diagnostic};
use crate::element::PartId;
use crate::noise::cautions;
use crate::operating::Operating;
use crate::repair::swing::{Swing, SwingQuestion, swing};
use crate::repair::{Balance, BalanceError, Channel, balance};
use crate::response::half_power_hertz;
use crate::smallsignal::Stimulus;

/// What is asked about gain.
#[derive(Clone, Debug, PartialEq)]
pub struct ResponseQuestion {
    /// The source that drives.
    pub input: PartId,
    /// Where it is measured, at least one; the first one is the output that swings and has a twin.
    pub points: Vec<Point>,
    /// At which frequencies, Hz, above zero.
    pub hertz: Vec<f64>,
    /// Frequency in the middle of the band that levels refer to, Hz.
    pub mid_hz: f64,
    /// Controls to turn from end to end.
    pub controls: Vec<Control>,
    /// The other channel.
    pub twin: Option<Twin>,
    /// The control that makes both channels equally loud.
    pub balance: Option<Control>,
    /// How far the output swings, and the resistor that takes the power.
    pub swing: Option<Option<PartId>>,
}

/// The other channel: its source and its output.
#[derive(Clone, Debug, PartialEq)]
pub struct Twin {
    /// The source that drives it; may be that of the first channel.
    pub input: PartId,
    /// Its output.
    pub point: Point,
}

/// Gains over frequency.
#[derive(Clone, Debug, PartialEq)]
pub struct ResponseResult {
    /// Conditions.
    pub setting: Setting,
    /// Name of the source.
    pub from: String,
    /// Frequency that levels refer to, Hz.
    pub mid_hz: f64,
    /// A curve a point, in the order of asking.
    pub curves: Vec<Curve>,
    /// Each control at its ends and its middle.
    pub controls: Vec<ControlCurves>,
    /// The other channel against the first.
    pub twin: Option<TwinResult>,
    /// How far the output swings.
    pub swing: Option<SwingResult>,
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
    /// Where the gain is 3 dB (half the power) below that at `mid_hz`, below and above it, Hz.
    pub half_power_hz: [Option<f64>; 2],
}

/// What a control does.
#[derive(Clone, Debug, PartialEq)]
pub struct ControlCurves {
    /// Name of its parameter.
    pub control: String,
    /// Its value at the lower end, in the middle, at the upper end, and the curves there.
    pub settings: Vec<(f64, Vec<Curve>)>,
}

/// The other channel against the first output.
#[derive(Clone, Debug, PartialEq)]
pub struct TwinResult {
    /// Name of its source.
    pub from: String,
    /// Its own curve.
    pub curve: Curve,
    /// A row a frequency.
    pub rows: Vec<TwinRow>,
    /// What equalizes both.
    pub balance: Option<(String, Balance)>,
}

/// Both channels at a frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TwinRow {
    /// Hz.
    pub hertz: f64,
    /// Gain of the twin over that of the first channel, dB.
    pub difference_db: Option<f64>,
    /// Phase of the twin less that of the first channel, degrees.
    pub difference_degrees: f64,
    /// With the first channel driven, the twin's output over the first one's, dB; `None` where both have one source.
    pub crosstalk_to_twin_db: Option<f64>,
    /// With the twin driven, the first one's output over the twin's, dB.
    pub crosstalk_from_twin_db: Option<f64>,
}

/// How far the output swings, with names in the place of numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct SwingResult {
    /// Name of the output.
    pub to: String,
    /// Name of the load.
    pub load: Option<String>,
    /// Names of the devices that clip upwards and downwards.
    pub by: [Option<String>; 2],
    /// Names of the capacitors that hold their charge.
    pub holding: Vec<String>,
    /// Names of the capacitors that are open.
    pub open: Vec<String>,
    /// Names of the capacitors that shape the tone.
    pub shaping: Vec<String>,
    /// The figures.
    pub figures: Swing,
}

/// Why there is no answer.
#[derive(Clone, Debug, PartialEq)]
pub enum ResponseError {
    /// The equations were not solved.
    Unsolved(SolveError),
    /// What was asked does not fit the circuit.
    Refused(Vec<Diagnostic>),
}

impl From<SolveError> for ResponseError {
    fn from(error: SolveError) -> Self {
        ResponseError::Unsolved(error)
    }
}

/// Computes gains. `changes` are the what-ifs that made the circuit, a line each.
///
/// # Errors
/// [`ResponseError`] names what did not settle, what nothing determines, or what does not fit.
pub fn response(
    circuit: &Circuit,
    changes: &[String],
    question: &ResponseQuestion,
) -> Result<ResponseResult, ResponseError> {
    let operating = Operating::of(circuit)?;
    let curves = curves(circuit, &operating, question.input, &question.points, question)?;
    let controls = question.controls.iter().map(|control| control_curves(circuit, control, question));
    let controls = controls.collect::<Result<Vec<_>, _>>()?;
    let top_hertz = question.hertz.iter().copied().fold(0.0, f64::max);
    let mut cautions = cautions(circuit, &operating.bias, top_hertz);
    cautions.extend(operating.cautions(circuit));
    let first = question.points.first().zip(curves.first());
    let twin = match (&question.twin, first) {
        (Some(twin), Some((point, curve))) => Some(against(circuit, &operating, twin, point, curve, question)?),
        _ => None,
    };
    cautions.extend(twin.as_ref().and_then(unbalanced));
    let swing = match (question.swing, first) {
        (Some(load), Some((point, _))) => Some(swings(circuit, &operating, load, point, question)?),
        _ => None,
    };
    cautions.extend(swing.iter().flat_map(|swing| swing.figures.cautions.iter().cloned()));
    Ok(ResponseResult {
        setting: Setting::of(circuit, changes),
        from: circuit.part(question.input).name.clone(),
        mid_hz: question.mid_hz,
        curves,
        controls,
        twin,
        swing,
        cautions,
    })
}

fn curves(
    circuit: &Circuit,
    operating: &Operating,
    input: PartId,
    points: &[Point],
    question: &ResponseQuestion,
) -> Result<Vec<Curve>, SolveError> {
    let outputs: Vec<_> = points.iter().map(|point| (point.plus, point.minus)).collect();
    let stimulus = Stimulus::of(circuit, input).unwrap_or_default();
    let gains = crate::response::response(circuit, &operating.signal, &stimulus, &outputs, &question.hertz)?;
    let curves = points.iter().zip(outputs).zip(gains).map(|((point, output), gains)| {
        Ok(Curve {
            to: point.name.clone(),
            points: question.hertz.iter().copied().zip(gains).collect(),
            half_power_hz: half_power_hertz(circuit, &operating.signal, &stimulus, output, question.mid_hz)?,
        })
    });
    curves.collect()
}

fn control_curves(
    circuit: &Circuit,
    control: &Control,
    question: &ResponseQuestion,
) -> Result<ControlCurves, ResponseError> {
    let [low, high] = control.ends;
    let settings = [low, 0.5 * (low + high), high].map(|value| {
        let change = Change::Parameter { name: control.name.clone(), value };
        let set = circuit.changed(&[change]).map_err(ResponseError::Refused)?;
        let operating = Operating::of(&set)?;
        Ok((value, curves(&set, &operating, question.input, &question.points, question)?))
    });
    let settings = settings.into_iter().collect::<Result<Vec<_>, ResponseError>>()?;
    Ok(ControlCurves { control: control.name.clone(), settings })
}

fn against(
    circuit: &Circuit,
    operating: &Operating,
    twin: &Twin,
    point: &Point,
    first: &Curve,
    question: &ResponseQuestion,
) -> Result<TwinResult, ResponseError> {
    let from_twin = curves(circuit, operating, twin.input, &[twin.point.clone(), point.clone()], question)?;
    let from_first = curves(circuit, operating, question.input, std::slice::from_ref(&twin.point), question)?;
    let (own, back, over) = (&from_twin[0], &from_twin[1], &from_first[0]);
    let apart = twin.input != question.input;
    let ratio = |over: Complex64, under: Complex64| {
        decibels((over / under).norm()).filter(|_| under.norm() >= crate::smallsignal::LEAST_GAIN)
    };
    // Below what rounding leaves of separate channels there is no crosstalk to speak of.
    let crosstalk =
        |heard: Complex64, driven: Complex64| gain_decibels(heard.norm()).and(ratio(heard, driven)).filter(|_| apart);
    let rows = first.points.iter().zip(&own.points).zip(over.points.iter().zip(&back.points));
    let rows = rows.map(|((&(hertz, first), &(_, own)), (&(_, over), &(_, back)))| TwinRow {
        hertz,
        difference_db: ratio(own, first),
        difference_degrees: (own * first.conj()).arg().to_degrees(),
        crosstalk_to_twin_db: crosstalk(over, first),
        crosstalk_from_twin_db: crosstalk(back, own),
    });
    let balance = question.balance.as_ref().map(|control| {
        let channel = |input: PartId, point: &Point| Channel { input, output: (point.plus, point.minus) };
        let channels = [channel(question.input, point), channel(twin.input, &twin.point)];
        let solved = balance(circuit, &channels, &control.name, control.ends, question.mid_hz);
        solved.map(|solved| (control.name.clone(), solved)).map_err(|error| match error {
            BalanceError::Unsolved(error) => ResponseError::Unsolved(error),
            BalanceError::Refused(problems) => ResponseError::Refused(problems),
        })
    });
    Ok(TwinResult {
        from: circuit.part(twin.input).name.clone(),
        rows: rows.collect(),
        curve: own.clone(),
        balance: balance.transpose()?,
    })
}

fn unbalanced(twin: &TwinResult) -> Option<Diagnostic> {
    let (control, Balance { equal: None, at_limits_db: [low, high] }) = twin.balance.as_ref()? else { return None };
    let message = format!(
        "no setting of {control} makes both channels equally loud: from end to end the first one is {low:.1} to {high:.1} \
         dB above the other"
    );
    Some(Diagnostic::warning(Code::Unbalanced, message).help("compare the gains of the channels stage by stage"))
}

fn swings(
    circuit: &Circuit,
    operating: &Operating,
    load: Option<PartId>,
    point: &Point,
    question: &ResponseQuestion,
) -> Result<SwingResult, ResponseError> {
    let asked =
        SwingQuestion { input: question.input, output: (point.plus, point.minus), mid_hz: question.mid_hz, load };
    let figures = swing(circuit, operating, &asked).map_err(|error| match error {
        crate::repair::swing::SwingError::Unsolved(error) => ResponseError::Unsolved(error),
        other => ResponseError::Refused(vec![other.diagnostic()]),
    })?;
    let name = |part: PartId| circuit.part(part).name.clone();
    let names = |parts: &[PartId]| parts.iter().map(|&part| name(part)).collect();
    Ok(SwingResult {
        to: point.name.clone(),
        load: figures.load.map(|(part, _)| name(part)),
        by: [&figures.up, &figures.down].map(|clip| clip.as_ref()?.by.map(|(part, _)| name(part))),
        holding: names(&figures.holding),
        open: names(&figures.open),
        shaping: names(&figures.shaping),
        figures,
    })
}
