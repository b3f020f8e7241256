//! Which test tells two suspects apart best: the distance of their readings in sd of reading them.
//!
//! Each reading has a coordinate in which it errs by about 1: hiss ln V over its relative error, DC asinh(aV/b)/a, whose
//! error is √(b² + (aV)²), a change dB over its error. How bad a fault is nobody knows, so a suspect covers the range of its
//! cases that cause the complaint; two are as far apart as the ends of their ranges that face each other, and two parts as
//! far as their nearest kinds of fault. Tolerances of the set are not in it.

use rayon::prelude::*;

use super::{ActOffer, CaseRow, HealthyReading, Row, SymptomQuestion};
use crate::bench::fault::FaultKind;
use crate::bench::sheet::settings::ReadingErrors;

/// What a test reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Measured {
    /// Hiss at a point of the question, by its place.
    Hiss(usize),
    /// DC at a point of the question.
    Dc(usize),
    /// What an act does to the hiss at the output, by its place in [`super::Symptoms::acts`].
    Act(usize),
}

/// Two parts, and the test that tells them apart best.
#[derive(Clone, Debug, PartialEq)]
pub struct Pair {
    /// Their names, in the order of the suspects.
    pub parts: [String; 2],
    /// The test; `None` where none does whatever the kind and severity.
    pub test: Option<Measured>,
    /// Distance of their readings, in sd of reading them.
    pub separation_sd: f64,
    /// The kinds of fault that lie nearest by that test.
    pub kinds: [FaultKind; 2],
}

/// A kind of fault of a part: where its readings may lie, test by test.
struct Kind {
    kind: FaultKind,
    /// `None` where a case has no reading.
    ranges: Vec<Option<[f64; 2]>>,
}

/// All pairs of parts that can cause the complaint, the hardest to tell apart first.
pub(super) fn pairs(
    rows: &[Row],
    healthy: &[HealthyReading],
    acts: &[ActOffer],
    question: &SymptomQuestion,
) -> Vec<Pair> {
    let points = healthy.len();
    let offered = (0..acts.len()).filter(|&at| acts[at].refused.is_none()).map(Measured::Act);
    let tests: Vec<Measured> =
        offered.chain((0..points).map(Measured::Hiss)).chain((0..points).map(Measured::Dc)).collect();
    let mut parts: Vec<(&str, Vec<Kind>)> = Vec::new();
    for row in rows.iter().filter(|row| row.complains()) {
        let kind = Kind::of(row, &tests, healthy, &question.errors);
        match parts.iter_mut().find(|(name, _)| *name == row.suspect.part) {
            Some((_, kinds)) => kinds.push(kind),
            None => parts.push((&row.suspect.part, vec![kind])),
        }
    }
    let places: Vec<[usize; 2]> = (0..parts.len()).flat_map(|a| (a + 1..parts.len()).map(move |b| [a, b])).collect();
    let pair = |&[a, b]: &[usize; 2]| {
        let ((one, of_one), (other, of_other)) = (&parts[a], &parts[b]);
        best(&tests, of_one, of_other, [(*one).to_owned(), (*other).to_owned()])
    };
    let mut all: Vec<Pair> = places.par_iter().map(pair).collect();
    // Stable: ties stay in the order of the suspects.
    all.sort_by(|a, b| a.separation_sd.total_cmp(&b.separation_sd));
    all
}

fn best(tests: &[Measured], one: &[Kind], other: &[Kind], parts: [String; 2]) -> Pair {
    let mut best = Pair { parts, test: None, separation_sd: 0.0, kinds: [one[0].kind, other[0].kind] };
    for (at, test) in tests.iter().enumerate() {
        let mut nearest = (f64::INFINITY, best.kinds);
        for a in one {
            for b in other {
                let gap = gap(a.ranges[at], b.ranges[at]);
                if gap < nearest.0 {
                    nearest = (gap, [a.kind, b.kind]);
                }
            }
        }
        if nearest.0 > best.separation_sd {
            (best.test, best.separation_sd, best.kinds) = (Some(*test), nearest.0, nearest.1);
        }
    }
    best
}

/// How far two ranges lie apart.
fn gap(a: Option<[f64; 2]>, b: Option<[f64; 2]>) -> f64 {
    match (a, b) {
        (Some([a_low, a_high]), Some([b_low, b_high])) => (a_low - b_high).max(b_low - a_high).max(0.0),
        _ => 0.0,
    }
}

impl Kind {
    fn of(row: &Row, tests: &[Measured], healthy: &[HealthyReading], errors: &ReadingErrors) -> Self {
        let cases: Vec<&CaseRow> = row.cases.iter().filter(|case| case.complains()).collect();
        let range = |test: &Measured| {
            cases.iter().try_fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], case| {
                let at = coordinate(case, *test, healthy, errors).filter(|at| at.is_finite())?;
                Some([at.min(low), at.max(high)])
            })
        };
        Self { kind: row.suspect.kind, ranges: tests.iter().map(range).collect() }
    }
}

/// A reading in units of its own error.
fn coordinate(case: &CaseRow, test: Measured, healthy: &[HealthyReading], errors: &ReadingErrors) -> Option<f64> {
    let print = case.fingerprint.as_ref()?;
    Some(match test {
        Measured::Hiss(point) => print.reading_volts[point].ln() / errors.hiss,
        Measured::Dc(point) => {
            let volts = healthy[point].dc_volts + print.dc_shift_volts[point];
            (errors.dc * volts / errors.dc_zero_volts).asinh() / errors.dc
        }
        Measured::Act(act) => print.effects.as_ref()?.acts_db[act]? / errors.change_db,
    })
}
