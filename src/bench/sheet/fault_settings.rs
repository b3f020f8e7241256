//! `[fault.KIND]`, `[tolerance]`, `[reading_error]` and `[cost]`.

use super::entries::set;
use super::fault_keys::FAULTS;
use super::keys::{COST, Key, READING_ERROR, TOLERANCE, fault};
use super::settings::{FaultSettings, ReadingErrors, TestCosts, Tolerances};
use super::tree::{Fields, Kind, Limits, Node, Problems, value};
use crate::bench::quantity::Unit;
use crate::diagnostic::{Code, Diagnostic, nearest};

/// That no kind of fault has a name.
pub(super) fn unknown_kind(name: &str) -> Diagnostic {
    let error = Diagnostic::error(Code::UnknownKey, format!("no kind of fault is called {name}"));
    let known = || FAULTS.iter().map(|(kind, _)| *kind);
    match nearest(name, known()) {
        Some(near) => error.help(format!("try {near}")),
        None => error.help(format!("kinds are {}", known().collect::<Vec<_>>().join(", "))),
    }
}

pub(super) fn faults(problems: &mut Problems, node: &Node) -> Vec<FaultSettings> {
    let Kind::Table(entries) = &node.kind else {
        let error = value("fault is not a table of kinds".to_owned());
        problems.add(node.span, error.help("write [fault.junction_leak] and its keys below"));
        return Vec::new();
    };
    let mut all = Vec::new();
    for entry in entries {
        let Some(section) = fault(&entry.key) else {
            problems.add(entry.key_span, unknown_kind(&entry.key));
            continue;
        };
        let Some(fields) = problems.fields(&entry.value, section.keys, &format!("fault {}", entry.key)) else {
            continue;
        };
        let mut settings = FaultSettings { kind: entry.key.clone(), weights: Vec::new(), ranges: Vec::new() };
        for Key { name, .. } in section.keys {
            let name = (*name).to_owned();
            if name.starts_with("weight") {
                let weight = fields.within(problems, &name, Unit::Plain, Limits::NonNegative);
                settings.weights.extend(weight.map(|weight| (name, weight)));
            } else if fields.get(&name).is_some() {
                let (unit, limits) = match name.as_str() {
                    "ohm" if entry.key == "cap_dried" => (Unit::Ohms, Limits::NonNegative),
                    "ohm" => (Unit::Ohms, Limits::Positive),
                    "uv_per_v" => (Unit::MicrovoltsPerVolt, Limits::Positive),
                    "corner" => (Unit::Hertz, Limits::Positive),
                    _ => (Unit::Plain, Limits::Positive),
                };
                let range = fields.pair(problems, &name, unit, limits);
                settings.ranges.extend(range.map(|range| (name, range)));
            }
        }
        all.push(settings);
    }
    all
}

pub(super) fn tolerances(problems: &mut Problems, node: &Node) -> Tolerances {
    let mut all = Tolerances::default();
    let Some(fields) = problems.fields(node, TOLERANCE.keys, "tolerance") else { return all };
    set(&mut all.resistor, either_way(problems, &fields, "resistor"));
    set(&mut all.capacitor, either_way(problems, &fields, "capacitor"));
    set(&mut all.electrolytic, either_way(problems, &fields, "electrolytic"));
    set(&mut all.inductor, either_way(problems, &fields, "inductor"));
    set(&mut all.supply, either_way(problems, &fields, "supply"));
    let positive = Limits::Positive;
    set(&mut all.resistor_noise_uv, fields.ascending(problems, "resistor_noise", Unit::MicrovoltsPerVolt, positive));
    let mut number = |name, unit, limits| fields.within(problems, name, unit, limits);
    set(&mut all.beta_ratio, number("beta", Unit::Plain, Limits::AtLeastOne));
    set(&mut all.icbo_ratio, number("icbo", Unit::Plain, Limits::AtLeastOne));
    set(&mut all.is_sd, number("is", Unit::Plain, Limits::NonNegative));
    set(&mut all.rb_batch_sd, number("rb_batch", Unit::Plain, Limits::NonNegative));
    set(&mut all.rb_sd, number("rb", Unit::Plain, Limits::NonNegative));
    set(&mut all.kf_batch_sd, number("kf_batch", Unit::Plain, Limits::NonNegative));
    set(&mut all.kf_sd, number("kf", Unit::Plain, Limits::NonNegative));
    set(&mut all.meter_sd, number("meter", Unit::Percent, Limits::Fraction));
    set(&mut all.freeze_celsius, number("freeze_c", Unit::Plain, Limits::NonNegative));
    set(&mut all.finger_celsius, number("finger_c", Unit::Plain, Limits::NonNegative));
    set(&mut all.heat_celsius, number("heat_c", Unit::Plain, Limits::NonNegative));
    set(&mut all.ambient_celsius, fields.ascending(problems, "ambient_c", Unit::Celsius, Limits::Celsius));
    set(&mut all.cool_celsius, fields.ascending(problems, "cool_c", Unit::Celsius, Limits::Celsius));
    set(&mut all.spill, fields.ascending(problems, "spill", Unit::Percent, Limits::Fraction));
    set(&mut all.leak_exponent, fields.ascending(problems, "leak_exponent", Unit::Plain, Limits::NonNegative));
    all
}

