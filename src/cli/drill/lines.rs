//! Where the lines of a drill come from: a person at a terminal, a pipe, a script.

use std::io::{self, BufRead, IsTerminal, Read};
use std::path::Path;

use hissmap::diagnostic::{Code, Diagnostic};

use super::super::files::reason;

/// Bytes of a line, at most; what is longer is cut, and is no action anyway.
const LONGEST_LINE: u64 = 64 * 1024;
/// Bytes of a script, at most.
const LONGEST_SCRIPT: u64 = 1024 * 1024;

/// Lines of a drill.
pub enum Lines {
    /// A person: line editing, and what was typed before by the arrow keys.
    Person(Box<rustyline::DefaultEditor>),
    /// A pipe.
    Pipe,
    /// A script, the next line last.
    Script(Vec<String>),
}

impl Lines {
    /// Of a script, or of standard input.
    pub fn of(script: Option<&Path>) -> Result<Self, Diagnostic> {
        if let Some(path) = script {
            return read_script(path).map(|text| Self::Script(text.lines().rev().map(str::to_owned).collect()));
        }
        let person = io::stdin().is_terminal() && io::stdout().is_terminal();
        // A terminal that takes no editing still takes lines.
        match person.then(rustyline::DefaultEditor::new) {
            Some(Ok(editor)) => Ok(Self::Person(Box::new(editor))),
            _ => Ok(Self::Pipe),
        }
    }

    /// Whether what is typed is seen without being repeated.
    pub fn is_person(&self) -> bool {
        matches!(self, Self::Person(_))
    }

    /// The next line; `None` at the end, or where somebody breaks off.
    pub fn next(&mut self) -> Option<String> {
        match self {
            Self::Script(lines) => lines.pop(),
            Self::Person(editor) => {
                let line = editor.readline("> ").ok()?;
                // Without a history the drill goes on.
                let _ = editor.add_history_entry(line.as_str());
                Some(line)
            }
            Self::Pipe => {
                let mut input = io::stdin().lock();
                let mut bytes = Vec::new();
                let read = (&mut input).take(LONGEST_LINE).read_until(b'\n', &mut bytes).ok()?;
                if read == 0 {
                    return None;
                }
                Some(String::from_utf8_lossy(&bytes).trim_end_matches(['\n', '\r']).to_owned())
            }
        }
    }
}

fn read_script(path: &Path) -> Result<String, Diagnostic> {
    let failed = |reason: String| {
        let message = format!("{} cannot be read: {reason}", path.display());
        Diagnostic::error(Code::CannotRead, message).help("name a text with one action a line")
    };
    let file = std::fs::File::open(path).map_err(|error| failed(reason(&error)))?;
    let mut bytes = Vec::new();
    file.take(LONGEST_SCRIPT + 1).read_to_end(&mut bytes).map_err(|error| failed(reason(&error)))?;
    if bytes.len() as u64 > LONGEST_SCRIPT {
        return Err(failed("it is longer than 1 MB".to_owned()));
    }
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}
