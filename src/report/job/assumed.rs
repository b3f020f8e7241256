//! The fault that a diagnosis finds likeliest, as a circuit: of all that its numbers may be, what fits the readings best.

use super::path::read;
use super::{ReportQuestion, State};
use crate::bench::reading::{Measure, Observed, Reading};
use crate::bench::sheet::Sheet;
use crate::bench::tolerance::NORMAL_QUANTILE_95;
use crate::bench::{Fault, ListedFault, Point, SeverityRange};
use crate::circuit::Circuit;
use crate::diagnosis::Severity;
use crate::noise::Observer;
use crate::report::DiagnoseResult;
use crate::variants::{Family, HissRequest, Output, Points};

/// Probability from which on a part's likeliest fault is drawn.
const LIKELY: f64 = 0.5;
/// Values of each number of the fault that are tried.
const STEPS: usize = 9;
/// Reading error of hiss, relative, and what the tolerances of a unit add to it.
const HISS_SD: f64 = 0.2;
/// How much the middle of a range is preferred where readings do not tell.
const PULL: f64 = 0.1;

/// A fault that the readings speak for.
pub(super) struct Assumed {
    /// The circuit with it.
    pub circuit: Circuit,
    /// What it is, in a line.
    pub text: String,
}

/// A reading of hiss or DC where the controls stand.
struct Aim {
    point: Point,
    kind: AimKind,
}

enum AimKind {
    /// V rms.
    Hiss(f64),
    /// Below V rms.
    Below(f64),
    /// V, and sd of it.
    Dc(f64, f64),
}

/// The leading part's likeliest fault, as bad as fits the readings; `None` where no part is more likely than not, or where
/// the circuit has no bias so.
pub(super) fn likeliest(
    question: &ReportQuestion<'_>,
    healthy: &State,
    sheet: &Sheet,
    result: &DiagnoseResult,
) -> Option<Assumed> {
    let suspect = result.suspects.first().filter(|suspect| suspect.probability >= LIKELY && !result.flag)?;
    let kind = suspect.kinds.first()?;
    let listed = sheet.listed_faults();
    let listed = listed.iter().find(|listed| listed.name == suspect.part && listed.kind == kind.fault)?;
    let aims: Vec<Aim> =
        sheet.readings.iter().filter_map(|(reading, _)| aim(question, healthy, sheet, reading)).collect();
    let candidates: Vec<(Fault, f64, Circuit)> = candidates(listed, kind.severity)
        .into_iter()
        .filter_map(|(fault, pull)| {
            let changes = fault.changes(question.healthy).ok()?;
            Some((fault, pull, question.healthy.changed(&changes).ok()?))
        })
        .collect();
    let circuits: Vec<Circuit> = candidates.iter().map(|(.., circuit)| circuit.clone()).collect();
    let misfits = misfits(&circuits, &aims, question)?;
    let each = candidates.into_iter().zip(misfits).filter_map(|(candidate, misfit)| Some((candidate, misfit?)));
    let best = each.min_by(|((_, a, _), x), ((_, b, _), y)| (a + x).total_cmp(&(b + y)))?;
    let (fault, _, circuit) = best.0;
    Some(Assumed { circuit, text: fault.text() })
}

/// Faults of a grid over the ranges of their numbers, the first one inside what the diagnosis gives it, each with what speaks
/// against it beforehand.
fn candidates(listed: &ListedFault, severity: Option<Severity>) -> Vec<(Fault, f64)> {
    let plain = Fault::new(&listed.name, listed.kind).at(&listed.pins);
    let mut all = vec![(plain, 0.0)];
    for (at, range) in listed.prior.ranges.iter().enumerate() {
        let own = match severity {
            Some(Severity { p10, p90, .. }) if at == 0 => SeverityRange { mild: p10, severe: p90, ..*range },
            _ => *range,
        };
        let steps = (0..STEPS).map(|step| step as f64 / (STEPS - 1) as f64);
        let grown = all.iter().flat_map(|(fault, pull)| {
            steps.clone().map(move |fraction| {
                let away = 2.0 * fraction - 1.0;
                (fault.clone().with(own.key, two_digits(own.at(fraction))), pull + PULL * away * away)
            })
        });
        all = grown.collect();
    }
    all
}

fn two_digits(value: f64) -> f64 {
    format!("{value:.1e}").parse().unwrap_or(value)
}

fn aim(question: &ReportQuestion<'_>, healthy: &State, sheet: &Sheet, reading: &Reading) -> Option<Aim> {
    if reading.twin || !reading.with.is_empty() {
        return None;
    }
    let point = match &reading.at {
        Some(at) => sheet.find_point(at).ok()?,
        None => sheet.output.clone()?,
    };
    let kind = match reading.measure {
        Measure::Dc => {
            let Observed::Number(volts) = reading.value.as_ref()?.observed else { return None };
            let band = healthy.bias.nodes.iter().find(|node| node.name == point.name)?.healthy?;
            let spread = (band.high - band.low) / (2.0 * NORMAL_QUANTILE_95);
            AimKind::Dc(volts, sheet.reading_errors.dc_sd_volts(volts).hypot(spread))
        }
        _ => {
            let (_, seen) = read(question, healthy, reading)?;
            seen.volts.map_or(AimKind::Below(seen.floor_volts), AimKind::Hiss)
        }
    };
    Some(Aim { point, kind })
}

/// Sum of squared deviations of each circuit in sd; `None` for one without a bias.
fn misfits(circuits: &[Circuit], aims: &[Aim], question: &ReportQuestion<'_>) -> Option<Vec<Option<f64>>> {
    let family = Family::new(circuits.first()?).ok()?;
    let solved = family.solve(circuits);
    let request = HissRequest {
        outputs: aims
            .iter()
            .map(|aim| Output { plus: aim.point.plus, minus: aim.point.minus, observer: Observer::NONE })
            .collect(),
        band_hz: question.band_hz,
        weighting: question.weighting,
        points: Points::Adaptive(1e-2),
        by_source: false,
        stimulus: None,
        gain_hz: Vec::new(),
    };
    let there: Vec<_> = solved.iter().filter_map(|unit| unit.as_ref().ok()).collect();
    let mut hiss = family.noise(&there, &request).into_iter();
    let each = solved.iter().map(|unit| {
        let unit = unit.as_ref().ok()?;
        let hiss = hiss.next()?.ok()?;
        let deviations = aims.iter().zip(&hiss.outputs).map(|(aim, hiss)| {
            let rms = hiss.mean_square_v2.sqrt();
            match aim.kind {
                AimKind::Hiss(volts) => (rms / volts).ln() / HISS_SD,
                AimKind::Below(volts) => (rms / volts).ln().max(0.0) / HISS_SD,
                AimKind::Dc(volts, sd) => {
                    (unit.bias().volts(aim.point.plus) - unit.bias().volts(aim.point.minus) - volts) / sd
                }
            }
        });
        Some(deviations.map(|deviation| deviation * deviation).sum())
    });
    Some(each.collect())
}
