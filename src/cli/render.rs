//! Messages as a colleague would say them: the place, the line itself, what is marked, what to type.

use std::fmt::Write;

use anstyle::{AnsiColor, Style};
use hissmap::diagnostic::{Code, Diagnostic, Location, Severity, Sources};
use hissmap::report::text::printable;

const PLACE: Style = Style::new().bold();
const MARK: Style = AnsiColor::Yellow.on_default();
const QUIET: Style = Style::new().dimmed();

/// Characters of a line that are shown; of a longer one the part around what is marked.
const SHOWN: usize = 90;

/// All messages, one after the other; the first of each code says where there is more about it.
pub fn messages(messages: &[Diagnostic], sources: &Sources) -> String {
    let mut explained: Vec<Code> = Vec::new();
    let draw = |message: &Diagnostic| {
        let first = !explained.contains(&message.code);
        explained.push(message.code);
        draw(message, sources, first)
    };
    messages.iter().map(draw).collect()
}

fn draw(message: &Diagnostic, sources: &Sources, explain: bool) -> String {
    let reported = message.location(sources);
    let marked = message.span.and_then(|span| sources.locate(span)).or_else(|| reported.clone());
    let mut text = String::new();
    let kind = match message.severity {
        Severity::Error => "",
        Severity::Warning => "warning: ",
    };
    let place = match &reported {
        Some(place) => format!("{}, line {}, column {}", place.file, place.line, place.column),
        None => sources.iter().next().map(|source| source.name.clone()).unwrap_or_default(),
    };
    // What is wrong with a flag of a command that reads no file stands nowhere.
    let place = if place.is_empty() { place } else { format!("{PLACE}{}{PLACE:#}: ", printable(&place)) };
    let code = message.code.as_str();
    let _ = writeln!(text, "{place}{kind}{}  {QUIET}({code}){QUIET:#}", printable(&message.message));
    if let Some(marked) = &marked {
        let number = match &reported {
            Some(reported) if reported.line != marked.line => format!("line {}: ", marked.line),
            _ => String::new(),
        };
        text += &quote(marked, &number);
    }
    for label in &message.labels {
        let Some(place) = sources.locate(label.span) else { continue };
        let elsewhere = match &reported {
            Some(reported) if reported.file == place.file => String::new(),
            _ => format!("{}, ", printable(&place.file)),
        };
        let _ = writeln!(text, "    {}, {elsewhere}line {}", printable(&label.note), place.line);
    }
    let more = explain.then(|| format!("`hissmap why {code}` tells more"));
    let last: Vec<String> = message.help.as_deref().map(printable).into_iter().chain(more).collect();
    if !last.is_empty() {
        let _ = writeln!(text, "    {}", last.join("; "));
    }
    text
}

/// The line with tildes under what is marked.
fn quote(place: &Location, number: &str) -> String {
    let before = place.column - 1;
    let start = if place.text.chars().count() > SHOWN { before.saturating_sub(SHOWN / 2) } else { 0 };
    let line: String = place.text.chars().skip(start).take(SHOWN).collect();
    let blanks = " ".repeat(number.chars().count() + before - start);
    let tildes = "~".repeat(place.width.min(SHOWN.saturating_sub(before - start)).max(1));
    format!("    {number}{}\n    {blanks}{MARK}{tildes}{MARK:#}\n", printable(&line))
}
