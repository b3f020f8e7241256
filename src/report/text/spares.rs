//! `spares` as text: the ranking, what is to be said about each, the pulled part on the tester.

use super::{CAUTIONS, Rows, band, filled, heading, healthy_units, printable};
use crate::bench::healthy::Band;
use crate::bias::DeviceCurrents;
use crate::repair::spares::{Readings, Tester, Trial, Tried, Weight};
use crate::report::spares::Place;
use crate::report::spares::{PulledResult, SparesResult, polarity, words};
use crate::units::{engineering, short};

/// Said once where a transistor is taken out or put in.
const SWAP_CAUTIONS: &str = "\
A transistor goes in with the set unplugged and discharged, leads checked against the drawing, a
heat clip on germanium leads. First power: dummy load, no speaker, supply brought up slowly or
through a lamp in series, a meter on the collector; switch off at once if it climbs.
";

/// A thermal loop below this is none for a person.
const LOOP_TO_SPEAK_OF: f64 = 0.005;

/// All spares, the best first.
pub fn spares(result: &SparesResult) -> String {
    let band = band(result.band_hz, result.weighting);
    let shown = format!("spares for {}\nat {}: {band}", place(&result.place), result.output);
    let mut text = heading(&result.setting, &shown);
    let mut rows = Rows::new(&["spare", "verdict", ">hiss", ">gain", "largest DC shift", ">hFE", ">ICEO"]);
    let original = &result.spares.original;
    for tried in &result.spares.tried {
        let trial = tried.trial.as_ref();
        let change = |db: Option<f64>| db.map_or_else(|| "-".to_owned(), |db| format!("{:+.1} dB", db + 0.0));
        let [hiss, gain] = [trial.and_then(|trial| trial.hiss_db), trial.and_then(|trial| trial.gain_db)].map(change);
        let shift = trial.and_then(|trial| largest_shift(result, trial)).unwrap_or_else(|| "-".to_owned());
        let [hfe, iceo] = on_tester(&tried.readings);
        rows.add([tried.candidate.name.clone(), tried.verdict.words().to_owned(), hiss, gain, shift, hfe, iceo]);
    }
    text += &rows.text();
    let Tester { volts: tester_volts, base_amps, celsius, .. } = result.tester;
    text += &format!(
        "\nhiss, gain, DC: against the original; hFE with {} into the base, leakage taken off, at {}, {}\n",
        short(base_amps, "A"),
        short(tester_volts, "V"),
        short(celsius, "°C"),
    );
    text += &healthy_units(Some(result.spares.bands.units));
    let all = std::iter::once(original).chain(result.spares.tried.iter().filter_map(|tried| tried.trial.as_ref()));
    if all.filter_map(|trial| trial.hot.as_ref().ok()).any(|hot| hot.rth_assumed) {
        text += "RTH, where no card gives it: reckoned from PTOT and what the junction stands (common practice)\n";
    }
    if let Some((twin, readings)) = &result.spares.twin {
        let [hfe, iceo] = on_tester(readings);
        text += &format!("the other channel has {twin}: hFE {hfe}, ICEO {iceo}\n");
    }
    let original = format!("the original: {}", in_words(original));
    text += &format!("\n{}", filled("", "   ", clauses(&original)));
    for tried in &result.spares.tried {
        text += &about(tried);
    }
    text += &format!("\n{CAUTIONS}{SWAP_CAUTIONS}");
    text
}

