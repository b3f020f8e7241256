//! Faults as data: what each does to a circuit equals the same fault written into the netlist by hand.

mod common;

use common::{Bench, close};
use hissmap::bench::{Action, Case, Fault, FaultKind, Temperatures, WhatIf, hypotheses, kinds_for, what_ifs};
use hissmap::circuit::Change;
use hissmap::diagnostic::Code;
use hissmap::element::Pin;

/// A germanium stage whose parts are of every kind that can have a fault, a winding apart.
const STAGE: &str = "\
VCC vcc 0 -9
VIN in 0 AC 1
RS in s 1k
C1 s b1 10u
R1 vcc b1 100k
R2 b1 0 22k
Q1 c1 b1 e1 OLD
RC1 vcc c1 4k7
RE1 e1 0 1k
CE1 e1 0 100u
C2 c1 out 10u
RL out 0 10k
D1 0 out DET
J1 dd out 0 FET
RD1 pos dd 4k7
VPP pos 0 9
.model OLD PNP (IS=2u BF=80 EG=0.67 RB=100 CJC=20p KF=2e-15 ICBO=2u)
.model DET D
.model FET NJF (VTO=-2 BETA=1m)
.noise v(out) VIN dec 10 20 20k
";

const BAND: [f64; 2] = [20.0, 20e3];

fn stage() -> Bench {
    Bench::of(STAGE)
}

#[track_caller]
fn faulty(healthy: &Bench, fault: &Fault) -> Bench {
    let changes = fault.changes(&healthy.circuit).unwrap_or_else(|problem| panic!("{problem:?}"));
    healthy.changed(&changes)
}

/// The fault gives what the netlist gives in which `from` is replaced by `to`, `more` lines added: DC and hiss at every
/// node that both have.
#[track_caller]
fn equals_netlist(fault: &Fault, [from, to]: [&str; 2], more: &str) {
    assert!(STAGE.contains(from));
    let written = Bench::of(&format!("{}{more}\n", STAGE.replace(from, to)));
    let fault = faulty(&stage(), fault);
    for node in ["s", "b1", "c1", "e1", "out", "dd"] {
        // Two orders of elimination, each certain to 1e-9 of the bias.
        let volts = fault.volts(node) - written.volts(node);
        assert!(volts.abs() < 1e-8, "DC of {node}: {volts} V apart");
        for hertz in [20.0, 1e3, 20e3] {
            close(
                fault.density(node, hertz),
                written.density(node, hertz),
                1e-6,
                &format!("hiss of {node} at {hertz}"),
            );
        }
    }
}

// What a fault does, against the same written by hand

#[test]
fn a_leak_is_a_resistor_from_collector_to_base() {
    // 20 µV/V per decade is a noise index of 20·log10(20) = 26.0206 dB (IEC 60195).
    let fault = Fault::new("Q1", FaultKind::OhmicLeak).with("ohm", 220e3).with("uv_per_v", 20.0);
    equals_netlist(&fault, ["", ""], "RX c1 b1 220k NI=26.020599913279624");
    let quiet = Fault::new("Q1", FaultKind::OhmicLeak).with("ohm", 220e3);
    equals_netlist(&quiet, ["", ""], "RX c1 b1 220k");
}

#[test]
fn a_leak_of_the_junction_is_its_icbo() {
    let fault = Fault::new("Q1", FaultKind::JunctionLeak).with("icbo", 15e-6).with("x", 30.0).with("corner", 300.0);
    equals_netlist(&fault, ["b1 e1 OLD", "b1 e1 OLD ICBO=15u LEAKM=30 LEAKFC=300"], "");
}

#[test]
fn low_gain_is_a_lower_bf() {
    equals_netlist(&Fault::new("Q1", FaultKind::LowBeta).with("factor", 0.2), ["BF=80", "BF=16"], "");
}

