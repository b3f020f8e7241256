//! What came of a measurement: a number, or a word.

use serde::{Serialize, Serializer};

use super::{Measure, named};
use crate::bench::quantity::Unit;
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::units::short;

named! {
    /// What a technician says instead of a number.
    Word {
        /// A change of less than 1 dB either way.
        Same = "same",
        /// A fall of 1 to 6 dB.
        Less = "less",
        /// A fall of 6 to 12 dB.
        MuchLess = "much less",
        /// A fall beyond 12 dB, or down to the instrument's floor.
        Gone = "gone",
        /// A rise of more than 1 dB.
        More = "more",
        /// Hiss below the instrument's own noise.
        NotVisible = "not visible",
    }
}

impl Word {
    /// The change in dB that it stands for, lower and upper end; `None` for what is no change.
    pub fn decibels(self) -> Option<[f64; 2]> {
        match self {
            Word::Same => Some([-1.0, 1.0]),
            Word::Less => Some([-6.0, -1.0]),
            Word::MuchLess => Some([-12.0, -6.0]),
            Word::Gone => Some([f64::NEG_INFINITY, -12.0]),
            Word::More => Some([1.0, f64::INFINITY]),
            Word::NotVisible => None,
        }
    }
}

/// What was observed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Observed {
    /// A number in the unit of the measure: V, dB, W, °C.
    Number(f64),
    /// A word.
    Word(Word),
}

/// What came of a measurement, and how it was written.
#[derive(Clone, Debug, PartialEq)]
pub struct Value {
    /// What was observed.
    pub observed: Observed,
    /// The text it was written as; `None` for a bare number.
    pub written: Option<String>,
}

impl Value {
    /// A number in the unit of the measure.
    pub fn number(number: f64) -> Self {
        Self { observed: Observed::Number(number), written: None }
    }

    /// A word.
    pub fn word(word: Word) -> Self {
        Self { observed: Observed::Word(word), written: Some(word.name().to_owned()) }
    }

    /// For a person.
    pub fn text(&self, measure: Measure) -> String {
        match (self.observed, measure.unit()) {
            (Observed::Word(word), _) => word.name().to_owned(),
            (Observed::Number(number), Unit::Decibels) => format!("{number:+.1} dB"),
            (Observed::Number(number), Unit::Celsius) => format!("{number:.1} °C"),
            (Observed::Number(number), unit) => short(number, unit.symbol()),
        }
    }

    /// Checks a bare number.
    ///
    /// # Errors
    /// [`Code::BadReading`] for a number that this measure cannot give.
    pub fn of_number(measure: Measure, number: f64) -> Result<Self, Diagnostic> {
        let number = measure.unit().bare(number)?;
        possible(measure, number)?;
        Ok(Self::number(number))
    }

    /// Reads a text: a number with its unit, for watts also `6.0 V into 15 ohm`, `2.4 div at 5 mV` (with ` x10` behind it the volts are those of the knob, and a
    /// ×10 probe was used), or a word.
    ///
    /// # Errors
    /// [`Code::BadReading`] or [`Code::BadSheetValue`] says what is wrong with it.
    pub fn read(measure: Measure, text: &str) -> Result<Self, Diagnostic> {
        let written = Some(text.trim().to_owned());
        let lower = text.trim().to_lowercase();
        if let Some(word) = Word::named(&lower) {
            fits(measure, word)?;
            return Ok(Self { observed: Observed::Word(word), written });
        }
        let number = match divisions(&lower, text.trim()) {
            Some(volts) if matches!(measure, Measure::PeakToPeak | Measure::ClipUp | Measure::ClipDown) => volts?,
            Some(_) => {
                let error = bad(format!("divisions of a scope are peak to peak, and no {}", measure.name()));
                return Err(error.help("write measure = \"pp\""));
            }
            None if measure == Measure::Watts && lower.contains(" into ") => power(text)?,
            None if lower.starts_with(|c: char| c.is_alphabetic()) => return Err(unknown_word(measure, &lower)),
            None => measure.unit().read(text)?,
        };
        possible(measure, number)?;
        Ok(Self { observed: Observed::Number(number), written })
    }
}

impl Serialize for Value {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match (&self.written, self.observed) {
            (Some(text), _) => serializer.serialize_str(text),
            (None, Observed::Number(number)) => serializer.serialize_f64(number),
            (None, Observed::Word(word)) => serializer.serialize_str(word.name()),
        }
    }
}

