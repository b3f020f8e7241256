//! What `check` advises about sound netlists.

use std::sync::Arc;

use hissmap::circuit::Circuit;
use hissmap::netlist;
use hissmap::report;

/// Advice about the netlist, each as `line code message`.
#[track_caller]
fn advice(text: &str) -> Vec<String> {
    let (netlist, problems) = netlist::read("test", text, &mut |request| {
        Ok(netlist::Fetched { name: request.path.to_owned(), text: ".model STOCK NPN\n".to_owned() })
    });
    assert!(problems.is_empty(), "{problems:?}");
    let sources = netlist.sources.clone();
    let (circuit, warnings) = Circuit::build(Arc::new(netlist)).unwrap_or_else(|errors| panic!("{errors:?}"));
    assert!(warnings.is_empty(), "{warnings:?}");
    let cautions = report::check(&circuit).cautions;
    assert!(cautions.iter().all(|caution| !caution.is_error() && caution.help.is_some()), "{cautions:?}");
    let shown = cautions.iter().map(|caution| {
        let line = caution.location(&sources).map_or(0, |place| place.line);
        format!("{line} {} {}", caution.code.as_str(), caution.message)
    });
    shown.collect()
}

#[track_caller]
fn check(text: &str, expected: &[&str]) {
    assert_eq!(advice(text), expected, "{text}");
}

/// A stage whose emitter sees `source` ohms behind the base; extra cards below.
fn stage(emitter: &str) -> String {
    format!(
        "Stage\nVCC vcc 0 12\nVIN in 0 AC 1\nRS in s 1k\nCI s b 1000u\nR1 vcc b 100k\nR2 b 0 22k\nRC vcc c 4k7\n\
         Q1 c b e N\n{emitter}.model N NPN (BF=100)\n.noise v(c) VIN dec 10 20 20k\n"
    )
}

#[test]
fn a_bypass_that_cuts_the_bass_is_named_with_its_frequency() {
    let advice = advice(&stage("RE e 0 1k\nCE e 0 10u\n"));
    assert_eq!(advice.len(), 1, "{advice:?}");
    assert!(advice[0].starts_with("11 A09 CE puts the -3 dB point of Q1 at "), "{advice:?}");
    // By hand. VB = 12·22/122 = 2.164 V behind RB = 18.03 kΩ. VBE = Vt·ln(1.16 mA/1e-16 A) = 0.778 V at Vt = 25.86 mV,
    // so IB = (2.164 − 0.778)/(18.03k + 101·1k) = 11.6 µA, IE = 1.176 mA, re = 22.0 Ω. Behind the base RS ∥ RB = 947 Ω,
    // over 101: 9.4 Ω. R = 31.4 Ω ∥ 1 kΩ = 30.4 Ω; fp = 1/(2π·30.4·10u) = 523 Hz, fz = 15.9 Hz: f3 = 523 Hz.
    // Two digits are shown.
    let hertz: f64 = advice[0].split(" at ").nth(1).and_then(|rest| rest.split(' ').next()).unwrap().parse().unwrap();
    assert!((hertz - 523.0).abs() < 0.01 * 523.0, "{advice:?}");
}

#[test]
fn a_bypass_that_is_large_enough_or_none_is_left_alone() {
    // 523 Hz·10 µF is 262 µF at 20 Hz.
    check(&stage("RE e 0 1k\nCE e 0 330u\n"), &[]);
    check(&stage("RE e 0 1k\n"), &[]);
    // With 470 Ω left without bypass the whole step of gain is less than 3 dB.
    check(&stage("RU e k 470\nRE k 0 150\nCE k 0 10u\n"), &[]);
    // What lies across the emitter of a follower is its load.
    check(&stage("RE e 0 1k\nCE e 0 10u\n").replace("RC vcc c 4k7\nQ1 c b", "Q1 vcc b").replace("v(c)", "v(e)"), &[]);
}

#[test]
fn a_bypass_behind_a_part_of_the_emitter_resistor_is_found() {
    let advice = advice(&stage("RU e k 10\nRE k 0 1k\nCE k 0 10u\n"));
    assert!(advice.len() == 1 && advice[0].contains("CE puts the -3 dB point of Q1"), "{advice:?}");
}

#[test]
fn a_source_resistor_is_bypassed_too() {
    // gs + 1/RS = 1.5 mS + 1 mS at the bias; 1 µF gives hundreds of hertz.
    let text = "FET\nVDD d 0 12\nVIN g 0 AC 1\nRD d dd 2k2\nJ1 dd g s N\nRS s 0 1k\nCS s 0 1u\n\
                .model N NJF (BETA=2m VTO=-1.5)\n.noise v(dd) VIN dec 10 20 20k\n";
    let advice = advice(text);
    assert!(advice.len() == 1 && advice[0].contains("CS puts the -3 dB point of J1"), "{advice:?}");
}

