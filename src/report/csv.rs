//! Results as comma-separated values: one table each, a header line, SI units in the header, full precision.

mod drill;
mod spares;
mod symptoms;
mod verify;

use csv::Writer;

pub use drill::class;
pub use spares::{pulled, spares};
pub use symptoms::symptoms;
pub use verify::verify;

use super::{
    BiasResult, CompareResult, Curve, Message, NoiseResult, PointHiss, RecordingResult, ResponseResult, SwingResult,
    TwinResult,
};
use crate::bench::healthy::Band;
use crate::bench::instrument::Shown;
use crate::bias::DeviceCurrents;
use crate::diagnostic::Severity;
use crate::units::exact;

/// `bias`: nodes, then devices, told apart by the first column; what a row does not have is empty.
pub fn bias(result: &BiasResult) -> String {
    let mut columns = vec![
        "item",
        "name",
        "kind",
        "region",
        "dc_v",
        "ic_a",
        "ib_a",
        "vbe_v",
        "vce_v",
        "i_a",
        "v_v",
        "id_a",
        "ig_a",
        "vgs_v",
        "vds_v",
        "power_w",
        "temperature_c",
    ];
    columns.extend(result.dc_meter.map(|_| "meter_v"));
    if result.healthy_units.is_some() {
        columns.extend(["low", "high"]);
    }
    let blank = |count| std::iter::repeat_n(String::new(), count);
    let nodes = result.nodes.iter().map(|node| {
        let head = ["node".to_owned(), node.name.clone(), String::new(), String::new(), exact(node.volts)];
        let meter = node.metered.map(|metered| optional(metered.volts));
        let healthy = result.healthy_units.map(|_| ends(node.healthy)).into_iter().flatten();
        head.into_iter().chain(blank(12)).chain(meter).chain(healthy).collect::<Vec<_>>()
    });
    let devices = result.devices.iter().map(|row| {
        let mut quantities = vec![String::new(); 10];
        let (from, values) = match row.bias.currents {
            DeviceCurrents::Bjt { ic_a, ib_a, vbe_v, vce_v } => (0, vec![ic_a, ib_a, vbe_v, vce_v]),
            DeviceCurrents::Diode { i_a, v_v } => (4, vec![i_a, v_v]),
            DeviceCurrents::Jfet { id_a, ig_a, vgs_v, vds_v } => (6, vec![id_a, ig_a, vgs_v, vds_v]),
        };
        for (cell, value) in quantities[from..].iter_mut().zip(values) {
            *cell = exact(value);
        }
        let (kind, region) = (row.bias.kind.to_owned(), row.bias.region.name().to_owned());
        let head = ["device".to_owned(), row.name.clone(), kind, region, String::new()];
        let heat = [exact(row.bias.watts), exact(row.bias.celsius)];
        let meter = blank(result.dc_meter.iter().count() + 2 * result.healthy_units.iter().count());
        head.into_iter().chain(quantities).chain(heat).chain(meter).collect()
    });
    table(&columns, nodes.chain(devices))
}

/// `response`: a row a point and frequency. Where controls were asked for, their settings instead; else where the other
/// channel was, a row a frequency; else where swing was, a row a level.
pub fn response(result: &ResponseResult) -> String {
    if !result.controls.is_empty() {
        return controls(result);
    }
    if let Some(twin) = &result.twin {
        return channels(twin);
    }
    if let Some(swing) = &result.swing {
        return swings(swing);
    }
    let rows = result.curves.iter().flat_map(curve);
    table(&["to", "hz", "re", "im", "db", "phase_deg"], rows)
}

fn curve(curve: &Curve) -> impl Iterator<Item = [String; 6]> + '_ {
    curve.points.iter().map(|(hertz, gain)| {
        let db = optional(super::gain_decibels(gain.norm()));
        let phase = exact(gain.arg().to_degrees());
        [curve.to.clone(), exact(*hertz), exact(gain.re), exact(gain.im), db, phase]
    })
}