/// The pulled part, good and guilty.
pub fn pulled(result: &PulledResult) -> String {
    let Tester { volts: tester_volts, base_amps, drop_amps, celsius } = result.tester;
    let shown = format!(
        "{} pulled, on a tester:\n{} across it, {} into the base, drops at {}, room at {}",
        place(&result.place),
        short(tester_volts, "V"),
        short(base_amps, "A"),
        short(drop_amps, "A"),
        short(celsius, "°C")
    );
    let mut text = heading(&result.setting, &shown);
    let mut rows = Rows::new(&["", ">ICEO", ">hFE", ">less ICEO", ">B-E drop", ">B-C drop", "told by"]);
    let good = &result.pulled.good;
    let amps = |value: f64| engineering(value, "A", 3);
    let number = |value: f64| format!("{value:.0}");
    let drop = |value: f64| engineering(value, "V", 3);
    let ends = |end: fn(Band) -> f64| {
        let cell = |band: Option<Band>, written: &dyn Fn(f64) -> String| {
            band.map_or_else(|| "-".to_owned(), |band| written(end(band)))
        };
        [
            cell(good.iceo_amps, &amps),
            cell(good.hfe, &number),
            cell(good.gain, &number),
            cell(good.emitter_drop_volts, &drop),
            cell(good.collector_drop_volts, &drop),
        ]
    };
    for (name, end) in [("good, from", (|band| band.low) as fn(Band) -> f64), ("good, to", |band| band.high)] {
        rows.add([name.to_owned()].into_iter().chain(ends(end)).chain([String::new()]));
    }
    for guilty in &result.pulled.guilty {
        let read = &guilty.readings;
        let cell =
            |value: Option<f64>, written: &dyn Fn(f64) -> String| value.map_or_else(|| "open".to_owned(), written);
        let case = guilty.case.map_or_else(String::new, |case| format!(", {}", case.name()));
        let told = guilty.told_by.iter().map(|name| reading_words(name)).collect::<Vec<_>>().join(", ");
        rows.add([
            guilty.title.clone() + &case,
            cell(read.iceo_amps, &amps),
            cell(read.hfe, &number),
            cell(read.gain, &number),
            cell(read.emitter_drop_volts, &drop),
            cell(read.collector_drop_volts, &drop),
            if told.is_empty() { "nothing here".to_owned() } else { told },
        ]);
    }
    text += &rows.text();
    text += "
good: the middle nine tenths of good devices, by the tolerances; told by: what lies outside of that;
hFE as the tester shows it, leakage included; less ICEO: with the leakage taken off first
Let it lie until it has the temperature of the room, and hold it by its leads: leakage follows every
degree. Hiss that no reading tells of, as of 1/f noise, is told by a good one in its place.
";
    text += &format!("\n{CAUTIONS}");
    text
}

/// `Q2 (PNP, germanium, GEP_SMALL)`
fn place(place: &Place) -> String {
    let material = if place.germanium { "germanium" } else { "silicon" };
    format!("{} ({}, {material}, {})", place.part, polarity(place.polarity), place.model)
}

/// What a spare does in its place, and all that is to be said about it.
fn about(tried: &Tried) -> String {
    let candidate = &tried.candidate;
    let kind = match candidate.individual {
        true => format!("{} {}", polarity(candidate.polarity), candidate.model_name),
        false => format!("{} model card", polarity(candidate.polarity)),
    };
    let more = [&candidate.case, &candidate.pinout, &candidate.note].into_iter().flatten();
    let kind = more.fold(kind, |kind, more| format!("{kind}, {more}"));
    let mut text = format!("\n{} ({}): {}\n", printable(&candidate.name), printable(&kind), tried.verdict.words());
    // Where the polarity is wrong no figure means anything.
    let wrong = wrong_polarity(tried);
    for finding in tried.findings.iter().filter(|finding| !wrong || finding.is_of_kind()) {
        let lead = match finding.weight() {
            Weight::Against => "against:",
            Weight::Remark => "remark:",
            Weight::Note => "note:",
        };
        let words = printable(&words(finding));
        text += &filled(&format!("    {lead}"), "       ", words.split(' ').map(str::to_owned));
    }
    let measured = &candidate.measured;
    if measured.beta.is_some() || measured.iceo.is_some() || measured.icbo_amps.is_some() {
        let (bf, icbo) = (tried.device.model.bf, engineering(tried.device.model.icbo, "A", 3));
        text += &format!("    as measured it is a {} with BF {bf:.1} and ICBO {icbo}\n", candidate.model_name);
    }
    if let Some(trial) = tried.trial.as_ref().filter(|_| !wrong) {
        text += &filled("   ", "       ", clauses(&in_words(trial)));
    }
    text
}

