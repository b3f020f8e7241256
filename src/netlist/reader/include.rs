//! Files that include files.

use super::Reader;
use crate::diagnostic::{Code, Diagnostic, Span};

/// What an `.include` asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IncludeRequest<'a> {
    /// The path as written.
    pub path: &'a str,
    /// Name of the text that asks, as it was handed in.
    pub from: &'a str,
}

/// A text that was fetched for an `.include`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fetched {
    /// Name it is known by. The same file must have the same name each time: circles are found by it.
    pub name: String,
    /// The whole text.
    pub text: String,
}

impl Reader<'_> {
    /// `.include`: what it holds is read next, in the scope that is open now.
    pub(super) fn include(&mut self, rest: &str, whole: Span) {
        if let Err(problem) = self.open_include(rest, whole) {
            self.diagnostics.push(problem.in_statement(whole));
        }
    }

    fn open_include(&mut self, rest: &str, whole: Span) -> Result<(), Diagnostic> {
        let written = rest.trim();
        let start = whole.end - (rest.trim_start().len() as u32);
        let path = ['"', '\''].into_iter().find_map(|quote| written.strip_prefix(quote)?.strip_suffix(quote));
        let path = path.unwrap_or(written);
        let place = Span { start, ..whole };
        let error = |code, message| Diagnostic::error(code, message).at(place);
        if path.is_empty() || path.contains('"') {
            let message = "the name of the file to include is missing or its quotes do not match".to_owned();
            return Err(error(Code::FieldCount, message).help("write .include \"FILE\""));
        }
        let deepest = self.limits.include_depth;
        if self.files.len() > deepest {
            let message = format!("files include one another more than {deepest} deep");
            return Err(error(Code::LimitExceeded, message).help("include the innermost file from here"));
        }
        let most = self.limits.includes;
        if self.netlist.sources.iter().count() > most {
            let message = format!("more than {most} files are included");
            return Err(error(Code::LimitExceeded, message).help("put what belongs together into one file"));
        }
        let from = self.files.last().map_or("", |file| file.name.as_str());
        let fetched = (self.fetch)(&IncludeRequest { path, from })
            .map_err(|reason| error(Code::IncludeFailed, format!("{path} cannot be included: {reason}")))
            .map_err(|error| error.help("name a file, its path counted from the folder of this one"))?;
        if let Some(outer) = self.files.iter().position(|file| file.name == fetched.name) {
            let chain: Vec<&str> = self.files[outer..].iter().map(|file| file.name.as_str()).collect();
            let message = format!("{0} includes itself: {1} → {0}", fetched.name, chain.join(" → "));
            return Err(error(Code::IncludeCycle, message).help("remove this line"));
        }
        self.open_file(fetched.name, &fetched.text, false).map_err(|problem| problem.at(place))
    }
}