fn controls(result: &ResponseResult) -> String {
    let rows = result.controls.iter().flat_map(|control| {
        control.settings.iter().flat_map(move |(value, curves)| {
            let head = [control.control.clone(), exact(*value)];
            curves.iter().flat_map(curve).map(move |row| head.clone().into_iter().chain(row))
        })
    });
    table(&["control", "value", "to", "hz", "re", "im", "db", "phase_deg"], rows)
}

fn channels(twin: &TwinResult) -> String {
    let rows = twin.rows.iter().map(|row| {
        [
            exact(row.hertz),
            optional(row.difference_db),
            exact(row.difference_degrees),
            optional(row.crosstalk_to_twin_db),
            optional(row.crosstalk_from_twin_db),
        ]
    });
    table(&["hz", "difference_db", "difference_deg", "crosstalk_to_twin_db", "crosstalk_from_twin_db"], rows)
}

fn swings(swing: &SwingResult) -> String {
    let figures = &swing.figures;
    let named =
        [("onset", figures.onset), ("one_percent", figures.at_one_percent), ("ten_percent", figures.at_ten_percent)];
    let named = named.into_iter().filter_map(|(name, level)| Some((name, level?)));
    let rows = figures.levels.iter().map(|level| ("", *level)).chain(named).map(|(name, level)| {
        let head = [name.to_owned(), exact(level.input_rms), exact(level.output_rms_volts), optional(level.watts)];
        head.into_iter().chain([level.total_distortion].into_iter().chain(level.harmonics).map(exact))
    });
    table(
        &[
            "level",
            "input_rms",
            "output_rms_v",
            "power_w",
            "distortion",
            "harmonic_2",
            "harmonic_3",
            "harmonic_4",
            "harmonic_5",
        ],
        rows,
    )
}

/// `noise`: a row a node, device and mechanism, or the spectra where they were asked for. Noise figure, ratio of signal to
/// noise and what instruments show are columns at the end where they were asked for.
pub fn noise(result: &NoiseResult) -> String {
    if result.points.iter().any(|point| point.spectrum.is_some()) {
        return spectra(result);
    }
    let mut columns = vec![
        "node",
        "dc_v",
        "gain_db",
        "node_rms_v",
        "relative_error",
        "peak_to_peak_v",
        "input_rms_v",
        "device",
        "mechanism",
        "share",
        "rms_v",
    ];
    columns.extend(result.source_resistance.as_ref().map(|_| "noise_figure_db"));
    columns.extend(result.level_volts.map(|_| "snr_db"));
    columns.extend(result.meter.map(|_| "meter_v"));
    if result.scope.is_some() {
        columns.extend(["scope_rms_v", "scope_peak_to_peak_v", "scope_divisions", "scope_v_per_division"]);
    }
    if result.healthy_units.is_some() {
        columns.extend(["low", "high"]);
    }
    columns.extend(result.ripple.as_ref().map(|_| "hum_rms_v"));
    let rows = result.points.iter().flat_map(|point| {
        let figure = result.source_resistance.as_ref().map(|_| optional(point.noise_figure_db));
        let ratio = result.level_volts.map(|_| optional(point.snr_db));
        let meter = point.meter_volts.map(exact);
        let healthy = result.healthy_units.map(|_| ends(point.healthy)).into_iter().flatten();
        let hum = point.hum_rms_volts.map(exact);
        let asked = figure.into_iter().chain(ratio).chain(meter).chain(scope(point)).chain(healthy).chain(hum);
        let asked: Vec<String> = asked.collect();
        let head = [
            point.name.clone(),
            exact(point.dc_volts),
            optional(point.gain_db),
            exact(point.rms_volts),
            exact(point.relative_error),
            exact(point.peak_to_peak_volts),
            optional(point.input_rms),
        ];
        let contributions: Vec<[String; 4]> = point
            .devices
            .iter()
            .flat_map(|device| {
                device.mechanisms.iter().map(|one| {
                    let name = one.mechanism.name().to_owned();
                    [device.name.clone(), name, exact(one.share), exact(one.rms_volts)]
                })
            })
            .collect();
        // A silent node has a row of its own as well.
        let contributions = if contributions.is_empty() { vec![Default::default()] } else { contributions };
        contributions.into_iter().map(move |tail| head.clone().into_iter().chain(tail).chain(asked.clone()))
    });
    table(&columns, rows)
}

