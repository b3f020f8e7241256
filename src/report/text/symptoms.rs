//! The symptom chart as text: a row for each suspect that can cause the complaint, who cannot, where tracing the hiss ends at
//! the wrong part, and what tells the hardest pairs apart.

use super::{CAUTIONS, Rows, SHUNT_CAUTIONS, band, commas, filled, heading, printable, volts};
use crate::bench::reading::How;
use crate::bench::symptoms::{CaseRow, Fingerprint, Measured, Row};
use crate::report::{STAYS_WITHIN_DB, SymptomsResult};
use crate::units::{exact, short};

/// Pairs that are shown.
const PAIRS: usize = 12;
/// The chart.
pub fn symptoms(result: &SymptomsResult) -> String {
    let question = &result.question;
    let mut text = heading(&result.setting, &band(question.band_hz, question.weighting));
    text += &complaint(result);
    let guilty: Vec<&Row> = result.chart.rows.iter().filter(|row| row.complains()).collect();
    if guilty.is_empty() {
        text += "no fault of the chart causes it\n";
    } else {
        text += &table(result, &guilty);
    }
    text + &innocent(result) + &tracing(result) + &pairs(result) + &notes(result) + &cautions(result)
}

pub(in crate::report) fn complaint(result: &SymptomsResult) -> String {
    let question = &result.question;
    let mut text = format!(
        "complaint: {} more hiss at {}",
        short(question.complaint.hiss_db, "dB"),
        printable(&question.output.name)
    );
    let settings = question.complaint.settings.iter().map(|setting| {
        let each = setting.iter().filter_map(|&(control, value)| {
            Some(format!("{} at {}", printable(&question.controls.get(control)?.name), exact(value)))
        });
        each.collect::<Vec<_>>().join(", ")
    });
    let settings: Vec<String> = settings.filter(|setting| !setting.is_empty()).collect();
    if !settings.is_empty() {
        text += &format!(", with {}", settings.join(" and with "));
    }
    text + "\n\n"
}

fn table(result: &SymptomsResult, guilty: &[&Row]) -> String {
    let columns =
        ["suspect", "fault", "case", ">dB out", "first at", "scope at", ">frozen", "moves with", ">largest DC shift"];
    let mut rows = Rows::new(&columns);
    let mut marked = false;
    for row in guilty {
        let Some(CaseRow { case, fingerprint: Some(print), .. }) = row.shown() else { continue };
        let at = |point: Option<usize>| point.map_or("-".to_owned(), |at| result.chart.healthy[at].name.clone());
        let (frozen, same) = frozen(result, &row.suspect.part, print);
        marked |= same;
        rows.add([
            row.suspect.part.clone(),
            row.suspect.kind.name().to_owned(),
            case.name().to_owned(),
            decibels(print.output_change_db),
            at(print.first),
            at(print.first_on_scope),
            frozen,
            moves(result, print),
            shift(result, print),
        ]);
    }
    let note = if marked { "~ freezing does the same to a healthy one: the fall tells nothing\n" } else { "" };
    format!(
        "{}\nfirst at, scope at: where meter and scope show it first in signal order, 3 dB over the healthy set;\n\
         frozen: dB at the output when the suspect itself is frozen; moves with: controls, end to end\n{note}",
        rows.text()
    )
}

/// What freezing the suspect itself does, and whether it does the same to a healthy one.
pub(in crate::report) fn frozen(result: &SymptomsResult, part: &str, print: &Fingerprint) -> (String, bool) {
    let acts = &result.chart.acts;
    let place = acts.iter().position(|offer| offer.act.how == How::Freeze && offer.act.what == part);
    let Some((place, effects)) = place.zip(print.effects.as_ref()) else { return ("-".to_owned(), false) };
    let Some(db) = effects.acts_db[place] else { return ("no bias".to_owned(), false) };
    let same = result.chart.healthy_effects_db[place]
        .is_some_and(|healthy| db <= -STAYS_WITHIN_DB && (db - healthy).abs() < STAYS_WITHIN_DB);
    (format!("{}{}", if same { "~" } else { "" }, decibels(Some(db))), same)
}

/// Controls that change the hiss between their ends.
pub(in crate::report) fn moves(result: &SymptomsResult, print: &Fingerprint) -> String {
    let Some(effects) = &print.effects else { return "-".to_owned() };
    let controls = result.question.controls.iter().zip(&effects.ends_volts);
    let moving = controls.filter(|(_, ends)| match ends {
        [Some(low), Some(high)] => (20.0 * (high / low).log10()).abs() >= STAYS_WITHIN_DB,
        _ => false,
    });
    let names: Vec<&str> = moving.map(|(control, _)| control.name.as_str()).collect();
    let controls = result.question.controls.len();
    match names.len() {
        0 => "-".to_owned(),
        // A row stays a row: five names would stand below each other.
        moving if moving > 2 && moving == controls => "all".to_owned(),
        moving if moving > 2 => format!("{moving} of {controls}"),
        _ => names.join(", "),
    }
}

