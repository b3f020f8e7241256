//! `response` as text.

use super::{CAUTIONS, Rows, decibels, frequency, heading, printable, volts};
use crate::repair::swing::{Clip, Level};
use crate::report::{ControlCurves, Curve, ResponseResult, SwingResult, TwinResult, gain_decibels};
use crate::units::{engineering, exact};

/// A table a point: frequency, gain, phase; or what was asked for besides: controls, the other channel, swing.
pub fn response(result: &ResponseResult) -> String {
    let mut tables: Vec<String> = result.controls.iter().flat_map(control).collect();
    if let (Some(twin), Some(first)) = (&result.twin, result.curves.first()) {
        tables.push(channels(result, first, twin));
    }
    if let Some(swing) = &result.swing {
        tables.push(swings(result, swing));
    }
    if tables.is_empty() {
        tables.extend(result.curves.iter().map(|curve| single(result, curve)));
    }
    heading(&result.setting, &format!("gain from {}", result.from)) + &tables.join("\n")
}

fn single(result: &ResponseResult, curve: &Curve) -> String {
    let mut rows = Rows::new(&[">frequency", &format!(">{}", curve.to), ">phase"]);
    for (hertz, gain) in &curve.points {
        rows.add([frequency(*hertz), decibels(gain_decibels(gain.norm())), degrees(gain.arg().to_degrees())]);
    }
    let limits = half_power(curve)
        .map_or_else(String::new, |limits| format!("3 dB below the gain at {}: {limits}\n", frequency(result.mid_hz)));
    rows.text() + &limits
}

/// At which frequencies a curve is 3 dB down; `None` where it nowhere is.
fn half_power(curve: &Curve) -> Option<String> {
    let at = |hertz: Option<f64>| hertz.map(|hertz| engineering(hertz, "Hz", 3));
    match curve.half_power_hz.map(at) {
        [Some(low), Some(high)] => Some(format!("{low} and {high}")),
        [Some(one), None] | [None, Some(one)] => Some(one),
        [None, None] => None,
    }
}

fn degrees(degrees: f64) -> String {
    format!("{:.1}°", degrees + 0.0)
}

fn control(result: &ControlCurves) -> Vec<String> {
    let outputs = result.settings.first().map_or(0, |(_, curves)| curves.len());
    let of_output = |output: usize| {
        let settings: Vec<(f64, &Curve)> =
            result.settings.iter().filter_map(|(value, curves)| Some((*value, curves.get(output)?))).collect();
        let mut columns = vec![">frequency".to_owned()];
        // The middle of two ends may have a rounding error in its last digits.
        let position = |value: f64| exact(format!("{value:.5e}").parse().unwrap_or(value));
        columns.extend(settings.iter().map(|(value, _)| format!(">{} {}", result.control, position(*value))));
        let mut rows = Rows::new(&columns.iter().map(String::as_str).collect::<Vec<_>>());
        let hertz = settings.first().map_or(&[][..], |(_, curve)| &curve.points);
        for (at, (hertz, _)) in hertz.iter().enumerate() {
            let gains = settings.iter().map(|(_, curve)| decibels(gain_decibels(curve.points[at].1.norm())));
            rows.add([frequency(*hertz)].into_iter().chain(gains));
        }
        let to = settings.first().map_or("", |(_, curve)| curve.to.as_str());
        format!("{} at {}\n{}", printable(to), printable(&result.control), rows.text())
    };
    (0..outputs).map(of_output).collect()
}

fn channels(result: &ResponseResult, first: &Curve, twin: &TwinResult) -> String {
    let (a, b) = (&first.to, &twin.curve.to);
    let columns = [
        ">frequency".to_owned(),
        format!(">{a}"),
        format!(">{b}"),
        ">difference".to_owned(),
        ">phase".to_owned(),
        format!(">{a} in {b}"),
        format!(">{b} in {a}"),
    ];
    let mut rows = Rows::new(&columns.each_ref().map(String::as_str));
    for ((row, (_, one)), (_, other)) in twin.rows.iter().zip(&first.points).zip(&twin.curve.points) {
        rows.add([
            frequency(row.hertz),
            decibels(gain_decibels(one.norm())),
            decibels(gain_decibels(other.norm())),
            row.difference_db.map_or_else(|| "-".to_owned(), |db| format!("{db:+.2} dB")),
            degrees(row.difference_degrees),
            decibels(row.crosstalk_to_twin_db),
            decibels(row.crosstalk_from_twin_db),
        ]);
    }
    let mut text = format!(
        "{} driven by {}, {} by {}; crosstalk is the silent channel's output over the driven one's\n{}",
        printable(a),
        printable(&result.from),
        printable(b),
        printable(&twin.from),
        rows.text()
    );
    if let Some((control, balance)) = &twin.balance {
        let [low, high] = balance.at_limits_db;
        text += &match balance.equal {
            Some((value, left)) => format!(
                "both channels alike at {} with {} at {value:.4} (within {:.4} dB); \
                 from end to end {a} over {b} is {low:.1} to {high:.1} dB\n",
                frequency(result.mid_hz),
                printable(control),
                left.abs(),
            ),
            None => format!("no setting of {} makes both channels alike\n", printable(control)),
        };
    }
    text
}