#[test]
fn flicker_scales_kf() {
    equals_netlist(&Fault::new("Q1", FaultKind::Flicker).with("factor", 500.0), ["KF=2e-15", "KF=1e-12"], "");
    // The share of a mean square that is proportional to KF: 1/f noise of a resistor-like circuit scales exactly.
    let healthy = stage();
    let flicker = |bench: &Bench| {
        let hiss = bench.hiss("c1", BAND, hissmap::noise::Weighting::Flat);
        let device =
            hiss.devices.iter().find(|device| bench.circuit.part(device.part).name == "Q1").expect("it hisses");
        let own = device.mechanisms.iter().find(|one| one.mechanism.name() == "flicker").expect("it flickers");
        own.rms_volts.powi(2)
    };
    let loud = faulty(&healthy, &Fault::new("Q1", FaultKind::Flicker).with("factor", 700.0));
    close(flicker(&loud) / flicker(&healthy), 700.0, 1e-9, "power of the flicker");
}

#[test]
fn a_model_without_kf_flickers_in_a_stated_unit() {
    // KF 1e-15 with AF 1 is the unit (stated in the docs of the fault; common practice, no source).
    equals_netlist(
        &Fault::new("D1", FaultKind::Flicker).with("factor", 200.0),
        [".model DET D", ".model DET D KF=2e-13"],
        "",
    );
    equals_netlist(&Fault::new("J1", FaultKind::Flicker).with("factor", 100.0), ["BETA=1m", "BETA=1m KF=1e-13"], "");
}

#[test]
fn a_leaky_capacitor_has_a_resistor_across() {
    let fault = Fault::new("C1", FaultKind::CapLeaky).with("ohm", 47e3).with("uv_per_v", 10.0);
    equals_netlist(&fault, ["", ""], "RX s b1 47k NI=20");
}

#[test]
fn a_dried_capacitor_has_less_of_its_value_behind_a_resistance() {
    equals_netlist(&Fault::new("CE1", FaultKind::CapDried).with("factor", 0.05), ["e1 0 100u", "e1 0 5u"], "");
    let fault = Fault::new("CE1", FaultKind::CapDried).with("factor", 0.05).with("ohm", 150.0);
    equals_netlist(&fault, ["CE1 e1 0 100u", "CE1 x 0 5u"], "RX e1 x 150");
}

#[test]
fn values_drift_and_resistors_grow_noisy() {
    equals_netlist(&Fault::new("RC1", FaultKind::ValueHigh).with("factor", 2.0), ["c1 4k7", "c1 9k4"], "");
    equals_netlist(&Fault::new("C2", FaultKind::ValueLow).with("factor", 0.1), ["out 10u", "out 1u"], "");
    equals_netlist(
        &Fault::new("RC1", FaultKind::ResistorNoisy).with("uv_per_v", 100.0),
        ["c1 4k7", "c1 4k7 NI=40"],
        "",
    );
}

#[test]
fn opens_and_shorts_are_resistors() {
    let open = Fault::new("Q1", FaultKind::Open).at(&[Pin::Base]);
    equals_netlist(&open, ["Q1 c1 b1 e1", "Q1 c1 x e1"], "RX b1 x 1t");
    equals_netlist(&Fault::new("R1", FaultKind::Open), ["R1 vcc b1", "R1 x b1"], "RX vcc x 1t");
    let short = Fault::new("Q1", FaultKind::Short).at(&[Pin::Collector, Pin::Emitter]);
    equals_netlist(&short, ["", ""], "RX c1 e1 1m");
    equals_netlist(&Fault::new("CE1", FaultKind::Short), ["", ""], "RX e1 0 1m");
}

#[test]
fn a_bad_contact_is_a_noisy_resistor_in_series() {
    let fault = Fault::new("Q1", FaultKind::Contact).at(&[Pin::Emitter]).with("ohm", 300.0).with("uv_per_v", 1000.0);
    equals_netlist(&fault, ["Q1 c1 b1 e1", "Q1 c1 b1 x"], "RX x e1 300 NI=60");
}

#[test]
fn the_noise_of_a_contact_is_that_of_iec_60195() {
    // 10 V over 1 kΩ and a contact of 1 kΩ: 5 V lie across it. 100 µV per volt make 500 µV rms in one decade, of which half
    // stays at the middle; the thermal noise of 500 Ω over 900 Hz is 0.09 µV and does not count.
    let divider = Bench::of("V1 in 0 10\nR1 in mid 1k\nR2 mid 0 1u");
    let contact = Fault::new("R2", FaultKind::Contact).with("ohm", 1e3).with("uv_per_v", 100.0);
    close(faulty(&divider, &contact).rms("mid", [100.0, 1000.0]), 250e-6, 1e-6, "excess noise of a decade");
}

