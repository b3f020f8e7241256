//! Where and why a recording could not be read.

use crate::diagnostic::{Code, Diagnostic, Sources, Span};

/// Of a long line this much is shown, bytes.
const SHOWN_BYTES: usize = 200;

/// A line of a recording that is wrong, or a recording that is wrong as a whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Misread {
    /// Kind of message.
    pub code: Code,
    /// What is wrong.
    pub message: String,
    /// What to type.
    pub help: String,
    /// The line, counted from 1, and its text; `None` where it is about the whole.
    pub line: Option<(usize, String)>,
}

impl Misread {
    pub(super) fn whole(code: Code, message: impl Into<String>, help: impl Into<String>) -> Self {
        Self { code, message: message.into(), help: help.into(), line: None }
    }

    pub(super) fn at(code: Code, line: usize, text: &str, message: impl Into<String>, help: impl Into<String>) -> Self {
        let end = (0..=SHOWN_BYTES.min(text.len())).rev().find(|&end| text.is_char_boundary(end)).unwrap_or(0);
        Self { line: Some((line, text[..end].to_owned())), ..Self::whole(code, message, help) }
    }

    /// The same as a message about the file of that name. Only the line it is about is added to the sources.
    pub fn diagnostic(&self, name: &str, sources: &mut Sources) -> Diagnostic {
        let error = Diagnostic::error(self.code, self.message.clone()).help(self.help.clone());
        match &self.line {
            None => {
                sources.add(name, "");
                error
            }
            Some((line, text)) => {
                let end = text.len() as u32;
                let source = sources.add_line(name, text.as_str(), *line);
                error.at(Span { source, start: 0, end })
            }
        }
    }
}
