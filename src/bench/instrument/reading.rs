//! Instruments as they are asked for.

use super::{DcMeter, Loading, Meter, Probe, Responds};
use crate::bench::reference::above_zero;
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::units::Quantity;

/// Reads a probe: `x1`, `x10`, `bare`, or `OHMS,FARADS` of one that does not divide.
///
/// # Errors
/// [`Code::BadFlag`] says what is wrong with it.
pub fn read_probe(text: &str) -> Result<Probe, Diagnostic> {
    const KNOWN: [(&str, Probe); 3] = [("x1", Probe::TIMES_1), ("x10", Probe::TIMES_10), ("bare", Probe::BARE)];
    let word = text.trim().to_lowercase().replace('×', "x");
    if let Some((_, probe)) = KNOWN.iter().find(|(name, _)| *name == word) {
        return Ok(*probe);
    }
    match word.split_once(',') {
        Some(_) => Ok(Probe { loading: read_loading(text)?, division: 1.0 }),
        None => {
            let error = Diagnostic::error(Code::BadFlag, format!("no probe is called {}", text.trim()));
            Err(match nearest(&word, KNOWN.map(|(name, _)| name)) {
                Some(near) => error.help(format!("try {near}")),
                None => error.help("write x1, x10, bare, or ohms and farads: 1MEG,110p"),
            })
        }
    }
}

/// Reads a meter for hiss: `rms` or `average`, and behind a comma ohms and farads of its input if they are others.
///
/// # Errors
/// [`Code::BadFlag`] says what is wrong with it.
pub fn read_meter(text: &str) -> Result<Meter, Diagnostic> {
    let (word, loading) = text.split_once(',').map_or((text, None), |(word, loading)| (word, Some(loading)));
    let responds = match word.trim().to_lowercase().as_str() {
        "rms" => Responds::TrueRms,
        "average" => Responds::Average,
        _ => {
            let error = Diagnostic::error(Code::BadFlag, format!("no meter is called {}", word.trim()));
            return Err(error.help("write rms or average, with ohms and farads of its input: rms,1MEG,100p"));
        }
    };
    let meter = Meter { responds, ..Meter::default() };
    Ok(match loading {
        Some(loading) => Meter { loading: read_loading(loading)?, ..meter },
        None => meter,
    })
}

/// Reads a meter for DC: `10MEG`, or `20k/V` with a range behind it, `20k/V@10`.
///
/// # Errors
/// [`Code::BadFlag`] says what is wrong with it.
pub fn read_dc_meter(text: &str) -> Result<DcMeter, Diagnostic> {
    const EXAMPLE: &str = "write its ohms, 10MEG, or ohms per volt, 20k/V, with a range of 10 V: 20k/V@10";
    let Some((per_volt, range)) = text.split_once('/') else {
        return Ok(DcMeter::Ohms(above_zero(text, Quantity::Resistance, "a resistance", EXAMPLE)?));
    };
    let (unit, range) = range.split_once('@').map_or((range, None), |(unit, range)| (unit, Some(range)));
    if !unit.trim().eq_ignore_ascii_case("v") {
        return Err(
            Diagnostic::error(Code::BadFlag, format!("{} is no resistance of a meter", text.trim())).help(EXAMPLE)
        );
    }
    Ok(DcMeter::OhmsPerVolt {
        ohms_per_volt: above_zero(per_volt, Quantity::Resistance, "the ohms per volt", EXAMPLE)?,
        range_volts: range.map(|range| above_zero(range, Quantity::Other, "a range", EXAMPLE)).transpose()?,
    })
}

fn read_loading(text: &str) -> Result<Loading, Diagnostic> {
    const EXAMPLE: &str = "write ohms and farads: 1MEG,100p";
    let Some((ohms, farads)) = text.split_once(',') else {
        return Err(Diagnostic::error(Code::BadFlag, format!("{} is no loading", text.trim())).help(EXAMPLE));
    };
    let ohms = above_zero(ohms, Quantity::Resistance, "a resistance", EXAMPLE)?;
    let farads = match farads.trim() {
        "0" => 0.0,
        farads => above_zero(farads, Quantity::Capacitance, "a capacitance", EXAMPLE)?,
    };
    Ok(Loading { ohms, farads })
}
