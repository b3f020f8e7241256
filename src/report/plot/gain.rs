//! Gain over frequency, and what a control makes of it.

use maud::Markup;

use super::curves::{Curves, Line};
use super::shown;
use crate::report::text::frequency;
use crate::report::{ControlCurves, Curve, ResponseResult};
use crate::units::exact;

/// Gain to every output; `present`: the same of the circuit at hand.
pub fn gain(result: &ResponseResult, present: Option<&ResponseResult>) -> Markup {
    const CLASSES: [&str; 6] = ["c0", "c1", "c2", "c3", "c4", "c5"];
    let class = |at: usize| if present.is_some() { "healthy" } else { CLASSES[at % CLASSES.len()] };
    let named = |curve: &Curve| if present.is_some() { "healthy".to_owned() } else { shown(&curve.to) };
    let own = result.curves.iter().enumerate().map(|(at, curve)| line(class(at), &named(curve), curve));
    let changed = present.into_iter().flat_map(|result| &result.curves).map(|curve| line("present", "at hand", curve));
    let names: Vec<String> = result.curves.iter().map(|curve| shown(&curve.to)).collect();
    plot(format!("Gain from {} to {}", shown(&result.from), names.join(", ")), own.chain(changed).collect())
}

/// Gain to the first output with a control at its ends and its middle.
pub fn control(result: &ResponseResult, control: &ControlCurves) -> Markup {
    const CLASSES: [&str; 3] = ["low", "middle", "high"];
    let settings = control.settings.iter().zip(CLASSES);
    let lines = settings
        .filter_map(|((value, curves), class)| Some(line(class, &format!("at {}", exact(*value)), curves.first()?)));
    plot(format!("Gain from {} with {} turned", shown(&result.from), shown(&control.control)), lines.collect())
}

fn line(class: &'static str, name: &str, curve: &Curve) -> Line {
    let points = curve.points.iter().map(|&(hertz, gain)| (hertz, decibels(gain.norm())));
    Line { class, name: Some(name.to_owned()), title: name.to_owned(), part: None, points: points.collect() }
}

fn plot(title: String, lines: Vec<Line>) -> Markup {
    let hertz: Vec<f64> =
        lines.first().map(|line| line.points.iter().map(|point| point.0).collect()).unwrap_or_default();
    let strip = |at: usize| {
        let each = lines.iter().map(|line| match line.points[at].1 {
            db if db.is_finite() => format!("{} {db:.2} dB", line.title),
            _ => format!("{} no gain", line.title),
        });
        (hertz[at], format!("{}: {}", frequency(hertz[at]), each.collect::<Vec<_>>().join(", ")))
    };
    let strips: Vec<(f64, String)> = (0..hertz.len()).map(strip).collect();
    let description = strips.get(strips.len() / 2).map(|(_, text)| text.clone()).unwrap_or_default();
    let ends = [hertz.first().copied().unwrap_or(20.0), hertz.last().copied().unwrap_or(20e3)];
    let band_hz = if ends[0] < ends[1] { ends } else { [ends[0] / 2.0, ends[0] * 2.0] };
    Curves {
        title,
        description,
        unit: "dB".to_owned(),
        band_hz,
        is_logarithmic: false,
        divisor: 1.0,
        ribbons: Vec::new(),
        lines,
        strips,
    }
    .draw()
}

/// dB of a ratio; not a number where it is none.
fn decibels(ratio: f64) -> f64 {
    super::super::gain_decibels(ratio).unwrap_or(f64::NAN)
}