/// `"10 %"` either way, or `["-20 %", "50 %"]`.
fn either_way(problems: &mut Problems, fields: &Fields<'_>, name: &str) -> Option<[f64; 2]> {
    match fields.get(name)?.0.kind {
        Kind::List(_) => fields.ascending(problems, name, Unit::Percent, Limits::Tolerance),
        _ => {
            let half = fields.within(problems, name, Unit::Percent, Limits::Fraction)?;
            if half < 1.0 {
                return Some([-half, half]);
            }
            let error = value(format!("a {name} may be missing altogether at 100 %")).help("write \"10 %\"");
            problems.add(fields.get(name)?.0.span, error);
            None
        }
    }
}

pub(super) fn reading_errors(problems: &mut Problems, node: &Node) -> ReadingErrors {
    let mut all = ReadingErrors::default();
    let Some(fields) = problems.fields(node, READING_ERROR.keys, "reading_error") else { return all };
    let mut positive = |name, unit| fields.within(problems, name, unit, Limits::Positive);
    set(&mut all.hiss, positive("hiss", Unit::Percent));
    set(&mut all.peak_to_peak, positive("pp", Unit::Percent));
    set(&mut all.dc, positive("dc", Unit::Percent));
    set(&mut all.dc_zero_volts, positive("dc_zero", Unit::Volts));
    set(&mut all.change_db, positive("change_db", Unit::Decibels));
    set(&mut all.hum, positive("hum", Unit::Percent));
    set(&mut all.gain_db, positive("gain_db", Unit::Decibels));
    set(&mut all.balance_db, positive("balance_db", Unit::Decibels));
    set(&mut all.clip, positive("clip", Unit::Percent));
    set(&mut all.watts, positive("watts", Unit::Percent));
    set(&mut all.temperature_celsius, positive("temperature_c", Unit::Plain));
    set(&mut all.position, positive("position", Unit::Percent));
    set(&mut all.observer, fields.within(problems, "pp_observer", Unit::Percent, Limits::NonNegative));
    all
}

pub(super) fn costs(problems: &mut Problems, node: &Node) -> TestCosts {
    let mut all = TestCosts::default();
    let Some(fields) = problems.fields(node, COST.keys, "cost") else { return all };
    for (name, place) in [
        ("tap", &mut all.tap),
        ("turn", &mut all.turn),
        ("hiss", &mut all.hiss),
        ("dc", &mut all.dc),
        ("twin", &mut all.twin),
        ("finger", &mut all.finger),
        ("shunt", &mut all.shunt),
        ("cool", &mut all.cool),
        ("freeze", &mut all.freeze),
        ("heat", &mut all.heat),
        ("lift", &mut all.lift),
        ("wrong_part", &mut all.wrong_part),
        ("open_search", &mut all.open_search),
    ] {
        set(place, fields.within(problems, name, Unit::Plain, Limits::Positive));
    }
    all
}
