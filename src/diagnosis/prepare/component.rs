//! From circuits in all states to Gaussian components: mean of every test, and how it follows the tolerances.

use nalgebra::DMatrix;

use super::evaluate::InState;
use super::plan::{Kind, Plan};
use super::slopes::Slopes;
use crate::bench::simulated::peak_to_peak;
use crate::bench::tolerance::{Coordinate, Effect};
use crate::bench::{FaultKind, ListedFault};
use crate::diagnosis::Scale;
use crate::diagnosis::normal;

/// Beyond so many sd a complaint shows for certain.
const CERTAINLY: f64 = 8.0;

/// One circuit in every state, and the slopes there.
pub(super) struct Solved<'a> {
    pub states: Vec<&'a InState>,
    pub slopes: Vec<Slopes>,
}

/// A healthy unit of the same batch, for readings in a channel that the netlist does not hold.
pub(super) struct Model {
    pub states: Vec<InState>,
    pub slopes: Vec<Slopes>,
}

/// Mean and factor J·√D of all tests, in coordinates.
pub(super) struct Moments {
    pub mean: Vec<f64>,
    pub factor: DMatrix<f64>,
    /// Whether the complaint shows, 0 to 1.
    pub shows: f64,
}

/// A reading's value with its slopes, one number a column.
struct Row {
    mean: f64,
    by: Vec<f64>,
}

/// The scale of every kind of test.
pub(super) fn scale(plan: &Plan<'_>, kind: Kind) -> Scale {
    let errors = &plan.sheet.reading_errors;
    match kind {
        Kind::Hiss(..) => Scale::Hiss { relative_error: errors.hiss },
        Kind::PeakToPeak(..) => Scale::Hiss { relative_error: errors.peak_to_peak },
        Kind::Dc(..) => Scale::Dc { relative_error: errors.dc, zero_error_volts: errors.dc_zero_volts },
        Kind::Change { .. } | Kind::Tap(_) => Scale::Change { error_db: errors.change_db },
    }
}

/// Columns: every coordinate, then those that a healthy unit of the model has for itself.
pub(super) fn columns(plan: &Plan<'_>) -> usize {
    plan.coordinates.len() + plan.coordinates.iter().filter(|coordinate| !coordinate.shared).count()
}

/// The moments of a solved circuit, given that it shows the complaint.
///
/// The complaint is a reading without error: hiss at the output at least so many dB over the healthy one. With r the row of
/// ln(hiss), m its mean and t the limit, z has the moments of a normal vector cut off at r·z > t − m.
pub(super) fn moments(plan: &Plan<'_>, solved: &Solved<'_>, model: &Model, limits: &[f64]) -> Moments {
    let columns = columns(plan);
    let mut mean = Vec::with_capacity(plan.tests.len());
    let mut factor = DMatrix::zeros(plan.tests.len(), columns);
    for (at, test) in plan.tests.iter().enumerate() {
        let row = match test.of_model {
            false => row(plan, test.kind, |state| (solved.states[state], &solved.slopes[state])),
            true => row(plan, test.kind, |state| (&model.states[state], &model.slopes[state])),
        };
        mean.push(row.mean);
        let mut own = plan.coordinates.len();
        for ((column, by), coordinate) in row.by.iter().enumerate().zip(&plan.coordinates) {
            if test.of_model && !coordinate.shared {
                factor[(at, own)] = *by;
            } else {
                factor[(at, column)] = *by;
            }
            own += usize::from(!coordinate.shared);
        }
    }
    let mut moments = Moments { mean, factor, shows: 1.0 };
    let over = |&(state, output): &(usize, usize), limit: f64| {
        let rms = solved.states[state].rms[output];
        (rms.ln() - limit, &solved.slopes[state].hiss[output])
    };
    let margins: Vec<(f64, &Vec<f64>)> =
        plan.complaint.0.iter().zip(limits).map(|(setting, limit)| over(setting, *limit)).collect();
    let by_margin = |a: &&(f64, &Vec<f64>), b: &&(f64, &Vec<f64>)| a.0.total_cmp(&b.0);
    // Where it shows at every setting, the weakest decides; where at any, the strongest.
    let deciding = if plan.complaint.1 { margins.iter().min_by(by_margin) } else { margins.iter().max_by(by_margin) };
    if let Some((margin, row)) = deciding {
        condition(&mut moments, *margin, row);
    }
    moments
}

