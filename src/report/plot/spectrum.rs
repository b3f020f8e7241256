//! Hiss over frequency.

use maud::Markup;

use super::curves::{Curves, Line, Ribbon};
use super::shown;
use crate::report::text::frequency;
use crate::report::{NoiseResult, PointSpectra, Report, ShownPart};
use crate::units::engineering;

/// Parts whose curves are drawn without being chosen.
const DRAWN: usize = 2;

/// Spectra at a point: what belongs there, what is there, which parts make it, what was recorded.
pub fn spectrum(report: &Report, point: &PointSpectra) -> Markup {
    let at = |values: &[f64]| point.hertz.iter().copied().zip(values.iter().copied()).collect::<Vec<_>>();
    let mut lines = Vec::new();
    let shown_total = point.present.as_ref().unwrap_or(&point.healthy);
    let largest = largest(point);
    let healthy = Line {
        class: "healthy",
        name: Some("healthy".to_owned()),
        title: "the healthy circuit".to_owned(),
        part: None,
        points: at(&point.healthy),
    };
    lines.push(healthy);
    if let Some(present) = &point.present {
        let name = if report.is_assumed { "likeliest fault" } else { "with the what-ifs" };
        let (name, title) = (Some(name.to_owned()), name.to_owned());
        lines.push(Line { class: "present", name, title, part: None, points: at(present) });
    }
    // Over the totals: a part that makes nearly all would vanish under them.
    for (place, (part, own)) in report.parts.iter().zip(&point.parts).enumerate() {
        let Some(own) = own else { continue };
        let class = match largest.iter().position(|&other| other == place) {
            Some(0) => "by first",
            Some(_) => "by second",
            None => "by hidden",
        };
        let name = if class.ends_with("hidden") { None } else { Some(shown(&part.name)) };
        let title = format!("{} alone", shown(&part.name));
        lines.push(Line { class, name, title, part: Some(place), points: at(&own.0) });
    }
    for measured in &point.measured {
        let of = |values: &[f64]| measured.hertz.iter().copied().zip(values.iter().copied()).collect::<Vec<_>>();
        let (title, part) = (shown(&measured.name), None);
        let all =
            Line { class: "hum", name: None, title: format!("{title}, hum included"), part, points: of(&measured.all) };
        lines.push(all);
        lines.push(Line {
            class: "measured",
            name: Some("recorded".to_owned()),
            title,
            part,
            points: of(&measured.hiss),
        });
    }
    let band = point.hertz.iter().zip(&point.band).map(|(&hertz, band)| (hertz, band.low, band.high));
    let (unit, divisor) = unit(shown_total);
    let strips = (0..point.hertz.len()).map(|at| (point.hertz[at], strip(report, point, at, &largest)));
    Curves {
        title: format!("Hiss over frequency at {}", shown(&point.name)),
        description: description(report, point),
        unit,
        band_hz: report.band_hz,
        is_logarithmic: true,
        divisor,
        ribbons: vec![Ribbon { class: "band", name: "healthy units".to_owned(), points: band.collect() }],
        lines,
        strips: strips.collect(),
    }
    .draw()
}

/// The spectra of `noise` in one plot.
pub fn noise_spectrum(result: &NoiseResult) -> Markup {
    const CLASSES: [&str; 6] = ["c0", "c1", "c2", "c3", "c4", "c5"];
    let spectra: Vec<_> =
        result.points.iter().filter_map(|point| Some((shown(&point.name), point.spectrum.as_ref()?))).collect();
    let line = |(at, (name, spectrum)): (usize, &(String, &crate::report::Spectrum))| Line {
        class: CLASSES[at % CLASSES.len()],
        name: Some(name.clone()),
        title: name.clone(),
        part: None,
        points: spectrum.hertz.iter().copied().zip(spectrum.volts_per_root_hertz.iter().copied()).collect(),
    };
    let all: Vec<f64> =
        spectra.iter().flat_map(|(_, spectrum)| spectrum.volts_per_root_hertz.iter().copied()).collect();
    let (unit, divisor) = unit(&all);
    let hertz = spectra.first().map(|(_, spectrum)| spectrum.hertz.as_slice()).unwrap_or_default();
    let text = |at: usize| {
        let each = spectra.iter().filter_map(|(name, spectrum)| {
            Some(format!("{name} {}", density(*spectrum.volts_per_root_hertz.get(at)?)))
        });
        format!("{}: {}", frequency(hertz[at]), each.collect::<Vec<_>>().join(", "))
    };
    let names: Vec<&str> = spectra.iter().map(|(name, _)| name.as_str()).collect();
    let title = format!("Hiss over frequency at {}", names.join(", "));
    Curves {
        description: format!("{}; {title}, unweighted", shown(&result.setting.title)),
        title,
        unit,
        band_hz: result.band_hz,
        is_logarithmic: true,
        divisor,
        ribbons: Vec::new(),
        lines: spectra.iter().enumerate().map(line).collect(),
        strips: (0..hertz.len()).map(|at| (hertz[at], text(at))).collect(),
    }
    .draw()
}

/// The parts that make most over the whole band.
fn largest(point: &PointSpectra) -> Vec<usize> {
    // On a logarithmic axis each octave counts for its width: density times frequency.
    let power =
        |own: &[f64]| point.hertz.iter().zip(own).map(|(hertz, density)| hertz * density * density).sum::<f64>();
    let mut order: Vec<(usize, f64)> =
        point.parts.iter().enumerate().filter_map(|(at, own)| Some((at, power(&own.as_ref()?.0)))).collect();
    order.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    order.into_iter().take(DRAWN).map(|(at, _)| at).collect()
}

fn strip(report: &Report, point: &PointSpectra, at: usize, largest: &[usize]) -> String {
    let mut text = format!("{}: healthy {}", frequency(point.hertz[at]), density(point.healthy[at]));
    let band = point.band[at];
    text += &format!(" ({} to {})", density(band.low), density(band.high));
    if let Some(present) = &point.present {
        text += &format!(", at hand {}", density(present[at]));
    }
    let by = |&part: &usize| {
        let ShownPart { name, .. } = report.parts.get(part)?;
        Some(format!(", {} {}", shown(name), density(point.parts.get(part)?.as_ref()?.0[at])))
    };
    text + &largest.iter().filter_map(by).collect::<String>()
}

fn description(report: &Report, point: &PointSpectra) -> String {
    let middle = point.hertz.len() / 2;
    let mut text = format!("Density in volts per root hertz. {}", strip(report, point, middle, &[]));
    for measured in &point.measured {
        text += &format!(". Recorded: {}", shown(&measured.name));
    }
    text
}

/// A density as written.
pub fn density(volts_per_root_hertz: f64) -> String {
    engineering(volts_per_root_hertz, "V/√Hz", 3)
}

/// The unit of an axis and what it stands for, by the largest value.
fn unit(values: &[f64]) -> (String, f64) {
    let largest = values.iter().copied().fold(0.0, f64::max);
    match largest {
        largest if largest < 1e-6 => ("nV/√Hz".to_owned(), 1e-9),
        largest if largest < 1e-3 => ("µV/√Hz".to_owned(), 1e-6),
        _ => ("mV/√Hz".to_owned(), 1e-3),
    }
}
