//! Text to number: scale letters, and the letter in the place of the decimal point (IEC 60062).

/// What a number measures; it decides what a letter may mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// Ohms: `4R7`, `4L7`; a capital `M` at the end is suspicious.
    Resistance,
    /// Farads: `2n2`; an `F` at the end is suspicious.
    Capacitance,
    /// Anything else.
    Other,
}

/// A number that was read, in SI units.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// The number with its scale applied, always finite.
    pub value: f64,
    /// What the writer may have meant instead.
    pub warning: Option<NumberWarning>,
}

/// A number that reads well but may not mean what was intended.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum NumberWarning {
    /// `10M` on a resistor is milliohms.
    Milli {
        /// The number as written.
        text: String,
        /// The same in megohms: `10MEG`.
        megohms: String,
    },
    /// `1F` on a capacitor is femtofarads.
    Femto {
        /// The number as written.
        text: String,
        /// The same in farads: `1`.
        farads: String,
    },
    /// `1milli` begins with `mil`, a thousandth of an inch.
    Mil {
        /// The number as written.
        text: String,
        /// The same in thousandths: `1m`.
        thousandths: String,
    },
}

impl NumberWarning {
    /// What the reader of numbers made of it.
    pub fn message(&self) -> String {
        match self {
            Self::Milli { text, .. } => format!("{text} is read as milliohms"),
            Self::Femto { text, .. } => format!("{text} is read as femtofarads"),
            Self::Mil { text, .. } => format!("{text} is read as mils, 25.4e-6 each"),
        }
    }

    /// What to type if the other meaning was intended.
    pub fn help(&self) -> String {
        match self {
            Self::Milli { megohms, .. } => format!("write {megohms} for megohms"),
            Self::Femto { farads, .. } => format!("write {farads} for farads"),
            Self::Mil { thousandths, .. } => format!("write {thousandths} for thousandths"),
        }
    }
}

/// Why a text is no number.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NumberError {
    /// No digits where a number begins, or something else than letters behind it.
    #[error("{0} is not a number")]
    NotANumber(String),
    /// A comma in the place of the decimal point.
    #[error("{text} has a comma in it")]
    Comma {
        /// The number as written.
        text: String,
        /// The same with a point.
        with_point: String,
    },
    /// A letter that has no meaning in the place of the decimal point, or here.
    #[error("the letter {letter} of {text} is no scale here")]
    Letter {
        /// The number as written.
        text: String,
        /// The letter.
        letter: String,
        /// What to write, if that is clear.
        instead: Option<String>,
    },
    /// A decimal point and a letter in the place of a decimal point.
    #[error("{0} has two decimal points, one of them a letter")]
    TwoPoints(String),
    /// An `e` without the digits of an exponent.
    #[error("{0} has an exponent without digits")]
    Exponent(String),
    /// Beyond the largest number that can be held.
    #[error("{0} is too large to compute with")]
    TooLarge(String),
}

impl NumberError {
    /// What to type instead, where that is clear.
    pub fn help(&self) -> Option<String> {
        match self {
            Self::Comma { with_point, .. } => Some(format!("write {with_point}")),
            Self::Letter { instead, .. } => instead.as_ref().map(|instead| format!("write {instead}")),
            Self::TwoPoints(_) => Some("write 4.7k or 4k7".to_owned()),
            Self::Exponent(_) => Some("write 1e-3".to_owned()),
            Self::TooLarge(_) => Some("write less than 1e308".to_owned()),
            Self::NotANumber(_) => None,
        }
    }
}

/// Reads `4.7k`, `1e-3`, `10uF`, `4k7`, `R47`: an optional sign, digits, a scale letter, and letters that are ignored.
///
/// Scales, in either case: `t g meg k mil m u n p f`, and `µ` for `u`. Between digits (or before them) a letter is
/// the decimal point as well, and there `M` is mega, `m` milli, `R` unity and, on a resistor, `L` milli: IEC 60062.
///
/// # Errors
/// Says why the text is no number; a comma is never guessed at, nor is an infinite value let through.
pub fn read_number(text: &str, quantity: Quantity) -> Result<Reading, NumberError> {
    if text.contains(',') {
        return Err(comma(text, quantity));
    }
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let sign = if text.starts_with('-') { "-" } else { "" };
    let (mantissa, tail) = split_where(unsigned, |c| !(c.is_ascii_digit() || c == '.'));
    let points = mantissa.matches('.').count();
    if points > 1 || mantissa == "." {
        return Err(NumberError::NotANumber(text.to_owned()));
    }
    let written = Written { text, sign, mantissa, quantity };
    if tail.starts_with(['e', 'E']) && !mantissa.is_empty() {
        return written.with_exponent(&tail[1..]);
    }
    let (letters, rest) = split_where(tail, |c| !c.is_alphabetic());
    if rest.starts_with(|c: char| c.is_ascii_digit()) {
        return written.letter_as_point(letters, rest);
    }
    if mantissa.is_empty() || !rest.is_empty() {
        return Err(NumberError::NotANumber(text.to_owned()));
    }
    written.scaled(letters, 0)
}

/// The parts of a number that are known once its leading digits are read.
struct Written<'a> {
    text: &'a str,
    sign: &'a str,
    mantissa: &'a str,
    quantity: Quantity,
}

