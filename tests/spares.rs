//! Spares in the place of a transistor, and the pulled part on a tester.

use std::fs;
use std::path::Path;
use std::process::Command;

use hissmap::element::{Bjt, BjtModel, Polarity};
use hissmap::mna::NodeId;
use hissmap::repair::spares::tester::Beyond;
use hissmap::repair::spares::{Measured, Tester};
use serde_json::Value;

/// Boltzmann's constant over the elementary charge, V/K, and the charge, C (SI 2019).
const K_OVER_Q: f64 = 1.380649e-23 / 1.602176634e-19;
const Q: f64 = 1.602176634e-19;
const VT_25: f64 = K_OVER_Q * 298.15;

#[track_caller]
fn close(found: f64, expected: f64, tolerance: f64, what: &str) {
    let error = (found / expected - 1.0).abs();
    assert!(error <= tolerance, "{what}: {found:e}, expected {expected:e}, off by {error:e}");
}

/// A transistor with nothing but what is given.
fn device(polarity: Polarity, set: impl FnOnce(&mut BjtModel)) -> Bjt {
    let mut model = BjtModel::default();
    set(&mut model);
    let nodes = [NodeId::GROUND; 3];
    Bjt { nodes, polarity, model_name: "M".to_owned(), model, area: 1.0, celsius: None }
}

const BOTH: [Polarity; 2] = [Polarity::N, Polarity::P];

// The tester

#[test]
fn leakage_with_open_base_is_beta_plus_one_times_icbo() {
    // Kirchhoff at the open base: Ibf/BF = ICBO, and the collector carries Ibf + ICBO. IS is 1e-14 of that.
    for polarity in BOTH {
        let good = device(polarity, |m| (m.is, m.bf, m.icbo) = (1e-20, 80.0, 3e-6));
        close(Tester::default().read(&good).iceo_amps.unwrap(), 81.0 * 3e-6, 1e-9, "ICEO");
    }
}

#[test]
fn current_gain_follows_the_early_voltage_and_is_inflated_by_leakage() {
    // Icc = Ibf·(1 + Vcb/VAF), Ib = Ibf/BF, Vcb = 6 V − Vbe, Vbe = Vt·ln(BF·Ib/IS + 1): Early, Proc. IRE 40 (1952) 1401.
    let (is, bf, vaf, ib) = (1e-14, 75.0, 40.0, 10e-6);
    for polarity in BOTH {
        let dry = device(polarity, |m| (m.is, m.bf, m.vaf, m.tnom) = (is, bf, vaf, 25.0));
        let vbe = VT_25 * (bf * ib / is + 1.0).ln();
        let read = Tester::default().read(&dry);
        close(read.hfe.unwrap(), bf * (1.0 + (6.0 - vbe) / vaf), 1e-7, "hFE");
        // Without an Early voltage a leak adds (BF + 1)·ICBO to the collector, and nothing to the gain less ICEO.
        let leaky = device(polarity, |m| (m.is, m.bf, m.icbo) = (1e-20, bf, 4e-6));
        let read = Tester::default().read(&leaky);
        close(read.hfe.unwrap(), bf + (bf + 1.0) * 4e-6 / ib, 1e-9, "hFE, leakage included");
        close(read.gain.unwrap(), bf, 1e-9, "gain, leakage taken off");
    }
}

#[test]
fn junction_drops_are_those_of_a_saturated_transistor() {
    // Collector open: Ibf − Ibr − Ibr/BR = 0 and I = Ibf/BF + Ibr/BR; emitter open: Ibf − Ibr + Ibf/BF = 0. V = Vt·ln(I/IS + 1).
    let (is, bf, br, amps) = (2e-12, 90.0, 5.0, 1e-3);
    for polarity in BOTH {
        let good = device(polarity, |m| (m.is, m.bf, m.br, m.tnom) = (is, bf, br, 25.0));
        let read = Tester::default().read(&good);
        let ibr = amps / ((1.0 + 1.0 / br) / bf + 1.0 / br);
        let emitter = VT_25 * ((1.0 + 1.0 / br) * ibr / is + 1.0).ln();
        close(read.emitter_drop_volts.unwrap(), emitter, 1e-8, "B-E drop");
        let ibf = amps / (1.0 / bf + (1.0 + 1.0 / bf) / br);
        let collector = VT_25 * ((1.0 + 1.0 / bf) * ibf / is + 1.0).ln();
        close(read.collector_drop_volts.unwrap(), collector, 1e-8, "B-C drop");
    }
}

#[test]
fn what_was_measured_gives_bf_and_icbo() {
    let measured = Measured { beta: Some(78.0), iceo: Some((120e-6, Some(6.0))), icbo_amps: None };
    for polarity in BOTH {
        let plain = device(polarity, |m| m.is = 1e-20);
        let fit = Tester::default().fit(&plain, &measured);
        assert_eq!(fit.beyond, []);
        close(fit.device.model.bf, 78.0, 1e-9, "BF");
        close(fit.device.model.icbo, 120e-6 / 79.0, 1e-9, "ICBO");
        // Ten degrees warmer it leaks twice as much: measured there, it has half the ICBO.
        let warm = Tester { celsius: 35.0, ..Tester::default() };
        close(warm.fit(&plain, &measured).device.model.icbo, 60e-6 / 79.0, 1e-9, "ICBO from a warm room");
        // Measured with the emitter open, ICBO is what is read.
        let open = Measured { iceo: None, icbo_amps: Some(2e-6), ..measured };
        close(Tester::default().fit(&plain, &open).device.model.icbo, 2e-6, 1e-9, "ICBO");
    }
}

