//! The scores of a class: read from their files, drawn as one table.

use std::io::Read;
use std::path::{Path, PathBuf};

use hissmap::diagnostic::{Code, Diagnostic, Sources};
use hissmap::report::json::{self, SCHEMA, Score};
use hissmap::report::{csv, text};

use super::super::answer::{Outcome, Refusal, line};
use super::super::files::reason;
use super::super::flags::Format;

/// Bytes of a score, at most.
const LARGEST_SCORE: u64 = 4 * 1024 * 1024;

/// Merges scores.
pub fn merge(files: &[PathBuf], format: Format) -> Result<Outcome, Refusal> {
    let (mut scores, mut errors) = (Vec::new(), Vec::new());
    for file in files {
        match read(file) {
            Ok(score) => scores.push(score),
            Err(error) => errors.push(error),
        }
    }
    let mut sources = Sources::default();
    for file in files {
        sources.add(file.display().to_string(), "");
    }
    if !errors.is_empty() {
        return Err(Refusal::of(errors, sources));
    }
    let result = match format {
        Format::Text => text::class(&scores),
        Format::Csv => csv::class(&scores),
        Format::Json => line(&json::DrillClass::new(json::Head::new("drill", Vec::new()), &scores)),
    };
    Ok(Outcome { result, messages: Vec::new(), sources, code: 0 })
}

fn read(file: &Path) -> Result<Score, Diagnostic> {
    let name = file.display();
    let failed = |why: String| {
        let error = Diagnostic::error(Code::CannotRead, format!("{name} cannot be read: {why}"));
        error.help("name the files that hissmap drill --score wrote")
    };
    let opened = std::fs::File::open(file).map_err(|error| failed(reason(&error)))?;
    let mut bytes = Vec::new();
    opened.take(LARGEST_SCORE + 1).read_to_end(&mut bytes).map_err(|error| failed(reason(&error)))?;
    if bytes.len() as u64 > LARGEST_SCORE {
        return Err(failed("it is larger than any score".to_owned()));
    }
    let whole: serde_json::Value =
        serde_json::from_slice(&bytes).map_err(|error| failed(format!("it is no score: {error}")))?;
    let is = |key: &str| whole.get(key).cloned().unwrap_or_default();
    if is("command") != "drill" || is("schema") != SCHEMA {
        return Err(failed(format!("it is no score of version {SCHEMA}")));
    }
    serde_json::from_value(whole).map_err(|error| failed(format!("it is no score: {error}")))
}
