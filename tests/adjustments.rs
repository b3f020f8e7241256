//! Values shifted on a circuit that was read once give the circuit that the netlist with other values gives, bit for bit.

use std::sync::Arc;

use hissmap::circuit::{Adjustment, Change, Circuit, Quantity, Shift};
use hissmap::diagnostic::Code;
use hissmap::element::{Excess, PartId};
use hissmap::netlist;

/// One of everything that can be shifted.
const LINES: &str = "VCC vcc 0 12
R1 vcc b 100k NI=-20
R2 b 0 22k TC1=0.004
C1 in b 10u
VIN in 0 0 AC 1
Q1 c b e NS
RC vcc c 4k7
RE e 0 1k
D1 c 0 DS
J1 d c s JN
RD vcc d 10k
RS s 0 3k
L1 d l 10m
L2 m 0 40m
K1 L1 L2 0.9
RL l 0 1k
RM m 0 1k
G1 0 g in 0 1m
RG g 0 1k
.model NS NPN(IS=1e-14 BF=200 BR=3 ISE=1e-13 ISC=1e-12 RB=100 KF=1e-15 ICBO=1n)
.model DS D(IS=1e-12 KF=1e-16)
.model JN NJF(IS=20f BETA=1m VTO=-2 KF=1e-17)
.param spare=1";

#[track_caller]
fn circuit(lines: &str) -> Circuit {
    let (netlist, problems) = netlist::read("test", &format!("title\n{lines}\n.end\n"), &mut |_| Err(String::new()));
    assert!(problems.is_empty(), "{problems:?}");
    Circuit::build(Arc::new(netlist)).unwrap_or_else(|problems| panic!("{problems:?}")).0
}

/// Everything the equations are written from, the numbers by their bits: `{:?}` gives digits that read back the same.
fn meaning(circuit: &Circuit) -> String {
    let elements: Vec<_> = circuit.parts().map(|(_, part)| (&part.name, &part.element)).collect();
    let nodes: Vec<_> = circuit.nodes().collect();
    format!("{elements:?} {nodes:?} {:?} {:?}", circuit.layout(), circuit.ambient)
}

fn part(circuit: &Circuit, name: &str) -> PartId {
    circuit.find_part(name).expect("a part of the circuit")
}

fn shift(circuit: &Circuit, name: &str, quantity: Quantity, value: Shift) -> Adjustment {
    Adjustment { part: part(circuit, name), quantity, value }
}

#[test]
fn a_shifted_value_is_the_same_as_one_written_in_the_netlist() {
    use Quantity::*;
    let nominal = circuit(LINES);
    for (name, quantity, value, written, instead) in [
        ("RC", Resistance, 4.1e3, "c 4k7", "c 4.1k"),
        ("C1", Capacitance, 4.7e-6, "b 10u", "b 4.7u"),
        ("L2", Inductance, 0.09, "0 40m", "0 90m"),
        ("VCC", SourceDc, 9.5, "0 12", "0 9.5"),
        ("G1", Gain, 2e-3, "in 0 1m", "in 0 2m"),
        ("Q1", ForwardBeta, 77.0, "BF=200", "BF=77"),
        ("Q1", ReverseBeta, 7.5, "BR=3", "BR=7.5"),
        ("Q1", Icbo, 2e-5, "ICBO=1n", "ICBO=2e-5"),
        ("Q1", LeakageMultiplier, 300.0, "ICBO=1n", "ICBO=1n LEAKM=300"),
        ("Q1", LeakageCorner, 900.0, "ICBO=1n", "ICBO=1n LEAKFC=900"),
        ("Q1", BaseResistance, 250.0, "RB=100", "RB=250"),
        ("Q1", Flicker, 3e-14, "KF=1e-15", "KF=3e-14"),
        ("D1", SaturationCurrent, 3e-12, "D(IS=1e-12", "D(IS=3e-12"),
        ("J1", SaturationCurrent, 7e-14, "NJF(IS=20f", "NJF(IS=7e-14"),
        ("D1", Flicker, 3e-14, "KF=1e-16", "KF=3e-14"),
        ("J1", Flicker, 3e-16, "KF=1e-17", "KF=3e-16"),
        ("J1", Threshold, -1.5, "VTO=-2", "VTO=-1.5"),
        ("J1", Transconductance, 2e-3, "BETA=1m", "BETA=2m"),
        // 20·log10(10 µV/V) = 20 dB, exact in binary.
        ("R1", ExcessNoise, 10.0, "NI=-20", "NI=20"),
        ("R1", ExcessNoise, 0.0, " NI=-20", ""),
        ("R2", Celsius, 45.0, "TC1=0.004", "TC1=0.004 TEMP=45"),
        ("Q1", Celsius, -30.0, "Q1 c b e NS", "Q1 c b e NS TEMP=-30"),
        ("Q1", Ambient, 35.0, ".param", ".temp 35\n.param"),
    ] {
        assert_eq!(LINES.matches(written).count(), 1, "{written}");
        let expected = circuit(&LINES.replace(written, instead));
        let shifted = nominal.adjusted(&[shift(&nominal, name, quantity, Shift::To(value))]).expect("it fits");
        assert_eq!(meaning(&shifted), meaning(&expected), "{quantity:?} of {name}");
        assert_ne!(meaning(&shifted), meaning(&nominal), "{quantity:?} of {name}");
    }
}

