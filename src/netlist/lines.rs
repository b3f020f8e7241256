//! Physical lines to statements.
//!
//! Comments, line ends and the `+` of continued lines are overwritten with as many blanks. A statement is then one run
//! of bytes that stand where they stand in the file, so a place in it needs no translation.

use std::ops::Range;
use std::sync::Arc;

/// A text cut into statements.
pub(super) struct Lines {
    /// The first line without blanks around it; empty unless asked for.
    pub title: String,
    /// The text with everything but statements blanked, byte for byte as long as the original.
    pub clean: Arc<str>,
    /// Where the statements stand.
    pub statements: Vec<Range<usize>>,
    /// The first line that continues nothing.
    pub orphan: Option<Range<usize>>,
}

/// Cuts `text`; with `has_title` its first line is set aside.
pub(super) fn split(text: &str, has_title: bool) -> Lines {
    let mut title = String::new();
    let mut clean = String::with_capacity(text.len());
    let mut statements: Vec<Range<usize>> = Vec::new();
    let mut orphan = None;
    for (number, line) in text.split_inclusive('\n').enumerate() {
        let start = clean.len();
        let mark = if number == 0 && line.starts_with('\u{feff}') { '\u{feff}'.len_utf8() } else { 0 };
        if number == 0 && has_title {
            title = line[mark..].trim().to_owned();
            blank(&mut clean, line.len());
            continue;
        }
        let content = match line[mark..].trim_start() {
            comment if comment.starts_with('*') => "",
            content => content.split(';').next().unwrap_or_default().trim_end(),
        };
        let indent = if content.is_empty() { line.len() } else { content.as_ptr() as usize - line.as_ptr() as usize };
        blank(&mut clean, indent);
        match content.strip_prefix('+') {
            Some(rest) => {
                blank(&mut clean, 1);
                clean.push_str(rest);
                match statements.last_mut() {
                    Some(statement) => statement.end = clean.len(),
                    None => orphan = orphan.or(Some(start + indent..clean.len())),
                }
            }
            None if content.is_empty() => {}
            None => {
                clean.push_str(content);
                statements.push(start + indent..clean.len());
            }
        }
        let rest = start + line.len() - clean.len();
        blank(&mut clean, rest);
    }
    Lines { title, clean: clean.into(), statements, orphan }
}

fn blank(text: &mut String, bytes: usize) {
    text.extend(std::iter::repeat_n(' ', bytes));
}
