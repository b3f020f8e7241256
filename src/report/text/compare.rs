//! `compare` as text.

use super::{Rows, band, heading, hiss, volts};
use crate::report::CompareResult;

/// All points, before and after.
pub fn compare(result: &CompareResult) -> String {
    let columns = ["node", ">hiss before", ">after", ">change", ">DC before", ">after"];
    let mut rows = Rows::new(&columns);
    for point in &result.points {
        rows.add([
            point.name.clone(),
            hiss(point.before_rms_volts),
            hiss(point.after_rms_volts),
            point.change_db.map_or_else(|| "-".to_owned(), |db| format!("{:+.1} dB", db)),
            volts(point.before_dc_volts),
            volts(point.after_dc_volts),
        ]);
    }
    heading(&result.setting, &band(result.band_hz, result.weighting)) + &rows.text()
}