#[test]
fn a_fitted_transistor_reads_what_was_measured() {
    // Every parameter that bends the gain or leaks by itself, measured at other volts than the tester's own.
    let real = device(Polarity::P, |m| {
        (m.is, m.vaf, m.ikf, m.br, m.ise, m.ne) = (1.5e-6, 40.0, 80e-3, 10.0, 0.1e-6, 2.0);
        (m.rb, m.re, m.rc, m.eg, m.xtb) = (120.0, 1.0, 8.0, 0.67, 0.8);
    });
    for (beta, iceo, volts) in [(35.0, 90e-6, 6.0), (78.0, 120e-6, 6.0), (160.0, 1.2e-3, 4.5)] {
        let tester = Tester::default();
        let measured = Measured { beta: Some(beta), iceo: Some((iceo, Some(volts))), icbo_amps: None };
        let fit = tester.fit(&real, &measured);
        assert_eq!(fit.beyond, [], "{beta}");
        close(tester.read(&fit.device).gain.unwrap(), beta, 1e-9, "gain");
        close(Tester { volts, ..tester }.read(&fit.device).iceo_amps.unwrap(), iceo, 1e-9, "ICEO");
    }
}

#[test]
fn a_model_that_leaks_more_by_itself_is_said_to() {
    // Its junction leaks IS/BR and more with the emitter open, times beta with the base open: far above 1 µA.
    let old = device(Polarity::P, |m| (m.is, m.br, m.bf, m.eg) = (2e-6, 1.0, 80.0, 0.67));
    let measured = Measured { iceo: Some((1e-6, None)), ..Measured::default() };
    let fit = Tester::default().fit(&old, &measured);
    assert_eq!(fit.device.model.icbo, 0.0);
    let [Beyond::Leakage(amps)] = fit.beyond[..] else { panic!("{:?}", fit.beyond) };
    assert!(amps > 2e-6, "{amps}");
    // A base leakage this large leaves no gain at 10 µA, whatever BF.
    let dead = device(Polarity::P, |m| (m.is, m.ise, m.ne) = (1e-14, 1e-6, 2.0));
    let measured = Measured { beta: Some(100.0), ..Measured::default() };
    assert_eq!(Tester::default().fit(&dead, &measured).beyond, [Beyond::Beta]);
}

// Spares, by the command

struct Ran {
    code: Option<i32>,
    out: String,
    err: String,
}

fn run_in(folder: &Path, arguments: &str) -> Ran {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    let output = command.args(arguments.split_whitespace()).current_dir(folder).output().expect("the command runs");
    let text = |bytes| String::from_utf8(bytes).expect("output is text");
    Ran { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
}

fn run(files: &[(&str, &str)], arguments: &str) -> Ran {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, text) in files {
        fs::write(folder.path().join(name), text).expect("a file");
    }
    run_in(folder.path(), arguments)
}

#[track_caller]
fn json(files: &[(&str, &str)], arguments: &str) -> Value {
    let ran = run(files, &format!("{arguments} --json"));
    assert_eq!(ran.code, Some(0), "{}", ran.err);
    serde_json::from_str(&ran.out).expect("the result is JSON")
}

#[track_caller]
fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

#[track_caller]
fn candidate<'a>(result: &'a Value, name: &str) -> &'a Value {
    let all = result["candidates"].as_array().expect("a list");
    all.iter().find(|candidate| candidate["spare"] == name).unwrap_or_else(|| panic!("{name} is not in {result}"))
}

fn findings(candidate: &Value) -> Vec<&str> {
    let all = candidate["findings"].as_array().expect("a list");
    all.iter().map(|finding| finding["finding"].as_str().expect("a name")).collect()
}

/// One germanium stage with its base divider; `c` is its output.
const STAGE: &str = "\
One germanium stage
VCC vcc 0 -24
VIN in 0 AC 1
CIN in b 10u
R1 vcc b 100k
R2 b 0 15k
Q1 c b e OLD
RC vcc c 6k8
RE e 0 1k5
CE e 0 470u
.noise v(c) VIN dec 10 20 20k
";
const OLD: &str = ".model OLD PNP(IS=1u BF=80 BR=10 VAF=50 RB=100 CJC=20p CJE=40p TF=80n EG=0.67 XTB=0.8 KF=1e-15 ICBO=2u \
                   PTOT=0.12 VCEO=32 ICM=50m)\n";

fn stage() -> String {
    format!("{STAGE}{OLD}")
}

#[test]
fn the_same_transistor_changes_nothing_to_the_last_bit() {
    let result = json(&[("amp.cir", &stage()), ("parts.inc", OLD)], "spares amp.cir Q1 --from parts.inc");
    let same = candidate(&result, "OLD");
    assert_eq!(same["verdict"], "fits");
    for key in ["ic_a", "vce_v", "power_w", "cut_off_v", "rms_v", "gain", "half_power_hz", "dc_v", "hot"] {
        assert_eq!(same["figures"][key], result["original"][key], "{key}");
        assert!(!same["figures"][key].is_null(), "{key}");
    }
    assert!(same["figures"]["shift_v"].as_array().expect("a list").iter().all(|shift| number(shift) == 0.0));
    assert_eq!((number(&same["figures"]["hiss_db"]), number(&same["figures"]["gain_db"])), (0.0, 0.0));
}

