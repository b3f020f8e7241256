//! The symptom chart as comma-separated values.

use super::{optional, table};
use crate::report::{SymptomsResult, severity};
use crate::units::exact;

/// `symptoms`: a row a case and point, control or act, told apart by `item`. An act's change is that of the reading at the
/// output; a control's is from its lower to its upper end.
pub fn symptoms(result: &SymptomsResult) -> String {
    let chart = &result.chart;
    let columns = [
        "part",
        "fault",
        "case",
        "severity_quantity",
        "severity",
        "causes_complaint",
        "item",
        "name",
        "reading_v",
        "change_db",
        "dc_shift_v",
    ];
    let mut rows: Vec<Vec<String>> = Vec::new();
    for row in &chart.rows {
        for case in &row.cases {
            let (quantity, value) = severity(case).map_or_else(Default::default, |(q, v)| (q.to_owned(), exact(v)));
            let (part, fault, how_bad) = (&row.suspect.part, row.suspect.kind.name(), case.case.name());
            let head =
                [part.clone(), fault.to_owned(), how_bad.to_owned(), quantity, value, case.complains().to_string()];
            let mut add = |item: &str, name: &str, cells: [String; 3]| {
                let item = [item.to_owned(), name.to_owned()];
                rows.push(head.iter().cloned().chain(item).chain(cells).collect());
            };
            let Some(print) = &case.fingerprint else {
                add("no bias", "", Default::default());
                continue;
            };
            for (at, point) in chart.healthy.iter().enumerate() {
                let reading = exact(print.reading_volts[at]);
                add("point", &point.name, [reading, optional(print.change_db[at]), exact(print.dc_shift_volts[at])]);
            }
            let Some(effects) = &print.effects else { continue };
            for (control, ends) in result.question.controls.iter().zip(&effects.ends_volts) {
                let change = match ends {
                    [Some(low), Some(high)] => Some(20.0 * (high / low).log10()).filter(|db| db.is_finite()),
                    _ => None,
                };
                add("control", &control.name, [String::new(), optional(change), String::new()]);
            }
            for (offer, db) in chart.acts.iter().zip(&effects.acts_db) {
                add(offer.act.how.name(), &offer.act.what, [String::new(), optional(*db), String::new()]);
            }
        }
    }
    table(&columns, rows)
}
