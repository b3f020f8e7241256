//! Bench sheets: what they hold, and what is said about those with faults.

mod common;

use std::fs;
use std::sync::Arc;

use hissmap::bench::Unit;
use hissmap::bench::instrument::{DcMeter, Probe, Responds};
use hissmap::bench::reading::{How, Measure, Observed, Reading, Word};
use hissmap::bench::sheet::keys::{SECTIONS, Section};
use hissmap::bench::sheet::{Sheet, Target, Unread, looks_like_sheet, starter};
use hissmap::circuit::Circuit;
use hissmap::diagnostic::Diagnostic;
use hissmap::netlist::{self, Fetched, IncludeRequest};
use proptest::prelude::*;

/// Two equal stages with a level control; the second is the healthy channel.
const NETLIST: &str = "Two channels
.param vol=0.5 tone=0.2
VIN in 0 AC 1
VCC cc 0 9
C1 in b1 1u
R1 cc b1 1meg
R2 cc c2 4k7
Q2 c2 b1 0 NS
C2 c2 top 1u
RT top out {10k*(1-vol)+10}
RB out 0 {10k*vol+10*tone+1}
Q2R c2r b1r 0 NS
R1R cc b1r 1meg
R2R cc c2r 4k7
.model NS NPN(BF=150)
.noise v(out) VIN dec 20 30 15k
";

fn read(sheet: &str) -> Result<(Sheet, Vec<Diagnostic>), Unread> {
    Sheet::read("job.toml", sheet, &mut |request: &IncludeRequest<'_>| match request.path {
        "unit.cir" => Ok(Fetched { name: "unit.cir".to_owned(), text: NETLIST.to_owned() }),
        _ => Err("there is no such file".to_owned()),
    })
}

#[track_caller]
fn sound(sheet: &str) -> Sheet {
    match read(&format!("circuit = \"unit.cir\"\n{sheet}")) {
        Ok((sheet, _)) => sheet,
        Err(unread) => panic!("{:#?} in\n{sheet}", unread.messages),
    }
}

/// What is said about a sheet that begins with its circuit on line 1: line, column, message and help of each message.
fn said(sheet: &str) -> Vec<(usize, usize, String, String)> {
    let Err(unread) = read(&format!("circuit = \"unit.cir\"\n{sheet}")) else { return Vec::new() };
    let place = |message: &Diagnostic| {
        let location = message.location(&unread.sources).unwrap_or_else(|| panic!("{message:?} has no place"));
        assert_eq!(location.file, "job.toml", "{message:?}");
        let help = message.help.clone().unwrap_or_default();
        assert!(!help.is_empty(), "{message:?} does not say what to do");
        (location.line, location.column, message.message.clone(), help)
    };
    unread.messages.iter().map(place).collect()
}

#[track_caller]
fn check(sheet: &str, expected: &[(usize, usize, &str, &str)]) {
    let said = said(sheet);
    assert_eq!(said.len(), expected.len(), "{said:#?} in\n{sheet}");
    for ((line, column, message, help), expected) in said.iter().zip(expected) {
        assert_eq!((*line, *column), (expected.0, expected.1), "{message} in\n{sheet}");
        assert!(message.contains(expected.2), "{message}: not {}", expected.2);
        assert!(help.contains(expected.3), "{help}: not {}", expected.3);
    }
}

#[test]
fn a_circuit_is_all_a_sheet_needs() {
    let sheet = sound("");
    assert_eq!(sheet.band_hz, [30.0, 15e3]);
    assert_eq!(sheet.output.as_ref().expect("of .noise").name, "out");
    assert_eq!(sheet.circuit.part(sheet.input.expect("of .noise")).name, "VIN");
    assert_eq!((sheet.instruments.meter.floor_volts, sheet.instruments.scope.probe), (3e-6, Probe::TIMES_10));
    assert!(sheet.points.is_empty() && sheet.readings.is_empty() && sheet.complaint.is_none());
    assert!(sheet.circuit.changes().is_empty());
}

