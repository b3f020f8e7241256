//! Spares and the pulled part as comma-separated values.

use super::{optional, table};
use crate::repair::spares::{Readings, Weight};
use crate::report::spares::{PulledResult, SparesResult, ends, words};
use crate::units::exact;

/// `spares`: a row a spare, in order of rank. What the circuit has no answer for is empty; `reasons` are words.
pub fn spares(result: &SparesResult) -> String {
    let columns = [
        "spare",
        "verdict",
        "model",
        "against",
        "remarks",
        "hiss_db",
        "gain_db",
        "power_w",
        "cut_off_v",
        "junction_hot_c",
        "thermal_loop",
        "iceo_a",
        "hfe",
        "gain",
        "emitter_drop_v",
        "collector_drop_v",
        "reasons",
    ];
    let rows = result.spares.tried.iter().map(|tried| {
        let trial = tried.trial.as_ref();
        let hot = trial.and_then(|trial| trial.hot.as_ref().ok());
        let weighing = |weight| tried.findings.iter().filter(|finding| finding.weight() == weight).count().to_string();
        let reasons: Vec<String> = tried.findings.iter().map(words).collect();
        let head = [
            tried.candidate.name.clone(),
            tried.verdict.words().replace(", with a remark", " with remark"),
            tried.candidate.model_name.clone(),
            weighing(Weight::Against),
            weighing(Weight::Remark),
            optional(trial.and_then(|trial| trial.hiss_db)),
            optional(trial.and_then(|trial| trial.gain_db)),
            optional(trial.map(|trial| trial.own.watts)),
            optional(trial.and_then(|trial| trial.cut_off_volts)),
            optional(hot.map(|hot| hot.junction_celsius)),
            optional(hot.and_then(|hot| hot.thermal_loop)),
        ];
        head.into_iter().chain(readings(&tried.readings)).chain([reasons.join("; ")]).collect()
    });
    table(&columns, rows.collect::<Vec<Vec<String>>>())
}

/// `spares --pulled`: both ends of what good devices read, then a row a fault and case.
pub fn pulled(result: &PulledResult) -> String {
    let columns = ["device", "case", "iceo_a", "hfe", "gain", "emitter_drop_v", "collector_drop_v", "told_by"];
    let good = &result.pulled.good;
    let end = |at: usize| {
        let bands = [good.iceo_amps, good.hfe, good.gain, good.emitter_drop_volts, good.collector_drop_volts];
        bands.map(|band| ends(band).map_or_else(String::new, |ends| exact(ends[at])))
    };
    let mut rows: Vec<Vec<String>> = Vec::new();
    for (case, at) in [("low", 0), ("high", 1)] {
        rows.push(["good".to_owned(), case.to_owned()].into_iter().chain(end(at)).chain([String::new()]).collect());
    }
    for guilty in &result.pulled.guilty {
        let case = guilty.case.map_or_else(String::new, |case| case.name().to_owned());
        let head = [guilty.text.clone(), case];
        rows.push(head.into_iter().chain(readings(&guilty.readings)).chain([guilty.told_by.join(" ")]).collect());
    }
    table(&columns, rows)
}

fn readings(readings: &Readings) -> [String; 5] {
    [readings.iceo_amps, readings.hfe, readings.gain, readings.emitter_drop_volts, readings.collector_drop_volts]
        .map(optional)
}
