//! A diagnostic with its place looked up, as data that stands by itself.

use crate::diagnostic::{Diagnostic, Severity, Sources};

/// A message as results carry it.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Message {
    /// Stable code.
    pub code: &'static str,
    /// Error or warning.
    pub severity: Severity,
    /// What is wrong.
    pub message: String,
    /// The file it is about.
    pub file: Option<String>,
    /// First line of the statement, from 1; `None` for messages about no line.
    pub line: Option<usize>,
    /// Column in characters, from 1.
    pub column: Option<usize>,
    /// What to type.
    pub help: Option<String>,
}

impl Message {
    /// Looks up the place of a diagnostic. One without a place is about the first of the sources as a whole.
    pub fn new(diagnostic: &Diagnostic, sources: &Sources) -> Self {
        let place = diagnostic.location(sources);
        let whole = || sources.iter().next().map(|source| source.name.clone());
        Self {
            code: diagnostic.code.as_str(),
            severity: diagnostic.severity,
            message: diagnostic.message.clone(),
            line: place.as_ref().map(|place| place.line),
            column: place.as_ref().map(|place| place.column),
            file: place.map(|place| place.file).or_else(whole),
            help: diagnostic.help.clone(),
        }
    }

    /// Looks up the places of all diagnostics of a severity.
    pub fn all(diagnostics: &[Diagnostic], severity: Severity, sources: &Sources) -> Vec<Self> {
        let chosen = diagnostics.iter().filter(|diagnostic| diagnostic.severity == severity);
        chosen.map(|diagnostic| Self::new(diagnostic, sources)).collect()
    }
}