#[test]
fn the_wrong_polarity_is_called_out_first() {
    let npn = OLD.replace("OLD PNP", "UPSIDE NPN");
    let result = json(&[("amp.cir", &stage()), ("parts.inc", &npn)], "spares amp.cir Q1 --from parts.inc");
    let wrong = candidate(&result, "UPSIDE");
    assert_eq!(wrong["verdict"], "does_not_fit");
    assert_eq!(findings(wrong)[0], "wrong_polarity");
    // No figure of it would mean anything.
    assert!(wrong["figures"].is_null() && findings(wrong).len() == 1, "{wrong}");
}

#[test]
fn silicon_and_another_pinout_and_case_are_called_out_before_what_follows() {
    let sheet = "circuit = \"amp.cir\"\n[[spare]]\nname = \"new\"\nmodel = \"NEW\"\nbeta = 200\niceo = \"1 uA at 6 V\"\n\
                 pinout = \"E-B-C\"\ncase = \"plastic\"\n";
    let circuit = stage() + ".model NEW PNP(IS=1e-14 BF=200 EG=1.11 CJC=4p TF=1n)\n";
    let files = [("amp.cir", circuit.as_str()), ("job.toml", sheet)];
    let result = json(&files, "spares job.toml Q1 --pinout BEC --case can");
    let new = candidate(&result, "new");
    assert_eq!(findings(new)[..3], ["other_material", "other_pinout", "other_case"], "{new}");
    // The same order written another way is the same order.
    let result = json(&files, "spares job.toml Q1 --pinout ebc --case PLASTIC");
    assert_eq!(findings(candidate(&result, "new"))[..1], ["other_material"]);
    assert!(!findings(candidate(&result, "new")).contains(&"other_pinout"));
    assert!(findings(candidate(&result, "new")).contains(&"ratings_unknown"));
}

#[test]
fn leakage_adds_its_shot_noise_and_never_lowers_the_hiss() {
    // Base and emitter held by sources, RC and RB out of play: the collector's hiss over 20 Hz to 20 kHz grows by
    // 2q·ICBO(T)·RC²·B, ICBO = ICEO/(BF + 1) doubling every 10 °C from 25 °C to the ambient of 27 °C.
    let circuit = "Held\nVCC vcc 0 12\nVB b 0 0.55 AC 1\nRC vcc c 1k\nQ1 c b 0 M\n.model M NPN(IS=1e-14 BF=99 TNOM=25)\n\
                   .noise v(c) VB dec 10 20 20k\n";
    let leaks = [1e-9, 1e-6, 30e-6, 400e-6];
    let spares = leaks.iter().map(|iceo| {
        format!("[[spare]]\nname = \"{iceo:e}\"\nmodel = \"M\"\nbeta = 99\niceo = \"{} uA at 6 V\"\n", iceo * 1e6)
    });
    let sheet = format!("circuit = \"amp.cir\"\n{}", spares.collect::<String>());
    let result = json(&[("amp.cir", circuit), ("job.toml", &sheet)], "spares job.toml Q1");
    let quiet = number(&result["original"]["rms_v"]).powi(2);
    let mut before = quiet;
    for iceo in leaks {
        let now = number(&candidate(&result, &format!("{iceo:e}"))["figures"]["rms_v"]).powi(2);
        assert!(now >= before, "{iceo:e} A: {now:e} after {before:e}");
        let shot = 2.0 * Q * (iceo / 100.0) * f64::exp2(0.2) * 1e6 * (20e3 - 20.0);
        // IS leaks 2e-14 A by itself, and the difference of two squares loses digits where the shot noise is small.
        let lost = 3e-6 * quiet / shot;
        close(now - quiet, shot, 1e-5 + lost, &format!("shot noise of {iceo:e} A"));
        before = now;
    }
}

/// A transistor with open base: the collector carries (BF + 1)·ICBO(T), and nothing else depends on temperature.
fn open_base(rth: f64, ohms: f64) -> String {
    format!(
        "Open base\nVCC vcc 0 20 AC 1\nRC vcc c {ohms}\nQ1 c b 0 M\nCB b 0 1n\n\
         .model M NPN(IS=1e-20 BF=49 EG=0.67 ICBO=2u RTH={rth})\n.noise v(c) VCC dec 10 20 20k\n"
    )
}

/// Its collector current at a temperature, A.
fn open_base_amps(celsius: f64) -> f64 {
    50.0 * 2e-6 * f64::exp2((celsius - 25.0) / 10.0)
}

