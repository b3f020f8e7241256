//! `compare` as text.
//!
//! The change of gain stands beside that of the hiss: a stage that a leak has bottomed is quiet because it is dead.

use super::{Rows, band, heading, hiss, volts};
use crate::report::{CompareResult, ComparedNode};
use crate::units::short;

/// All points, before and after.
pub fn compare(result: &CompareResult) -> String {
    let columns = ["node", ">hiss before", ">after", ">change", ">gain", ">DC before", ">after"];
    let mut rows = Rows::new(&columns);
    for point in &result.points {
        rows.add([
            point.name.clone(),
            hiss(point.before_rms_volts),
            hiss(point.after_rms_volts),
            change(point.change_db),
            change(gain_change(point)),
            volts(point.before_dc_volts),
            volts(point.after_dc_volts),
        ]);
    }
    let before = if result.ambient_before_celsius == result.setting.ambient_celsius {
        String::new()
    } else {
        format!("before at {} ambient\n", short(result.ambient_before_celsius, "°C"))
    };
    heading(&result.setting, &band(result.band_hz, result.weighting)).trim_end_matches('\n').to_owned()
        + "\n"
        + &before
        + "\n"
        + &rows.text()
}

fn change(db: Option<f64>) -> String {
    db.map_or_else(|| "-".to_owned(), |db| format!("{db:+.1} dB"))
}

fn gain_change(point: &ComparedNode) -> Option<f64> {
    Some(point.gain_db[1]? - point.gain_db[0]?)
}
