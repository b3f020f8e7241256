//! `response` as text.

use super::{Rows, decibels, frequency, heading};
use crate::report::ResponseResult;

/// A table a point: frequency, gain, phase.
pub fn response(result: &ResponseResult) -> String {
    let mut text = heading(&result.setting, &format!("gain from {}", result.from));
    for (position, curve) in result.curves.iter().enumerate() {
        let mut rows = Rows::new(&[">frequency", &format!(">{}", curve.to), ">phase"]);
        for (hertz, gain) in &curve.points {
            let phase = format!("{:.1}°", gain.arg().to_degrees() + 0.0);
            rows.add([frequency(*hertz), decibels(crate::report::gain_decibels(gain.norm())), phase]);
        }
        if position > 0 {
            text.push('\n');
        }
        text += &rows.text();
    }
    text
}
