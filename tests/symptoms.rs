//! The symptom chart against the public path one fault at a time: `compare`, the meter, `--set`, a capacitor in the netlist.

use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use hissmap::bench::instrument::{Loading, Meter, Probe};
use hissmap::bench::reading::How;
use hissmap::bench::symptoms::{CaseRow, Fingerprint, Row, SymptomQuestion, Symptoms, symptoms};
use hissmap::bench::{Case, FaultKind, Point, Temperatures};
use hissmap::circuit::{Change, Circuit};
use hissmap::netlist::{self, Fetched};
use hissmap::noise::{DEFAULT_TOLERANCE, Weighting};
use hissmap::operating::Operating;
use hissmap::report::{CompareQuestion, compare};
use serde_json::Value;

const PAIR: &str = "circuits/two-stage-germanium.cir";
const BAND: [f64; 2] = [20.0, 20e3];
/// 1e-6 of a voltage in dB.
const SAME_DB: f64 = 8.7e-6;

fn text(path: &str) -> String {
    std::fs::read_to_string(path).expect("a readable file")
}

fn built(text: &str) -> Circuit {
    let (netlist, problems) = netlist::read(PAIR, text, &mut |request| {
        let path = Path::new("circuits").join(request.path);
        let text = std::fs::read_to_string(&path).map_err(|error| error.to_string())?;
        Ok(Fetched { name: path.display().to_string(), text })
    });
    assert!(problems.is_empty(), "{problems:?}");
    Circuit::build(Arc::new(netlist)).unwrap_or_else(|problems| panic!("{problems:?}")).0
}

fn question(circuit: &Circuit) -> SymptomQuestion {
    let noise = circuit.noise.as_ref().expect("a .noise statement");
    SymptomQuestion::of_circuit(circuit, Some(noise.source), Point::of(circuit, noise.output.0), BAND)
}

#[track_caller]
fn chart(circuit: &Circuit, question: &SymptomQuestion) -> Symptoms {
    symptoms(circuit, question).unwrap_or_else(|problems| panic!("{problems:?}"))
}

#[track_caller]
fn case<'c>(chart: &'c Symptoms, part: &str, kind: FaultKind, case: Case) -> &'c CaseRow {
    let mut rows = chart.rows.iter().filter(|row| row.suspect.part == part && row.suspect.kind == kind);
    let row = rows.next().unwrap_or_else(|| panic!("no row of {part}"));
    row.cases.iter().find(|one| one.case == case).expect("every case has its row")
}

#[track_caller]
fn print(row: &CaseRow) -> &Fingerprint {
    row.fingerprint.as_ref().unwrap_or_else(|| panic!("{} finds no bias", row.fault.text()))
}

/// What the meter shows at a point of a circuit, by the instrument's own path.
fn meter_shows(circuit: &Circuit, meter: &Meter, point: &Point) -> f64 {
    let operating = Operating::of(circuit).expect("a bias");
    let flat = (BAND, Weighting::Flat);
    let rms = meter.hiss(circuit, &operating, std::slice::from_ref(point), flat, DEFAULT_TOLERANCE).expect("hiss");
    meter.shows(rms[0])
}

/// Changes of the fault and one more.
fn with(circuit: &Circuit, row: &CaseRow, more: Change) -> Circuit {
    let mut changes = row.fault.changes(circuit).expect("a fault that fits");
    changes.push(more);
    circuit.changed(&changes).expect("a circuit")
}

#[track_caller]
fn same_db(actual: f64, expected: f64, what: &str) {
    assert!((actual - expected).abs() <= SAME_DB, "{what}: {actual} dB is not {expected} dB");
}

