//! A scope's text, as it arrives: a heading of any lines, then rows of numbers, of which one column is wanted.
//!
//! The delimiter is the one under which two lines running are nothing but as many numbers; the first decimal point or comma
//! decides for all rows. Names and units come from the lines above.

use super::cells::{Dialect, Unit};
use super::clock::Clock;
use super::misread::Misread;
use crate::diagnostic::{Code, nearest};

/// Lines a heading may have, and those of them that are kept.
const LONGEST_HEADING: usize = 1000;
const KEPT_LINES: usize = 4;
/// Bytes a line may have.
const LONGEST_LINE: usize = 64 << 10;

/// What is known about a text beforehand.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CsvOptions {
    /// What separates cells, a blank for any run of blanks; recognised unless given.
    pub delimiter: Option<char>,
    /// Whether decimals stand behind a comma; recognised unless given.
    pub decimal_comma: Option<bool>,
    /// Samples per second; from the time column unless given, and that column is then skipped.
    pub rate_hz: Option<f64>,
    /// That there is no time column.
    pub no_time: bool,
    /// Name of the wanted column, or its number from 1, time not counted; the first unless given.
    pub channel: Option<String>,
    /// Seconds to a unit of the time column; from the heading unless given, else 1.
    pub time_scale: Option<f64>,
    /// Volts to a unit of the wanted column; from the heading unless given, else 1.
    pub volts_scale: Option<f64>,
}

/// Reads a text in pieces of any size.
#[derive(Clone, Debug, Default)]
pub struct CsvReader {
    options: CsvOptions,
    partial: Vec<u8>,
    line: usize,
    heading: Vec<String>,
    /// A line of numbers that may be the first row: dialect, how many, line, text.
    pending: Option<(Dialect, usize, usize, String)>,
    table: Option<Table>,
    clock: Clock,
}

/// How rows are read: columns with their scales, names of the channels, which of them is read.
#[derive(Clone, Debug)]
struct Table {
    dialect: Dialect,
    time: Option<(usize, f64)>,
    volts: (usize, f64),
    channels: Vec<String>,
    chosen: usize,
}

impl CsvReader {
    /// Nothing read yet.
    pub fn new(options: CsvOptions) -> Self {
        Self { options, ..Self::default() }
    }

    /// Takes further bytes, and adds the volts of the rows that they complete.
    ///
    /// # Errors
    /// [`Misread`] names the line that is no row, or the gap in time.
    pub fn feed(&mut self, mut bytes: &[u8], volts: &mut Vec<f64>) -> Result<(), Misread> {
        while let Some(end) = bytes.iter().position(|&byte| byte == b'\n') {
            self.partial.extend_from_slice(&bytes[..end]);
            bytes = &bytes[end + 1..];
            let mut line = std::mem::take(&mut self.partial);
            self.take(&line, volts)?;
            line.clear();
            self.partial = line;
        }
        self.partial.extend_from_slice(bytes);
        if self.partial.len() > LONGEST_LINE {
            let shown = String::from_utf8_lossy(&self.partial[..80]).into_owned();
            let message = "this line is too long for a row of a recording";
            return Err(Misread::at(Code::BadRecording, self.line + 1, &shown, message, "give a CSV or a WAV file"));
        }
        Ok(())
    }

    /// Ends the text; its last line may lack an end.
    ///
    /// # Errors
    /// As [`CsvReader::feed`], and [`Misread`] about the whole where there are no rows of numbers.
    pub fn end(&mut self, volts: &mut Vec<f64>) -> Result<(), Misread> {
        let line = std::mem::take(&mut self.partial);
        if !line.is_empty() {
            self.take(&line, volts)?;
        }
        if self.table.is_none() { Err(no_rows()) } else { self.clock.check_first() }
    }

    /// Samples per second as far as is known: as given, or by the time column so far.
    pub fn rate_hz(&self) -> Option<f64> {
        self.options.rate_hz.or_else(|| self.clock.rate_hz())
    }

    /// The name of the column that is read, or its number where it has none; `None` before the first row.
    pub fn channel(&self) -> Option<&str> {
        self.table.as_ref().map(|table| table.channels[table.chosen].as_str())
    }

    /// Names of all columns but time, in order; none before the first row.
    pub fn channels(&self) -> &[String] {
        self.table.as_ref().map_or(&[], |table| &table.channels)
    }

    fn take(&mut self, bytes: &[u8], volts: &mut Vec<f64>) -> Result<(), Misread> {
        self.line += 1;
        let latin: String;
        let text = match std::str::from_utf8(bytes) {
            Ok(text) => text,
            // Old scopes write µ in one byte.
            Err(_) => {
                latin = bytes.iter().copied().map(char::from).collect();
                &latin
            }
        };
        let text = text.trim_start_matches('\u{feff}').trim_end_matches('\r');
        if text.trim().is_empty() {
            return Ok(());
        }
        if self.table.is_some() {
            return self.row(self.line, text, volts);
        }
        let found = self.dialect(text);
        match (self.pending.take(), found) {
            (Some((dialect, count, line, first)), Some(now)) if (dialect, count) == now => {
                self.begin(dialect, count)?;
                self.row(line, &first, volts)?;
                return self.row(self.line, text, volts);
            }
            (Some((.., before)), _) => self.keep(before),
            (None, _) => {}
        }
        match found {
            Some((dialect, count)) => self.pending = Some((dialect, count, self.line, text.to_owned())),
            None => self.keep(text.to_owned()),
        }
        if self.line > LONGEST_HEADING { Err(no_rows()) } else { Ok(()) }
    }