#[test]
fn a_part_taken_out_is_not_there() {
    let healthy = stage();
    let without = Bench::of(&STAGE.replace("CE1 e1 0 100u\n", ""));
    let lifted = healthy.changed(&[Change::Lift { part: "ce1".to_owned() }]);
    assert_eq!(lifted.circuit.parts().len(), healthy.circuit.parts().len() - 1);
    assert_eq!(lifted.density("out", 1e3).to_bits(), without.density("out", 1e3).to_bits());
}

#[test]
fn what_points_at_other_parts_still_does_after_one_is_taken_out() {
    // A transformer and a source controlled by a current, both behind the part that goes: their references move with them.
    let lines = "V1 a 0 AC 1\nRX a b 1k\nRA a p 10\nL1 p 0 1\nL2 s 0 4\nK1 L1 L2 0.9\nRS s 0 1k\nVS a m 0\nRM m 0 1k\nF1 0 f VS 2\nRF f 0 1k\nRB b 0 1k";
    let with = Bench::of(lines);
    let without = Bench::of(&lines.replace("RX a b 1k\n", ""));
    let lifted = with.changed(&[Change::Lift { part: "RX".to_owned() }]);
    for node in ["s", "f"] {
        assert_eq!(lifted.gain("V1", node, 1e3), without.gain("V1", node, 1e3), "{node}");
    }
    // Without its partner a winding is a plain inductor.
    let alone = with.changed(&[Change::Lift { part: "L2".to_owned() }]);
    let plain = Bench::of(&lines.replace("L2 s 0 4\nK1 L1 L2 0.9\n", ""));
    assert_eq!(alone.gain("V1", "p", 1e3), plain.gain("V1", "p", 1e3));
    // A source that another one senses stays.
    let problems = with.circuit.changed(&[Change::Lift { part: "VS".to_owned() }]).expect_err("F1 needs it");
    assert_eq!(problems[0].code, Code::UnfitPart);
    assert!(problems[0].message.contains("F1"), "{problems:?}");
}

#[test]
fn taking_out_what_feeds_a_node_is_an_error_that_names_it() {
    let problems = stage().circuit.changed(&[Change::Lift { part: "RL".to_owned() }]).err();
    assert_eq!(problems, None, "the diode and the gate still hold out");
    let divider = Bench::of("V1 a 0 9\nR1 a b 1k\nC1 b c 1u\nR2 c 0 1k");
    let problems = divider.circuit.changed(&[Change::Lift { part: "R2".to_owned() }]).expect_err("c floats");
    assert_eq!(problems[0].code, Code::FloatingNode);
    assert!(problems[0].message.contains("with R2 taken out node c"), "{problems:?}");
    assert!(problems[0].help.as_ref().is_some_and(|help| help.contains("--fault R2=open")), "{problems:?}");
}

// Saved, listed, combined, taken back

#[test]
fn what_is_taken_back_leaves_no_trace() {
    let healthy = stage();
    let bits = |bench: &Bench| {
        let nodes: Vec<&str> = bench.circuit.nodes().map(|(_, name)| name).collect();
        let of_node = |node: &&str| [bench.volts(node).to_bits(), bench.density(node, 1e3).to_bits()];
        nodes.iter().map(of_node).collect::<Vec<_>>()
    };
    let before = bits(&healthy);
    let value = |value| Change::Value { part: "RC1".to_owned(), value };
    let there = healthy.changed(&[value(10e3)]);
    assert_ne!(bits(&there), before);
    assert_eq!(bits(&there.changed(&[value(4700.0)])), before);
    // A factor of one is no change, whatever stands behind it.
    let none = FaultKind::ALL.iter().filter(|kind| kind.quantity() == Some("factor"));
    for (&kind, (_, part)) in none.flat_map(|kind| healthy.circuit.parts().map(move |part| (kind, part))) {
        let unit_only = matches!(kind, FaultKind::Flicker) && part.name != "Q1";
        if kind.fits(&part.element) && !unit_only {
            let fault = Fault::new(&part.name, kind).with("factor", 1.0);
            assert_eq!(bits(&faulty(&healthy, &fault)), before, "{}", fault.text());
        }
    }
    assert_eq!(bits(&healthy.changed(&[])), before);
}

