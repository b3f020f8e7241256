//! Cells of a line, the numbers in them, and the units in a heading.

/// What separates cells, and what stands before decimals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Dialect {
    /// A blank stands for any run of blanks.
    pub delimiter: char,
    /// Comma or point, as soon as one of them has been seen.
    pub decimal: Option<char>,
}

impl Dialect {
    /// The cells of a line, without blanks and quotation marks around them.
    pub fn cells(self, line: &str) -> Vec<&str> {
        if self.delimiter == ' ' {
            return line.split_whitespace().map(bare).collect();
        }
        let mut cells = Vec::new();
        let (mut start, mut quoted) = (0, false);
        for (at, c) in line.char_indices() {
            if c == '"' {
                quoted = !quoted;
            } else if c == self.delimiter && !quoted {
                cells.push(bare(&line[start..at]));
                start = at + c.len_utf8();
            }
        }
        cells.push(bare(&line[start..]));
        cells
    }

    /// A finite number.
    pub fn number(self, cell: &str) -> Option<f64> {
        let number = match (Self::mark(cell), self.decimal) {
            (Some(seen), Some(known)) if seen != known => return None,
            (Some(','), _) if !cell.contains('.') => cell.replacen(',', ".", 1).parse::<f64>(),
            _ => cell.parse::<f64>(),
        };
        number.ok().filter(|number| number.is_finite())
    }

    /// What stands before the decimals of a cell.
    pub fn mark(cell: &str) -> Option<char> {
        cell.chars().find(|c| [',', '.'].contains(c))
    }

    /// How many numbers a line consists of; `None` for any other line. Empty cells at its end do not count.
    pub fn numbers(self, line: &str) -> Option<usize> {
        let cells = self.cells(line);
        let used = cells.iter().rposition(|cell| !cell.is_empty())? + 1;
        cells[..used].iter().all(|cell| self.number(cell).is_some()).then_some(used)
    }
}

fn bare(cell: &str) -> &str {
    cell.trim().trim_matches('"').trim()
}

/// What a column is in, as its heading says, and how much of a second or a volt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Unit {
    Seconds(f64),
    Volts(f64),
}

impl Unit {
    /// A unit by itself: `ms`, `(ms)`.
    pub fn read(text: &str) -> Option<Self> {
        Some(match text.trim_matches(['(', ')', '[', ']', ' ']).to_lowercase().as_str() {
            "s" | "sec" | "second" | "seconds" => Unit::Seconds(1.0),
            "ms" => Unit::Seconds(1e-3),
            "us" | "µs" | "μs" => Unit::Seconds(1e-6),
            "ns" => Unit::Seconds(1e-9),
            "v" | "volt" | "volts" => Unit::Volts(1.0),
            "mv" => Unit::Volts(1e-3),
            "uv" | "µv" | "μv" => Unit::Volts(1e-6),
            "nv" => Unit::Volts(1e-9),
            "kv" => Unit::Volts(1e3),
            _ => return None,
        })
    }

    /// A unit by itself, or in brackets behind a name: `Time (ms)`.
    pub fn of_heading(cell: &str) -> Option<Self> {
        let inside = |open, close| Some(cell.rsplit_once(open)?.1.split_once(close)?.0);
        Self::read(cell).or_else(|| Self::read(inside('(', ')').or_else(|| inside('[', ']'))?))
    }
}
