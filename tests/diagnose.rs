//! Diagnosis from end to end: simulated repairs, the conversation line by line, and what must not matter.

mod common;

use std::io::Write;
use std::process::{Command, Stdio};

use hissmap::bench::reading::{How, Measure, Reading, Value, Word};
use hissmap::bench::sheet::Sheet;
use hissmap::bench::simulated::SimulatedUnit;
use hissmap::diagnosis::Conversation;
use hissmap::diagnosis::prepare::Prepared;
use hissmap::report::{DiagnoseResult, diagnose};
use rayon::prelude::*;
use serde_json::Value as Json;

const PAIR: &str = "circuits/two-stage-germanium.toml";

/// A shipped sheet without its readings.
fn sheet(file: &str) -> Sheet {
    let mut sheet = common::sheet_file(file);
    sheet.readings.clear();
    sheet
}

fn read(measure: Measure, at: &str, value: f64) -> Reading {
    Reading { value: Some(Value::number(value)), ..Reading::test(measure, Some(at)) }
}

fn answer(prepared: &Prepared<'_>, readings: &[Reading]) -> DiagnoseResult {
    let mut conversation = Conversation::new(prepared);
    readings.iter().for_each(|reading| conversation.read(reading).expect("a reading that can be taken"));
    diagnose(prepared, &conversation)
}

/// Sixty units of the direct-coupled pair, each with a fault drawn by its weight, read by the full nonlinear solution.
/// What is asked for here, 0.85 of the first parts right, is well below the 0.94 that long campaigns are held to, so that
/// sixty units do not fail it by chance: at 0.94 fewer than 51 right happen once in 300 seeds (binomial distribution).
#[test]
fn the_first_part_named_is_the_right_one() {
    const UNITS: u64 = 60;
    let sheet = sheet(PAIR);
    let prepared = Prepared::of(&sheet, &|_, _| {}).expect("a bank");
    let listed = sheet.listed_faults();
    let tests: Vec<Reading> = prepared.tests().cloned().collect();
    let judged: Vec<(bool, bool, f64)> = (0..UNITS)
        .into_par_iter()
        .filter_map(|unit| {
            let (mut on_bench, fault) = SimulatedUnit::with_listed_fault(&sheet, &listed, 2024, unit, 400)?;
            let mut conversation = Conversation::new(&prepared);
            let mut result = diagnose(&prepared, &conversation);
            for _ in 0..tests.len() {
                let Some(next) = result.next.first().filter(|next| !next.verify) else { break };
                let value = on_bench.read(&next.test).expect("a unit in a state that has a bias");
                conversation.read(&Reading { value: Some(value), ..next.test.clone() }).expect("its own proposal");
                result = diagnose(&prepared, &conversation);
            }
            let first = result.suspects.first()?;
            let named = first.part == listed[fault].name;
            Some((named, result.flag, first.probability))
        })
        .collect();
    let right = judged.iter().filter(|(right, ..)| *right).count() as f64 / judged.len() as f64;
    let sure: Vec<bool> = judged.iter().filter(|(.., p)| *p >= 0.9).map(|(right, ..)| *right).collect();
    let sure_right = sure.iter().filter(|right| **right).count() as f64 / sure.len() as f64;
    println!("{} units: {right:.3} right, {sure_right:.3} of {} said to be sure", judged.len(), sure.len());
    assert!(judged.len() >= 55 && right >= 0.85, "{right}");
    assert!(sure.len() >= 20 && sure_right >= 0.9, "{sure_right} of {}", sure.len());
}

#[test]
fn the_order_of_readings_changes_no_byte_and_undo_restores() {
    let sheet = sheet(PAIR);
    let prepared = Prepared::of(&sheet, &|_, _| {}).expect("a bank");
    let readings = [
        read(Measure::Hiss, "out", 4.1e-4),
        read(Measure::Dc, "c1", -2.31),
        read(Measure::Hiss, "c1", 5.5e-5),
        Reading { value: Some(Value::word(Word::Same)), ..Reading::change(hissmap::bench::reading::How::Shunt, "b1") },
    ];
    let straight = answer(&prepared, &readings);
    let turned: Vec<Reading> = readings.iter().rev().cloned().collect();
    assert_eq!(straight, answer(&prepared, &turned));
    let mut conversation = Conversation::new(&prepared);
    readings.iter().for_each(|reading| conversation.read(reading).expect("a reading"));
    conversation.read(&read(Measure::Dc, "c2", -1.0)).expect("a reading");
    assert_ne!(straight, diagnose(&prepared, &conversation));
    conversation.undo(1).expect("one was said");
    assert_eq!(straight, diagnose(&prepared, &conversation));
    // The bank itself: the same on one thread.
    let alone = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a pool");
    let again = alone.install(|| Prepared::of(&sheet, &|_, _| {}).expect("a bank"));
    assert!(*again.bank == *prepared.bank && again.threshold == prepared.threshold);
}