#[test]
fn a_full_sheet_is_read() {
    let sheet = sound(
        r#"
title = "job 12"
output = "TP4"
band = [20, "20 kHz"]
complaint = { hiss_db = 6, controls = { volume = [0.3, 0], tone = 0.5 } }
[point.TP4]
node = "c2"
where = "the lug beside the can"
twin = "c2r"
printed_dc = "4.2 V"
[control.volume]
param = "VOL"
range = [0, 1]
now = 0.25
[control.tone]
[instrument.meter]
ohm = "2MEG"
farad = "50 pF"
floor = "10 uV"
responds = "average"
[instrument.scope]
probe = "x1"
bandwidth = "100 kHz"
[instrument.dc_meter]
ohm_per_volt = 20000
range = "10 V"
[bench]
ambient_c = 31
freeze_c = -35
shunt_uf = 47
near = [["Q2", "R2"]]
[tolerance]
resistor = "5 %"
electrolytic = ["-10 %", "30 %"]
[reading_error]
dc = "2 %"
[cost]
freeze = 3
[fault.junction_leak]
weight_germanium = 20
x = [1, 50]
[[suspect]]
part = "q2"
weight = 2
kinds = ["junction_leak", "contact"]
[[spare]]
name = "grey"
model = "ns"
beta = 78
iceo = "120 uA at 6 V"
[[reading]]
measure = "pp"
at = "tp4"
value = "2.4 div at 5 mV"
twin = true
with = { volume = 0 }
[[reading]]
measure = "change"
freeze = "Q2"
value = "much less"
"#,
    );
    assert_eq!(sheet.title.as_deref(), Some("job 12"));
    assert_eq!(sheet.output.as_ref().expect("a point").name, "c2");
    assert_eq!(sheet.band_hz, [20.0, 20e3]);
    let complaint = sheet.complaint.as_ref().expect("a complaint");
    assert_eq!(complaint.hiss_db, 6.0);
    assert_eq!(complaint.settings, [vec![(0, 0.3), (1, 0.5)], vec![(0, 0.0), (1, 0.5)]]);
    let point = &sheet.points[0];
    assert_eq!((point.name.as_str(), point.printed_volts), ("TP4", Some(4.2)));
    assert_eq!(point.twin.as_ref().expect("a twin").name, "c2r");
    // A control's parameter has its name as first written; one that is not said is the control's own name, and stands as
    // the netlist has it.
    assert_eq!((sheet.controls[0].parameter.as_str(), sheet.controls[0].now), ("vol", 0.25));
    assert_eq!((sheet.controls[1].parameter.as_str(), sheet.controls[1].now), ("tone", 0.2));
    assert_eq!(sheet.circuit.parameter("vol"), Some(0.25));
    assert!((sheet.circuit.ambient.celsius() - 31.0).abs() < 1e-9);
    let meter = sheet.instruments.meter;
    assert_eq!((meter.loading.ohms, meter.loading.farads, meter.floor_volts), (2e6, 50e-12, 10e-6));
    assert_eq!((meter.responds, sheet.instruments.scope.probe), (Responds::Average, Probe::TIMES_1));
    assert_eq!(sheet.instruments.scope.bandwidth_hz, 100e3);
    let coil = DcMeter::OhmsPerVolt { ohms_per_volt: 20e3, range_volts: Some(10.0) };
    assert_eq!(sheet.instruments.dc_meter, coil);
    assert_eq!(sheet.surroundings.temperatures.freeze_celsius, -35.0);
    assert_eq!(sheet.surroundings.shunt_farads, 47e-6);
    assert_eq!(sheet.surroundings.near, [["Q2", "R2"]]);
    assert_eq!((sheet.tolerances.resistor, sheet.tolerances.electrolytic), ([-0.05, 0.05], [-0.1, 0.3]));
    assert_eq!((sheet.reading_errors.dc, sheet.costs.freeze), (0.02, 3.0));
    assert_eq!(sheet.faults[0].weights, [("weight_germanium".to_owned(), 20.0)]);
    assert_eq!(sheet.faults[0].ranges, [("x".to_owned(), [1.0, 50.0])]);
    assert_eq!((sheet.suspects[0].weight, sheet.suspects[0].kinds.len()), (2.0, 2));
    assert_eq!((sheet.spares[0].model.as_deref(), sheet.spares[0].iceo), (Some("NS"), Some((120e-6, Some(6.0)))));
    let (scope, _) = &sheet.readings[0];
    assert_eq!(scope.value.as_ref().expect("a value").observed, Observed::Number(12e-3));
    let resolved = sheet.resolve(scope).expect("it resolves");
    assert_eq!((resolved.point.expect("a point").name, resolved.with), ("c2r".to_owned(), vec![(0, 0.0)]));
    let (frozen, _) = &sheet.readings[1];
    let resolved = sheet.resolve(frozen).expect("it resolves");
    let q2 = sheet.circuit.find_part("Q2").expect("a part");
    assert_eq!(resolved.act, Some((How::Freeze, Target::Part(q2))));
    assert_eq!(frozen.value.as_ref().expect("a value").observed, Observed::Word(Word::MuchLess));
}

