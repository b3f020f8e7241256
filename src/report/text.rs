//! Results as text for people, at most 100 columns wide.

pub(in crate::report) mod bias;
mod compare;
mod control;
pub(in crate::report) mod diagnose;
mod drill;
mod lesson;
mod listen;
mod noise;
mod recording;
mod response;
mod spares;
pub(in crate::report) mod symptoms;
mod truth;
pub(in crate::report) mod verify;

use comfy_table::{CellAlignment, ContentArrangement, Table};

pub use bias::bias;
pub use compare::compare;
pub use control::control;
pub use diagnose::{diagnose, diagnose_line};
pub use drill::{drill_answer, drill_courses, drill_start};
pub use lesson::{answer_key, class, worksheet};
pub use listen::listen;
pub use noise::{noise, ranking};
pub use recording::recording;
pub use response::response;
pub use spares::{pulled, spares};
pub use symptoms::symptoms;
pub use truth::drill_truth;
pub use verify::verify;

use super::{CheckResult, Setting, SheetCheck};
use crate::bench::healthy::Band;
use crate::noise::Weighting;
use crate::units::{engineering, short};

/// Columns a table may take.
const WIDTH: u16 = 100;
/// Volts below what the bias solution promises are shown as zero.
const SMALLEST_VOLTS: f64 = 1e-9;
/// Currents below this, or below this part of the device's largest, are what rounding leaves of none. A gate's 20 fA are
/// more: they follow from its volts, and not from a difference of large currents.
const SMALLEST_AMPS: f64 = 1e-15;
const SMALLEST_OF_LARGEST: f64 = 1e-12;

/// What is said once wherever a result leads a person's hands into a set.
pub const CAUTIONS: &str = "\
Before your hands go in: unplug the set, discharge its capacitors and check them with the meter.
A live-chassis set belongs on an isolation transformer; in a live set use one hand. Parts may be
hot, freeze spray leaves water that must dry. Local codes and licensed practice come first.
";

/// How a shunt is made without harm; said where one is proposed.
pub(in crate::report) const SHUNT_CAUTIONS: &str = "\
A shunt: set off and discharged; dummy load, not the speaker; the capacitor rated above the rail,
its polarity from the volts at the node (mind sets with plus at ground), clipped in through 1 kΩ;
power up, wait half a second and more (five times 1 kΩ times the capacitor), bridge the 1 kΩ, read;
switch off and discharge the capacitor.
";

/// Pieces behind `start` with a space before each, broken into lines of the page, of which `indent` begins all but the first.
fn filled(start: &str, indent: &str, pieces: impl IntoIterator<Item = String>) -> String {
    let (mut text, mut column) = (start.to_owned(), start.chars().count());
    for piece in pieces {
        let width = piece.chars().count();
        if column > 0 && column + 1 + width > usize::from(WIDTH) {
            text.push('\n');
            text += indent;
            column = indent.chars().count();
        }
        if column > 0 {
            text.push(' ');
            column += 1;
        }
        text += &piece;
        column += width;
    }
    text + "\n"
}

/// Names with commas between.
pub(in crate::report) fn commas(names: &[String]) -> impl Iterator<Item = String> + '_ {
    let last = names.len().saturating_sub(1);
    names.iter().enumerate().map(move |(at, name)| if at < last { format!("{name},") } else { name.clone() })
}

/// That a netlist is sound, in a line; what a bench sheet adds below it.
pub fn check(result: &CheckResult) -> String {
    let sound = format!(
        "{}sound: {}, {} of them transistors and diodes, {} besides ground\n",
        if result.title.is_empty() { String::new() } else { format!("{}\n", printable(&result.title)) },
        count(result.parts, "part", "parts"),
        result.devices,
        count(result.nodes, "node", "nodes"),
    );
    match &result.sheet {
        Some(sheet) => sound + &sheet_check(sheet),
        None => sound,
    }
}

fn count(number: usize, one: &str, several: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { several })
}

fn sheet_check(sheet: &SheetCheck) -> String {
    let mut text = format!(
        "the sheet: {}, {}, {}, {}\n",
        count(sheet.points, "named point", "named points"),
        count(sheet.controls, "control", "controls"),
        count(sheet.spares, "spare", "spares"),
        count(sheet.readings, "reading", "readings"),
    );
    if sheet.printed.points.is_empty() {
        return text;
    }
    let mut rows = Rows::new(&["point", "node", ">printed", ">computed", ">tolerance sd off", ""]);
    for point in &sheet.printed.points {
        let computed = point.computed_volts.map_or_else(|| "-".to_owned(), volts);
        let off = point.deviation().map_or_else(|| "-".to_owned(), |sd| format!("{:+.1}", sd + 0.0));
        let mark = if point.disagrees() { "disagrees" } else { "" };
        let (name, node) = (point.name.clone(), point.node.clone());
        rows.add([name, node, volts(point.printed_volts), computed, off, mark.to_owned()]);
    }
    text += &format!("\n{}", rows.text());
    for explanation in &sheet.printed.explanations {
        let left = match explanation.disagreeing {
            0 => "all printed voltages agree then".to_owned(),
            some => format!("{some} would still disagree"),
        };
        text += &format!("{}: {left}\n", printable(&explanation.text));
    }
    text
}

