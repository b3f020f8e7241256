//! Three sheets that tell stories: a plain leak, the trap of the direct-coupled pair, and a unit that no single fault
//! explains. Their readings come from simulated units, made again here from the seed that each sheet names.
//!
//! `HISSMAP_WRITE_STORIES=1 cargo test --test stories -- --nocapture` prints the readings as they belong into the sheets.

mod common;

use common::sheet_file;
use hissmap::bench::reading::{How, Measure, Observed, Reading, Word};
use hissmap::bench::sheet::Sheet;
use hissmap::bench::simulated::SimulatedUnit;
use hissmap::bench::{Fault, FaultKind, Point};
use hissmap::circuit::Change;
use hissmap::diagnosis::Conversation;
use hissmap::diagnosis::prepare::Prepared;
use hissmap::noise::Weighting;
use hissmap::operating::Operating;
use hissmap::report::{DiagnoseResult, diagnose};

/// Seed of all stories; each has its own number, which its sheet tells in a comment.
const SEED: u64 = 1958;
/// Readings are written with three digits.
const WRITTEN_TO: f64 = 0.006;

/// Fails unless the readings of the sheet are those of the unit with these changes.
fn told_by(sheet: &Sheet, changes: &[Change], unit: u64) {
    let mut bench = SimulatedUnit::new(sheet, changes, SEED, unit).expect("a unit");
    let writes = std::env::var("HISSMAP_WRITE_STORIES").is_ok();
    for (reading, _) in &sheet.readings {
        let test = reading.as_test();
        let value = bench.read(&test).expect("a state that has a bias");
        if writes {
            println!("{}", Reading { value: Some(value), ..test }.text());
            continue;
        }
        let written = reading.value.as_ref().expect("a sheet's reading has a value");
        match (value.observed, written.observed) {
            // Changes are written to a tenth of a dB.
            (Observed::Number(value), Observed::Number(written)) if reading.measure == Measure::Change => {
                assert!((value - written).abs() <= 0.051, "{}: the unit reads {value} dB", reading.text());
            }
            (Observed::Number(value), Observed::Number(written)) => {
                assert!(
                    (value - written).abs() <= WRITTEN_TO * value.abs(),
                    "{}: the unit reads {value}",
                    reading.text()
                );
            }
            (value, written) => assert_eq!(value, written, "{}", reading.text()),
        }
    }
}

fn readings(sheet: &Sheet) -> impl Iterator<Item = &Reading> {
    sheet.readings.iter().map(|(reading, _)| reading)
}

fn of(sheet: &Sheet, fault: Fault) -> Vec<Change> {
    let fault = fault.checked(&sheet.circuit).unwrap_or_else(|error| panic!("{error:?}"));
    fault.changes(&sheet.circuit).unwrap_or_else(|error| panic!("{error:?}"))
}

fn diagnosed(sheet: &Sheet) -> DiagnoseResult {
    let prepared = Prepared::of(sheet, &|_, _| {}).expect("a bank");
    let mut conversation = Conversation::new(&prepared);
    sheet.readings.iter().for_each(|(reading, _)| conversation.read(reading).expect("a reading that can be taken"));
    diagnose(&prepared, &conversation)
}

#[test]
fn a_plain_leak() {
    let sheet = sheet_file("circuits/story-leak.toml");
    let leak = Fault::new("Q1", FaultKind::JunctionLeak).with("icbo", 6e-6).with("x", 40.0).with("corner", 400.0);
    told_by(&sheet, &of(&sheet, leak), 1);
    let result = diagnosed(&sheet);
    assert!(!result.flag);
    assert_eq!(result.suspects[0].part, "Q1");
}

/// Tracing from the input on stops at `c1`, the collector of Q1; a freeze of Q1 takes the hiss down. Both blame Q1, and
/// Q2 leaks.
#[test]
fn the_trap_of_the_direct_coupled_pair() {
    let sheet = sheet_file("circuits/story-pair.toml");
    let leak = Fault::new("Q2", FaultKind::JunctionLeak).with("icbo", 90e-6).with("x", 60.0).with("corner", 1500.0);
    told_by(&sheet, &of(&sheet, leak), 48);
    let number = |reading: &Reading| match reading.value.as_ref().map(|value| value.observed) {
        Some(Observed::Number(number)) => number,
        other => panic!("{other:?}"),
    };
    let at = |name: &str, measure: Measure| {
        let point = |reading: &&Reading| reading.measure == measure && reading.at.as_deref() == Some(name);
        readings(&sheet).find(point).map(number)
    };
    let healthy = healthy_hiss(&sheet, "c1");
    let over = 20.0 * (at("TP1", Measure::Hiss).expect("a reading") / healthy).log10();
    assert!(over > 6.0, "tracing finds the hiss at the collector of Q1: {over} dB over the healthy model");
    let before = readings(&sheet).find(|reading| reading.at.as_deref() == Some("B1")).expect("a reading");
    let before = before.value.as_ref().map(|value| value.observed);
    assert_eq!(before, Some(Observed::Word(Word::NotVisible)), "nothing hisses before Q1");
    let frozen = readings(&sheet)
        .find(|reading| reading.act.as_ref().is_some_and(|act| act.how == How::Freeze && act.what == "Q1"));
    assert!(number(frozen.expect("Q1 was frozen")) < -3.0, "freezing Q1 takes the hiss down");
    let result = diagnosed(&sheet);
    assert_eq!(result.suspects[0].part, "Q2");
    assert!(result.suspects[0].probability > 0.9);
}

/// Hiss at a node of the healthy model, as the meter of the sheet reads it.
fn healthy_hiss(sheet: &Sheet, node: &str) -> f64 {
    let operating = Operating::of(&sheet.circuit).expect("a bias");
    let point = [Point::read(&sheet.circuit, node).expect("a node")];
    let band = ([20.0, 20e3], Weighting::Flat);
    sheet.instruments.meter.hiss(&sheet.circuit, &operating, &point, band, 1e-4).expect("an accurate solution")[0]
}

#[test]
fn a_unit_that_no_single_fault_explains() {
    let sheet = sheet_file("circuits/story-two-faults.toml");
    let leak = Fault::new("Q1", FaultKind::JunctionLeak).with("icbo", 14e-6).with("x", 60.0).with("corner", 500.0);
    let noisy = Fault::new("RC2", FaultKind::ResistorNoisy).with("uv_per_v", 90.0);
    let changes = [of(&sheet, leak), of(&sheet, noisy)].concat();
    told_by(&sheet, &changes, 3);
    assert!(diagnosed(&sheet).flag, "no single listed fault explains these readings");
}