#[test]
fn the_saturation_current_takes_the_leaks_of_the_junctions_along_so_that_beta_stays() {
    let nominal = circuit(LINES);
    let twice = nominal.adjusted(&[shift(&nominal, "Q1", Quantity::SaturationCurrent, Shift::Factor(2.0))]);
    let written = LINES.replace("IS=1e-14", "IS=2e-14").replace("ISE=1e-13", "ISE=2e-13");
    let expected = circuit(&written.replace("ISC=1e-12", "ISC=2e-12"));
    assert_eq!(meaning(&twice.expect("it fits")), meaning(&expected));
}

#[test]
fn shifting_and_taking_back_leaves_every_bit_as_it_was() {
    use Quantity::*;
    let nominal = circuit(LINES);
    let all: Vec<(&str, Quantity)> = vec![
        ("RC", Resistance),
        ("C1", Capacitance),
        ("L1", Inductance),
        ("VCC", SourceDc),
        ("G1", Gain),
        ("Q1", ForwardBeta),
        ("Q1", ReverseBeta),
        ("Q1", SaturationCurrent),
        ("Q1", Icbo),
        ("Q1", LeakageMultiplier),
        ("Q1", BaseResistance),
        ("Q1", Flicker),
        ("J1", Threshold),
        ("J1", Transconductance),
    ];
    // Powers of two change no digit.
    let by = |factor: f64| -> Vec<Adjustment> {
        all.iter().map(|&(name, quantity)| shift(&nominal, name, quantity, Shift::Factor(factor))).collect()
    };
    let there = nominal.adjusted(&by(4.0)).expect("it fits");
    assert_ne!(meaning(&there), meaning(&nominal));
    assert_eq!(meaning(&there.adjusted(&by(0.25)).expect("it fits")), meaning(&nominal));
    // Ten times the microvolts are 20 dB.
    let louder = nominal.adjusted(&[shift(&nominal, "R1", ExcessNoise, Shift::Factor(10.0))]).expect("it fits");
    let element = format!("{:?}", louder.part(part(&louder, "R1")).element);
    assert!(element.contains(&format!("{:?}", Excess::Index(0.0))), "{element}");
}