#[test]
fn a_fingerprint_is_what_compare_says_of_the_fault() {
    let circuit = built(&text(PAIR));
    let mut question = question(&circuit);
    // `compare` shows the circuit by itself.
    question.instruments.meter = Meter { loading: Loading::NONE, floor_volts: 0.0, ..Meter::default() };
    let chart = chart(&circuit, &question);
    for (part, kind, severity) in [
        ("Q2", FaultKind::JunctionLeak, Case::Typical),
        ("Q1", FaultKind::JunctionLeak, Case::Severe),
        ("Q1", FaultKind::OhmicLeak, Case::Typical),
        ("Q2", FaultKind::Flicker, Case::Severe),
        ("Q1", FaultKind::LowBeta, Case::Severe),
        ("C1", FaultKind::CapLeaky, Case::Severe),
        ("CK1", FaultKind::CapDried, Case::Typical),
        ("RC1", FaultKind::ResistorNoisy, Case::Severe),
        ("RE1", FaultKind::ValueHigh, Case::Mild),
        ("C2", FaultKind::ValueLow, Case::Severe),
    ] {
        let row = case(&chart, part, kind, severity);
        let print = print(row);
        let faulty = circuit.changed(&row.fault.changes(&circuit).expect("it fits")).expect("a circuit");
        let asked = CompareQuestion {
            points: question.points.clone(),
            input: None,
            band_hz: BAND,
            weighting: Weighting::Flat,
            tolerance: 1e-8,
        };
        let compared = compare(&circuit, &faulty, &[], &asked).expect("a bias");
        for (at, healthy) in chart.healthy.iter().enumerate() {
            let what = format!("{} at {}", row.fault.text(), healthy.name);
            let node = compared.points.iter().find(|node| node.name == healthy.name).expect("the same points");
            match (print.change_db[at], node.change_db) {
                (Some(actual), Some(expected)) => same_db(actual, expected, &what),
                (actual, expected) => assert_eq!(actual, expected, "{what}"),
            }
            let shift = node.after_dc_volts - node.before_dc_volts;
            // Both solutions keep to 1e-9 of each voltage plus 1 nV.
            let allowed = 4e-9 * node.before_dc_volts.abs() + 4e-9;
            assert!(
                (print.dc_shift_volts[at] - shift).abs() <= allowed,
                "{what}: {} {shift}",
                print.dc_shift_volts[at]
            );
        }
    }
}

#[test]
fn a_shunt_equals_a_capacitor_written_into_the_netlist() {
    let written = text(PAIR);
    let circuit = built(&written);
    let question = question(&circuit);
    let chart = chart(&circuit, &question);
    let meter = question.instruments.meter;
    // A severe leak bottoms the stage and is not heard.
    let row = case(&chart, "Q2", FaultKind::JunctionLeak, Case::Typical);
    let effects = print(row).effects.as_ref().expect("it is heard");
    let mut shunts = 0;
    for (offer, db) in chart.acts.iter().zip(&effects.acts_db).filter(|(offer, _)| offer.act.how == How::Shunt) {
        let card = format!("CSHUNT {} 0 100u\n.noise", offer.act.what);
        let shunted = built(&written.replacen(".noise", &card, 1));
        let faulty = shunted.changed(&row.fault.changes(&shunted).expect("it fits")).expect("a circuit");
        let after = meter_shows(&faulty, &meter, &Point::read(&faulty, "out").expect("a node"));
        let before = print(row).output_volts;
        same_db(db.expect("a bias"), 20.0 * (after / before).log10(), &format!("shunt at {}", offer.act.what));
        shunts += 1;
    }
    // b1, c1 (which is Q2's base) and c2.
    assert_eq!(shunts, 3);
}

#[test]
fn controls_freezing_and_heating_equal_what_ifs() {
    let circuit = built(&text(PAIR));
    let question = question(&circuit);
    let chart = chart(&circuit, &question);
    let (meter, out) = (question.instruments.meter, &question.output);
    let of_devices = |row: &&Row| row.suspect.part.starts_with('Q');
    let cases = chart.rows.iter().filter(of_devices).flat_map(|row| &row.cases).filter(|case| case.complains());
    let cases: Vec<&CaseRow> = cases.collect();
    assert!(cases.len() >= 3, "{} cases", cases.len());
    for row in cases {
        let part = row.fault.text();
        let before = print(row).output_volts;
        let effects = print(row).effects.as_ref().expect("it is heard");
        for (end, value) in [0.0, 1.0].into_iter().enumerate() {
            let set = Change::Parameter { name: "volume".to_owned(), value };
            let expected = meter_shows(&with(&circuit, row, set), &meter, out);
            let actual = effects.ends_volts[0][end].expect("a bias");
            same_db(20.0 * (actual / expected).log10(), 0.0, &format!("{part} with volume at {value}"));
        }
        for (offer, db) in chart.acts.iter().zip(&effects.acts_db) {
            let Temperatures { freeze_celsius, cool_celsius, heat_germanium_celsius, .. } = Temperatures::default();
            let celsius = match offer.act.how {
                How::Freeze => freeze_celsius,
                How::Cool => cool_celsius,
                How::Heat => heat_germanium_celsius,
                _ => continue,
            };
            let touch = Change::Temperature { part: offer.act.what.clone(), celsius };
            let after = meter_shows(&with(&circuit, row, touch), &meter, out);
            let what = format!("{part}: {} {}", offer.act.how.name(), offer.act.what);
            same_db(db.expect("a bias"), 20.0 * (after / before).log10(), &what);
        }
    }
}