fn condition(moments: &mut Moments, margin: f64, row: &[f64]) {
    let variance: f64 = row.iter().map(|by| by * by).sum();
    if variance <= 0.0 {
        moments.shows = if margin >= 0.0 { 1.0 } else { 0.0 };
        return;
    }
    let alpha = -margin / variance.sqrt();
    if alpha < -CERTAINLY {
        return;
    }
    let cut = normal::truncated(alpha, f64::INFINITY);
    moments.shows = cut.ln_probability.exp();
    let along: Vec<f64> = (0..moments.factor.nrows())
        .map(|test| row.iter().enumerate().map(|(column, by)| moments.factor[(test, column)] * by).sum())
        .collect();
    let taken = (1.0 - cut.variance.max(0.0).sqrt()) / variance;
    for (test, along) in along.iter().enumerate() {
        moments.mean[test] += along / variance.sqrt() * cut.mean;
        for (column, by) in row.iter().enumerate() {
            moments.factor[(test, column)] -= taken * along * by;
        }
    }
}

fn row<'a>(plan: &Plan<'_>, kind: Kind, of: impl Fn(usize) -> (&'a InState, &'a Slopes)) -> Row {
    let scale = scale(plan, kind);
    match kind {
        Kind::Hiss(state, output) => {
            let (at, slopes) = of(state);
            let seen = on_meter(plan, at.rms[output], &slopes.hiss[output]);
            let by = common(plan, seen.by, |effect| *effect == Effect::Meter);
            in_scale(&scale, seen.mean, by)
        }
        Kind::PeakToPeak(state, output) => {
            let (at, slopes) = of(state);
            let scope = &plan.sheet.instruments.scope;
            let shown = peak_to_peak(scope, at.rms[output]);
            let part = (peak_to_peak(scope, 0.0) / shown).powi(2);
            let by = slopes.hiss[output].iter().map(|by| (1.0 - part) * by).collect();
            let by = common(plan, by, |effect| *effect == Effect::Observer);
            in_scale(&scale, shown.ln(), by)
        }
        Kind::Dc(state, place) => {
            let (at, slopes) = of(state);
            let volts = at.volts[place];
            let meter = plan.sheet.instruments.dc_meter.ohms(volts);
            let share = meter / (meter + slopes.ohms[place].max(0.0));
            let errors = &plan.sheet.reading_errors;
            let shown = share * volts;
            let sd = errors.dc_sd_volts(shown);
            let mean = scale.coordinate(shown).unwrap_or(0.0);
            Row { mean, by: slopes.dc[place].iter().map(|by| share * by / sd).collect() }
        }
        Kind::Change { before, after } => {
            let seen = |(state, output): (usize, usize)| {
                let (at, slopes) = of(state);
                on_meter(plan, at.rms[output], &slopes.hiss[output])
            };
            let (before, after) = (seen(before), seen(after));
            let db = 20.0 / std::f64::consts::LN_10;
            let error = plan.sheet.reading_errors.change_db;
            let by = after.by.iter().zip(&before.by).map(|(after, before)| db * (after - before) / error).collect();
            Row { mean: db * (after.mean - before.mean) / error, by }
        }
        // What is sound does not mind being tapped.
        Kind::Tap(_) => Row { mean: 0.0, by: vec![0.0; plan.coordinates.len()] },
    }
}

/// What a tap does to a bad contact: mean and sd of every test, in coordinates; nought where the test taps something else.
/// It crackles, now more and now less (common practice, no source).
pub(super) fn crackles(plan: &Plan<'_>, fault: &ListedFault) -> Vec<(usize, [f64; 2])> {
    const LOUDER_DB: f64 = 8.0;
    const SD_DB: f64 = 5.0;
    let error = plan.sheet.reading_errors.change_db;
    let tests = plan.tests.iter().enumerate().filter(|(_, test)| match test.kind {
        Kind::Tap(at) => fault.kind == FaultKind::Contact && plan.tapped[at].contains(&fault.part),
        _ => false,
    });
    tests.map(|(at, _)| (at, [LOUDER_DB / error, SD_DB / error])).collect()
}

/// ln of what the meter shows, its own noise included.
fn on_meter(plan: &Plan<'_>, rms: f64, by: &[f64]) -> Row {
    let meter = &plan.sheet.instruments.meter;
    let shown = meter.shows(rms);
    let part = (meter.shows(0.0) / shown).powi(2);
    Row { mean: shown.ln(), by: by.iter().map(|by| (1.0 - part) * by).collect() }
}

/// Adds the scale that an instrument or observer has in all readings.
fn common(plan: &Plan<'_>, mut by: Vec<f64>, acts: impl Fn(&Effect) -> bool) -> Vec<f64> {
    let scaled = |(by, coordinate): (&mut f64, &Coordinate)| {
        if acts(&coordinate.effect) {
            *by += coordinate.law.sd();
        }
    };
    by.iter_mut().zip(&plan.coordinates).for_each(scaled);
    by
}

fn in_scale(scale: &Scale, ln_volts: f64, by: Vec<f64>) -> Row {
    let Scale::Hiss { relative_error } = *scale else { return Row { mean: ln_volts, by } };
    Row { mean: ln_volts / relative_error, by: by.into_iter().map(|by| by / relative_error).collect() }
}