#[test]
fn the_thermal_loop_is_power_times_resistance_times_growth() {
    // P = (V − R·I)·I, so RTH·dP/dT = RTH·(V − 2R·I)·I·ln 2/TDBL at the T where T = Ta + RTH·P(T). Above half the supply
    // across the transistor it is positive, below it negative: no runaway there (the half-supply rule).
    let (volts, ambient) = (20.0, 45.0);
    for (rth, ohms) in [(400.0, 1.0), (1000.0, 2e3), (1000.0, 15e3), (1000.0, 30e3)] {
        let circuit = open_base(rth, ohms);
        let parts = circuit.lines().find(|line| line.starts_with(".model")).expect("a model").to_owned();
        let result = json(&[("amp.cir", &circuit), ("parts.inc", &parts)], "spares amp.cir Q1 --from parts.inc");
        let watts = |celsius: f64| {
            let amps = open_base_amps(celsius);
            (volts - ohms * amps) * amps
        };
        // No more than V²/4R goes into it. With 1 Ω there is a second solution far beyond the first, where it has run away.
        let hottest = f64::min(rth * volts * volts / (4.0 * ohms), if ohms < 1e3 { 10.0 } else { f64::MAX });
        let (mut below, mut above) = (ambient, ambient + hottest);
        for _ in 0..200 {
            let middle = 0.5 * (below + above);
            if ambient + rth * watts(middle) > middle { below = middle } else { above = middle }
        }
        let junction = below;
        let amps = open_base_amps(junction);
        let growth = rth * amps * std::f64::consts::LN_2 / 10.0;
        let expected = (volts - 2.0 * ohms * amps) * growth;
        let hot = &candidate(&result, "M")["figures"]["hot"];
        close(number(&hot["junction_c"]), junction, 1e-8, "junction");
        close(number(&hot["power_w"]), watts(junction), 1e-7, "power");
        // The difference quotient over ±0.02 °C errs by (0.02·ln 2/10)²/6 of V − 8R·I, which is up to seven times V here.
        let found = number(&hot["thermal_loop"]);
        assert!(
            (found - expected).abs() < 3e-6 * volts * growth,
            "loop with {ohms} Ω: {found:e}, expected {expected:e}"
        );
    }
}

#[test]
fn thermal_runaway_begins_where_the_tangent_does() {
    // T − Ta = RTH·P(T) with P doubling every 10 °C has a solution up to the RTH at which the line is tangent to the curve:
    // there T − Ta = TDBL/ln 2, and RTH = (TDBL/ln 2)/P(Ta + TDBL/ln 2). 1 Ω takes 1e-4 of that away.
    let rise = 10.0 / std::f64::consts::LN_2;
    let critical = rise / (20.0 * open_base_amps(45.0 + rise));
    for (factor, expected) in [(0.97, "runaway"), (1.03, "no_bias_hot")] {
        let circuit = open_base(critical * factor, 1.0);
        let parts = circuit.lines().find(|line| line.starts_with(".model")).expect("a model").to_owned();
        let result = json(&[("amp.cir", &circuit), ("parts.inc", &parts)], "spares amp.cir Q1 --from parts.inc");
        let found = candidate(&result, "M");
        assert!(findings(found).contains(&expected), "{factor}: {found}");
        assert_eq!(found["verdict"] == "does_not_fit", factor > 1.0);
    }
    // A cooler cabinet holds it: the critical resistance doubles with every 10 °C less.
    let circuit = open_base(critical * 1.03, 1.0);
    let parts = circuit.lines().find(|line| line.starts_with(".model")).expect("a model").to_owned();
    let result =
        json(&[("amp.cir", &circuit), ("parts.inc", &parts)], "spares amp.cir Q1 --from parts.inc --hottest 30");
    assert!(!findings(candidate(&result, "M")).contains(&"no_bias_hot"));
}

#[test]
fn ratings_are_held_against_rest_and_against_the_supply_when_it_is_cut_off() {
    // Cut off, no current flows in RC, and the emitter is at what R1, R2 and RE leave it: the whole 24 V but for that.
    let weak = |name: &str, ratings: &str| OLD.replace("OLD", name).replace("PTOT=0.12 VCEO=32 ICM=50m", ratings);
    let parts = [
        weak("GOOD", "PTOT=0.12 VCEO=32 ICM=50m"),
        weak("LOW", "PTOT=0.12 VCEO=18 ICM=50m"),
        weak("EDGE", "PTOT=0.12 VCEO=12 ICM=50m"),
        weak("TINY", "PTOT=0.12 VCEO=5 ICM=50m"),
        weak("WARM", "PTOT=25m VCEO=32 ICM=50m"),
        weak("BURNT", "PTOT=2m VCEO=32 ICM=50m"),
        weak("FINE", "PTOT=0.12 VCEO=32 ICM=1m"),
    ];
    let result = json(&[("amp.cir", &stage()), ("parts.inc", &parts.concat())], "spares amp.cir Q1 --from parts.inc");
    let original = &result["original"];
    let (amps, volts) = (number(&original["ic_a"]).abs(), number(&original["vce_v"]).abs());
    let (watts, off) = (number(&original["power_w"]), number(&original["cut_off_v"]));
    assert!((5.0..18.0).contains(&volts) && (22.0..24.0).contains(&off), "{original}");
    assert!(watts > 12.5e-3 && watts < 25e-3 && amps > 1e-3, "{original}");
    let verdict = |name: &str| candidate(&result, name)["verdict"].as_str().expect("a verdict").to_owned();
    assert_eq!(verdict("GOOD"), "fits");
    // Between rest and the peak of a driven sine it would break down in use; above that only when it is cut off.
    let peak = number(&original["driven"]["peak_v"]);
    assert!(peak > 12.0 && peak < 18.0 && volts < 12.0, "{original}");
    assert_eq!((verdict("LOW").as_str(), findings(candidate(&result, "LOW"))), ("fits_with_remark", vec!["volts"]));
    assert_eq!((verdict("EDGE").as_str(), findings(candidate(&result, "EDGE"))), ("does_not_fit", vec!["volts"]));
    assert_eq!(verdict("TINY"), "does_not_fit");
    assert!(findings(candidate(&result, "WARM")).contains(&"dissipation"));
    assert_eq!(verdict("BURNT"), "does_not_fit");
    assert_eq!((verdict("FINE").as_str(), findings(candidate(&result, "FINE"))), ("does_not_fit", vec!["current"]));
    // Those that fit come first, those with a remark next.
    let order: Vec<String> = result["candidates"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|candidate| candidate["verdict"].as_str().expect("a verdict").to_owned())
        .collect();
    let rank =
        |verdict: &String| ["fits", "fits_with_remark", "does_not_fit"].iter().position(|known| known == verdict);
    assert!(order.is_sorted_by_key(rank), "{order:?}");
}