#[test]
fn what_does_not_fit_is_refused() {
    use Quantity::*;
    let nominal = circuit(LINES);
    for (name, quantity, value, code) in [
        ("RC", Capacitance, Shift::To(1e-6), Code::UnfitPart),
        ("RC", Resistance, Shift::To(0.0), Code::ValueOutOfRange),
        ("RC", Resistance, Shift::Factor(-1.0), Code::ValueOutOfRange),
        ("RC", Resistance, Shift::Factor(f64::NAN), Code::ValueOutOfRange),
        ("C1", Capacitance, Shift::To(f64::INFINITY), Code::ValueOutOfRange),
        ("C1", Celsius, Shift::To(30.0), Code::UnfitPart),
        ("D1", ForwardBeta, Shift::Factor(2.0), Code::UnfitPart),
        ("Q1", Threshold, Shift::To(1.0), Code::UnfitPart),
        ("Q1", Icbo, Shift::To(-1e-9), Code::ValueOutOfRange),
        ("R1", ExcessNoise, Shift::To(-1.0), Code::ValueOutOfRange),
        ("Q1", Ambient, Shift::To(-300.0), Code::ValueOutOfRange),
        // 1 + 0.004·(−250) is nothing.
        ("R2", Celsius, Shift::To(-223.0), Code::ValueOutOfRange),
    ] {
        let refused = nominal.adjusted(&[shift(&nominal, name, quantity, value)]);
        assert_eq!(refused.expect_err("it does not fit").code, code, "{quantity:?} of {name}");
    }
    let without = circuit(&LINES.replace("RB=100 ", ""));
    let none = without.adjusted(&[shift(&without, "Q1", BaseResistance, Shift::To(100.0))]);
    assert_eq!(none.expect_err("there is no base resistance to shift").code, Code::UnfitPart);
    let beyond = Adjustment { part: PartId(1000), quantity: Resistance, value: Shift::Factor(2.0) };
    assert_eq!(nominal.adjusted(&[beyond]).expect_err("there is no such part").code, Code::UnknownPart);
}

#[test]
fn adjustments_stand_on_top_of_changes_made_later() {
    let nominal = circuit(LINES);
    let beta = shift(&nominal, "Q1", Quantity::ForwardBeta, Shift::Factor(0.5));
    let freeze = Change::Temperature { part: "Q1".to_owned(), celsius: -30.0 };
    let swap = Change::Swap { part: "D1".to_owned(), model: "DS".to_owned() };
    let spare = Change::Parameter { name: "spare".to_owned(), value: 2.0 };
    for later in [vec![freeze.clone()], vec![freeze, swap, spare]] {
        let adjusted = nominal.adjusted(&[beta]).expect("it fits").changed(&later).expect("they fit");
        let changed = nominal.changed(&later).expect("they fit").adjusted(&[beta]).expect("it fits");
        assert_eq!(meaning(&adjusted), meaning(&changed));
        assert_eq!(adjusted.adjustments(), [beta]);
    }
}

/// A parameter has the netlist read again; one that changes nothing must give the same circuit as no reading at all.
#[test]
fn a_circuit_read_again_is_the_same_as_one_changed_in_place() {
    let nominal = circuit(LINES);
    let name = |name: &str| name.to_owned();
    let changes = [
        Change::Value { part: name("RC"), value: 3.3e3 },
        Change::Value { part: name("L1"), value: 0.02 },
        Change::Bridge { nodes: [name("b"), name("c")], ohms: 1e5, excess: Excess::None },
        Change::Leak { part: name("Q1"), amps: 2e-5, times: Some(300.0), corner_hz: None, doubling_celsius: None },
        Change::Swap { part: name("Q1"), model: name("NS") },
        Change::Temperature { part: name("Q1"), celsius: -30.0 },
        Change::Ambient { celsius: 31.0 },
    ];
    let same = Change::Parameter { name: name("spare"), value: 1.0 };
    for count in 1..=changes.len() {
        let in_place = nominal.changed(&changes[..count]).expect("they fit");
        let again = in_place.changed(std::slice::from_ref(&same)).expect("it is a parameter");
        assert_eq!(meaning(&in_place), meaning(&again));
        let one_by_one = changes[..count]
            .iter()
            .fold(nominal.clone(), |circuit, change| circuit.changed(std::slice::from_ref(change)).expect("it fits"));
        assert_eq!(meaning(&in_place), meaning(&one_by_one));
    }
}

/// Nodes that only a call mentions are no nodes of the circuit, unless a bridge leads there.
#[test]
fn a_bridge_may_lead_to_the_pin_that_a_call_leaves_open() {
    let nominal = circuit("V1 a 0 1\nX1 a p HALF\n.subckt HALF x y\nR1 x 0 1k\n.ends");
    assert!(nominal.find_node("p").is_err());
    let ends = |to: &str| Change::Bridge { nodes: ["p".to_owned(), to.to_owned()], ohms: 1e3, excess: Excess::None };
    let bridged = nominal.changed(&[ends("a")]).expect("both are known to the netlist");
    assert!(bridged.find_node("p").is_ok());
    assert!(bridged.changed(&[ends("0")]).is_ok());
}