fn ends(band: Option<Band>) -> [String; 2] {
    [optional(band.map(|band| band.low)), optional(band.map(|band| band.high))]
}

fn scope(point: &PointHiss) -> Vec<String> {
    let Some(trace) = point.trace else { return Vec::new() };
    let shown = |of: fn(Shown) -> f64| optional(trace.shown.map(of));
    let (divisions, step) = (shown(|shown| shown.divisions), shown(|shown| shown.volts_per_division));
    vec![exact(trace.rms_volts), exact(trace.peak_to_peak_volts), divisions, step]
}

fn spectra(result: &NoiseResult) -> String {
    let rows = result.points.iter().flat_map(|point| {
        point.spectrum.iter().flat_map(|spectrum| {
            spectrum
                .hertz
                .iter()
                .zip(&spectrum.volts_per_root_hertz)
                .map(|(hertz, density)| [point.name.clone(), exact(*hertz), exact(*density)])
        })
    });
    table(&["node", "hz", "v_per_rthz"], rows)
}

/// `compare`: a row a node.
pub fn compare(result: &CompareResult) -> String {
    let rows = result.points.iter().map(|point| {
        [
            point.name.clone(),
            exact(point.before_rms_volts),
            exact(point.after_rms_volts),
            optional(point.change_db),
            exact(point.before_dc_volts),
            exact(point.after_dc_volts),
        ]
    });
    table(&["node", "before_rms_v", "after_rms_v", "change_db", "before_dc_v", "after_dc_v"], rows)
}

/// `recording`: the spectrum, with hum and without.
pub fn recording(result: &RecordingResult) -> String {
    let figures = &result.figures;
    let both = figures.spectrum.density.iter().zip(&figures.hiss_spectrum.density).enumerate();
    let rows = both
        .map(|(k, (all, hiss))| [exact(k as f64 * figures.spectrum.step_hz), exact(all.sqrt()), exact(hiss.sqrt())]);
    table(&["hz", "v_per_rthz", "hiss_v_per_rthz"], rows)
}

/// Messages, a row each.
pub fn messages(messages: &[Message]) -> String {
    let rows = messages.iter().map(|message| {
        let severity = match message.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
        };
        let number = |number: Option<usize>| number.map(|number| number.to_string()).unwrap_or_default();
        [
            message.code.to_owned(),
            severity.to_owned(),
            message.message.clone(),
            message.file.clone().unwrap_or_default(),
            number(message.line),
            number(message.column),
            message.help.clone().unwrap_or_default(),
        ]
    });
    table(&["code", "severity", "message", "file", "line", "column", "help"], rows)
}

fn optional(value: Option<f64>) -> String {
    value.map(exact).unwrap_or_default()
}

fn table<Row: IntoIterator<Item = String>>(columns: &[&str], rows: impl IntoIterator<Item = Row>) -> String {
    let mut writer = Writer::from_writer(Vec::new());
    let header = columns.iter().map(|column| (*column).to_owned()).collect::<Vec<_>>();
    for row in [header].into_iter().chain(rows.into_iter().map(|row| row.into_iter().collect())) {
        writer.write_record(row).expect("every row has as many cells as the header, and memory takes them all");
    }
    let bytes = writer.into_inner().expect("memory takes all bytes");
    String::from_utf8(bytes).expect("only text was written")
}
