//! Text to netlist: files on one stack, sub-circuits on another.

mod include;
mod nesting;

pub use include::{Fetched, IncludeRequest};

use super::fields::{Fields, Parsed, span};
use super::lines::{self, Lines};
use super::{Limits, Netlist, Scope, Subcircuit, card, statement};
use crate::diagnostic::{Code, Diagnostic, Severity, SourceId, Span};
use std::ops::Range;

/// Reads the netlist `text`, called `name` in messages.
///
/// `fetch` supplies the texts of `.include`; the library itself reads no files. A statement that cannot be read is
/// reported and left out, a value that cannot be read is reported and replaced, and the reading goes on. So all
/// problems come at once, and a netlist with any error among its diagnostics is fit for finding further problems, not
/// for computing.
pub fn read(
    name: &str,
    text: &str,
    fetch: &mut dyn FnMut(&IncludeRequest<'_>) -> Result<Fetched, String>,
) -> (Netlist, Vec<Diagnostic>) {
    read_with(&Limits::default(), name, text, fetch)
}

/// As [`read`], with limits of the caller's own.
pub fn read_with(
    limits: &Limits,
    name: &str,
    text: &str,
    fetch: &mut dyn FnMut(&IncludeRequest<'_>) -> Result<Fetched, String>,
) -> (Netlist, Vec<Diagnostic>) {
    let mut reader = Reader {
        limits,
        netlist: Netlist::default(),
        diagnostics: Vec::new(),
        files: Vec::new(),
        open: Vec::new(),
        bytes: 0,
        fields: 0,
        earlier: Earlier::default(),
        fetch,
    };
    match reader.open_file(name.to_owned(), text, true) {
        Ok(()) => reader.run(),
        Err(problem) => reader.diagnostics.push(problem),
    }
    (reader.netlist, reader.diagnostics)
}

/// Whether a line reads as a card or as a statement that has a meaning: a title hardly does.
///
/// A long first word without a digit is one of a sentence (`Resistor bridge one two`), not the name of a part.
pub fn looks_like_statement(line: &str) -> bool {
    let first = line.split_whitespace().next().unwrap_or_default();
    let named = first.starts_with('.') || first.chars().count() <= 4 || first.contains(|c: char| c.is_ascii_digit());
    if line.len() > Limits::default().statement_bytes || !named {
        return false;
    }
    let text = format!("\n{}", line.split(';').next().unwrap_or_default());
    let (netlist, messages) = read("", &text, &mut |_| Err("a title includes nothing".to_owned()));
    let top = &netlist.top;
    let something = !(top.cards.is_empty() && top.models.is_empty() && top.parameters.is_empty())
        || netlist.noise.is_some()
        || netlist.ac.is_some()
        || netlist.ambient_celsius.is_some()
        || messages.iter().any(|message| matches!(message.code, Code::IncludeFailed | Code::UnclosedSubcircuit));
    something && messages.iter().all(|message| !message.is_error() || message.code != Code::FieldCount)
}

struct Reader<'a> {
    limits: &'a Limits,
    netlist: Netlist,
    diagnostics: Vec<Diagnostic>,
    /// The file itself and those being included, innermost last.
    files: Vec<OpenFile>,
    /// Sub-circuits not yet ended, innermost last.
    open: Vec<Subcircuit>,
    bytes: usize,
    /// Names, values and signs so far.
    fields: usize,
    earlier: Earlier,
    fetch: &'a mut dyn FnMut(&IncludeRequest<'_>) -> Result<Fetched, String>,
}

struct OpenFile {
    name: String,
    source: SourceId,
    lines: Lines,
    next: usize,
}

/// Where statements stood that should be given once.
#[derive(Default)]
struct Earlier {
    temp: Option<Span>,
    ac: Option<Span>,
    noise: Option<Span>,
}

/// Whether the reading goes on after a statement.
enum Next {
    Statement,
    /// `.end`, or a limit: nothing more of this file.
    EndOfFile,
}

