//! The library as a programmer meets it: circuits without text, values that may go between threads.

use std::sync::Arc;

use hissmap::circuit::{Amount, Builder, Circuit};
use hissmap::diagnostic::Code;
use hissmap::netlist::{self, ModelKind};
use hissmap::operating::Operating;

fn parsed(text: &str) -> Circuit {
    let (netlist, problems) = netlist::read("text", text, &mut |_| Err("nothing".to_owned()));
    assert!(problems.is_empty(), "{problems:?}");
    Circuit::build(Arc::new(netlist)).unwrap_or_else(|errors| panic!("{errors:?}")).0
}

/// Every kind of part, as somebody types it.
const TYPED: &str = "Every kind of part
VCC vcc 0 9
VIN src 0 0 AC 1
IB 0 b2 1u
RS src in 1k NI=-20
C1 in b 10u POL=1
R1 vcc b 82k
R2 b 0 {15k*size}
.param size=1.5
Q1 c b e SMALL ICBO=5u LEAKM=10
RC vcc c 4k7
RE e 0 1k
J1 vcc c s FET
RJ s 0 2k2
D1 s b2 DIODE
RB b2 0 100k
LP s p 2.5
LS q 0 10m
KT LP LS 0.98
RP p 0 1MEG
RQ q 0 8
E1 x 0 s 0 2
RX x 0 1k
G1 0 y s 0 1m
RY y 0 1k
F1 0 z VIN 3
RZ z 0 1k
H1 w 0 VIN 50
RW w 0 1k
.model SMALL NPN (IS=2u BF=60 EG=0.67 RB=100)
.model FET NJF (BETA=1m VTO=-2)
.model DIODE D (IS=1f)
.temp 31
.noise v(c) VIN dec 20 20 20k
";

fn built() -> Builder {
    let mut all = Builder::new("Every kind of part");
    all.voltage("VCC", ["vcc", "0"], 9.0)
        .voltage("VIN", ["src", "0"], 0.0)
        .ac(1.0)
        .current("IB", ["0", "b2"], 1e-6)
        .resistor("RS", ["src", "in"], 1e3)
        .with("NI", -20.0)
        .capacitor("C1", ["in", "b"], 10e-6)
        .with("POL", 1.0)
        .resistor("R1", ["vcc", "b"], 82e3)
        .resistor("R2", ["b", "0"], "15k*size")
        .parameter("size", 1.5)
        .transistor("Q1", ["c", "b", "e"], "SMALL")
        .with("ICBO", 5e-6)
        .with("LEAKM", 10.0)
        .resistor("RC", ["vcc", "c"], 4.7e3)
        .resistor("RE", ["e", "0"], 1e3)
        .field_effect("J1", ["vcc", "c", "s"], "FET")
        .resistor("RJ", ["s", "0"], 2.2e3)
        .diode("D1", ["s", "b2"], "DIODE")
        .resistor("RB", ["b2", "0"], 100e3)
        .inductor("LP", ["s", "p"], 2.5)
        .inductor("LS", ["q", "0"], 10e-3)
        .coupling("KT", ["LP", "LS"], 0.98)
        .resistor("RP", ["p", "0"], 1e6)
        .resistor("RQ", ["q", "0"], 8.0)
        .controlled_by_volts("E1", ["x", "0"], ["s", "0"], 2.0)
        .resistor("RX", ["x", "0"], 1e3)
        .controlled_by_volts("G1", ["0", "y"], ["s", "0"], 1e-3)
        .resistor("RY", ["y", "0"], 1e3)
        .controlled_by_current("F1", ["0", "z"], "VIN", 3.0)
        .resistor("RZ", ["z", "0"], 1e3)
        .controlled_by_current("H1", ["w", "0"], "VIN", 50.0)
        .resistor("RW", ["w", "0"], 1e3)
        .model("SMALL", ModelKind::Npn, &[("IS", 2e-6), ("BF", 60.0), ("EG", 0.67), ("RB", 100.0)])
        .model("FET", ModelKind::Njf, &[("BETA", 1e-3), ("VTO", -2.0)])
        .model("DIODE", ModelKind::Diode, &[("IS", 1e-15)])
        .ambient(31.0)
        .noise("c", "VIN", [20.0, 20e3]);
    all
}

