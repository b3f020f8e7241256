//! Which slip, or which two, bring the computed voltages to the printed ones.

use rayon::prelude::*;

use super::slips::{Slip, slips};
use super::{Explanation, PrintedPoint, read_all};
use crate::bench::Point;
use crate::bench::sheet::Sheet;
use crate::bias;
use crate::circuit::Circuit;
use crate::variants::Family;

/// A point counts in the misfit up to so many squared sd: a slip is not refused for one point that another slip spoils.
const CAP: f64 = 400.0;
/// So many of the best slips are looked at once more, with the meter in place.
const FINALISTS: usize = 12;
/// On top of so many of the best slips a second one is sought.
const BEAM: usize = 6;
/// A second slip has to bring the misfit down to this part of the first one's.
const SECOND_IS_WORTH: f64 = 0.25;
/// An explanation has to bring the misfit down to this part of what it is as typed.
const EXPLAINS: f64 = 0.5;
/// Explanations that fit nearly as well as the best are shown as well: within this factor, and so many sd².
const NEARLY: (f64, f64) = (2.0, 4.0);
/// Explanations shown at most.
const SHOWN: usize = 3;

/// Sum of squared deviations, each counted up to a limit.
pub(super) fn misfit(points: &[PrintedPoint], volts: &[f64]) -> f64 {
    let deviation = |(point, volts): (&PrintedPoint, &f64)| (point.printed_volts - volts) / point.sd_volts;
    points.iter().zip(volts).map(|pair| deviation(pair).powi(2).min(CAP)).sum()
}

/// One or two slips and the misfit they leave.
#[derive(Clone)]
struct Candidate {
    slips: Vec<Slip>,
    circuit: Circuit,
    misfit: f64,
}

pub(super) fn explain(
    sheet: &Sheet,
    points: &[PrintedPoint],
    places: &[Point],
    as_typed: Option<f64>,
) -> Vec<Explanation> {
    let typed =
        Candidate { slips: Vec::new(), circuit: sheet.circuit.clone(), misfit: as_typed.unwrap_or(f64::INFINITY) };
    let mut singles = screened(points, places, &typed);
    singles.truncate(FINALISTS);
    let singles = metered(sheet, points, places, singles);
    let best_single = singles.first().map_or(f64::INFINITY, |one| one.misfit);
    let mut all = singles.clone();
    if best_single > settled(points) {
        let pairs = singles.iter().take(BEAM).flat_map(|first| {
            let mut seconds = screened(points, places, first);
            seconds.truncate(FINALISTS / 2);
            seconds
        });
        let pairs = metered(sheet, points, places, pairs.collect());
        // Two slips explain more than one by themselves, and are believed only where they explain much more.
        let worth = |pair: &Candidate| pair.misfit < SECOND_IS_WORTH * best_single;
        let mut pairs: Vec<Candidate> = pairs.into_iter().filter(worth).collect();
        pairs.append(&mut all);
        all = pairs;
    }
    all.sort_by(|a, b| a.misfit.total_cmp(&b.misfit));
    let best = all.first().map_or(f64::INFINITY, |one| one.misfit);
    let (factor, more) = NEARLY;
    let shown = all.iter().filter(|one| one.misfit <= factor * best + more && one.misfit < EXPLAINS * typed.misfit);
    let mut explanations: Vec<Explanation> = Vec::new();
    for candidate in shown {
        let volts = read_all(sheet, &candidate.circuit, places).unwrap_or_default();
        let off = |(point, volts): &(&PrintedPoint, &f64)| {
            ((point.printed_volts - *volts) / point.sd_volts).abs() > super::DISAGREES_SD
        };
        let words: Vec<String> = candidate.slips.iter().map(|slip| slip.text(&sheet.circuit)).collect();
        let text = words.join(", and ");
        let same = |known: &Explanation| known.slips.iter().all(|slip| candidate.slips.contains(slip));
        if explanations.iter().any(|known| same(known) && known.slips.len() == candidate.slips.len()) {
            continue;
        }
        let disagreeing = points.iter().zip(&volts).filter(off).count();
        explanations.push(Explanation { slips: candidate.slips.clone(), text, disagreeing, misfit: candidate.misfit });
    }
    explanations.truncate(SHOWN);
    explanations
}

/// A misfit that leaves nothing to explain: each point within 2 sd.
fn settled(points: &[PrintedPoint]) -> f64 {
    4.0 * points.len() as f64
}

/// Every slip on top of those of a candidate, the best fit first; volts without a meter.
fn screened(points: &[PrintedPoint], places: &[Point], base: &Candidate) -> Vec<Candidate> {
    let volts = bias::solve(&base.circuit).ok().map(|bias| bias.x);
    let touched = |slip: &Slip| base.slips.iter().any(|known| known.parts() == slip.parts());
    let slips = slips(&base.circuit, volts.as_deref()).into_iter().filter(|slip| !touched(slip));
    let mended: Vec<(Slip, Circuit)> =
        slips.filter_map(|slip| slip.mended(&base.circuit).ok().map(|circuit| (slip, circuit))).collect();
    let circuits: Vec<Circuit> = mended.iter().map(|(_, circuit)| circuit.clone()).collect();
    let at = |bias: &bias::BiasPoint| -> Vec<f64> {
        places.iter().map(|place| bias.volts(place.plus) - bias.volts(place.minus)).collect()
    };
    let found: Vec<Option<Vec<f64>>> = match Family::new(&base.circuit) {
        Ok(family) => family.solve(&circuits).iter().map(|one| one.as_ref().ok().map(|one| at(one.bias()))).collect(),
        Err(_) => circuits.par_iter().map(|circuit| bias::solve(circuit).ok().map(|bias| at(&bias))).collect(),
    };
    let candidates = mended.into_iter().zip(found).filter_map(|((slip, circuit), volts)| {
        let slips = base.slips.iter().cloned().chain([slip]).collect();
        Some(Candidate { slips, circuit, misfit: misfit(points, &volts?) })
    });
    in_order(candidates.collect())
}

/// The same with the meter in place.
fn metered(sheet: &Sheet, points: &[PrintedPoint], places: &[Point], candidates: Vec<Candidate>) -> Vec<Candidate> {
    let read = |candidate: Candidate| {
        let volts = read_all(sheet, &candidate.circuit, places)?;
        Some(Candidate { misfit: misfit(points, &volts), ..candidate })
    };
    in_order(candidates.into_par_iter().map(read).collect::<Vec<_>>().into_iter().flatten().collect())
}

fn in_order(mut candidates: Vec<Candidate>) -> Vec<Candidate> {
    candidates.sort_by(|a, b| a.misfit.total_cmp(&b.misfit));
    candidates
}