pub(in crate::report) fn shift(result: &SymptomsResult, print: &Fingerprint) -> String {
    let errors = &result.question.errors;
    let Some(at) = print.largest_dc_shift(&result.chart.healthy, errors) else { return "-".to_owned() };
    let (point, by) = (&result.chart.healthy[at], print.dc_shift_volts[at]);
    // Less than one sd of reading it is not seen.
    if by.abs() < errors.dc_sd_volts(point.dc_volts) {
        return "-".to_owned();
    }
    format!("{} {}{}", point.name, if by > 0.0 { "+" } else { "" }, short(rounded(by), "V"))
}

/// Three digits.
fn rounded(volts: f64) -> f64 {
    format!("{volts:.2e}").parse().unwrap_or(volts)
}

fn innocent(result: &SymptomsResult) -> String {
    let (whole, some) = result.innocent();
    let mut text = String::new();
    if !whole.is_empty() {
        let names: Vec<String> = whole.iter().map(|name| printable(name)).collect();
        text += &below("cannot cause it, however bad, by any fault of the chart:", &names);
    }
    if !some.is_empty() {
        let kinds: Vec<String> =
            some.iter().map(|(name, kinds)| format!("{} by {}", printable(name), kinds.join(" or "))).collect();
        text += &below("nor can:", &kinds);
    }
    text
}

/// A heading, and names below it on lines of the page.
fn below(heading: &str, names: &[String]) -> String {
    format!("\n{heading}\n{}", filled(" ", " ", commas(names)))
}

/// Where the hiss shows first at another device's output.
fn tracing(result: &SymptomsResult) -> String {
    let mut lines: Vec<String> = Vec::new();
    for row in result.chart.rows.iter().filter(|row| row.complains()) {
        let Some(CaseRow { fingerprint: Some(print), .. }) = row.shown() else { continue };
        let (Some(wrong), Some(first)) = (&print.misleads_to, print.first) else { continue };
        // Only devices: nobody takes a resistor's hiss for that of the device it is connected to by mistake.
        let device =
            result.chart.acts.iter().any(|offer| offer.act.how == How::Freeze && offer.act.what == row.suspect.part);
        if device {
            lines.push(format!(
                "  {} {}: first seen at {}, the output of {}\n",
                printable(&row.suspect.part),
                row.suspect.kind.name(),
                printable(&result.chart.healthy[first].name),
                printable(wrong)
            ));
        }
    }
    if lines.is_empty() {
        String::new()
    } else {
        format!("\ntracing the hiss ends at the wrong device:\n{}", lines.concat())
    }
}

fn pairs(result: &SymptomsResult) -> String {
    let chart = &result.chart;
    if chart.pairs.is_empty() {
        return String::new();
    }
    let mut rows = Rows::new(&["suspects", "nearest faults", "best test", ">apart by"]);
    for pair in chart.pairs.iter().take(PAIRS) {
        let [a, b] = &pair.parts;
        let [one, other] = pair.kinds.map(|kind| kind.name());
        let kinds = if one == other { one.to_owned() } else { format!("{one}, {other}") };
        let (test, apart) = match pair.test {
            Some(test) => (test_text(result, test), format!("{:.1} sd", pair.separation_sd)),
            None => ("none by itself".to_owned(), "-".to_owned()),
        };
        rows.add([format!("{a}, {b}"), kinds, test, apart]);
    }
    let hidden = chart.pairs.len().saturating_sub(PAIRS);
    let more =
        if hidden > 0 { format!("{hidden} more pairs lie farther apart; --json lists all\n") } else { String::new() };
    format!(
        "\nhardest to tell apart, and the test that does it best whatever the severity, in sd of reading it:\n\n{}{more}",
        rows.text()
    )
}

pub(in crate::report) fn test_text(result: &SymptomsResult, test: Measured) -> String {
    match test {
        Measured::Hiss(point) => format!("hiss at {}", result.chart.healthy[point].name),
        Measured::Dc(point) => {
            format!(
                "DC at {}, healthy {}",
                result.chart.healthy[point].name,
                volts(result.chart.healthy[point].dc_volts)
            )
        }
        Measured::Act(at) => {
            let act = &result.chart.acts[at].act;
            format!("{} {}", act.how.name(), act.what)
        }
    }
}

fn notes(result: &SymptomsResult) -> String {
    let each = result.chart.notes.iter();
    each.map(|note| format!("\n{}", filled("", " ", note.split(' ').map(printable)))).collect()
}

fn cautions(result: &SymptomsResult) -> String {
    let shown = result.chart.pairs.iter().take(PAIRS);
    let shunts = |test: Measured| matches!(test, Measured::Act(at) if result.chart.acts[at].act.how == How::Shunt);
    let shunting = shown.filter_map(|pair| pair.test).any(shunts);
    format!("\n{CAUTIONS}{}", if shunting { SHUNT_CAUTIONS } else { "" })
}

fn decibels(db: Option<f64>) -> String {
    db.map_or_else(|| "-".to_owned(), |db| format!("{:+.1}", db + 0.0))
}
