//! Quantities as a technician writes them in a sheet: a number and its unit, `12 mV`, `-9 dB`, `20 uA`, `10 %`.

use crate::diagnostic::{Code, Diagnostic};
use crate::units::{Quantity, read_number};

/// What a number in a sheet measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// V
    Volts,
    /// A
    Amps,
    /// Ω
    Ohms,
    /// F
    Farads,
    /// Hz
    Hertz,
    /// W
    Watts,
    /// dB
    Decibels,
    /// °C
    Celsius,
    /// A fraction, written in percent.
    Percent,
    /// Excess noise of a resistor, µV per volt and decade.
    MicrovoltsPerVolt,
    /// No unit.
    Plain,
}

impl Unit {
    /// As it is printed.
    pub fn symbol(self) -> &'static str {
        match self {
            Unit::Volts => "V",
            Unit::Amps => "A",
            Unit::Ohms => "Ω",
            Unit::Farads => "F",
            Unit::Hertz => "Hz",
            Unit::Watts => "W",
            Unit::Decibels => "dB",
            Unit::Celsius => "°C",
            Unit::Percent => "%",
            Unit::MicrovoltsPerVolt => "µV/V",
            Unit::Plain => "",
        }
    }

    fn example(self) -> &'static str {
        match self {
            Unit::Volts => "\"12 mV\"",
            Unit::Amps => "\"20 uA\"",
            Unit::Ohms => "\"4.7k\"",
            Unit::Farads => "\"100 pF\"",
            Unit::Hertz => "\"20 kHz\"",
            Unit::Watts => "\"2.4 W\"",
            Unit::Decibels => "\"-9 dB\"",
            Unit::Celsius => "\"45 °C\"",
            Unit::Percent => "\"10 %\"",
            Unit::MicrovoltsPerVolt => "\"0.5 uV/V\"",
            Unit::Plain => "0.5",
        }
    }

    /// Spellings of the unit, in lower case, that may follow a scale letter.
    fn spellings(self) -> &'static [&'static str] {
        match self {
            Unit::Volts => &["v", "volt", "volts"],
            Unit::Amps => &["a", "amp", "amps"],
            Unit::Ohms => &["ω", "ohm", "ohms"],
            Unit::Farads => &["f"],
            Unit::Hertz => &["hz"],
            Unit::Watts => &["w", "watt", "watts"],
            Unit::Decibels => &["db"],
            Unit::Celsius => &["°c", "c", "°", "degc"],
            Unit::Percent => &["%", "percent"],
            Unit::MicrovoltsPerVolt => &["uv/v", "µv/v", "μv/v"],
            Unit::Plain => &[],
        }
    }

    fn takes_scale(self) -> bool {
        match self {
            Unit::Volts | Unit::Amps | Unit::Ohms | Unit::Farads | Unit::Hertz | Unit::Watts => true,
            Unit::Decibels | Unit::Celsius | Unit::Percent | Unit::MicrovoltsPerVolt | Unit::Plain => false,
        }
    }

    /// A bare number in SI units (µV/V for excess noise, a fraction for percent).
    ///
    /// # Errors
    /// [`Code::BadSheetValue`] for a number that is not finite, or a percentage without its sign.
    pub fn bare(self, number: f64) -> Result<f64, Diagnostic> {
        if !number.is_finite() {
            return Err(self.bad(format!("{number} is no number to compute with")));
        }
        if self == Unit::Percent && number.abs() > 1.0 {
            return Err(self
                .bad(format!("{number} may be a fraction or percent"))
                .help(format!("write \"{number} %\"")));
        }
        Ok(number)
    }

    /// Reads a number with its unit; the unit may be left out.
    ///
    /// # Errors
    /// [`Code::BadSheetValue`] says what is wrong with it.
    pub fn read(self, text: &str) -> Result<f64, Diagnostic> {
        let text = text.trim();
        let (digits, unit) = text.split_at(end_of_number(text));
        let Ok(number) = digits.trim().parse::<f64>() else {
            return self.read_as_on_parts(text);
        };
        let unit = unit.trim();
        let lower = unit.to_lowercase();
        let known = |text: &str| text.is_empty() || self.spellings().contains(&text);
        if self == Unit::Percent && !lower.is_empty() && known(&lower) {
            return self.finite(number / 100.0, text);
        }
        if known(&lower) {
            return self.bare(number);
        }
        if self.takes_scale() {
            let mut letters = unit.chars();
            let power = letters.next().and_then(|letter| self.power(letter));
            if let (Some(power), true) = (power, known(&letters.as_str().trim().to_lowercase())) {
                // Decimal text scales without a second rounding.
                let scaled = format!("{}e{power}", digits.trim()).parse();
                return self.finite(scaled.unwrap_or(number * 10f64.powi(power)), text);
            }
        }
        self.read_as_on_parts(text)
    }

    /// `4k7`, `10MEG`: values of parts as netlists write them.
    fn read_as_on_parts(self, text: &str) -> Result<f64, Diagnostic> {
        let quantity = match self {
            Unit::Ohms => Quantity::Resistance,
            Unit::Farads => Quantity::Capacitance,
            _ if text.contains(',') => Quantity::Other,
            _ => return Err(self.unreadable(text)),
        };
        // A comma is told of whatever stands behind it.
        let compact = if text.contains(',') { text.replace(' ', "") } else { text.to_owned() };
        match read_number(&compact, quantity) {
            Ok(reading) => match reading.warning {
                Some(warning) => Err(self.bad(warning.message()).help(warning.help())),
                None => Ok(reading.value),
            },
            Err(problem) => Err(match problem.help() {
                Some(help) => self.bad(problem.to_string()).help(help),
                None => self.unreadable(text),
            }),
        }
    }

    fn power(self, letter: char) -> Option<i32> {
        Some(match letter {
            'k' | 'K' => 3,
            'm' => -3,
            // Nobody has megavolts or megafarads at a bench, and milli is a small letter.
            'M' if matches!(self, Unit::Ohms | Unit::Hertz) => 6,
            'u' | 'U' | 'µ' | 'μ' => -6,
            'n' | 'N' => -9,
            'p' | 'P' => -12,
            _ => return None,
        })
    }

    fn finite(self, value: f64, text: &str) -> Result<f64, Diagnostic> {
        if value.is_finite() { Ok(value) } else { Err(self.bad(format!("{text} is too large to compute with"))) }
    }

    fn unreadable(self, text: &str) -> Diagnostic {
        let what = match self.symbol() {
            "" => "a number".to_owned(),
            symbol => format!("a number in {symbol}"),
        };
        self.bad(format!("{text:?} is not {what}"))
    }

    fn bad(self, message: String) -> Diagnostic {
        Diagnostic::error(Code::BadSheetValue, message).help(format!("write {}", self.example()))
    }
}

/// Where the digits, point and exponent at the beginning of a text end, in bytes.
fn end_of_number(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digit = |at: usize| bytes.get(at).is_some_and(u8::is_ascii_digit);
    let mut at = usize::from(bytes.first().is_some_and(|sign| b"+-".contains(sign)));
    while digit(at) || bytes.get(at) == Some(&b'.') {
        at += 1;
    }
    if bytes.get(at).is_some_and(|letter| b"eE".contains(letter)) {
        let sign = usize::from(bytes.get(at + 1).is_some_and(|sign| b"+-".contains(sign)));
        if digit(at + 1 + sign) {
            at += 1 + sign;
            while digit(at) {
                at += 1;
            }
        }
    }
    at
}