/// In a direct-coupled pair the second transistor's leak flows into its base, and that is the first one's collector.
#[test]
fn a_leak_of_the_second_transistor_shows_at_the_first_ones_collector() {
    let circuit = built(&text(PAIR));
    let chart = chart(&circuit, &question(&circuit));
    let row = case(&chart, "Q2", FaultKind::JunctionLeak, Case::Typical);
    assert!(row.complains());
    let first = print(row).first.expect("it shows");
    assert_eq!(chart.healthy[first].name, "c1");
    assert_eq!(print(row).misleads_to.as_deref(), Some("Q1"));
    // Q1 itself leads nobody astray there.
    assert_eq!(print(case(&chart, "Q1", FaultKind::JunctionLeak, Case::Typical)).misleads_to, None);
    let pair =
        chart.pairs.iter().find(|pair| pair.parts == ["Q1", "Q2"].map(str::to_owned)).expect("both can cause it");
    assert!(pair.separation_sd > 0.0 && pair.test.is_some(), "{pair:?}");
}

/// Excess noise is proportional to the volts across the resistor (IEC 60195): without DC there is none.
#[test]
fn a_resistor_without_volts_cannot_cause_the_complaint_by_excess_noise() {
    let circuit = built(&text(PAIR));
    let chart = chart(&circuit, &question(&circuit));
    for part in ["RS", "RL", "XVOL.RA", "XVOL.RB"] {
        let Some(row) =
            chart.rows.iter().find(|row| row.suspect.part == part && row.suspect.kind == FaultKind::ResistorNoisy)
        else {
            continue;
        };
        assert!(!row.complains(), "{part}");
        for case in &row.cases {
            let change = print(case).output_change_db.expect("the output hisses");
            assert!(change.abs() < 1e-6, "{}: {change} dB", case.fault.text());
            assert!(print(case).effects.is_none());
        }
    }
}

#[test]
fn who_cannot_cause_it_depends_on_the_complaint() {
    let circuit = built(&text(PAIR));
    let mut asked = question(&circuit);
    let complaining = |asked: &SymptomQuestion| {
        let chart = chart(&circuit, asked);
        for row in &chart.rows {
            for case in row.cases.iter().filter(|case| case.fingerprint.is_some()) {
                let over = print(case).output_change_db.is_some_and(|db| db >= asked.complaint.hiss_db);
                assert_eq!(case.complains(), over, "{}", case.fault.text());
                assert_eq!(print(case).effects.is_some(), over);
            }
        }
        chart.rows.iter().filter(|row| row.complains()).count()
    };
    asked.complaint.hiss_db = 20.0;
    let loud = complaining(&asked);
    asked.complaint.hiss_db = 200.0;
    assert_eq!(complaining(&asked), 0);
    asked.complaint.hiss_db = 1.0;
    assert!(loud > 0 && complaining(&asked) > loud);
}

