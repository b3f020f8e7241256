//! Tone curves.

use maud::{Markup, html};

use super::table::{Row, behind, cell, table};
use crate::report::plot::{self, shown};
use crate::report::text::{decibels, frequency};
use crate::report::{ControlCurves, Curve, Report, ResponseResult, gain_decibels};
use crate::units::exact;

pub fn section(report: &Report, tone: &ResponseResult) -> Markup {
    super::section("tone", "Tone", &lead(tone), &plots(report, tone))
}

fn lead(tone: &ResponseResult) -> String {
    let Some(curve) = tone.curves.first() else { return String::new() };
    let limit = |hertz: Option<f64>| hertz.map_or_else(|| "beyond the band".to_owned(), frequency);
    let [low, high] = curve.half_power_hz;
    format!(
        "Per volt of {}. 3 dB below the gain at {}: {} and {}.",
        shown(&tone.from),
        frequency(tone.mid_hz),
        limit(low),
        limit(high)
    )
}

fn plots(report: &Report, tone: &ResponseResult) -> Markup {
    html! {
        div class="plots" {
            figure {
                figcaption { "To " (shown(&report.output)) ", controls as they stand" }
                (plot::gain(tone, report.present_tone.as_ref()))
                (behind("In figures", &gains(tone, report.present_tone.as_ref())))
            }
            @for control in &tone.controls {
                figure {
                    figcaption { (shown(&control.control)) " from end to end" }
                    (plot::control(tone, control))
                    (behind("In figures", &turned(control)))
                }
            }
        }
    }
}

fn gains(tone: &ResponseResult, present: Option<&ResponseResult>) -> Markup {
    let curves: Vec<(&str, &Curve)> = tone
        .curves
        .iter()
        .map(|curve| ("healthy", curve))
        .chain(present.into_iter().flat_map(|present| &present.curves).map(|curve| ("at hand", curve)))
        .collect();
    of_curves("Gain", &curves.iter().map(|(name, curve)| ((*name).to_owned(), *curve)).collect::<Vec<_>>())
}

fn turned(control: &ControlCurves) -> Markup {
    let curves: Vec<(String, &Curve)> = control
        .settings
        .iter()
        .filter_map(|(value, curves)| Some((format!("at {}", exact(*value)), curves.first()?)))
        .collect();
    of_curves("Gain by setting", &curves)
}

fn of_curves(caption: &str, curves: &[(String, &Curve)]) -> Markup {
    let columns: Vec<String> =
        [">frequency".to_owned()].into_iter().chain(curves.iter().map(|(name, _)| format!(">{name}"))).collect();
    let columns: Vec<&str> = columns.iter().map(String::as_str).collect();
    let hertz: Vec<f64> =
        curves.first().map(|(_, curve)| curve.points.iter().map(|point| point.0).collect()).unwrap_or_default();
    let rows = hertz.iter().enumerate().step_by(2).map(|(at, &hertz)| {
        let gain = |curve: &Curve| curve.points.get(at).and_then(|point| gain_decibels(point.1.norm()));
        let cells = curves.iter().map(|(_, curve)| cell(decibels(gain(curve))));
        Row { class: String::new(), cells: [cell(frequency(hertz))].into_iter().chain(cells).collect() }
    });
    table(caption, &columns, &rows.collect::<Vec<_>>())
}