fn swings(result: &ResponseResult, swing: &SwingResult) -> String {
    let figures = &swing.figures;
    let load = match (&swing.load, figures.load) {
        (Some(name), Some((_, ohms))) => format!("into {} of {}", printable(name), engineering(ohms, "Ω", 3)),
        _ => "with no load known, so without watts (--load 15)".to_owned(),
    };
    let mut text = format!(
        "swing of {} {load}\nat rest {}; gain {} static, {} at {}\n\n",
        printable(&swing.to),
        volts(figures.rest_volts),
        decibels(gain_decibels(figures.static_gain.abs())),
        decibels(gain_decibels(figures.mid_gain)),
        frequency(figures.mid_hz),
    );
    text += &clips(swing);
    text += &match figures.symmetrical() {
        Some(true) => "clips alike on both sides\n\n".to_owned(),
        Some(false) => "clips unevenly: one side before the other\n\n".to_owned(),
        None => "no clipping was found on one side or both\n\n".to_owned(),
    };
    text += &levels(swing);
    text += &format!(
        "\nQuasi-static at {}: capacitors that hold their charge {}, open {}, as resistances {}. Nothing that\n\
         takes time is in it: slew rate, a sagging supply, charge pumped by a long overload, warming.\n\
         {} is the e.m.f. of its source and watts are V²/R, the terms of IEC 60268-3; distortion is the\n\
         rms of all harmonics over that of the whole, single harmonics are over the fundamental.\n\n{CAUTIONS}\
         Test on a dummy load, never on the speaker.\n",
        frequency(figures.mid_hz),
        swing.holding.len(),
        swing.open.len(),
        swing.shaping.len(),
        printable(&result.from),
    );
    text
}

fn clips(swing: &SwingResult) -> String {
    let mut rows = Rows::new(&["clips", ">output from rest", ">input", "because"]);
    let sides = [("upwards", &swing.figures.up), ("downwards", &swing.figures.down)];
    for ((side, clip), (by, reached)) in sides.into_iter().zip(swing.by.iter().zip(swing.figures.reached_volts)) {
        let because = |clip: &Clip| match (by, clip.by) {
            (Some(name), Some((_, cause))) => format!("{name} {}", cause.words()),
            _ => "no single device can be told".to_owned(),
        };
        rows.add(match clip {
            Some(clip) => [
                side.to_owned(),
                volts(clip.volts),
                engineering(clip.input, swing.figures.input_unit, 3),
                because(clip),
            ],
            None => [side.to_owned(), "-".to_owned(), "-".to_owned(), format!("not up to {}", volts(reached))],
        });
    }
    rows.text()
}

fn levels(swing: &SwingResult) -> String {
    let figures = &swing.figures;
    let mut rows =
        Rows::new(&["level", ">input rms", ">output rms", ">watts", ">distortion", ">2nd", ">3rd", ">4th", ">5th"]);
    let onset = figures.onset.map(|level| level.input_rms);
    let relative = |level: &Level| {
        let db = 20.0 * (level.input_rms / onset.unwrap_or(f64::NAN)).log10();
        if db.is_finite() { format!("{db:+.0} dB") } else { String::new() }
    };
    let mut all: Vec<(String, Level)> = figures.levels.iter().map(|level| (relative(level), *level)).collect();
    let named = [("clipping", figures.onset), ("at 1 %", figures.at_one_percent), ("at 10 %", figures.at_ten_percent)];
    all.extend(named.into_iter().filter_map(|(name, level)| Some((name.to_owned(), level?))));
    all.sort_by(|a, b| a.1.input_rms.total_cmp(&b.1.input_rms));
    for (name, level) in all {
        let watts = level.watts.map_or_else(|| "-".to_owned(), |watts| engineering(watts, "W", 3));
        let head = [
            name,
            engineering(level.input_rms, figures.input_unit, 3),
            engineering(level.output_rms_volts, "V", 3),
            watts,
        ];
        let distortion = [level.total_distortion].into_iter().chain(level.harmonics).map(share);
        rows.add(head.into_iter().chain(distortion));
    }
    rows.text()
}

fn share(share: f64) -> String {
    let percent = 100.0 * share;
    if percent < 0.001 { "<0.001 %".to_owned() } else { format!("{percent:.3} %") }
}
