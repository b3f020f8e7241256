//! A recording as a reading of the bench sheet.

use super::Recording;
use crate::units::{engineering, short};

/// What a recording is a reading of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Measure {
    /// Hiss in the band, unweighted, hum taken out.
    Hiss,
    /// Peak-to-peak of all that was recorded.
    PeakToPeak,
    /// Hum: the lines of the mains in the band.
    Hum,
    /// The mean.
    Dc,
}

impl Measure {
    /// Its word in the sheet.
    pub fn word(self) -> &'static str {
        match self {
            Measure::Hiss => "hiss",
            Measure::PeakToPeak => "pp",
            Measure::Hum => "hum",
            Measure::Dc => "dc",
        }
    }

    /// Its value, V.
    pub fn volts(self, recording: &Recording) -> f64 {
        match self {
            Measure::Hiss => recording.flat_hiss_rms_volts,
            Measure::PeakToPeak => recording.peak_to_peak_volts,
            Measure::Hum => recording.hum.as_ref().map_or(0.0, |hum| hum.rms_volts),
            Measure::Dc => recording.dc_volts,
        }
    }

    /// Its value as a sheet has it: `68.2 µV`.
    pub fn value(self, recording: &Recording) -> String {
        engineering(self.volts(recording), "V", 4)
    }
}

/// The comment above a reading: where the figure comes from.
pub(super) fn origin(measure: Measure, recording: &Recording, name: &str) -> String {
    let name: String = name.chars().map(|c| if c.is_control() { '·' } else { c }).collect();
    let [low, high] = recording.band_hz;
    let band = format!("{} to {}", short(low, "Hz"), short(high, "Hz"));
    let what = match measure {
        Measure::Hiss => format!("{band}, unweighted, hum taken out, ±{:.2} %", 200.0 * recording.statistical_error),
        Measure::Hum => format!("lines of the mains, {band}"),
        Measure::PeakToPeak | Measure::Dc => "as recorded".to_owned(),
    };
    format!("# from the recording {name}: {what}\n")
}

/// A `[[reading]]` of a point, as TOML.
pub fn reading_block(measure: Measure, recording: &Recording, at: &str, name: &str) -> String {
    let origin = origin(measure, recording, name);
    let (word, value) = (measure.word(), measure.value(recording));
    format!("{origin}[[reading]]\nmeasure = \"{word}\"\nat = {}\nvalue = \"{value}\"\n", quoted(at))
}

/// A TOML string of one line.
fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => quoted.extend(['\\', c]),
            c if c.is_control() => quoted += &format!("\\u{:04X}", u32::from(c)),
            c => quoted.push(c),
        }
    }
    quoted + "\""
}
