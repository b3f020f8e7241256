//! `noise` as text.

use super::{CAUTIONS, Rows, band, bar, decibels, ends, heading, healthy_units, hiss, percent, printable, volts};
use crate::bench::healthy::Band;
use crate::bench::instrument::{Loading, Meter, Responds, Scope};
use crate::report::{DeviceHiss, NoiseResult, PointHiss};
use crate::units::short;

/// Contributions below this share are added up in a last line.
const SMALLEST_SHARE: f64 = 0.001;

/// All points, a line each, with what most of the hiss comes from.
pub fn noise(result: &NoiseResult) -> String {
    let mut columns = vec!["node", ">DC", ">gain", ">rms", ">peak to peak", "most of it from", ">share"];
    columns.extend(result.source_resistance.as_ref().map(|_| ">NF"));
    columns.extend(result.level_volts.map(|_| ">S/N"));
    if result.healthy_units.is_some() {
        columns.extend([">healthy from", ">to"]);
    }
    columns.extend(result.ripple.as_ref().map(|_| ">hum"));
    let mut rows = Rows::new(&columns);
    for point in &result.points {
        let (most, share) = match largest(point) {
            Some((device, mechanism, share)) => (format!("{device} {mechanism}"), percent(share)),
            None => ("-".to_owned(), String::new()),
        };
        let (rms, peak) = (hiss(point.rms_volts), hiss(point.peak_to_peak_volts));
        let cells = [point.name.clone(), volts(point.dc_volts), decibels(point.gain_db), rms, peak, most, share];
        let figure = result.source_resistance.as_ref().map(|_| decibels(point.noise_figure_db));
        let ratio = result.level_volts.map(|_| decibels(point.snr_db));
        let healthy = result.healthy_units.map(|_| ends(point.healthy, hiss));
        let asked = figure.into_iter().chain(ratio).chain(healthy.into_iter().flatten());
        rows.add(cells.into_iter().chain(asked).chain(point.hum_rms_volts.map(hiss)));
    }
    above(result) + &rows.text() + &instruments(result) + &spectra(result)
}

/// What the instruments show at every point.
fn instruments(result: &NoiseResult) -> String {
    let mut columns = vec!["node"];
    columns.extend(result.meter.map(|_| ">meter reads"));
    if result.scope.is_some() {
        columns.extend(["scope shows", ">rms", ">peak to peak"]);
    }
    if columns.len() == 1 {
        return String::new();
    }
    let mut rows = Rows::new(&columns);
    for point in &result.points {
        let scope = point.trace.map(|trace| [trace.words(), hiss(trace.rms_volts), hiss(trace.peak_to_peak_volts)]);
        let cells = point.meter_volts.map(hiss).into_iter().chain(scope.into_iter().flatten());
        rows.add(std::iter::once(point.name.clone()).chain(cells));
    }
    format!("\n{}", rows.text())
}

/// For each point every device and mechanism that counts, the largest first.
pub fn ranking(result: &NoiseResult) -> String {
    let mut text = above(result);
    for point in &result.points {
        text += &format!(
            "{}: {} rms, {} peak to peak; DC {}",
            point.name,
            hiss(point.rms_volts),
            hiss(point.peak_to_peak_volts),
            volts(point.dc_volts)
        );
        if point.gain_db.is_some() {
            text += &format!("; gain {}", decibels(point.gain_db));
        }
        if result.source_resistance.is_some() {
            text += &format!("; NF {}", decibels(point.noise_figure_db));
        }
        if result.level_volts.is_some() {
            text += &format!("; S/N {}", decibels(point.snr_db));
        }
        if let Some(hum) = point.hum_rms_volts {
            text += &format!("; hum {} rms", hiss(hum));
        }
        text.push('\n');
        text += &shown_at(point);
        if !point.devices.is_empty() {
            text += &format!("\n{}\n", devices(point));
        }
    }
    text + &spectra(result) + CAUTIONS
}

/// What healthy units have at a point, and what the instruments show, a line each.
fn shown_at(point: &PointHiss) -> String {
    let meter = point.meter_volts.map(|volts| format!("meter: {}\n", hiss(volts)));
    let scope = point.trace.map(|trace| {
        let (rms, peak) = (hiss(trace.rms_volts), hiss(trace.peak_to_peak_volts));
        format!("scope: {}; {rms} rms, {peak} peak to peak\n", trace.words())
    });
    let healthy = point.healthy.map(|Band { low, high }| format!("healthy: {} to {}\n", hiss(low), hiss(high)));
    healthy.unwrap_or_default() + &meter.unwrap_or_default() + &scope.unwrap_or_default()
}

