//! Frequencies as they are asked for: `1k`, and bands such as `20:20k`.

use crate::diagnostic::{Code, Diagnostic};
use crate::units::{Quantity, read_number};

/// The band of hiss figures unless told otherwise, Hz.
pub const DEFAULT_BAND_HZ: [f64; 2] = [20.0, 20e3];

/// Reads a frequency, above zero.
///
/// # Errors
/// [`Code::BadFlag`] says what is wrong with it.
pub fn read_hertz(text: &str) -> Result<f64, Diagnostic> {
    let reading = read_number(text.trim(), Quantity::Other).map_err(|problem| {
        Diagnostic::error(Code::BadFlag, problem.to_string())
            .help(problem.help().unwrap_or("write 1k for 1 kHz".into()))
    })?;
    if reading.value > 0.0 {
        Ok(reading.value)
    } else {
        let message = format!("a frequency must be above zero, not {}", text.trim());
        Err(Diagnostic::error(Code::BadFlag, message).help("write 1k for 1 kHz"))
    }
}

/// Reads a band `LOW:HIGH`, Hz, ascending.
///
/// # Errors
/// [`Code::BadFlag`] says what is wrong with it.
pub fn read_band(text: &str) -> Result<[f64; 2], Diagnostic> {
    let example = "write the lower and the upper end: 20:20k";
    let Some((low, high)) = text.split_once(':') else {
        return Err(Diagnostic::error(Code::BadFlag, format!("{text} is no band")).help(example));
    };
    let band = [read_hertz(low)?, read_hertz(high)?];
    if band[0] < band[1] {
        Ok(band)
    } else {
        Err(Diagnostic::error(Code::BadFlag, format!("the band {text} does not ascend")).help(example))
    }
}