/// A battery of 9 V, a meter with 3 µV of its own: nothing reads so, whatever is broken. What stays within 9 V has at most
/// 4.5 V for its rms (Popoviciu's inequality on variances, 1935).
#[test]
fn impossible_readings_are_flagged_and_move_no_suspect() {
    let sheet = sheet(PAIR);
    let prepared = Prepared::of(&sheet, &|_, _| {}).expect("a bank");
    let sound = [read(Measure::Hiss, "out", 4.1e-4), read(Measure::Hiss, "c1", 5.5e-5)];
    let before = answer(&prepared, &sound);
    for impossible in
        [read(Measure::Dc, "c2", -40.0), read(Measure::Hiss, "out", 1e-6), read(Measure::Hiss, "c1", 30.0)]
    {
        let after = answer(&prepared, &[sound.to_vec(), vec![impossible.clone()]].concat());
        assert!(after.flag, "{}", impossible.text());
        assert_eq!(after.most_surprising.as_ref(), Some(&impossible));
        assert_eq!(after.suspects, before.suspects, "{}", impossible.text());
        assert_eq!(after.set_aside.len(), 1);
    }
}

/// The twin of a netlist with one channel is a healthy unit of the batch: it says what is healthy, and no more.
#[test]
fn the_healthy_channel_may_be_another_unit() {
    let sheet = sheet(PAIR);
    let prepared = Prepared::of(&sheet, &|_, _| {}).expect("a bank");
    let twin = Reading { twin: true, ..read(Measure::Hiss, "out", 68e-6) };
    let alone = answer(&prepared, std::slice::from_ref(&twin));
    let nothing = answer(&prepared, &[]);
    let leader = |result: &DiagnoseResult| result.suspects[0].part.clone();
    assert!((alone.suspects[0].probability - nothing.suspects[0].probability).abs() < 0.1, "{}", leader(&alone));
    assert!(!alone.flag);
}