#[test]
fn a_class_b_stage_asks_for_more_when_it_is_driven() {
    // Two ideal followers on ±12 V and 10 Ω: peak current V/R; each heats most, V²/(π²·R), at 2/π of the full amplitude
    // (Millman and Halkias 1967). Saturation, base-emitter volts and idling current take a few percent of V.
    let circuit = "Push-pull\nVCC vcc 0 12\nVEE vee 0 -12\nVIN in 0 AC 1\nVN bn in 0.55\nVP in bp 0.55\n\
                   QN vcc bn out N\nQP vee bp out P\nRL out 0 10\n.model N NPN(IS=1e-12 BF=1000 PTOT=20 VCEO=40 ICM=3)\n\
                   .model P PNP(IS=1e-12 BF=1000)\n.noise v(out) VIN dec 5 20 20k\n";
    let parts = ".model SAME NPN(IS=1e-12 BF=1000 PTOT=20 VCEO=40 ICM=3)\n.model SMALL NPN(IS=1e-12 BF=1000 PTOT=0.12 \
                 VCEO=40 ICM=50m)\n";
    let result = json(&[("amp.cir", circuit), ("parts.inc", parts)], "spares amp.cir QN --from parts.inc");
    let driven = &result["original"]["driven"];
    close(number(&driven["peak_a"]), 12.0 / 10.0, 0.05, "peak current");
    close(number(&driven["power_w"]), 144.0 / (std::f64::consts::PI.powi(2) * 10.0), 0.06, "heat");
    assert!(number(&result["original"]["power_w"]) < 0.1, "{}", result["original"]);
    assert_eq!(candidate(&result, "SAME")["verdict"], "fits");
    // At rest the small one would do; driven it would not last a note.
    let small = candidate(&result, "SMALL");
    assert_eq!(small["verdict"], "does_not_fit");
    assert!(findings(small).contains(&"current") && findings(small).contains(&"dissipation"), "{small}");
}

#[test]
fn a_winding_swings_to_twice_the_supply() {
    // Transformer-coupled class A: cut off, the winding adds what the transistor had at rest (Millman and Halkias 1967). The
    // stage draws next to nothing through 1 Ω, so rest and cut off are the supply less the emitter's volts.
    let stage = |load: &str| {
        format!(
            "Stage\nVCC vcc 0 12\nVB b 0 0.6 AC 1\n{load}\nQ1 c b e M\nRE e 0 100\n.model M NPN(IS=1e-13 VCEO=15)\n\
             .noise v(c) VB dec 5 20 20k\n"
        )
    };
    let parts = ".model M NPN(IS=1e-13 VCEO=15)\n";
    let wound = [("amp.cir", stage("RW c w 1\nL1 w vcc 100m")), ("parts.inc", parts.to_owned())];
    let result =
        json(&wound.each_ref().map(|(name, text)| (*name, text.as_str())), "spares amp.cir Q1 --from parts.inc");
    let (rest, cut) = (number(&result["original"]["vce_v"]), number(&result["original"]["cut_off_v"]));
    assert!(cut > 23.0 && cut < 24.0 && cut - rest > 11.5 && cut - rest <= 12.0, "{rest} {cut}");
    assert!(findings(candidate(&result, "M")).contains(&"volts"));
    let plain = [("amp.cir", stage("RC c vcc 2k2")), ("parts.inc", parts.to_owned())];
    let result =
        json(&plain.each_ref().map(|(name, text)| (*name, text.as_str())), "spares amp.cir Q1 --from parts.inc");
    assert!(number(&result["original"]["cut_off_v"]) <= 12.0, "{}", result["original"]);
    assert!(!findings(candidate(&result, "M")).contains(&"volts"));
}

#[test]
fn a_spare_that_hisses_is_a_complaint_again() {
    // 1000 times the flicker of the original, everything else as it was: the DC stands.
    let noisy = OLD.replace("OLD", "NOISY").replace("KF=1e-15", "KF=1e-12");
    let result = json(&[("amp.cir", &stage()), ("parts.inc", &noisy)], "spares amp.cir Q1 --from parts.inc");
    let noisy = candidate(&result, "NOISY");
    assert_eq!((noisy["verdict"].as_str(), findings(noisy)), (Some("does_not_fit"), vec!["hiss"]));
    assert_eq!(noisy["figures"]["dc_v"], result["original"]["dc_v"]);
}