#[test]
fn an_unknown_key_names_the_nearest() {
    check("titel = \"x\"", &[(2, 1, "a sheet has no key titel", "try title")]);
    check("[point.A]\nnode = \"c2\"\nprinted = 3", &[(4, 1, "point A has no key printed", "try printed_dc")]);
    check("[tolerance]\nresistors = \"5 %\"", &[(3, 1, "tolerance has no key resistors", "try resistor")]);
    check("[fault.junktion_leak]", &[(2, 8, "no kind of fault is called junktion_leak", "try junction_leak")]);
    check("[fault.flicker]\nohm = [1, 2]", &[(3, 1, "fault flicker has no key ohm", "keys are weight, factor")]);
    check("[instrument.scop]", &[(2, 13, "instrument has no key scop", "try scope")]);
    check(
        "[[reading]]\nmesure = \"dc\"\nat = \"c2\"",
        &[
            (3, 1, "a reading has no key mesure", "try measure"),
            (2, 1, "does not say what was measured", "measure = \"hiss\""),
        ],
    );
}

#[test]
fn values_that_cannot_be_are_refused_at_their_place() {
    check("band = [20]", &[(2, 8, "band has 1 values", "band = [20, 20000]")]);
    check("band = [200, 20]", &[(2, 8, "band does not ascend", "band = [20, 20000]")]);
    check("band = 20", &[(2, 8, "band is a number, and should be a list of two", "[20, 20000]")]);
    check("output = 3", &[(2, 10, "output is a number, and should be text", "output = \"out\"")]);
    check("[cost]\nfreeze = 0", &[(3, 10, "freeze must be above zero", "freeze = 2")]);
    check("[cost]\nfreeze = nan", &[(3, 10, "NaN is no number", "write 0.5")]);
    check("[tolerance]\nresistor = 10", &[(3, 12, "10 may be a fraction or percent", "\"10 %\"")]);
    check("[tolerance]\nbeta = 0.5", &[(3, 8, "beta must be 1 or more", "beta = 2")]);
    check("[point.A]\nnode = \"c2\"\nprinted_dc = \"4,2 V\"", &[(4, 14, "comma", "write 4.2V")]);
    check("[point.A]\nnode = \"c2\"\nprinted_dc = \"4.2 mA\"", &[(4, 14, "is not a number in V", "\"12 mV\"")]);
    check("[bench]\nheat_germanium_c = -300", &[(3, 20, "heat_germanium_c must be a temperature", "45")]);
    check("[instrument.scope]\nbandwidth = 5", &[(2, 1, "bandwidth ends below its coupling", "20 kHz")]);
    check("[instrument.dc_meter]\nohm = 1e7\nohm_per_volt = 2e4", &[(2, 1, "either ohm or ohm_per_volt", "leave one")]);
    check("suspect = \"Q2\"", &[(2, 11, "there may be several of suspect", "[[suspect]]")]);
    check("date = 1966-05-01", &[(2, 1, "a sheet has no key date", "")]);
}