/// The complaint of a sheet shows at every setting it names: with the volume all the way down nothing of this pair is heard.
#[test]
fn a_complaint_is_judged_at_the_settings_of_its_controls() {
    let circuit = built(&text(PAIR));
    let mut asked = question(&circuit);
    asked.complaint.settings = vec![vec![(0, 1.0)], vec![(0, 0.5)]];
    let chart = chart(&circuit, &asked);
    assert!(case(&chart, "Q2", FaultKind::JunctionLeak, Case::Typical).complains());
    for (part, kind) in
        [("Q2", FaultKind::JunctionLeak), ("RC1", FaultKind::ResistorNoisy), ("RK1", FaultKind::ValueLow)]
    {
        for severity in Case::ALL {
            let row = case(&chart, part, kind, severity);
            let shows = [1.0, 0.5].iter().all(|&value| {
                let set = Change::Parameter { name: "volume".to_owned(), value };
                let healthy = circuit.changed(std::slice::from_ref(&set)).expect("a circuit");
                let meter = Meter { floor_volts: 0.0, ..Meter::default() };
                let rms = |circuit: &Circuit| meter_shows(circuit, &meter, &asked.output);
                20.0 * (rms(&with(&circuit, row, set)) / rms(&healthy)).log10() >= asked.complaint.hiss_db
            });
            assert_eq!(row.complains(), shows, "{}", row.fault.text());
        }
    }
}

#[test]
fn the_scope_shows_it_first_where_its_own_trace_stands_out() {
    let circuit = built(&text(PAIR));
    let mut question = question(&circuit);
    // A good scope: that of the bench sees nothing of a preamplifier.
    let scope = &mut question.instruments.scope;
    (scope.probe, scope.floor_volts) = (Probe::TIMES_1, 10e-6);
    let scope = *scope;
    let chart = chart(&circuit, &question);
    let traces = |circuit: &Circuit| {
        let operating = Operating::of(circuit).expect("a bias");
        let rms = scope.hiss(circuit, &operating, &question.points, DEFAULT_TOLERANCE).expect("hiss");
        rms.into_iter().map(|rms| scope.trace(rms)).collect::<Vec<_>>()
    };
    let healthy = traces(&circuit);
    for (part, kind) in
        [("Q2", FaultKind::JunctionLeak), ("Q1", FaultKind::OhmicLeak), ("RE2", FaultKind::ResistorNoisy)]
    {
        let row = case(&chart, part, kind, Case::Typical);
        let faulty = traces(&circuit.changed(&row.fault.changes(&circuit).expect("it fits")).expect("a circuit"));
        let over = |(one, other): (&hissmap::bench::instrument::Trace, &hissmap::bench::instrument::Trace)| {
            one.shown.is_some() && 20.0 * (one.peak_to_peak_volts / other.peak_to_peak_volts).log10() >= 3.0
        };
        let expected = faulty.iter().zip(&healthy).position(over);
        assert_eq!(print(row).first_on_scope, expected, "{}", row.fault.text());
    }
    assert!(print(case(&chart, "Q2", FaultKind::JunctionLeak, Case::Typical)).first_on_scope.is_some());
}

/// A node that a source holds, the output, and what drives a power device are no places for a shunt; see the guide of shunts.
#[test]
fn a_shunt_is_not_proposed_where_it_can_destroy() {
    let lines = "power stage\nVCC vcc 0 12\nVIN in 0 AC 1\nC1 in b1 10u\nR1 vcc b1 47k\nR2 b1 0 10k\nQ1 c1 b1 e1 N\n\
                 RC vcc c1 1k\nRE e1 0 220\nQ2 vcc c1 out P\nRL out 0 100\n\
                 .model N NPN (IS=1e-14 BF=200 CJC=4p CJE=8p TF=1n PTOT=0.3 VCEO=40 ICM=0.2)\n\
                 .model P NPN (IS=1e-13 BF=60 CJC=40p CJE=80p TF=10n PTOT=10 VCEO=40 ICM=3)\n\
                 .noise v(out) VIN dec 20 20 20k\n";
    let circuit = built(lines);
    let chart = chart(&circuit, &question(&circuit));
    let refused = |node: &str| {
        let mut shunts = chart.acts.iter().filter(|offer| offer.act.how == How::Shunt);
        let offer = shunts.find(|offer| offer.act.what == node).unwrap_or_else(|| panic!("no shunt at {node}"));
        offer.refused.clone()
    };
    for node in ["b1", "c1", "vcc"] {
        assert!(refused(node).is_some(), "{node} is proposed");
    }
}