/// Volts of `2.4 div at 5 mV`; `None` where the text says nothing of divisions.
fn divisions(lower: &str, text: &str) -> Option<Result<f64, Diagnostic>> {
    let at = lower.find("div")?;
    let example = "write \"2.4 div at 5 mV\", volts at the tip, or \"2.4 div at 5 mV x10\", volts of the knob";
    let read = || {
        let Some((_, step)) = lower.split_once(" at ") else {
            return Err(bad(format!("{text:?} does not say at how many volts per division")).help(example));
        };
        // Lower case has the same number of bytes as long as all are ASCII; the volts are taken as written then.
        let step = text.get(text.len().saturating_sub(step.len())..).unwrap_or(step);
        let (step, times) = match step.trim().strip_suffix("x10").or_else(|| step.trim().strip_suffix("×10")) {
            Some(step) => (step, 10.0),
            None => (step, 1.0),
        };
        let step = step.trim().trim_end_matches("per division").trim_end_matches("/div").trim();
        let count = lower[..at].trim();
        let count: f64 =
            count.parse().map_err(|_| bad(format!("{count:?} is no number of divisions")).help(example))?;
        Ok(count * Unit::Volts.read(step)? * times)
    };
    Some(read())
}

/// Watts of `6.0 V into 15 ohm`: V²/R of the rms volts.
fn power(text: &str) -> Result<f64, Diagnostic> {
    let example = "write \"6.0 V into 15 ohm\", volts in rms, or watts: \"2.4 W\"";
    let Some((volts, ohms)) = text.split_once(" into ") else {
        return Err(bad(format!("{text:?} is no power")).help(example));
    };
    let volts = volts.trim();
    let (volts, ohms) = (Unit::Volts.read(volts.strip_suffix("rms").unwrap_or(volts))?, Unit::Ohms.read(ohms)?);
    if volts < 0.0 || ohms <= 0.0 {
        return Err(bad(format!("{text:?} is no power")).help(example));
    }
    Ok(volts * volts / ohms)
}

fn fits(measure: Measure, word: Word) -> Result<(), Diagnostic> {
    match (word, measure) {
        (Word::NotVisible, Measure::Hiss | Measure::PeakToPeak | Measure::Hum) => Ok(()),
        (Word::NotVisible, _) => Err(bad(format!("not visible is no {}", measure.name()))
            .help("say it of hiss or pp; a change that leaves nothing is \"gone\"")),
        (_, Measure::Change) => Ok(()),
        _ => Err(bad(format!("{} is a change, and this reading is of {}", word.name(), measure.name()))
            .help("give a number with its unit, or measure = \"change\" with what was done")),
    }
}

fn unknown_word(measure: Measure, word: &str) -> Diagnostic {
    let known = Word::ALL.iter().filter(|word| fits(measure, **word).is_ok()).map(|word| word.name());
    let known: Vec<&str> = known.collect();
    let error = bad(format!("{word:?} is no value of {}", measure.name()));
    match nearest(word, known.iter().copied()) {
        Some(near) => error.help(format!("try \"{near}\"")),
        None if known.is_empty() => error.help(format!("give a number in {}", measure.unit().symbol())),
        None => error.help(format!("give a number in {}, or say {}", measure.unit().symbol(), known.join(", "))),
    }
}

/// Refuses numbers below what the measure can be.
fn possible(measure: Measure, number: f64) -> Result<(), Diagnostic> {
    let negative = number < 0.0;
    match measure {
        Measure::Hiss | Measure::PeakToPeak | Measure::Hum | Measure::Watts if negative => {
            Err(bad(format!("{} cannot be below zero", measure.name())).help("leave the sign out"))
        }
        Measure::Hiss | Measure::PeakToPeak if number == 0.0 => {
            Err(bad(format!("no instrument reads a {} of zero", measure.name()))
                .help("where nothing is seen, write \"not visible\""))
        }
        Measure::Temperature if number < -273.15 => {
            Err(bad("a temperature below absolute zero".to_owned()).help("write degrees Celsius: \"45 °C\""))
        }
        _ => Ok(()),
    }
}

fn bad(message: String) -> Diagnostic {
    Diagnostic::error(Code::BadReading, message)
}