#[test]
fn names_that_stand_for_nothing_are_named() {
    check("output = \"oud\"", &[(2, 10, "no point or node is called oud", "try out")]);
    check("input = \"VON\"", &[(2, 9, "no source is called VON", "try VIN")]);
    check("[point.A]\nnode = \"c3\"", &[(3, 8, "no node is called c3", "try c")]);
    check("[point.A]\nwhere = \"x\"", &[(2, 1, "point A has no node", "node = \"c2\"")]);
    check("[point.A]\nnode = \"c2\"\ntwin = \"c2\"", &[(4, 8, "A is its own twin", "other channel")]);
    check("[point.A]\nnode = \"c2\"\n[point.a]\nnode = \"b1\"", &[(4, 8, "two points are called a", "another name")]);
    check("[control.volume]", &[(2, 10, "no .param is called volume", "param = \"vol\"")]);
    check("[control.vol]\nnow = 2", &[(3, 7, "vol cannot stand at 2", "from 0 to 1")]);
    check("[control.vol]\nrange = [1, 1]", &[(3, 9, "cannot be turned", "range = [0, 1]")]);
    check("[[suspect]]\npart = \"Q3\"", &[(3, 8, "no part is called Q3", "try Q2")]);
    check("[[suspect]]\npart = \"Q2\"\nkinds = [\"leak\"]", &[(4, 10, "no kind of fault is called leak", "kinds are")]);
    check("[[spare]]\nname = \"x\"\nmodel = \"N\"", &[(4, 9, "no model is called N", "try NS")]);
    check("[bench]\nnear = [[\"Q2\", \"Q9\"]]", &[(3, 16, "no part is called Q9", "try Q2")]);
    check("complaint = { controls = { loud = 1 } }", &[(2, 28, "no control is called loud", "controls are vol")]);
    check(
        "complaint = { controls = { vol = [1, 0, 1], tone = [0, 1] } }\n[control.vol]\n[control.tone]",
        &[(2, 52, "2 positions do not pair up with 3", "as many")],
    );
}

#[test]
fn readings_that_do_not_fit_together_are_refused() {
    let reading =
        |lines: &str, expected: &[(usize, usize, &str, &str)]| check(&format!("[[reading]]\n{lines}"), expected);
    reading("measure = \"hiss\"\nvalue = 1e-3", &[(2, 1, "hiss where?", "at = \"c2\"")]);
    reading("measure = \"his\"\nat = \"c2\"", &[(3, 11, "nothing here is measured as his", "try \"hiss\"")]);
    reading("measure = \"hiss\"\nat = \"c4\"", &[(4, 6, "no point or node is called c4", "try c")]);
    reading("measure = \"hiss\"\nat = \"c2\"\nvalue = -1", &[(5, 9, "hiss cannot be below zero", "sign")]);
    reading(
        "measure = \"hiss\"\nat = \"c2\"\nvalue = 0",
        &[(5, 9, "no instrument reads a hiss of zero", "not visible")],
    );
    reading("measure = \"hiss\"\nat = \"c2\"\nvalue = \"less\"", &[(5, 9, "less is a change", "number with its unit")]);
    reading("measure = \"hiss\"\nat = \"c2\"\nvalue = \"2 div at 5 mV\"", &[(5, 9, "divisions", "\"pp\"")]);
    reading(
        "measure = \"pp\"\nat = \"c2\"\nvalue = \"2 div\"",
        &[(5, 9, "how many volts per division", "2.4 div at 5 mV")],
    );
    reading("measure = \"hiss\"\nat = \"c2\"\nvalue = \"12 dB\"", &[(5, 9, "is not a number in V", "12 mV")]);
    reading("measure = \"change\"\nvalue = -3", &[(2, 1, "a change by what?", "freeze = \"Q2\"")]);
    reading("freeze = \"Q2\"\nvalue = \"lese\"", &[(4, 9, "is no value of change", "try \"less\"")]);
    reading("freeze = \"Q2\"\nheat = \"Q2\"\nvalue = -3", &[(4, 1, "one thing done", "a reading for each")]);
    reading("measure = \"dc\"\nat = \"c2\"\nfreeze = \"Q2\"", &[(5, 1, "freeze is for a change", "\"change\"")]);
    reading("freeze = \"C1\"\nvalue = -3", &[(3, 10, "the temperature of C1 changes nothing", "transistor")]);
    reading("freeze = \"Q5\"\nvalue = -3", &[(3, 10, "no part is called Q5", "try Q2")]);
    reading("turn = \"volume\"\nvalue = -3", &[(3, 8, "no control is called volume", "controls are vol")]);
    reading("shunt = \"b1,c2\"\nvalue = -3", &[(3, 9, "from one node to ground", "shunt = \"b1\"")]);
    check(
        "[[reading]]\nmeasure = \"dc\"\nat = \"c2\"\ntwin = true\n[point.B]\nnode = \"b1\"\ntwin = \"b1r\"",
        &[(5, 8, "c2 has no twin", "twin = \"c2r\"")],
    );
    reading(
        "measure = \"dc\"\nat = \"c2\"\nwith = { loud = 0 }",
        &[(5, 8, "no control is called loud", "controls are vol")],
    );
    reading("measure = \"dc\"\nat = \"c2\"\nhz = 3", &[(5, 1, "dc has no frequency", "leave hz out")]);
    reading("measure = \"response\"\nvalue = -1", &[(2, 1, "at which frequency", "hz = 10000")]);
    reading(
        "measure = \"change\"\nfreeze = \"Q2\"\nvalue = \"not visible\"",
        &[(5, 9, "not visible is no change", "gone")],
    );
}