#[test]
fn a_built_circuit_is_the_typed_one() {
    let (built, warnings) = built().build().unwrap_or_else(|errors| panic!("{errors:?}"));
    let typed = parsed(TYPED);
    assert!(warnings.is_empty(), "{warnings:?}");
    assert_eq!((&built.title, built.ambient, &built.noise), (&typed.title, typed.ambient, &typed.noise));
    assert_eq!(built.parts().len(), typed.parts().len());
    for ((_, one), (_, other)) in built.parts().zip(typed.parts()) {
        // Spans apart: one was not typed.
        assert_eq!((&one.name, &one.element), (&other.name, &other.element));
    }
    assert_eq!(built.nodes().collect::<Vec<_>>(), typed.nodes().collect::<Vec<_>>());
    let [one, other] = [&built, &typed].map(|circuit| Operating::of(circuit).expect("a bias").bias.x);
    assert_eq!(one, other, "to the last bit");
}

#[test]
fn numbers_keep_their_last_digit() {
    for ohms in [4.7e3, 1.0 / 3.0, 1e12, 2.2250738585072014e-308, 0.1 + 0.2] {
        let mut divider = Builder::new("Divider");
        divider.voltage("V1", ["a", "0"], 1.0).resistor("R1", ["a", "b"], ohms).resistor("R2", ["b", "0"], 1e3);
        let (circuit, _) = divider.build().unwrap_or_else(|errors| panic!("{errors:?}"));
        let id = circuit.find_part("R1").expect("it is there");
        let hissmap::element::Element::Resistor(resistor) = &circuit.part(id).element else { panic!("a resistor") };
        assert_eq!(resistor.ohms, ohms);
    }
}

#[test]
fn a_builder_lets_nothing_through_that_is_no_word_or_number() {
    type Wrong = fn(&mut Builder);
    let wrong: [(Wrong, Code); 9] = [
        (
            |b| {
                b.resistor("X1", ["a", "0"], 1.0);
            },
            Code::UnknownElement,
        ),
        (
            |b| {
                b.resistor("R 1", ["a", "0"], 1.0);
            },
            Code::BadCharacter,
        ),
        (
            |b| {
                b.resistor("R1\n.include x", ["a", "0"], 1.0);
            },
            Code::BadCharacter,
        ),
        (
            |b| {
                b.resistor("R1", ["a;", "0"], 1.0);
            },
            Code::BadCharacter,
        ),
        (
            |b| {
                b.resistor("R1", ["", "0"], 1.0);
            },
            Code::BadCharacter,
        ),
        (
            |b| {
                b.resistor("R1", ["a", "0"], f64::NAN);
            },
            Code::BadNumber,
        ),
        (
            |b| {
                b.resistor("R1", ["a", "0"], Amount::Expression("1}\n.end".to_owned()));
            },
            Code::BadExpression,
        ),
        (
            |b| {
                b.with("NI", 1.0);
            },
            Code::FieldCount,
        ),
        (
            |b| {
                b.resistor("R1", ["a", "0"], -5.0);
            },
            Code::ValueOutOfRange,
        ),
    ];
    for (spoil, code) in wrong {
        let mut builder = Builder::new("Wrong\nin its title");
        spoil(&mut builder);
        let errors = builder.build().expect_err("it is wrong");
        assert!(errors.iter().any(|error| error.code == code && error.help.is_some()), "{code:?}: {errors:?}");
    }
}

#[test]
fn values_go_between_threads() {
    fn both<T: Send + Sync>() {}
    both::<Circuit>();
    both::<Builder>();
    both::<hissmap::netlist::Netlist>();
    both::<Operating>();
    both::<hissmap::bias::SolveError>();
    both::<hissmap::diagnostic::Diagnostic>();
    both::<hissmap::noise::NoiseFigures>();
    both::<hissmap::smallsignal::SmallSignal>();
    both::<hissmap::variants::Family>();
    both::<hissmap::bench::sheet::Sheet>();
    both::<hissmap::bench::simulated::SimulatedUnit<'static>>();
    both::<hissmap::bench::symptoms::Symptoms>();
    both::<hissmap::diagnosis::Bank>();
    both::<hissmap::diagnosis::Session>();
    both::<hissmap::diagnosis::Conversation<'static, 'static>>();
    both::<hissmap::diagnosis::prepare::Prepared<'static>>();
    both::<hissmap::drill::Drill<'static>>();
    both::<hissmap::report::NoiseResult>();
}

#[test]
fn errors_are_errors() {
    fn error<T: std::error::Error + Send + Sync + 'static>() {}
    error::<hissmap::bias::SolveError>();
    error::<hissmap::diagnosis::SessionError>();
    error::<hissmap::diagnosis::BankError>();
    error::<hissmap::diagnosis::prepare::PrepareError>();
    error::<hissmap::diagnostic::Diagnostic>();
}