    fn keep(&mut self, line: String) {
        if self.heading.len() == KEPT_LINES {
            self.heading.remove(0);
        }
        self.heading.push(line);
    }

    /// Under which dialect a line is nothing but numbers, and how many.
    fn dialect(&self, line: &str) -> Option<(Dialect, usize)> {
        let decimal = self.options.decimal_comma.map(|comma| if comma { ',' } else { '.' });
        let all = ['\t', ';', ',', ' '].map(|delimiter| Dialect { delimiter, decimal });
        all.into_iter()
            .filter(|one| self.options.delimiter.is_none_or(|given| given == one.delimiter))
            .filter(|one| one.delimiter == ' ' || line.contains(one.delimiter))
            // Between commas a decimal comma stands in quotation marks.
            .filter(|one| !(one.delimiter == ',' && decimal == Some(',')) || line.contains('"'))
            .find_map(|one| one.numbers(line).map(|count| (one, count)))
    }

    fn begin(&mut self, dialect: Dialect, count: usize) -> Result<(), Misread> {
        let headings: Vec<Vec<&str>> = self.heading.iter().rev().map(|line| dialect.cells(line)).collect();
        let unit = |column: usize| headings.iter().find_map(|cells| Unit::of_heading(cells.get(column)?));
        let is_unit = |cell: &&str| cell.is_empty() || Unit::read(cell).is_some();
        let names = headings.iter().find(|cells| cells.len() >= count && !cells.iter().all(is_unit));
        let has_time = count >= 2 && !self.options.no_time && !matches!(unit(0), Some(Unit::Volts(_)));
        if !has_time && self.options.rate_hz.is_none() {
            let message = "there is no column of time here";
            return Err(Misread::whole(Code::BadRecording, message, "say how fast it was sampled: --rate 48k"));
        }
        let first = usize::from(has_time);
        let name = |column: usize| names.and_then(|cells| cells.get(column)).filter(|name| !name.is_empty());
        let channels: Vec<String> = (first..count)
            .map(|column| name(column).map_or_else(|| (column - first + 1).to_string(), |name| (*name).to_owned()))
            .collect();
        let chosen = self.chosen(&channels)?;
        let seconds = if let Some(Unit::Seconds(scale)) = unit(0) { scale } else { 1.0 };
        let volts = if let Some(Unit::Volts(scale)) = unit(first + chosen) { scale } else { 1.0 };
        let clocked = has_time && self.options.rate_hz.is_none();
        self.table = Some(Table {
            dialect,
            time: clocked.then_some((0, self.options.time_scale.unwrap_or(seconds))),
            volts: (first + chosen, self.options.volts_scale.unwrap_or(volts)),
            channels,
            chosen,
        });
        Ok(())
    }

    fn chosen(&self, channels: &[String]) -> Result<usize, Misread> {
        let Some(wanted) = self.options.channel.as_deref().map(str::trim) else { return Ok(0) };
        let by_name = channels.iter().position(|name| name.to_lowercase() == wanted.to_lowercase());
        let by_number = || wanted.parse::<usize>().ok()?.checked_sub(1).filter(|&at| at < channels.len());
        by_name.or_else(by_number).ok_or_else(|| {
            let known = || channels.iter().map(String::as_str);
            let help = match nearest(wanted, known()) {
                Some(near) => format!("try --channel {near}"),
                None => format!("channels are {}", known().take(10).collect::<Vec<_>>().join(", ")),
            };
            Misread::whole(Code::BadRecording, format!("no channel is called {wanted}"), help)
        })
    }

    fn row(&mut self, line: usize, text: &str, volts: &mut Vec<f64>) -> Result<(), Misread> {
        let Some(table) = &mut self.table else { return Ok(()) };
        let cells = table.dialect.cells(text);
        let mut read = |(column, scale): (usize, f64)| {
            let cell = cells.get(column).copied().unwrap_or_default();
            let number = table.dialect.number(cell);
            // The first mark decides for all rows.
            table.dialect.decimal = table.dialect.decimal.or(Dialect::mark(cell));
            let number = number.map(|number| number * scale).filter(|number| number.is_finite());
            number.ok_or_else(|| {
                let message = match cell {
                    "" => format!("column {} is empty", column + 1),
                    cell => {
                        format!("{} is no number that a recording can hold", cell.chars().take(30).collect::<String>())
                    }
                };
                let help = "export the recording again, or take this line out at its beginning or end";
                Misread::at(Code::BadRecording, line, text, message, help)
            })
        };
        let value = read(table.volts)?;
        if let Some(seconds) = table.time.map(read).transpose()? {
            self.clock.tick(seconds, line, text)?;
        }
        volts.push(value);
        Ok(())
    }
}

fn no_rows() -> Misread {
    let help = "export time and volts as CSV; --delimiter and --decimal say how it is written";
    Misread::whole(Code::BadRecording, "there are no rows of numbers here", help)
}