#[test]
fn all_faults_come_at_once_those_of_the_text_too() {
    let said = said("title = \"open\nband = [20]\n[cost]\nfreeze = -1\n[[suspect]]\npart = \"Q7\"");
    assert_eq!(said.len(), 4, "{said:#?}");
    assert!(said[0].2.starts_with("this is no TOML") && said[0].0 == 2, "{said:#?}");
    assert_eq!([said[1].0, said[2].0, said[3].0], [3, 5, 7], "{said:#?}");
}

#[test]
fn a_sheet_without_a_circuit_is_refused() {
    let refused = |text: &str| read(text).map(|_| ()).expect_err("no circuit");
    assert!(refused("title = \"x\"").messages[0].message.contains("does not say which circuit"));
    assert!(refused("circuit = 3").messages[0].message.contains("not the name of a netlist"));
    let missing = refused("\n circuit = \"none.cir\"");
    assert!(missing.messages[0].message.contains("none.cir cannot be read: there is no such file"));
    let place = missing.messages[0].location(&missing.sources).expect("a place");
    assert_eq!((place.line, place.column), (2, 12));
}

#[test]
fn faults_of_the_netlist_are_told_in_the_netlist() {
    let broken = NETLIST.replace("4k7\nQ2 ", "4k7x7\nQ2 ");
    let refused = Sheet::read("job.toml", "circuit = \"unit.cir\"\nbnd = 3", &mut |_| {
        Ok(Fetched { name: "unit.cir".to_owned(), text: broken.clone() })
    });
    let unread = refused.map(|_| ()).expect_err("a fault");
    let files: Vec<String> =
        unread.messages.iter().map(|message| message.location(&unread.sources).expect("a place").file).collect();
    assert_eq!(files, ["unit.cir", "job.toml"], "{:#?}", unread.messages);
}

#[test]
fn quantities_are_read_with_their_units() {
    for (unit, text, value) in [
        (Unit::Volts, "12 mV", 12e-3),
        (Unit::Volts, "-4.2", -4.2),
        (Unit::Volts, "1.5e-3 V", 1.5e-3),
        (Unit::Volts, "20 µV", 20e-6),
        (Unit::Amps, "20uA", 20e-6),
        (Unit::Ohms, "4k7", 4.7e3),
        (Unit::Ohms, "10MEG", 10e6),
        (Unit::Ohms, "10 MΩ", 10e6),
        (Unit::Farads, "100 pF", 100e-12),
        (Unit::Hertz, "20 kHz", 20e3),
        (Unit::Decibels, "-9 dB", -9.0),
        (Unit::Celsius, "45 °C", 45.0),
        (Unit::Percent, "10 %", 0.1),
        (Unit::MicrovoltsPerVolt, "0.5 uV/V", 0.5),
        (Unit::Watts, "2.4 W", 2.4),
    ] {
        assert_eq!(unit.read(text).unwrap_or_else(|error| panic!("{text}: {error:?}")), value, "{text}");
    }
    for (unit, text) in [
        (Unit::Volts, "12 A"),
        (Unit::Volts, "3 MV"),
        (Unit::Volts, "V"),
        (Unit::Volts, ""),
        (Unit::Decibels, "3 V"),
        (Unit::Celsius, "300 K"),
        (Unit::Volts, "1e999"),
        (Unit::Plain, "3 V"),
        (Unit::Ohms, "10M extra"),
    ] {
        assert!(unit.read(text).is_err(), "{text}: {:?}", unit.read(text));
    }
}