fn above(result: &NoiseResult) -> String {
    let mut shown = format!("{}, from {} frequencies", band(result.band_hz, result.weighting), result.frequencies);
    if let Some(from) = &result.from {
        shown += &format!("; gain from {from} at {}", short(result.gain_hertz, "Hz"));
    }
    let mut text = heading(&result.setting, &shown).trim_end().to_owned() + "\n";
    if let Some(source) = &result.source_resistance {
        text += &format!("NF: noise figure for a source of {}\n", printable(source));
    }
    if let Some(level) = result.level_volts {
        text += &format!("S/N: {} at the point over its hiss\n", short(level, "V"));
    }
    if let Some(ripple) = &result.ripple {
        text += &format!("hum: rms over the same band, of a {}\n", printable(ripple));
    }
    if let Some(Meter { loading, floor_volts, responds }) = result.meter {
        let responds = match responds {
            Responds::TrueRms => "true rms",
            Responds::Average => "averages, reads hiss 1.05 dB low",
        };
        let floor = short(floor_volts, "V");
        text += &format!("meter: what it reads there: {responds}, loads with {}, own noise {floor}\n", load(loading));
    }
    if let Some(scope) = result.scope {
        let Scope { probe, bandwidth_hz, coupling_hz, floor_volts, .. } = scope;
        let (from, to) = (short(coupling_hz, "Hz"), short(bandwidth_hz, "Hz"));
        let floor = short(floor_volts * probe.division, "V");
        text += &format!(
            "scope: what it shows there with a ×{} probe of {}, {from} to {to}, own noise {floor} rms at the tip\n",
            short(probe.division, ""),
            load(probe.loading)
        );
    }
    text + &healthy_units(result.healthy_units) + "\n"
}

/// `1 MΩ ∥ 100 pF`
fn load(Loading { ohms, farads }: Loading) -> String {
    format!("{} ∥ {}", short(ohms, "Ω"), short(farads, "F"))
}

fn largest(point: &PointHiss) -> Option<(&str, String, f64)> {
    let all = point.devices.iter().flat_map(|device| device.mechanisms.iter().map(move |one| (device, one)));
    let (device, one) = all.reduce(|most, next| if next.1.share > most.1.share { next } else { most })?;
    Some((&device.name, one.mechanism.name().replace('_', " "), one.share))
}

fn devices(point: &PointHiss) -> String {
    let mut rows = Rows::new(&["device", ">rms", ">share", "", "by mechanism"]);
    let (shown, rest): (Vec<_>, Vec<_>) = point.devices.iter().partition(|device| device.share >= SMALLEST_SHARE);
    for device in shown {
        let line = [device.name.clone(), hiss(device.rms_volts), percent(device.share), bar(device.share)];
        rows.add(line.into_iter().chain([mechanisms(device)]));
    }
    if !rest.is_empty() {
        let share: f64 = rest.iter().map(|device| device.share).sum();
        let name = format!("{} more", rest.len());
        rows.add([name, hiss(point.rms_volts * share.sqrt()), percent(share), bar(share), String::new()]);
    }
    rows.text()
}

fn mechanisms(device: &DeviceHiss) -> String {
    let counting = device.mechanisms.iter().filter(|one| one.share >= SMALLEST_SHARE);
    let lines = counting.map(|one| format!("{} {}", one.mechanism.name().replace('_', " "), percent(one.share)));
    lines.collect::<Vec<_>>().join("\n")
}

/// A table of frequency and density at every point that has a spectrum.
fn spectra(result: &NoiseResult) -> String {
    let mut text = String::new();
    for point in &result.points {
        let Some(spectrum) = &point.spectrum else { continue };
        let mut rows = Rows::new(&[">frequency", &format!(">{}", point.name)]);
        for (hertz, density) in spectrum.hertz.iter().zip(&spectrum.volts_per_root_hertz) {
            rows.add([super::frequency(*hertz), crate::units::engineering(*density, "V/√Hz", 3)]);
        }
        text += &format!("\n{}", rows.text());
    }
    text
}