impl Written<'_> {
    /// `1e-3`, `1e3k`: `tail` is what follows the `e`.
    fn with_exponent(&self, tail: &str) -> Result<Reading, NumberError> {
        let unsigned = tail.strip_prefix(['+', '-']).unwrap_or(tail);
        let (digits, letters) = split_where(unsigned, |c| !c.is_ascii_digit());
        if digits.is_empty() {
            return Err(NumberError::Exponent(self.text.to_owned()));
        }
        if !letters.chars().all(char::is_alphabetic) {
            return Err(NumberError::NotANumber(self.text.to_owned()));
        }
        // Beyond a billion the digits no longer matter: the number is infinite or zero.
        let size = digits.parse::<i64>().unwrap_or(i64::MAX).min(1_000_000_000);
        self.scaled(letters, if tail.starts_with('-') { -size } else { size })
    }

    /// Digits, an exponent, and letters behind them.
    fn scaled(&self, letters: &str, exponent: i64) -> Result<Reading, NumberError> {
        let folded = letters.to_lowercase();
        let number = &self.text[..self.text.len() - letters.len()];
        let text = || self.text.to_owned();
        let mut warning = None;
        let power = if folded.starts_with("meg") {
            6
        } else if let Some(rest) = folded.strip_prefix("mil") {
            if !rest.is_empty() {
                warning = Some(NumberWarning::Mil { text: text(), thousandths: format!("{number}m") });
            }
            // 25.4e-6 = 254/1e7, and both of these are exact.
            let value = self.decimal(self.mantissa, exponent)? * 254.0 / 1e7;
            return self.finite(value).map(|value| Reading { value, warning });
        } else {
            letters.chars().next().and_then(power_of_letter).unwrap_or(0)
        };
        match self.quantity {
            Quantity::Resistance if folded == "l" => {
                let instead = Some(format!("{number}m for milliohms"));
                return Err(NumberError::Letter { text: text(), letter: letters.to_owned(), instead });
            }
            Quantity::Resistance if power == -3 && letters.starts_with('M') => {
                warning = Some(NumberWarning::Milli { text: text(), megohms: format!("{number}MEG") });
            }
            Quantity::Capacitance if power == -15 && !folded.starts_with("ff") => {
                warning = Some(NumberWarning::Femto { text: text(), farads: number.to_owned() });
            }
            _ => {}
        }
        let value = self.decimal(self.mantissa, exponent + power)?;
        Ok(Reading { value, warning })
    }

    /// `4k7`, `R47`: `letters` stands in the place of the point, `rest` begins with the digits behind it.
    fn letter_as_point(&self, letters: &str, rest: &str) -> Result<Reading, NumberError> {
        let (fraction, unit) = split_where(rest, |c| !c.is_ascii_digit());
        let mut characters = letters.chars();
        let (Some(letter), None) = (characters.next(), characters.next()) else {
            return Err(NumberError::NotANumber(self.text.to_owned()));
        };
        if self.mantissa.contains('.') {
            return Err(NumberError::TwoPoints(self.text.to_owned()));
        }
        // Only units may follow: in `4K7K` the last letter is a tolerance, or a slip.
        let known_unit = ["", "ohm", "ohms", "ω", "f", "h", "hz", "v", "a", "s"];
        if !known_unit.contains(&unit.to_lowercase().as_str()) {
            return Err(NumberError::NotANumber(self.text.to_owned()));
        }
        let refused = |instead| {
            let letter = letters.to_owned();
            Err(NumberError::Letter { text: self.text.to_owned(), letter, instead })
        };
        let whole = if self.mantissa.is_empty() { "0" } else { self.mantissa };
        let digits = format!("{whole}.{fraction}");
        let power = match (letter, self.quantity) {
            ('R' | 'r', Quantity::Resistance | Quantity::Other) => 0,
            ('L' | 'l', Quantity::Resistance) => -3,
            ('M', _) => 6,
            // Printed on a part it means farads, in a netlist it is femto: too far apart to choose for the writer.
            ('F', Quantity::Capacitance) => return refused(Some(format!("{digits} for farads"))),
            _ => match power_of_letter(letter) {
                Some(power) => power,
                None => return refused(None),
            },
        };
        let value = self.decimal(&digits, power)?;
        Ok(Reading { value, warning: None })
    }

    fn decimal(&self, digits: &str, exponent: i64) -> Result<f64, NumberError> {
        let value = format!("{}{digits}e{exponent}", self.sign).parse();
        value.map_err(|_| NumberError::NotANumber(self.text.to_owned())).and_then(|value| self.finite(value))
    }

    fn finite(&self, value: f64) -> Result<f64, NumberError> {
        if value.is_finite() { Ok(value) } else { Err(NumberError::TooLarge(self.text.to_owned())) }
    }
}

fn power_of_letter(letter: char) -> Option<i64> {
    Some(match letter {
        't' | 'T' => 12,
        'g' | 'G' => 9,
        'k' | 'K' => 3,
        'm' | 'M' => -3,
        'u' | 'U' | 'µ' | 'μ' => -6,
        'n' | 'N' => -9,
        'p' | 'P' => -12,
        'f' | 'F' => -15,
        _ => return None,
    })
}

fn comma(text: &str, quantity: Quantity) -> NumberError {
    // One comma is a decimal comma, several are thousands.
    let with_point = if text.matches(',').count() == 1 { text.replace(',', ".") } else { text.replace(',', "") };
    match read_number(&with_point, quantity) {
        Ok(_) => NumberError::Comma { text: text.to_owned(), with_point },
        Err(_) => NumberError::NotANumber(text.to_owned()),
    }
}

fn split_where(text: &str, stop: impl Fn(char) -> bool) -> (&str, &str) {
    text.split_at(text.find(stop).unwrap_or(text.len()))
}
