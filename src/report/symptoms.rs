//! The symptom chart of a circuit, with the question it answers.

use super::Setting;
use crate::bench::reading::{Measure, Reading};
use crate::bench::symptoms::{CaseRow, Measured, SymptomQuestion, Symptoms, symptoms as chart};
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;

/// The chart, and under which conditions it holds.
#[derive(Clone, Debug)]
pub struct SymptomsResult {
    /// Conditions.
    pub setting: Setting,
    /// What was asked.
    pub question: SymptomQuestion,
    /// The chart.
    pub chart: Symptoms,
}

/// Makes the symptom chart of a circuit. `changes` are the what-ifs that made it, a line each.
///
/// # Errors
/// As [`crate::bench::symptoms::symptoms`].
pub fn symptoms(
    circuit: &Circuit,
    changes: &[String],
    question: SymptomQuestion,
) -> Result<SymptomsResult, Vec<Diagnostic>> {
    let chart = chart(circuit, &question)?;
    Ok(SymptomsResult { setting: Setting::of(circuit, changes), question, chart })
}

impl SymptomsResult {
    /// The test of something measured, as a reading without a value.
    pub fn test(&self, measured: Measured) -> Reading {
        let name = |point: usize| Some(self.chart.healthy[point].name.as_str());
        match measured {
            Measured::Hiss(point) => Reading::test(Measure::Hiss, name(point)),
            Measured::Dc(point) => Reading::test(Measure::Dc, name(point)),
            Measured::Act(at) => {
                let act = &self.chart.acts[at].act;
                Reading::change(act.how, &act.what)
            }
        }
    }

    /// Parts that cannot cause the complaint by any kind of fault; then the kinds that cannot of those parts that can by
    /// another, each with its part.
    pub fn innocent(&self) -> (Vec<&str>, Vec<(&str, Vec<&'static str>)>) {
        let mut parts: Vec<(&str, bool, Vec<&'static str>)> = Vec::new();
        for row in &self.chart.rows {
            let name = row.suspect.part.as_str();
            let place = parts.iter().position(|(known, ..)| *known == name).unwrap_or_else(|| {
                parts.push((name, false, Vec::new()));
                parts.len() - 1
            });
            let (_, guilty, kinds) = &mut parts[place];
            *guilty |= row.complains();
            // A circuit without a bias is another complaint than hiss; so is one that is not known.
            if !row.complains() {
                kinds.push(row.suspect.kind.name());
            }
        }
        let whole = parts.iter().filter(|(_, guilty, _)| !guilty).map(|(name, ..)| *name).collect();
        let some = parts.iter().filter(|(_, guilty, kinds)| *guilty && !kinds.is_empty());
        (whole, some.map(|(name, _, kinds)| (*name, kinds.clone())).collect())
    }
}

/// How bad a case is: the stable name of its quantity and the number; `None` for a fault that is there or not.
pub fn severity(case: &CaseRow) -> Option<(&'static str, f64)> {
    let quantity = case.fault.kind.quantity()?;
    let key = case.fault.kind.keys().first()?;
    Some((quantity, *case.fault.values.get(key.name)?))
}
