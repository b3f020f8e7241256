//! Number to text.

/// The shortest decimal text that [`read_number`](super::read_number) reads back to the very same number.
///
/// Without scale letters, so that any other program reads it too. A value that is not finite has no such text and
/// comes out as `inf`, `-inf` or `NaN`.
pub fn exact(value: f64) -> String {
    let (plain, with_exponent) = (format!("{value}"), format!("{value:e}"));
    if plain.len() <= with_exponent.len() { plain } else { with_exponent }
}

const LETTERS: [&str; 10] = ["f", "p", "n", "µ", "m", "", "k", "M", "G", "T"];
const SMALLEST_POWER: i32 = -15;

/// A quantity as a technician writes it, with `digits` significant digits: `1.23 mV`, `-850 µA`, `12.5 nV/√Hz`.
///
/// Scales run from femto to tera; beyond them an exponent is written. A value that rounds up to the next scale is
/// written in that scale (`999.96 mV` at four digits is `1.000 V`), zero has no digits (`0 V`), and values that are
/// not finite come out as `∞ V`, `-∞ V` and `undefined`.
pub fn engineering(value: f64, unit: &str, digits: usize) -> String {
    if value.is_nan() {
        return "undefined".to_owned();
    }
    if value == 0.0 {
        return format!("0 {unit}").trim_end().to_owned();
    }
    let sign = if value < 0.0 { "-" } else { "" };
    if value.is_infinite() {
        return format!("{sign}∞ {unit}").trim_end().to_owned();
    }
    // Rounding first, by the formatter, settles the exponent: 9.9996e-1 at four digits is already 1.000e0 here.
    let rounded = format!("{:.*e}", digits.clamp(1, 17) - 1, value.abs());
    let (mantissa, exponent) = rounded.split_once('e').expect("the format has an exponent");
    let exponent: i32 = exponent.parse().expect("the exponent is a small integer");
    let step = (exponent - SMALLEST_POWER).div_euclid(3);
    let Some(letter) = usize::try_from(step).ok().and_then(|step| LETTERS.get(step)) else {
        return format!("{sign}{rounded} {unit}").trim_end().to_owned();
    };
    let whole = (exponent - SMALLEST_POWER).rem_euclid(3) as usize + 1;
    let mut number = mantissa.replace('.', "");
    while number.len() < whole {
        number.push('0');
    }
    if number.len() > whole {
        number.insert(whole, '.');
    }
    format!("{sign}{number} {letter}{unit}").trim_end().to_owned()
}

/// A quantity with as few digits as say it, six at most, for values that a person chose: `20 µA`, `4.7 kΩ`, `-30 °C`.
pub fn short(value: f64, unit: &str) -> String {
    let written = engineering(value, unit, 6);
    let (number, rest) = written.split_at(written.find(' ').unwrap_or(written.len()));
    // The digits of an exponent are no decimals.
    if number.contains('.') && !number.contains('e') {
        return format!("{}{rest}", number.trim_end_matches('0').trim_end_matches('.'));
    }
    written
}