#[test]
fn a_leak_that_would_be_a_fault_is_remarked_upon() {
    // By default a germanium junction is at fault from three times its card's ICBO on (common practice, no source).
    let plain = ".model M PNP(IS=1e-20 BF=99 EG=0.67 ICBO=2u PTOT=0.2 VCEO=40 ICM=0.1)\n";
    let spare = |name: &str, icbo: f64| {
        let iceo = 100.0 * icbo * 1e6;
        format!("[[spare]]\nname = \"{name}\"\nmodel = \"M\"\nbeta = 99\niceo = \"{iceo} uA at 6 V\"\n")
    };
    let sheet = format!("circuit = \"amp.cir\"\n{}{}", spare("good", 5.9e-6), spare("bad", 6.1e-6));
    let circuit = STAGE.replace("OLD", "M") + plain;
    let result = json(&[("amp.cir", &circuit), ("job.toml", &sheet)], "spares job.toml Q1");
    assert!(!findings(candidate(&result, "good")).contains(&"leaky"));
    assert!(findings(candidate(&result, "bad")).contains(&"leaky"));
    close(number(&candidate(&result, "bad")["icbo_a"]), 6.1e-6, 1e-9, "ICBO");
}

#[test]
fn a_spare_that_works_in_some_sets_only_is_remarked_upon() {
    // One part varies: the supply, evenly by ±20 % about 10 V. Ib is fixed by a source, so Ic = BF·Ib, and the transistor
    // saturates where the supply is below Ic·RC and a little. With BF·Ib·RC = 9 V that is below 9.05 to 9.2 V: the lower
    // quarter to third of the sets, (9.0 − 8)/4 to (9.3 − 8)/4 of them. With 6 V it is none.
    let circuit = "Some\nVCC vcc 0 10\nVIN in 0 AC 1\nCIN in b 1u\nIB 0 b 10u\nRC vcc c 10k TOL=0\nQ1 c b 0 M\n\
                   .model M NPN(IS=1e-15 BF=60 PTOT=1 VCEO=50 ICM=0.1)\n.noise v(c) VIN dec 5 20 20k\n";
    let sheet = "circuit = \"amp.cir\"\n[tolerance]\nbeta = 1\nis = 0\nsupply = \"20 %\"\nambient_c = [27, 27]\n\
                 resistor_noise = [0.1, 0.1]\n[[spare]]\nname = \"strong\"\nmodel = \"M\"\nbeta = 90\n";
    let result = json(&[("amp.cir", circuit), ("job.toml", sheet)], "spares job.toml Q1");
    assert_eq!(result["original"]["lost_units"], serde_json::json!([0, 100]));
    let strong = candidate(&result, "strong");
    let lost = number(&strong["figures"]["lost_units"][0]);
    assert!((25.0..=33.0).contains(&lost), "{lost}");
    assert!(findings(strong).contains(&"lost_in_units"), "{strong}");
}

#[test]
fn threads_change_no_byte_and_the_cabinet_is_the_sheet_s() {
    let folder = tempfile::tempdir().expect("a folder");
    let sheet = "circuit = \"amp.cir\"\n[bench]\nhottest_c = 52\n[[spare]]\nname = \"x\"\nbeta = 60\n";
    fs::write(folder.path().join("amp.cir"), stage()).expect("a file");
    fs::write(folder.path().join("parts.inc"), OLD).expect("a file");
    fs::write(folder.path().join("job.toml"), sheet).expect("a file");
    let on = |threads: &str| {
        let arguments = ["spares", "job.toml", "Q1", "--from", "parts.inc", "--json"];
        let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
        command.args(arguments).env("RAYON_NUM_THREADS", threads).current_dir(folder.path());
        String::from_utf8(command.output().expect("the command runs").stdout).expect("output is text")
    };
    let one = on("1");
    assert_eq!(one, on("3"));
    let result: Value = serde_json::from_str(&one).expect("the result is JSON");
    assert_eq!(number(&result["hottest_c"]), 52.0);
    assert_eq!(number(&result["original"]["hot"]["ambient_c"]), 52.0);
    // A spare without a model is taken for one like the original, and that is said; so is what was not measured.
    assert_eq!(findings(candidate(&result, "x"))[..2], ["model_assumed", "not_measured"]);
}

#[test]
fn what_is_wrong_with_the_part_that_comes_out_does_not_stay_behind() {
    let files = [("amp.cir", stage()), ("parts.inc", OLD.to_owned())];
    let files = files.each_ref().map(|(name, text)| (*name, text.as_str()));
    let plain = json(&files, "spares amp.cir Q1 --from parts.inc");
    let leaking = json(&files, "spares amp.cir Q1 --from parts.inc --leak Q1=60uA,x=100");
    assert_eq!(plain["candidates"], leaking["candidates"]);
    // What is wrong with the set does stay.
    let warm = json(&files, "spares amp.cir Q1 --from parts.inc --ambient 40");
    assert_ne!(plain["candidates"][0]["figures"]["dc_v"], warm["candidates"][0]["figures"]["dc_v"]);
}