#[test]
fn reversed_electrolytics_are_named_in_both_polarities() {
    let net = |supply: &str, ends: &str| format!("Cap\nV1 in 0 {supply}\nR1 in a 1k\nR2 a 0 1k\nC1 {ends} 10u POL=1\n");
    check(&net("9", "a 0"), &[]);
    check(&net("-9", "0 a"), &[]);
    let message = "5 A06 C1 is the wrong way round: its positive end a is 4.50 V below 0";
    check(&net("-9", "a 0"), &[message]);
    check(&net("9", "0 a"), &["5 A06 C1 is the wrong way round: its positive end 0 is 4.50 V below a"]);
    // A coupling capacitor between two points near 0 V.
    check("Cap\nV1 in 0 -10m\nR1 in a 1k\nR2 a 0 1k\nC1 a 0 10u POL=1\n", &[]);
    // Without POL the polarity is not known.
    check(&net("-9", "a 0").replace(" POL=1", ""), &[]);
}

#[test]
fn devices_that_do_not_work_are_named() {
    let net = |rb: &str, from: &str| {
        format!("Stage\nVCC vcc 0 9\nRB {from} b {rb}\nRC vcc c 2k2\nQ1 c b 0 N\n.model N NPN (BF=100)\n")
    };
    check(&net("430k", "vcc"), &[]);
    check(&net("430k", "0"), &["5 A07 Q1 conducts no current"]);
    check(&net("43k", "vcc"), &["5 A08 Q1 is saturated"]);
    let fet = "FET\nVDD d 0 12\nVG g 0 -3\nRD d dd 2k2\nJ1 dd g 0 N\n.model N NJF (BETA=2m VTO=-1.5)\n";
    check(fet, &["5 A07 J1 conducts no current"]);
    let backwards = net("430k", "vcc").replace("Q1 c b 0", "Q1 0 b c");
    assert!(advice(&backwards)[0].starts_with("5 A08 Q1 works backwards"), "{:?}", advice(&backwards));
}

#[test]
fn an_output_without_path_is_named() {
    let net =
        |link: &str| format!("Link\nV1 in 0 AC 1\nR1 in a 1k\n{link}\nR3 out 0 1k\n.noise v(out) V1 dec 10 20 20k\n");
    check(&net("C1 a out 1u"), &[]);
    check(&net("C1 a 0 1u"), &["6 A04 no path leads from the input V1 to the output out"]);
}

#[test]
fn definitions_that_nothing_uses_are_named_but_not_those_of_included_files() {
    let net = "Unused\n.include stock.inc\nV1 a 0 1\nR1 a 0 1k\n.model N NPN\n.subckt pad p\nRP p 0 1k\n.model P PNP\n.ends\n";
    check(net, &["8 A02 nothing uses model P", "5 A02 nothing uses model N", "6 A02 nothing uses sub-circuit pad"]);
    // A model is used from inside a sub-circuit, unless one of the same name stands there.
    let net = |inner: &str| {
        format!(
            "Used\nV1 a 0 9\nX1 a amp\n.model N NPN\n.subckt amp p\nR1 p b 1MEG\nR2 p c 1k\nQ1 c b 0 N\n{inner}.ends\n"
        )
    };
    check(&net(""), &[]);
    check(&net(".model N NPN\n"), &["4 A02 nothing uses model N"]);
}

#[test]
fn a_lone_node_is_named_by_its_path() {
    let net = "Lone\nV1 a 0 9\nX1 a pad\n.subckt pad p\nR1 p 0 1k\nR2 p m 1k\n.ends\n";
    check(net, &["6 A03 node X1.m has one connection, X1.R2"]);
}

#[test]
fn emission_coefficients_that_differ_are_named_once() {
    let net =
        "Pair\nVCC vcc 0 9\nR1 vcc b 430k\nRC vcc c 2k2\nQ1 c b e N\nQ2 c b e N\nRE e 0 10\n.model N NPN (NF=1.1)\n";
    let message =
        "5 A05 model N has NF 1.1 and NR 1: such a device has no equilibrium, and its noise near saturation is a guess";
    check(net, &[message]);
}

#[test]
fn a_missing_title_is_noticed_and_a_title_is_not_mistaken() {
    let rest = "V1 a 0 1\nR9 a 0 1k\n";
    let message = "1 A01 the first line is the title, and this one looks like a part or statement";
    for card in ["R1 a 0 1k", "VCC vcc 0 9 ; supply", "  q1 c b 0 N ", ".param a=1", ".include x.inc", ".model N NPN"] {
        check(&format!("{card}\n{rest}"), &[message]);
    }
    for title in [
        "",
        "Replay amplifier",
        "Resistor bridge one two",
        "Channel A left 3",
        "R1 bridge",
        "1960s radio",
        "*** amp ***",
        "V",
        "- draft -",
    ] {
        check(&format!("{title}\n{rest}"), &[]);
    }
}

#[test]
fn without_a_bias_the_rest_of_the_advice_is_given() {
    let text =
        "Runaway\nVCC c 0 20\nRB c b 10k\nQ1 c b 0 P RTH=1000\n.model P NPN (BF=50 EG=0.67 IS=2u)\n.model X NPN\n";
    let advice = advice(text);
    assert!(advice[0] == "6 A02 nothing uses model X" && advice[1].starts_with("0 S01 "), "{advice:?}");
}