/// Answers of `diagnose --lines`, and what was told on standard error.
fn converse(lines: &[u8]) -> Vec<Json> {
    let mut child = Command::new(env!("CARGO_BIN_EXE_hissmap"))
        .args(["diagnose", PAIR, "--lines"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the command runs");
    let mut input = child.stdin.take().expect("it is piped");
    let owned = lines.to_vec();
    let writer = std::thread::spawn(move || input.write_all(&owned));
    let output = child.wait_with_output().expect("it ends");
    writer.join().expect("no panic").expect("all was read");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    text.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"))).collect()
}

#[test]
fn every_line_has_one_answer_whatever_it_says() {
    let good = [
        r#"{"reset":true}"#,
        r#"{"measure":"dc","at":"c2","value":-5.31}"#,
        r#"{"measure":"hiss","at":"out","value":0.00041}"#,
        r#"{"measure":"hiss","at":"out","twin":true,"value":"0.07 mV"}"#,
        r#"{"measure":"change","freeze":"Q1","value":-1}"#,
        r#"{"measure":"change","shunt":"b1","value":"same"}"#,
        r#"{"measure":"change","turn":"volume","value":"gone"}"#,
        r#"{"menu":[{"measure":"dc","at":"c1"},{"measure":"hiss","at":"c1"}]}"#,
        "dc c1 -2.3",
        "hiss c1 55uV",
        "cool Q2 much less",
        "undo",
        r#"{"undo":1}"#,
        r#"{"replaced":"Q1","cured":false}"#,
        "replaced Q2 less",
        "reset",
    ];
    let bad = [
        "",
        "{",
        "{}",
        r#"{"measure":"dc","at":"c2","value":NaN}"#,
        r#"{"measure":"dc","at":"c2","value":1e999}"#,
        r#"{"measure":"hiss","at":"out","value":-1e-3}"#,
        r#"{"measure":"hiss","at":"nowhere","value":1e-3}"#,
        r#"{"measure":"change","freeze":"Q9","value":-3}"#,
        r#"{"measure":"dc","at":"c2"}"#,
        r#"{"measure":"dc","at":"c2","value":[1,2]}"#,
        r#"{"undo":99}"#,
        r#"{"undo":-1}"#,
        r#"{"reset":"yes"}"#,
        r#"{"replaced":"Z1","cured":false}"#,
        r#"{"menu":"all"}"#,
        r#"{"menu":[{"measure":"dc"}]}"#,
        "dc c2 nan",
        "dc c2",
        "hiss out inf",
        "freeze",
        "make me a sandwich",
        "undo all",
    ];
    let mut lines = Vec::new();
    let mut expected = Vec::new();
    for round in 0..40 {
        for at in 0..good.len().max(bad.len()) {
            if let Some(line) = bad.get(at) {
                lines.extend_from_slice(line.as_bytes());
                lines.push(b'\n');
                expected.push(false);
            }
            // What costs most is said once.
            if let Some(line) = good.get(at).filter(|_| round == 0) {
                lines.extend_from_slice(line.as_bytes());
                lines.push(b'\n');
                expected.push(true);
            }
        }
    }
    // Bytes that are no text, and a line longer than any reading.
    lines.extend_from_slice(b"\xff\xfe\x00dc\n");
    lines.extend(std::iter::repeat_n(b'x', 200_000));
    lines.extend_from_slice(b"\ndc c2 -5.3");
    expected.extend([false, false, true]);
    let answers = converse(&lines);
    assert_eq!(answers.len(), expected.len());
    for (at, (answer, is_answer)) in answers.iter().zip(expected).enumerate() {
        assert_eq!(answer.get("error").is_none(), is_answer, "line {at}: {answer}");
        match is_answer {
            true => assert!(answer["suspects"].is_array() && answer["next"].is_array(), "{answer}"),
            false => assert!(answer["error"]["message"].is_string() && answer["error"]["help"].is_string(), "{answer}"),
        }
    }
    // After all that nonsense the conversation has lost nothing: one reading since the last reset.
    assert_eq!(answers.last().expect("many")["readings"], 1);
}

/// A tap is read like any change. What is sound does not mind it; a bad contact crackles. By Bayes' rule a crackle must
/// move the suspicion to the contact and silence away from it, and a part that was not tapped keeps its odds to the rest.
#[test]
fn a_tap_tells_a_bad_contact() {
    let text = "circuit = \"circuits/two-stage-germanium.cir\"\noutput = \"out\"\n[[suspect]]\npart = \"RC1\"\nkinds = \
                [\"contact\"]\n[[suspect]]\npart = \"Q1\"\n[[suspect]]\npart = \"Q2\"\n[control.volume]\nrange = [0, 1]\nnow = 1\n";
    let sheet = common::sheet("job.toml", text);
    let prepared = Prepared::of(&sheet, &|_, _| {}).expect("a bank");
    let of = |part: &str, readings: &[Reading]| {
        let suspects = answer(&prepared, readings).suspects;
        suspects.iter().find(|suspect| suspect.part == part).map_or(0.0, |suspect| suspect.probability)
    };
    let tap = |what: &str, db: f64| Reading { value: Some(Value::number(db)), ..Reading::change(How::Tap, what) };
    let prior = of("RC1", &[]);
    assert!(prior > 0.0, "a bad contact can cause the complaint");
    assert!(of("RC1", &[tap("RC1", 9.0)]) > 0.9, "it crackles");
    assert!(of("RC1", &[tap("RC1", 0.3)]) < 0.5 * prior, "it is silent");
    let odds = |readings: &[Reading]| of("Q1", readings) / of("Q2", readings);
    assert!((odds(&[tap("RC1", 0.3)]) / odds(&[]) - 1.0).abs() < 1e-9);
}

#[test]
fn what_is_suspected_adds_up_to_one() {
    // Kolmogorov's axioms: exactly one of the listed parts or of what is not listed is at fault, and a part's kinds divide
    // its share. What was wrong: parts below one in a thousand were left out of the result, up to 0.1 % of it in all.
    let sheet = sheet(PAIR);
    let prepared = Prepared::of(&sheet, &|_, _| {}).expect("a bank");
    let readings = [Reading { value: Some(Value::number(2e-3)), ..prepared.tests().next().expect("a test").clone() }];
    for readings in [&readings[..0], &readings[..]] {
        let result = answer(&prepared, readings);
        let all: f64 = result.suspects.iter().map(|suspect| suspect.probability).sum();
        assert!((all + result.unknown_probability - 1.0).abs() < 1e-9, "{all} and {}", result.unknown_probability);
        for suspect in &result.suspects {
            let kinds: f64 = suspect.kinds.iter().map(|kind| kind.probability).sum();
            assert!((kinds / suspect.probability - 1.0).abs() < 1e-9 && suspect.probability <= 0.99, "{suspect:?}");
        }
    }
}