/// Two channels of one stage on a common supply.
const CHANNELS: &str = "\
Two channels
VCC vcc 0 -24
VL inl 0 AC 1
VR inr 0 AC 1
XL inl outl vcc CH
XR inr outr vcc CH
.subckt CH in c vcc
CIN in b 10u
R1 vcc b 100k
R2 b 0 15k
Q1 c b e OLD
RC vcc c 6k8
RE e 0 1k5
CE e 0 470u
.ends
.noise v(outl) VL dec 10 20 20k
";

#[test]
fn the_other_channel_is_found_and_matched() {
    let circuit = format!("{CHANNELS}{OLD}");
    let weak = OLD.replace("OLD", "WEAK").replace("BF=80", "BF=30");
    let parts = format!("{OLD}{weak}");
    let result = json(&[("amp.cir", &circuit), ("parts.inc", &parts)], "spares amp.cir XL.Q1 --from parts.inc");
    assert_eq!(result["twin"]["part"], "XR.Q1");
    assert_eq!(findings(candidate(&result, "OLD")), Vec::<&str>::new());
    // 30 against 80 is more than the 2:1 by which healthy ones differ.
    assert!(findings(candidate(&result, "WEAK")).contains(&"mismatch"));
    // In a set of one channel there is nothing to match.
    let alone = json(&[("amp.cir", &stage()), ("parts.inc", OLD)], "spares amp.cir Q1 --from parts.inc");
    assert!(alone["twin"].is_null());
}

// The pulled part

/// A transistor of closed forms.
const PLAIN: &str = "\
Plain
VCC vcc 0 -9
VIN in 0 AC 1
CIN in b 10u
RB vcc b 470k
Q1 c b 0 M
RC vcc c 4k7
.noise v(c) VIN dec 10 20 20k
.model M PNP(IS=1e-20 BF=60 EG=0.67 ICBO=1u TNOM=25)
";

#[test]
fn the_pulled_part_reads_what_its_fault_makes_of_it() {
    let result = json(&[("amp.cir", PLAIN)], "spares amp.cir Q1 --pulled --leak Q1=50uA --fault Q1=open,pin=base");
    close(number(&result["nominal"]["iceo_a"]), 61.0 * 1e-6, 1e-9, "ICEO");
    let mut seen = 0;
    for guilty in result["guilty"].as_array().expect("a list") {
        let (fault, read) = (guilty["fault"].as_str().expect("a text"), &guilty["readings"]);
        // Tenth of the range from its ends, and its middle, even in the logarithm: ×3 to ×300 of ICBO, ×0.4 to ×0.08 of BF.
        let at = match guilty["case"].as_str() {
            Some("mild") => 0.1,
            Some("typical") => 0.5,
            _ => 0.9,
        };
        if fault.starts_with("Q1 junction_leak") {
            let icbo = 1e-6 * 3.0 * 100f64.powf(at);
            close(number(&read["iceo_a"]), 61.0 * icbo, 1e-9, fault);
            assert!(guilty["told_by"].as_array().expect("a list").contains(&"iceo_a".into()), "{guilty}");
        } else if fault.starts_with("Q1 low_beta") {
            let bf = 60.0 * 0.4 * 0.2f64.powf(at);
            close(number(&read["gain"]), bf, 1e-9, fault);
            close(number(&read["iceo_a"]), (bf + 1.0) * 1e-6, 1e-9, fault);
        } else if fault.starts_with("Q1 ohmic_leak") {
            // From collector to base: (V − Vbe)/R on top of ICBO into the base, Vbe = Vt·ln((BF·(ICBO + I))/IS).
            let ohms = 3e6 * (20e3f64 / 3e6).powf(at);
            let (mut leak, mut vbe) = (6.0 / ohms, 0.0);
            for _ in 0..50 {
                vbe = VT_25 * (60.0 * (1e-6 + leak) / 1e-20).ln();
                leak = (6.0 - vbe) / ohms;
            }
            close(number(&read["iceo_a"]), 61.0 * (1e-6 + leak), 1e-8, &format!("{fault}, {vbe} V"));
        } else if fault.starts_with("Q1 flicker") {
            assert_eq!((read, guilty["told_by"].as_array().map(Vec::len)), (&result["nominal"], Some(0)));
        } else if fault == "leak Q1 50 µA" {
            close(number(&read["iceo_a"]), 61.0 * 50e-6, 1e-9, fault);
        } else {
            assert_eq!(fault, "fault Q1 open: base");
            assert!(read["emitter_drop_v"].is_null() && read["collector_drop_v"].is_null(), "{read}");
            // No base current gets in: the tester shows the leakage over what it thinks it feeds.
            close(number(&read["hfe"]), 61.0 * 1e-6 / 10e-6, 1e-6, fault);
        }
        seen += 1;
    }
    assert_eq!(seen, 4 * 3 + 2);
}

