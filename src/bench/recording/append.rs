//! A reading into the text of a bench sheet, all that stands there kept: comments, order, spacing.

use toml_edit::{ArrayOfTables, DocumentMut, Item, Table, value};

use super::reading::origin;
use super::{Measure, Recording};
use crate::diagnostic::{Code, Diagnostic, SourceId, Span};

/// The sheet with a reading of a recording behind those that are there. `name` is that of the recording.
///
/// # Errors
/// [`Code::BadRecording`] where the text is no TOML (the place is marked in the first of the sources), or `reading` is there
/// as something other than tables.
pub fn append_reading(
    sheet: &str,
    measure: Measure,
    recording: &Recording,
    at: &str,
    name: &str,
) -> Result<String, Diagnostic> {
    let mut document = parse(sheet)?;
    let mut reading = Table::new();
    reading.insert("measure", value(measure.word()));
    reading.insert("at", value(at));
    reading.insert("value", value(measure.value(recording)));
    reading.decor_mut().set_prefix(format!("\n{}", origin(measure, recording, name)));
    let readings = document.entry("reading").or_insert(Item::ArrayOfTables(ArrayOfTables::new()));
    match readings.as_array_of_tables_mut() {
        Some(readings) => readings.push(reading),
        None => {
            let message = "reading is no list of tables in this sheet";
            return Err(Diagnostic::error(Code::BadRecording, message).help("write each as [[reading]]"));
        }
    }
    Ok(document.to_string())
}

/// The band that a sheet names, Hz; `None` where it names none, or none that ascends from above zero.
///
/// # Errors
/// As [`append_reading`].
pub fn sheet_band(sheet: &str) -> Result<Option<[f64; 2]>, Diagnostic> {
    let document = parse(sheet)?;
    let band = document.get("band").and_then(Item::as_array);
    let number = |end: &toml_edit::Value| end.as_float().or_else(|| end.as_integer().map(|whole| whole as f64));
    let ends: Option<Vec<f64>> = band.and_then(|band| band.iter().map(number).collect());
    Ok(ends.and_then(|ends| <[f64; 2]>::try_from(ends).ok()).filter(|[low, high]| *low > 0.0 && low < high))
}

fn parse(sheet: &str) -> Result<DocumentMut, Diagnostic> {
    sheet.parse::<DocumentMut>().map_err(|error| {
        let what = error.message().lines().next().unwrap_or_default().to_owned();
        let message = Diagnostic::error(Code::BadRecording, format!("this is no bench sheet: {what}"));
        let message = message.help("mend this line: a sheet is TOML, with text in quotation marks");
        match error.span().filter(|span| sheet.get(span.clone()).is_some()) {
            Some(span) => message.at(Span { source: SourceId(0), start: span.start as u32, end: span.end as u32 }),
            None => message,
        }
    })
}