fn wrong_polarity(tried: &Tried) -> bool {
    tried.findings.iter().any(|finding| finding.name() == "wrong_polarity")
}

/// A line in pieces that keep a number and its unit together.
fn clauses(text: &str) -> Vec<String> {
    text.split_inclusive([';', ',', ':']).map(|clause| clause.trim().to_owned()).collect()
}

/// Rest, heat and limits in a line.
fn in_words(trial: &Trial) -> String {
    let mut pieces = Vec::new();
    if let DeviceCurrents::Bjt { ic_a, vce_v, .. } = trial.own.currents {
        pieces.push(format!("{} at {}", engineering(ic_a.abs(), "A", 3), engineering(vce_v.abs(), "V", 3)));
    }
    pieces.push(format!("{} of heat", engineering(trial.own.watts, "W", 3)));
    pieces.extend(trial.driven.map(|driven| {
        let [amps, volts, watts] = [(driven.peak_amps, "A"), (driven.peak_volts, "V"), (driven.watts, "W")]
            .map(|(value, unit)| engineering(value, unit, 3));
        format!("driven to clipping {amps} and {volts} peak, {watts} at most")
    }));
    pieces.extend(trial.cut_off_volts.map(|volts| format!("{} when cut off", engineering(volts, "V", 3))));
    let limit = |hertz: f64| engineering(hertz, "Hz", 2);
    match trial.half_power_hz {
        [Some(low), Some(high)] => pieces.push(format!("-3 dB at {} and {}", limit(low), limit(high))),
        [None, Some(high)] => pieces.push(format!("-3 dB at {}", limit(high))),
        [Some(low), None] => pieces.push(format!("-3 dB at {}", limit(low))),
        [None, None] => {}
    }
    if let Ok(hot) = &trial.hot {
        let mut warm =
            format!("with {} inside: junction {:.1} °C", short(hot.ambient_celsius, "°C"), hot.junction_celsius);
        warm += &hot.leakage_amps.map_or_else(String::new, |amps| format!(", leaks {}", engineering(amps, "A", 3)));
        warm += &hot.thermal_loop.map_or_else(
            || ", thermal loop not known: no RTH, no PTOT".to_owned(),
            |thermal_loop| match thermal_loop {
                small if small < LOOP_TO_SPEAK_OF => ", heat does not feed on itself".to_owned(),
                _ => format!(", thermal loop {thermal_loop:.2} of 1"),
            },
        );
        pieces.push(warm);
    }
    pieces.join("; ")
}

fn largest_shift(result: &SparesResult, trial: &Trial) -> Option<String> {
    let shifts = result.points.iter().zip(&trial.points);
    let (name, point) = shifts.max_by(|(_, a), (_, b)| a.shift_volts.abs().total_cmp(&b.shift_volts.abs()))?;
    let shift = point.shift_volts;
    (shift.abs() >= 0.5e-3)
        .then(|| format!("{name} {}{}", if shift > 0.0 { "+" } else { "" }, engineering(shift, "V", 3)))
}

fn on_tester(readings: &Readings) -> [String; 2] {
    let hfe = readings.gain.map_or_else(|| "-".to_owned(), |gain| format!("{gain:.0}"));
    [hfe, readings.iceo_amps.map_or_else(|| "-".to_owned(), |amps| engineering(amps, "A", 3))]
}

/// The part of a reading that tells good from guilty, in words.
fn reading_words(name: &str) -> &'static str {
    match name {
        "iceo_a" => "ICEO",
        "hfe" => "hFE",
        "gain" => "gain",
        "emitter_drop_v" => "B-E drop",
        _ => "B-C drop",
    }
}