impl Reader<'_> {
    fn open_file(&mut self, name: String, text: &str, has_title: bool) -> Result<(), Diagnostic> {
        self.bytes = self.bytes.saturating_add(text.len());
        if self.bytes > self.limits.text_bytes {
            let message = format!("with {name} the netlist is longer than {}", bytes(self.limits.text_bytes));
            let error = Diagnostic::error(Code::LimitExceeded, message);
            return Err(error.help("include only the files that the circuit needs"));
        }
        let source = self.netlist.sources.add(name.clone(), text);
        let lines = lines::split(text, has_title);
        if has_title {
            self.netlist.title = lines.title.clone();
        }
        if let Some(orphan) = &lines.orphan {
            let place = span(source, orphan);
            let error = Diagnostic::error(Code::UnknownElement, "the line continues nothing");
            let help = "remove the +, or put the statement it belongs to above it";
            self.diagnostics.push(error.at(place).in_statement(place).help(help));
        }
        self.files.push(OpenFile { name, source, lines, next: 0 });
        Ok(())
    }

    fn run(&mut self) {
        while let Some(file) = self.files.last_mut() {
            let Some(place) = file.lines.statements.get(file.next).cloned() else {
                self.files.pop();
                continue;
            };
            file.next += 1;
            let (source, text) = (file.source, file.lines.clean.clone());
            if let Next::EndOfFile = self.statement(&text[place.clone()], source, place) {
                self.files.pop();
            }
            let most = self.limits.messages;
            if self.diagnostics.len() >= most {
                self.diagnostics.truncate(most);
                let message = format!("{most} messages: the rest is not read");
                self.diagnostics.push(Diagnostic::error(Code::LimitExceeded, message));
                self.files.clear();
            }
        }
        self.close_down_to(0);
    }

    fn statement(&mut self, text: &str, source: SourceId, place: Range<usize>) -> Next {
        let whole = span(source, &place);
        if text.len() > self.limits.statement_bytes {
            let message = format!("the statement is longer than {}", bytes(self.limits.statement_bytes));
            let first_line = Span { end: whole.start, ..whole };
            self.diagnostics.push(Diagnostic::error(Code::LimitExceeded, message).at(first_line).in_statement(whole));
            return Next::Statement;
        }
        // A path may hold what a token cannot, so it is taken before the statement is cut.
        let keyword = text.split(char::is_whitespace).next().unwrap_or_default();
        if keyword.eq_ignore_ascii_case(".include") {
            self.include(&text[keyword.len()..], whole);
            return Next::Statement;
        }
        let mut fields = match Fields::new(text, source, &place, self.limits) {
            Ok(fields) => fields,
            Err(problem) => {
                self.diagnostics.push(*problem);
                return Next::Statement;
            }
        };
        let outcome = self.take(&mut fields);
        self.diagnostics.append(&mut fields.diagnostics);
        self.fields = self.fields.saturating_add(fields.count);
        if self.fields > self.limits.fields {
            let message = format!("the netlist has more than {} names and values", self.limits.fields);
            let error = Diagnostic::error(Code::LimitExceeded, message).at(fields.place_of_subject());
            self.diagnostics.push(error.in_statement(whole).help("leave out what the question does not need"));
            self.files.clear();
            return Next::Statement;
        }
        outcome.unwrap_or_else(|problem| {
            self.diagnostics.push(*problem);
            Next::Statement
        })
    }

    fn take(&mut self, fields: &mut Fields<'_>) -> Parsed<Next> {
        match fields.subject.to_lowercase().as_str() {
            ".model" => {
                let model = statement::model(fields)?;
                self.scope().models.push(model);
            }
            ".param" => {
                let parameters = statement::param(fields)?;
                self.scope().parameters.extend(parameters);
            }
            ".subckt" => return self.begin(fields),
            ".ends" => self.end(fields)?,
            ".temp" => {
                let value = statement::temp(fields)?;
                once(fields, &mut self.earlier.temp);
                self.netlist.ambient_celsius = Some(value);
            }
            ".ac" => {
                let sweep = statement::ac(fields)?;
                once(fields, &mut self.earlier.ac);
                self.netlist.ac = Some(sweep);
            }
            ".noise" => {
                let noise = statement::noise(fields)?;
                once(fields, &mut self.earlier.noise);
                self.netlist.noise = Some(noise);
            }
            ".op" => {}
            ".end" => {
                self.warn_after_end();
                return Ok(Next::EndOfFile);
            }
            skipped if statement::SKIPPED.contains(&skipped) => {
                let message = format!("{skipped} has no meaning here and is skipped");
                fields.warn(Code::StatementSkipped, fields.place(), message, None);
            }
            unknown if unknown.starts_with('.') => return Err(statement::unknown(fields)),
            _ => {
                let card = card::read(fields)?;
                self.scope().cards.push(card);
            }
        }
        Ok(Next::Statement)
    }

    /// The level on which statements stand now.
    fn scope(&mut self) -> &mut Scope {
        self.open.last_mut().map_or(&mut self.netlist.top, |subcircuit| &mut subcircuit.body)
    }

    fn warn_after_end(&mut self) {
        let Some(file) = self.files.last() else { return };
        let Some(place) = file.lines.statements.get(file.next) else { return };
        let place = span(file.source, place);
        let warning = Diagnostic::warning(Code::TextAfterEnd, "what follows .end is not read");
        self.diagnostics.push(warning.at(place).in_statement(place).help("move .end to the last line, or remove it"));
    }
}

/// A number of bytes as a person writes it.
fn bytes(count: usize) -> String {
    match count {
        count if count >= 1 << 20 && count.is_multiple_of(1 << 20) => format!("{} MiB", count >> 20),
        count if count >= 1 << 10 && count.is_multiple_of(1 << 10) => format!("{} KiB", count >> 10),
        count => format!("{count} bytes"),
    }
}

/// Warns when a statement was given before; the later one holds.
fn once(fields: &mut Fields<'_>, earlier: &mut Option<Span>) {
    if let Some(first) = earlier.replace(fields.span) {
        let message = format!("{} is given more than once; this one holds", fields.subject);
        let warning =
            Diagnostic { severity: Severity::Warning, ..fields.error(Code::RepeatedStatement, fields.span, message) };
        fields.diagnostics.push(warning.label(first, "given here before").help("keep one of them"));
    }
}