/// The lines above a table: title, what is shown, what was changed.
fn heading(setting: &Setting, shown: &str) -> String {
    let mut lines = String::new();
    if !setting.title.is_empty() {
        lines += &format!("{}\n", printable(&setting.title));
    }
    lines += &format!("{shown}; ambient {}\n", short(setting.ambient_celsius, "°C"));
    for change in &setting.changes {
        lines += &format!("what if: {}\n", printable(change));
    }
    lines + "\n"
}

pub(in crate::report) fn band(band_hz: [f64; 2], weighting: Weighting) -> String {
    let weighting = match weighting {
        Weighting::Flat => "unweighted",
        Weighting::A => "A-weighted",
        Weighting::Itu468 => "weighted by the 468 curve",
    };
    format!("hiss from {} to {}, {weighting}", short(band_hz[0], "Hz"), short(band_hz[1], "Hz"))
}

/// Text from outside, on one line, without what would steer a terminal or turn the direction of writing.
pub fn printable(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\t' => ' ',
            '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}' => '·',
            c if c.is_control() => '·',
            c => c,
        })
        .collect()
}

pub(in crate::report) fn volts(value: f64) -> String {
    engineering(if value.abs() < SMALLEST_VOLTS { 0.0 } else { value }, "V", 4)
}

/// A current into a pin of a device whose largest current is given.
pub(in crate::report) fn amps(value: f64, largest: f64) -> String {
    let smallest = f64::max(SMALLEST_AMPS, SMALLEST_OF_LARGEST * largest);
    engineering(if value.abs() < smallest { 0.0 } else { value }, "A", 4)
}

/// What the columns of healthy bands are, in a line.
pub(in crate::report) fn healthy_units(units: Option<[usize; 2]>) -> String {
    let Some([drawn, solved]) = units else { return String::new() };
    let lost = if solved < drawn { format!("; {} more found no bias", drawn - solved) } else { String::new() };
    format!("healthy: the middle nine tenths of {solved} units drawn from the tolerances{lost}\n")
}

/// The ends of a healthy band.
pub(in crate::report) fn ends(band: Option<Band>, written: fn(f64) -> String) -> [String; 2] {
    band.map_or_else(|| ["-".to_owned(), "-".to_owned()], |Band { low, high }| [written(low), written(high)])
}

pub(in crate::report) fn hiss(volts: f64) -> String {
    engineering(volts, "V", 3)
}

pub(in crate::report) fn decibels(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |db| format!("{:.1} dB", db + 0.0))
}

pub(in crate::report) fn frequency(hertz: f64) -> String {
    // Four digits tell 20 points of a decade apart; a round figure stays round.
    short(format!("{hertz:.3e}").parse().unwrap_or(hertz), "Hz")
}

pub(in crate::report) fn percent(share: f64) -> String {
    format!("{:.1} %", 100.0 * share)
}

/// A bar as long as a share of the whole.
fn bar(share: f64) -> String {
    const LONGEST: f64 = 30.0;
    "=".repeat((share.clamp(0.0, 1.0) * LONGEST).round() as usize)
}

/// A table under construction: columns headed `>NAME` are aligned to the right.
struct Rows {
    table: Table,
}

impl Rows {
    fn new(columns: &[&str]) -> Self {
        let mut table = Table::new();
        table.load_style(comfy_table::presets::NOTHING);
        table.set_content_arrangement(ContentArrangement::Dynamic).set_width(WIDTH);
        table.set_header(columns.iter().map(|column| column.trim_start_matches('>')));
        for (column, name) in table.column_iter_mut().zip(columns) {
            column.set_padding((0, 2));
            if name.starts_with('>') {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
        Self { table }
    }

    fn add(&mut self, cells: impl IntoIterator<Item = String>) {
        // A cell may have several lines.
        let printable = |cell: String| cell.lines().map(printable).collect::<Vec<_>>().join("\n");
        self.table.add_row(cells.into_iter().map(printable));
    }

    fn text(&self) -> String {
        let lines = self.table.lines();
        lines.map(|line| format!("{}\n", line.trim_end())).collect()
    }
}