#[test]
fn a_reading_is_the_same_as_json() {
    for json in [
        r#"{"measure":"hiss","at":"c2","twin":true,"with":{"tone":0.5,"volume":0.0},"value":"12 mV"}"#,
        r#"{"measure":"change","freeze":"Q2","value":-9.5}"#,
        r#"{"measure":"change","turn":"volume","value":"gone"}"#,
        r#"{"measure":"pp","at":"c2","value":"2.4 div at 5 mV x10"}"#,
        r#"{"measure":"response","hz":10000.0,"value":"-1 dB","note":"cold"}"#,
        r#"{"measure":"dc","at":"c2"}"#,
    ] {
        let reading: Reading = serde_json::from_str(json).unwrap_or_else(|error| panic!("{json}: {error}"));
        assert_eq!(serde_json::to_string(&reading).expect("it is plain data"), json);
    }
    let knob: Reading =
        serde_json::from_str(r#"{"measure":"pp","at":"c2","value":"2.4 div at 5 mV x10"}"#).expect("sound");
    // With a ×10 probe the knob's 5 mV are 50 mV at the tip.
    assert_eq!(knob.value.expect("a value").observed, Observed::Number(2.4 * 5e-3 * 10.0));
    let error = serde_json::from_str::<Reading>(r#"{"mesure":"dc","at":"c2"}"#).expect_err("no such key").to_string();
    assert!(error.contains("a reading has no key mesure; try measure"), "{error}");
    let test = serde_json::from_str::<Reading>(r#"{"freeze":"Q2","value":null}"#).expect("a test");
    assert_eq!((test.measure, test.value), (Measure::Change, None));
}

#[test]
fn a_starter_is_a_sheet_and_its_examples_are_the_defaults() {
    let (netlist, _) = netlist::read("unit.cir", NETLIST, &mut |_| Err("no file".to_owned()));
    let (circuit, _) = Circuit::build(Arc::new(netlist)).expect("sound");
    let text = starter(&circuit, "unit.cir");
    let (plain, warnings) = read(&text).unwrap_or_else(|unread| panic!("{:#?}", unread.messages));
    assert!(warnings.is_empty(), "{warnings:?}");
    assert_eq!((plain.band_hz, plain.output.as_ref().expect("an output").name.as_str()), ([30.0, 15e3], "out"));
    // Every key that has a default, written out, gives that default.
    let with_defaults = |section: &&Section| {
        ["[instrument.meter]", "[bench]", "[tolerance]", "[reading_error]", "[cost]"].contains(&section.heading)
    };
    let mut written = String::new();
    for section in SECTIONS.iter().filter(with_defaults) {
        written += &format!("{}\n", section.heading);
        let plain = section.keys.iter().filter(|key| key.name != "near");
        plain.for_each(|key| written += &format!("{} = {}\n", key.name, key.example));
    }
    written += "[instrument.scope]\nprobe = \"x10\"\nbandwidth = \"20 kHz\"\ncoupling = \"10 Hz\"\nfloor = \"0.2 mV\"\nfinest = \"2 mV\"\n";
    let sheet = sound(&written);
    assert_eq!(sheet.instruments, plain.instruments);
    assert_eq!(sheet.surroundings, plain.surroundings);
    assert_eq!(sheet.tolerances, plain.tolerances);
    assert_eq!(sheet.reading_errors, plain.reading_errors);
    assert_eq!(sheet.costs, plain.costs);
    assert_eq!(sheet.circuit.ambient, plain.circuit.ambient);
    // Every key of every section stands in the starter.
    for section in SECTIONS {
        assert!(text.contains(&format!("\n# {}\n", section.heading)), "{}", section.heading);
        for key in section.keys {
            assert!(text.contains(&format!("\n# {} = ", key.name)), "{}", key.name);
        }
    }
}

#[test]
fn sheets_are_told_from_netlists() {
    assert!(looks_like_sheet("a.toml", "") && looks_like_sheet("-", "# job\ncircuit = \"a.cir\"\n"));
    assert!(!looks_like_sheet("a.cir", NETLIST) && !looks_like_sheet("-", "circuit of mine\nR1 a 0 1k\n"));
}

fn shipped() -> Vec<(String, Sheet)> {
    let mut paths: Vec<_> =
        fs::read_dir("circuits").expect("circuits/").map(|entry| entry.expect("an entry").path()).collect();
    paths.retain(|path| path.extension().is_some_and(|extension| extension == "toml"));
    paths.sort();
    let named = |path: &std::path::PathBuf| path.display().to_string();
    paths.iter().map(|path| (named(path), common::sheet_file(&named(path)))).collect()
}

#[test]
fn every_shipped_circuit_has_its_sheet() {
    // Lessons are sheets besides: they have no readings yet.
    let (lessons, sheets): (Vec<_>, Vec<_>) = shipped().into_iter().partition(|(_, sheet)| sheet.lesson.is_some());
    assert!(lessons.iter().all(|(_, sheet)| sheet.title.is_some() && sheet.output.is_some()));
    let netlists = fs::read_dir("circuits").expect("circuits/").map(|entry| entry.expect("an entry").path());
    for netlist in netlists.filter(|path| path.extension().is_some_and(|extension| extension == "cir")) {
        let own = netlist.with_extension("toml").display().to_string();
        assert!(sheets.iter().any(|(name, _)| *name == own), "{own} is missing");
    }
    for (name, sheet) in &sheets {
        assert!(sheet.title.is_some() && sheet.output.is_some() && !sheet.readings.is_empty(), "{name}");
        for (reading, _) in &sheet.readings {
            // As a line of JSON it is the same reading.
            let json = serde_json::to_string(reading).expect("plain data");
            assert_eq!(serde_json::from_str::<Reading>(&json).unwrap_or_else(|error| panic!("{error}")), *reading);
        }
    }
}

/// Every span of a message lies in its text, and every message says what to do.
fn keeps_the_laws(text: &str) {
    let (messages, sources) = match read(text) {
        Ok((sheet, warnings)) => (warnings, sheet.sources),
        Err(unread) => {
            assert!(unread.messages.iter().any(Diagnostic::is_error), "refused for nothing: {text}");
            (unread.messages, unread.sources)
        }
    };
    for message in &messages {
        let spans = message.span.iter().chain(&message.statement).chain(message.labels.iter().map(|label| &label.span));
        for span in spans {
            assert!(sources.locate(*span).is_some(), "{message:?} points outside of\n{text}");
        }
        assert!(message.help.is_some(), "{message:?} does not say what to do");
    }
}

/// A sheet that says much, to be broken.
fn seed() -> String {
    let text = fs::read_to_string("circuits/two-stage-germanium.toml").expect("a shipped sheet");
    text.replace("two-stage-germanium.cir", "unit.cir") + "\n[tolerance]\nresistor = \"5 %\"\n[cost]\nhiss = 2\n"
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn any_text_is_read_or_refused(text in "\\PC{0,200}") {
        keeps_the_laws(&text);
        keeps_the_laws(&format!("circuit = \"unit.cir\"\n{text}"));
    }

    #[test]
    fn a_damaged_sheet_is_read_or_refused(
        cuts in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>()), 1..4),
        inserted in prop::sample::select(vec!["[", "]", "\"", "=", "{", "}", "é", "\n", "nan", "1e999", "[[reading]]\n", "'''", "-", "0x", "𝄞", "."]),
    ) {
        let mut text = seed();
        for (from, to) in cuts {
            let mut ends = [from.index(text.len() + 1), to.index(text.len() + 1)].map(|at| text.floor_char_boundary(at));
            ends.sort();
            // Cut a little, or put something in.
            let end = text.floor_char_boundary(ends[1].min(ends[0] + 12));
            text.replace_range(ends[0]..end.max(ends[0]), inserted);
        }
        keeps_the_laws(&text);
    }
}