fn command(arguments: &str, threads: &str) -> Vec<u8> {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    command.env("RAYON_NUM_THREADS", threads).args(arguments.split_whitespace());
    let output = command.output().expect("the command runs");
    assert!(output.status.success(), "{arguments}: {}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}

#[test]
fn the_number_of_threads_changes_no_byte() {
    for form in ["", " --json", " --csv"] {
        let arguments = format!("symptoms {PAIR}{form}");
        assert!(command(&arguments, "1") == command(&arguments, "3"), "{arguments}");
    }
}

#[track_caller]
fn keys(value: &Value, expected: &str) {
    let mut keys: Vec<&str> = value.as_object().expect("an object").keys().map(String::as_str).collect();
    let mut expected: Vec<&str> = expected.split_whitespace().collect();
    keys.sort_unstable();
    expected.sort_unstable();
    assert_eq!(keys, expected);
}

#[test]
fn json_has_its_keys_and_lists_of_one_length() {
    let out = command("symptoms circuits/two-stage-germanium.toml --json", "2");
    let result: Value = serde_json::from_slice(&out).expect("the result is JSON");
    keys(
        &result,
        "schema command warnings title ambient_c changes band_hz output complaint points controls acts suspects cannot \
         pairs assumed",
    );
    // The sheet's complaint.
    assert_eq!(result["complaint"]["hiss_db"], 10.0);
    keys(&result["points"][0], "node healthy_rms_v healthy_reading_v healthy_dc_v");
    keys(&result["acts"][0], "test healthy_db refused");
    keys(&result["pairs"][0], "parts faults test separation_sd");
    let length = |name: &str| result[name].as_array().expect("a list").len();
    let suspects = result["suspects"].as_array().expect("a list");
    let heard: Vec<&Value> = suspects.iter().filter(|suspect| suspect["can_cause"] == true).collect();
    assert!(!heard.is_empty() && heard.len() < suspects.len());
    for suspect in suspects {
        keys(suspect, "part fault can_cause cases");
        for case in suspect["cases"].as_array().expect("a list") {
            keys(
                case,
                "case severity what solved causes_complaint output_change_db output_reading_v first_at scope_first_at \
                 misleads_to change_db reading_v dc_shift_v control_ends_v acts_db",
            );
            let lists = |name: &str| case[name].as_array().map(Vec::len);
            if case["solved"] == true {
                assert_eq!((lists("change_db"), lists("dc_shift_v")), (Some(length("points")), Some(length("points"))));
            }
            let heard = case["causes_complaint"] == true;
            assert_eq!(lists("acts_db"), heard.then(|| length("acts")));
            assert_eq!(lists("control_ends_v"), heard.then(|| length("controls")));
        }
    }
    // Every pair of parts that can cause it, once.
    let mut parts: Vec<&str> = heard.iter().filter_map(|suspect| suspect["part"].as_str()).collect();
    parts.dedup();
    assert_eq!(length("pairs"), parts.len() * (parts.len() - 1) / 2);
}

#[test]
fn csv_has_a_row_a_case_and_item() {
    let out = command(&format!("symptoms {PAIR} --csv --at c1 --at out"), "2");
    let mut reader = csv::Reader::from_reader(out.as_slice());
    let header = reader.headers().expect("a header").iter().collect::<Vec<_>>().join(",");
    assert_eq!(
        header,
        "part,fault,case,severity_quantity,severity,causes_complaint,item,name,reading_v,change_db,dc_shift_v"
    );
    let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.expect("as many cells as the header")).collect();
    let leak = |row: &&csv::StringRecord| &row[0] == "Q2" && &row[1] == "junction_leak" && &row[2] == "typical";
    let items: Vec<String> = rows.iter().filter(leak).map(|row| format!("{} {}", &row[6], &row[7])).collect();
    for item in
        ["point c1", "point out", "control volume", "turn volume", "freeze Q2", "cool Q1", "heat Q1", "shunt b1"]
    {
        assert!(items.iter().any(|known| known == item), "{item} is not in {items:?}");
    }
}

#[test]
fn text_fits_the_page_and_warns_before_hands_go_in() {
    for file in [PAIR, "circuits/two-stage-silicon.toml"] {
        let out = String::from_utf8(command(&format!("symptoms {file}"), "2")).expect("text");
        let widest = out.lines().map(|line| line.chars().count()).max();
        assert!(widest <= Some(100), "{widest:?} columns:\n{out}");
        assert!(out.contains("Before your hands go in"), "{out}");
        assert!(out.contains("cannot cause it"), "{out}");
    }
}