#[test]
fn good_ones_read_within_their_tolerances() {
    // Only beta varies, evenly in its logarithm over 2:1: its middle nine tenths run from 2^-0.45 to 2^0.45 of BF. 200 units
    // that fill 200 equal slices place the ends within 1/200 of ln 2.
    let sheet =
        "circuit = \"amp.cir\"\n[tolerance]\nbeta = 2\nicbo = 1\nis = 0\nrb = 0\nrb_batch = 0\nkf = 0\nkf_batch = 0\n";
    let result = json(&[("amp.cir", PLAIN), ("job.toml", sheet)], "spares job.toml Q1 --pulled");
    for (key, of_beta) in [("gain", (|beta| beta) as fn(f64) -> f64), ("iceo_a", |beta| (beta + 1.0) * 1e-6)] {
        for (end, power) in [(0, -0.45), (1, 0.45)] {
            let expected = of_beta(60.0 * f64::exp2(power));
            close(number(&result["good"][key][end]), expected, 0.005, &format!("{key} {end}"));
        }
    }
    // What does not depend on beta does not vary, but for the junction's own current in its share of beta.
    let drop = result["good"]["emitter_drop_v"].as_array().expect("two ends");
    assert!((number(&drop[0]) - number(&drop[1])).abs() < 2e-3, "{drop:?}");
}

// What is said about wrong input

#[track_caller]
fn refused(files: &[(&str, &str)], arguments: &str, code: &str, said: &[&str]) {
    let ran = run(files, arguments);
    assert_eq!(ran.code, Some(2), "{arguments}: {}{}", ran.out, ran.err);
    for text in [code].iter().chain(said) {
        assert!(ran.err.contains(text), "{arguments}: no {text} in {}", ran.err);
    }
    assert_eq!(ran.out, "");
}

#[test]
fn wrong_places_and_files_are_named_with_what_would_do() {
    let stage = stage();
    let jfet = "Follower\nV1 d 0 9\nVG g 0 AC 1\nRG g g1 1k\nJ1 d g1 s F\nRS s 0 1k\n.model F NJF\n.noise v(s) VG dec 5 20 20k\n";
    let files = [
        ("amp.cir", stage.as_str()),
        ("parts.inc", OLD),
        ("diodes.inc", ".model D1 D(IS=1n)\n"),
        ("empty.inc", ""),
        ("slip.inc", "* parts\n.model OLD2 PNP(IS=1u BFF=80)\n"),
        ("jfet.cir", jfet),
        ("quiet.cir", "Quiet\nV1 c 0 9\nQ1 c b 0 M\nRB c b 1meg\n.model M NPN\n"),
    ];
    refused(&files, "spares amp.cir Q2 --from parts.inc", "F02", &["no part is called Q2", "Q1"]);
    refused(&files, "spares amp.cir RC --from parts.inc", "F03", &["RC is a resistor", "name one: Q1"]);
    refused(&files, "spares jfet.cir J1 --from parts.inc", "F03", &["field-effect", "--swap J1=MODEL"]);
    refused(&files, "spares amp.cir Q1", "F05", &["which spares?", "--from", "[[spare]]"]);
    refused(&files, "spares amp.cir Q1 --from diodes.inc", "F05", &["diodes.inc has no model of a bipolar transistor"]);
    refused(&files, "spares amp.cir Q1 --from empty.inc", "F05", &["empty.inc has no model of a bipolar transistor"]);
    refused(&files, "spares amp.cir Q1 --from slip.inc", "N08", &["slip.inc, line 2", "BFF", "try BF"]);
    refused(&files, "spares amp.cir Q1 --from none.inc", "N11", &["none.inc"]);
    refused(&files, "spares quiet.cir Q1 --from parts.inc", "F05", &["at which output", "--heard"]);
    refused(&files, "spares amp.cir Q1 --from parts.inc --twin Q9", "F02", &["--twin Q9"]);
    refused(&files, "spares amp.cir Q1 --from parts.inc --hottest warm", "F04", &["--hottest warm"]);
    refused(&files, "spares amp.cir Q1 --from parts.inc --hottest=-300", "F04", &["absolute zero"]);
    refused(&files, "spares amp.cir Q1 --pulled --tester-base 0", "F04", &["--tester-base 0", "above zero"]);
    refused(&files, "spares amp.cir Q1 --pulled --from parts.inc", "", &["--from", "--pulled"]);
    let sheet = "circuit = \"amp.cir\"\n[[spare]]\nname = \"x\"\nmodel = \"OLP\"\n";
    let files = [("amp.cir", stage.as_str()), ("job.toml", sheet)];
    refused(&files, "spares job.toml Q1", "N03", &["no model is called OLP", "try OLD"]);
}

#[test]
fn the_text_fits_the_page_and_carries_its_cautions() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for arguments in [
        "spares circuits/two-stage-germanium.toml Q2 --from circuits/parts.inc --pinout BCE",
        "spares circuits/two-stage-germanium.toml Q2 --pulled --fault Q2=open,pin=base",
    ] {
        let ran = run_in(root, arguments);
        assert_eq!((ran.code, ran.err.as_str()), (Some(0), ""), "{arguments}");
        let wide: Vec<&str> = ran.out.lines().filter(|line| line.chars().count() > 100).collect();
        assert_eq!(wide, Vec::<&str>::new(), "{arguments}");
        assert_eq!(ran.out.matches("Before your hands go in").count(), 1, "{arguments}");
        let csv = run_in(root, &format!("{arguments} --csv")).out;
        let mut table = csv::Reader::from_reader(csv.as_bytes());
        assert!(table.records().all(|row| row.is_ok()) && csv.lines().count() > 2, "{csv}");
    }
}
