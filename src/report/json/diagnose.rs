//! Of `diagnose`.

use serde::Serialize;

use super::Head;
use crate::bench::reading::Reading;
use crate::report::{DiagnoseResult, ExplainRow, Message};

/// Of `diagnose`, and of a line of `diagnose --lines`.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Diagnose<'a> {
    #[serde(flatten)]
    head: Head,
    suspects: Vec<Suspect<'a>>,
    unknown_probability: f64,
    flag: bool,
    inseparable: &'a [Vec<String>],
    most_surprising: Option<&'a Reading>,
    set_aside: Vec<SetAside<'a>>,
    readings: usize,
    second_fault: bool,
    cured: bool,
    plan: Vec<Step<'a>>,
    plan_cost: f64,
    next: Vec<Next<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    explain: Option<Vec<Explained<'a>>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct Suspect<'a> {
    part: &'a str,
    probability: f64,
    kinds: Vec<Kind>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct Kind {
    fault: &'static str,
    probability: f64,
    severity: Option<SeverityRange>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct SeverityRange {
    quantity: &'static str,
    p10: f64,
    median: f64,
    p90: f64,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct SetAside<'a> {
    reading: &'a Reading,
    why: &'a str,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct Step<'a> {
    part: &'a str,
    act: &'static str,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct Next<'a> {
    test: &'a Reading,
    bits: f64,
    saving: f64,
    cost: f64,
    verify: bool,
    why: &'a str,
    expect: Vec<Expect<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct Expect<'a> {
    part: &'a str,
    value: f64,
    low: f64,
    high: f64,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct Explained<'a> {
    reading: &'a Reading,
    leader: Option<&'a str>,
    probability: Option<f64>,
    bits: f64,
    surprise: f64,
}

impl<'a> Diagnose<'a> {
    /// The result; `explain` where it was asked for.
    pub fn new(head: Head, result: &'a DiagnoseResult, explain: Option<&'a [ExplainRow]>) -> Self {
        let suspects = result.suspects.iter().map(|suspect| Suspect {
            part: &suspect.part,
            probability: suspect.probability,
            kinds: suspect.kinds.iter().map(kind).collect(),
        });
        let next = result.next.iter().map(|next| Next {
            test: &next.test,
            bits: next.bits,
            saving: next.saving,
            cost: next.cost,
            verify: next.verify,
            why: &next.why,
            expect: next
                .expect
                .iter()
                .map(|one| Expect { part: &one.part, value: one.value, low: one.low, high: one.high })
                .collect(),
        });
        let explained = |row: &'a ExplainRow| Explained {
            reading: &row.reading,
            leader: row.leader.as_ref().map(|(part, _)| part.as_str()),
            probability: row.leader.as_ref().map(|(_, probability)| *probability),
            bits: row.bits,
            surprise: row.surprise,
        };
        let act = |lifted: bool| if lifted { "lift" } else { "replace" };
        Self {
            head,
            suspects: suspects.collect(),
            unknown_probability: result.unknown_probability,
            flag: result.flag,
            inseparable: &result.inseparable,
            most_surprising: result.most_surprising.as_ref(),
            set_aside: result.set_aside.iter().map(|(reading, why)| SetAside { reading, why }).collect(),
            readings: result.readings,
            second_fault: result.second_fault,
            cured: result.cured,
            plan: result.plan.iter().map(|(part, lifted)| Step { part, act: act(*lifted) }).collect(),
            plan_cost: result.plan_cost,
            next: next.collect(),
            explain: explain.map(|rows| rows.iter().map(explained).collect()),
        }
    }
}

fn kind(row: &crate::report::KindRow) -> Kind {
    let severity = row.severity.zip(row.fault.quantity());
    Kind {
        fault: row.fault.name(),
        probability: row.probability,
        severity: severity.map(|(severity, quantity)| SeverityRange {
            quantity,
            p10: severity.p10,
            median: severity.median,
            p90: severity.p90,
        }),
    }
}

/// The answer to a line that was not understood.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct LineError {
    error: Message,
}

impl LineError {
    /// What is wrong with it.
    pub fn new(error: Message) -> Self {
        Self { error }
    }
}
