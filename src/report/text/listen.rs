//! `listen` as text.

use super::{Rows, heading, hiss, printable};
use crate::report::ListenResult;
use crate::units::short;

/// What is heard when, how loud, and at which calibration.
pub fn listen(result: &ListenResult, file: &str, bits: u16) -> String {
    let band = format!("from {} to {}", short(result.band_hz[0], "Hz"), short(result.band_hz[1], "Hz"));
    let mut text = heading(&result.setting, &format!("hiss at {} {band}", printable(&result.at)));
    let mut rows = Rows::new(&["heard", ">from", ">for", ">rms", ">below full scale", "what if"]);
    for part in &result.parts {
        let below = match part.rms_volts > 0.0 {
            true => format!("{:.1} dB", -result.full_scale_db(part.rms_volts)),
            false => "-".to_owned(),
        };
        rows.add([
            part.name.to_owned(),
            short(part.from_seconds, "s"),
            short(part.samples as f64 / f64::from(result.rate_hz), "s"),
            hiss(part.rms_volts),
            below,
            part.changes.join("\n"),
        ]);
    }
    text += &rows.text();
    text + &format!(
        "\n{}: {}, {bits} bits, full scale {} (1 V is {:+.1} dB), seed {}\n",
        printable(file),
        short(f64::from(result.rate_hz), "Hz"),
        short(result.full_scale_volts, "V"),
        result.full_scale_db(1.0),
        result.seed
    )
}