#[test]
fn faults_and_what_ifs_are_saved_and_read_again() {
    let circuit = stage().circuit;
    let examples = [
        "Q1=junction_leak,icbo=20uA,x=30,corner=300",
        "Q1=open,pin=base",
        "Q1=short,pins=ce",
        "C1=cap_dried,factor=0.05,ohm=100",
    ];
    let asked: Vec<_> = examples.iter().map(|text| (Action::Fault, (*text).to_owned())).collect();
    let (read, _) = what_ifs(&circuit, &Temperatures::default(), &asked).unwrap_or_else(|errors| panic!("{errors:?}"));
    let saved = serde_json::to_string(&read).expect("plain data");
    assert_eq!(serde_json::from_str::<Vec<WhatIf>>(&saved).expect("the same form"), read);
    let fault = Fault::new("Q1", FaultKind::Short).at(&[Pin::Collector, Pin::Emitter]);
    let saved = serde_json::to_value(&fault).expect("plain data");
    assert_eq!(saved, serde_json::json!({"part": "Q1", "kind": "short", "pins": ["collector", "emitter"]}));
    assert_eq!(serde_json::from_value::<Fault>(saved).expect("the same form"), fault);
    // A slip of the pen in a saved fault is no healthy part.
    assert!(serde_json::from_str::<Fault>(r#"{"part":"Q1","kind":"short","pin":["base"]}"#).is_err());
}

#[test]
fn every_fault_is_said_in_a_line() {
    let text = |text: &str| {
        let asked = [(Action::Fault, text.to_owned())];
        match what_ifs(&stage().circuit, &Temperatures::default(), &asked) {
            Ok((read, _)) => read[0].text.clone(),
            Err(errors) => panic!("{errors:?}"),
        }
    };
    assert_eq!(
        text("q1=junction_leak, icbo=20uA, x=30, corner=1kHz"),
        "fault Q1 junction_leak: icbo 20 µA, x 30, corner 1 kHz"
    );
    assert_eq!(text("Q1=ohmic_leak,ohm=4k7,uv_per_v=3"), "fault Q1 ohmic_leak: ohm 4.7 kΩ, uv_per_v 3 µV/V");
    assert_eq!(text("Q1=flicker,factor=1500"), "fault Q1 flicker: factor 1500");
    assert_eq!(text("Q1=open,pin=b"), "fault Q1 open: base");
    assert_eq!(text("Q1=short,pins=c-e"), "fault Q1 short: collector-emitter");
    assert_eq!(text("Q1=short,pins=CE"), "fault Q1 short: collector-emitter");
    assert_eq!(text("C1=short"), "fault C1 short");
    assert_eq!(text("C1=open"), "fault C1 open");
    // As bad as it typically is: the middle of 20 kΩ to 3 MΩ on a logarithmic scale is √(20k·3M) = 244.949 kΩ.
    assert_eq!(text("Q1=ohmic_leak"), "fault Q1 ohmic_leak: ohm 244.949 kΩ");
}

#[test]
fn faults_combine_and_the_later_of_two_about_the_same_thing_holds() {
    let circuit = stage().circuit;
    let read = |texts: &[(Action, &str)]| {
        let asked: Vec<_> = texts.iter().map(|(action, text)| (*action, (*text).to_owned())).collect();
        let (read, _) = what_ifs(&circuit, &Temperatures::default(), &asked).unwrap_or_else(|e| panic!("{e:?}"));
        read.into_iter().map(|what_if| what_if.text).collect::<Vec<_>>()
    };
    assert_eq!(read(&[(Action::Leak, "Q1=5u"), (Action::Fault, "Q1=junction_leak,icbo=9u")]).len(), 1);
    assert_eq!(read(&[(Action::Fault, "Q1=ohmic_leak"), (Action::Fault, "Q1=junction_leak")]).len(), 2);
    assert_eq!(read(&[(Action::Fault, "RC1=value_low"), (Action::Value, "RC1=1k")]).len(), 2);
    assert_eq!(read(&[(Action::Fault, "RC1=value_low"), (Action::Fault, "RC1=value_high")]).len(), 1);
    assert_eq!(read(&[(Action::Fault, "Q1=open,pin=b"), (Action::Fault, "Q1=open,pin=c")]).len(), 2);
    assert_eq!(read(&[(Action::Lift, "C1"), (Action::Lift, "c1")]), ["lift C1"]);
    // A factor acts on whatever value holds: 1 kΩ times 0.4.
    let changes =
        [Change::Scale { part: "RC1".to_owned(), factor: 0.4 }, Change::Value { part: "RC1".to_owned(), value: 1e3 }];
    let written = Bench::of(&STAGE.replace("c1 4k7", "c1 400"));
    close(stage().changed(&changes).volts("c1"), written.volts("c1"), 1e-12, "volts of c1");
}

// Which faults a part may have

#[test]
fn a_part_and_a_fault_that_do_not_fit_name_what_does() {
    let circuit = Bench::of(&format!("{STAGE}L1 out z 1\nRZ z 0 1k\nE1 y 0 z 0 2\nRY y 0 1k")).circuit;
    for (_, part) in circuit.parts() {
        let fitting: Vec<&str> = kinds_for(&part.element).map(FaultKind::name).collect();
        for &kind in FaultKind::ALL {
            let pins: Vec<Pin> = part.element.pins().iter().copied().take(kind.pins()).collect();
            match Fault::new(&part.name, kind).at(&pins).checked(&circuit) {
                Ok(_) => assert!(fitting.contains(&kind.name()), "{} {}", part.name, kind.name()),
                Err(problem) => {
                    assert!(!fitting.contains(&kind.name()), "{problem:?}");
                    assert_eq!(problem.code, Code::UnfitPart, "{problem:?}");
                    let help = problem.help.expect("it says what fits");
                    assert!(fitting.iter().all(|name| help.contains(name)), "{help}");
                }
            }
        }
    }
    let fitting = |name: &str| {
        let id = circuit.find_part(name).unwrap_or_else(|problem| panic!("{problem:?}"));
        kinds_for(&circuit.part(id).element).map(FaultKind::name).collect::<Vec<_>>()
    };
    assert_eq!(fitting("Q1"), ["junction_leak", "ohmic_leak", "flicker", "low_beta", "open", "short", "contact"]);
    assert_eq!(fitting("C1"), ["cap_leaky", "cap_dried", "value_low", "value_high", "open", "short", "contact"]);
    assert_eq!(fitting("R1"), ["resistor_noisy", "value_low", "value_high", "open", "short", "contact"]);
    assert_eq!(fitting("VIN"), ["open", "contact"]);
    assert!(fitting("E1").is_empty());
}

#[test]
fn what_a_fault_cannot_be_is_said_with_what_to_write() {
    let circuit = stage().circuit;
    for (text, code, words) in [
        ("Q1=cap_dried", Code::UnfitPart, ["a fault of a capacitor", "junction_leak"]),
        ("C1=low_beta", Code::UnfitPart, ["C1 is a capacitor", "cap_leaky"]),
        ("Q1=jucntion_leak", Code::BadFlag, ["no kind of fault", "try junction_leak"]),
        ("C1=zap", Code::BadFlag, ["no kind of fault", "cap_leaky, cap_dried"]),
        ("Q9=flicker", Code::UnknownPart, ["no part is called Q9", "try Q1"]),
        ("Q1=flicker,facter=3", Code::BadFlag, ["takes no facter", "try factor="]),
        ("Q1=open,icbo=3", Code::BadFlag, ["takes no icbo", "Q2=open,pin=base"]),
        ("Q1=flicker,factor=0", Code::ValueOutOfRange, ["above zero", "factor=200"]),
        ("Q1=flicker,factor", Code::BadFlag, ["says no number", "factor=200"]),
        ("Q1=open", Code::BadFlag, ["needs the pin", "collector, base, emitter: Q1=open,pin=collector"]),
        ("Q1=open,pin=gate", Code::BadFlag, ["has no pin gate", "collector, base, emitter"]),
        ("Q1=short,pins=c", Code::BadFlag, ["at 2 pins, not 1", "Q1=short,pins=collector-emitter"]),
        ("Q1=short,pins=cc", Code::BadFlag, ["two different pins", "collector"]),
        ("Q1=flicker,pin=b", Code::BadFlag, ["takes no pin", "Q1=flicker"]),
        ("J1=short", Code::BadFlag, ["needs the two pins", "drain, gate, source"]),
        ("Q1", Code::BadFlag, ["missing", "Q2=junction_leak"]),
    ] {
        let errors = what_ifs(&circuit, &Temperatures::default(), &[(Action::Fault, text.to_owned())]);
        let error = errors.err().unwrap_or_else(|| panic!("{text} was read")).remove(0);
        assert_eq!(error.code, code, "{text}: {error:?}");
        let said = format!("{} {}", error.message, error.help.unwrap_or_default());
        assert!(words.iter().all(|word| said.contains(word)), "{text}: {said}");
    }
}

#[test]
fn every_kind_has_an_example_that_is_read() {
    let circuit = Bench::of("V1 v 0 9\nRC v c 1k\nR5 v b 1meg\nC3 c o 1u\nRL o 0 1k\nQ2 c b 0 m\n.model m NPN").circuit;
    for &kind in FaultKind::ALL {
        let asked = [(Action::Fault, kind.example().to_owned())];
        let (read, _) = what_ifs(&circuit, &Temperatures::default(), &asked).unwrap_or_else(|e| panic!("{e:?}"));
        assert!(circuit.changed(&read[0].changes).is_ok(), "{}", kind.example());
        assert!(read[0].text.contains(kind.name()));
    }
}

#[test]
fn severities_and_weights_are_those_of_the_trade() {
    // Common practice, no source: germanium leaks ×3 to ×300 of its own, silicon ×100 to ×20 000; where the model says
    // nothing, a small germanium transistor has 2 µA, a power transistor 200 µA, silicon 1 nA.
    let lines = "V1 v 0 9\nRC v c 1k\nRB v b 1meg\nC1 c 0 1u\n\
                 QA c b 0 GE\nQB c b 0 GE0\nQC c b 0 GEP\nQD c b 0 SI\n\
                 .model GE NPN (EG=0.67 ICBO=5u)\n.model GE0 NPN (EG=0.67)\n.model GEP NPN (EG=0.67 PTOT=10)\n.model SI NPN";
    let circuit = Bench::of(lines).circuit;
    let all = hypotheses(&circuit);
    let leak = |part: &str| {
        let id = circuit.find_part(part).unwrap_or_else(|problem| panic!("{problem:?}"));
        let (_, _, prior) =
            all.iter().find(|(at, kind, _)| *at == id && *kind == FaultKind::JunctionLeak).expect("a leak");
        (prior.weight, prior.ranges[0].mild, prior.ranges[0].severe, prior.assumed.is_some())
    };
    for (part, weight, mild, severe, assumed) in [
        ("QA", 10.0, 15e-6, 1.5e-3, false),
        ("QB", 10.0, 6e-6, 600e-6, true),
        ("QC", 10.0, 600e-6, 60e-3, true),
        ("QD", 4.0, 100e-9, 20e-6, true),
    ] {
        let found = leak(part);
        assert_eq!((found.0, found.3), (weight, assumed), "{part}");
        close(found.1, mild, 1e-12, part);
        close(found.2, severe, 1e-12, part);
    }
    // The worse a leak, the fewer ohms; the cases lie in order between the ends.
    let part = circuit.part(circuit.find_part("C1").unwrap_or_else(|problem| panic!("{problem:?}")));
    let prior = FaultKind::CapLeaky.prior(&part.element).expect("it fits");
    let ohms = Case::ALL.map(|case| prior.fault(FaultKind::CapLeaky, part, case.fraction()).values["ohm"]);
    assert!(500e3 > ohms[0] && ohms[0] > ohms[1] && ohms[1] > ohms[2] && ohms[2] > 3e3, "{ohms:?}");
    // Evenly in the logarithm: the middle of 3 kΩ and 500 kΩ.
    close(ohms[1], (3e3f64 * 500e3).sqrt(), 1e-12, "the typical leak");
    assert!(all.iter().all(|(_, kind, _)| !matches!(kind, FaultKind::Open | FaultKind::Short | FaultKind::Contact)));
}
