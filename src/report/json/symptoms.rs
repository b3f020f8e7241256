//! The symptom chart, as other programs read it. Lists named after a unit run along `points`, `controls` or `acts`.

use std::collections::BTreeMap;

use serde::Serialize;

use super::Head;
use crate::bench::reading::Reading;
use crate::bench::symptoms::{CaseRow, Measured, Row};
use crate::report::{SymptomsResult, severity};

/// Of `symptoms`.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct SymptomChart<'a> {
    #[serde(flatten)]
    head: Head,
    title: &'a str,
    ambient_c: f64,
    changes: &'a [String],
    band_hz: [f64; 2],
    output: &'a str,
    complaint: ComplaintForm,
    points: Vec<PointForm<'a>>,
    controls: Vec<ControlForm<'a>>,
    acts: Vec<ActForm<'a>>,
    suspects: Vec<SuspectForm<'a>>,
    cannot: Vec<&'a str>,
    pairs: Vec<PairForm<'a>>,
    assumed: &'a [String],
}

#[derive(Clone, Debug, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct ComplaintForm {
    hiss_db: f64,
    /// Positions of controls; it shows at every one.
    settings: Vec<BTreeMap<String, f64>>,
}

#[derive(Clone, Debug, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct PointForm<'a> {
    node: &'a str,
    healthy_rms_v: f64,
    healthy_reading_v: f64,
    healthy_dc_v: f64,
}

#[derive(Clone, Debug, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct ControlForm<'a> {
    control: &'a str,
    ends: [f64; 2],
    now: f64,
}

#[derive(Clone, Debug, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct ActForm<'a> {
    test: Reading,
    healthy_db: Option<f64>,
    refused: Option<&'a str>,
}

#[derive(Clone, Debug, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct SuspectForm<'a> {
    part: &'a str,
    fault: &'static str,
    can_cause: bool,
    cases: Vec<CaseForm<'a>>,
}

#[derive(Clone, Debug, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct CaseForm<'a> {
    case: &'static str,
    severity: Option<SeverityForm>,
    what: String,
    /// False where the circuit finds no bias so; all below is null then.
    solved: bool,
    causes_complaint: bool,
    output_change_db: Option<f64>,
    output_reading_v: Option<f64>,
    first_at: Option<&'a str>,
    scope_first_at: Option<&'a str>,
    misleads_to: Option<&'a str>,
    change_db: Option<&'a [Option<f64>]>,
    reading_v: Option<&'a [f64]>,
    dc_shift_v: Option<&'a [f64]>,
    /// What the meter reads at the output with each control at its lower and its upper end.
    control_ends_v: Option<&'a [[Option<f64>; 2]]>,
    acts_db: Option<&'a [Option<f64>]>,
}

#[derive(Clone, Debug, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct SeverityForm {
    quantity: &'static str,
    value: f64,
}

#[derive(Clone, Debug, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct PairForm<'a> {
    parts: &'a [String; 2],
    faults: [&'static str; 2],
    test: Option<Reading>,
    separation_sd: f64,
}

impl<'a> SymptomChart<'a> {
    /// From its result.
    pub fn new(head: Head, result: &'a SymptomsResult) -> Self {
        let (question, chart) = (&result.question, &result.chart);
        let named = |&(at, value): &(usize, f64)| Some((question.controls.get(at)?.name.clone(), value));
        let settings = question.complaint.settings.iter().map(|setting| setting.iter().filter_map(named).collect());
        let points = chart.healthy.iter().map(|point| PointForm {
            node: &point.name,
            healthy_rms_v: point.rms_volts,
            healthy_reading_v: point.reading_volts,
            healthy_dc_v: point.dc_volts,
        });
        let controls = question.controls.iter();
        let controls =
            controls.map(|control| ControlForm { control: &control.name, ends: control.range, now: control.now });
        let acts = chart.acts.iter().zip(&chart.healthy_effects_db).enumerate().map(|(at, (offer, db))| ActForm {
            test: result.test(Measured::Act(at)),
            healthy_db: *db,
            refused: offer.refused.as_deref(),
        });
        let pairs = chart.pairs.iter().map(|pair| PairForm {
            parts: &pair.parts,
            faults: pair.kinds.map(|kind| kind.name()),
            test: pair.test.map(|test| result.test(test)),
            separation_sd: pair.separation_sd,
        });
        Self {
            head,
            title: &result.setting.title,
            ambient_c: result.setting.ambient_celsius,
            changes: &result.setting.changes,
            band_hz: question.band_hz,
            output: &question.output.name,
            complaint: ComplaintForm { hiss_db: question.complaint.hiss_db, settings: settings.collect() },
            points: points.collect(),
            controls: controls.collect(),
            acts: acts.collect(),
            suspects: chart.rows.iter().map(|row| suspect(result, row)).collect(),
            cannot: result.innocent().0,
            pairs: pairs.collect(),
            assumed: &chart.notes,
        }
    }
}

fn suspect<'a>(result: &'a SymptomsResult, row: &'a Row) -> SuspectForm<'a> {
    SuspectForm {
        part: &row.suspect.part,
        fault: row.suspect.kind.name(),
        can_cause: row.complains(),
        cases: row.cases.iter().map(|one| case(result, one)).collect(),
    }
}

fn case<'a>(result: &'a SymptomsResult, row: &'a CaseRow) -> CaseForm<'a> {
    let print = row.fingerprint.as_ref();
    let at = |point: Option<usize>| point.map(|at| result.chart.healthy[at].name.as_str());
    let effects = print.and_then(|print| print.effects.as_ref());
    CaseForm {
        case: row.case.name(),
        severity: severity(row).map(|(quantity, value)| SeverityForm { quantity, value }),
        what: row.fault.text(),
        solved: print.is_some(),
        causes_complaint: row.complains(),
        output_change_db: print.and_then(|print| print.output_change_db),
        output_reading_v: print.map(|print| print.output_volts),
        first_at: at(print.and_then(|print| print.first)),
        scope_first_at: at(print.and_then(|print| print.first_on_scope)),
        misleads_to: print.and_then(|print| print.misleads_to.as_deref()),
        change_db: print.map(|print| print.change_db.as_slice()),
        reading_v: print.map(|print| print.reading_volts.as_slice()),
        dc_shift_v: print.map(|print| print.dc_shift_volts.as_slice()),
        control_ends_v: effects.map(|effects| effects.ends_volts.as_slice()),
        acts_db: effects.map(|effects| effects.acts_db.as_slice()),
    }
}
