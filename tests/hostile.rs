//! Netlists that nobody would write: whatever the text, the way from reading to hiss ends in errors or finite figures.

use std::sync::Arc;

use hissmap::bench::{Action, Point, Temperatures, what_ifs};
use hissmap::circuit::Circuit;
use hissmap::diagnostic::Diagnostic;
use hissmap::netlist::{self, Netlist};
use hissmap::noise::{SourceResistance, Weighting};
use hissmap::report::{self, NoiseQuestion};
use proptest::prelude::*;

/// Netlists that use every element and statement between them.
const SEEDS: [&str; 4] = [
    "One stage\nVCC vcc 0 9\nVIN in 0 AC 1\nRS in s 1k\nC1 s b 10u POL=1\nR1 vcc b 100k NI=-10\nR2 b 0 22k TC1=1m\n\
     Q1 c b e N ICBO=1u RTH=200\nRC vcc c {rc*2}\nRE e 0 1k\nCE e 0 100u\n.param rc=2k35\n\
     .model N NPN (IS=1e-14 BF=200 VAF=80 IKF=0.1 ISE=1e-13 RB=100 RE=1 RC=2 CJE=8p CJC=4p TF=1n KF=1e-14)\n\
     .noise v(c,e) VIN dec 5 100 200\n.ac dec 2 10 1k\n.temp 35\n.end\n",
    "Germanium pair\nVCC 0 vcc 9\nI1 0 b1 5u\nQ1 c1 b1 0 G\nR1 vcc c1 10k\nQ2 c2 c1 e2 G AREA=2 TEMP=50\nR2 vcc c2 4k7\nR3 e2 0 470\n\
     D1 e2 0 DD\nL1 c2 out 1m\nL2 x 0 2m\nK1 L1 L2 0.9\nRX x 0 50\nRL out 0 10k\n\
     .model G PNP (IS=2u BF=60 EG=0.67 ICBO=3u LEAKM=20 LEAKFC=1k TDBL=8)\n.model DD D (RS=1 CJO=5p BV=6 TT=1n)\n",
    "Field effect\nVDD d 0 12\nVG g 0 AC 1\nRG g gg 1MEG\nJ1 dd gg s J\nRD d dd 4k7\nRS s 0 1k\nE1 o 0 dd s 2\nRO o 0 1k\n\
     G1 0 p dd 0 1m\nRP p 0 1k\nF1 0 q VDD 0.5\nRQ q 0 100\nH1 r 0 VG 100\nRR r 0 1k\n\
     .model J NJF (BETA=2m VTO=-1.5 LAMBDA=0.02 IS=1e-14 RD=10 RS=10 CGS=4p CGD=2p KF=1e-16)\n",
    "Nested\n.subckt stage in out vcc PARAMS: r=10k\n.param half={r/2}\nRC vcc out {r}\nRB out in {half*20}\nQ1 out in 0 N\n.ends stage\n\
     .model N NPN\nVCC vcc 0 5\nXA a b vcc stage r=4k7\nXB c d vcc stage\nC1 b c 1u\nC2 in a 1u\nVIN in 0 AC 1 SIN(0 1 1k)\n\
     .noise v(d) VIN dec 3 100 1k\n.options reltol=1e-6\n",
];

/// What takes the place of a number or word.
const EXTREMES: [&str; 30] = [
    "0",
    "-1",
    "1e-300",
    "1e300",
    "-1e300",
    "1e308",
    "1e309",
    "5e-324",
    "1e-30",
    "1e30",
    "nan",
    "inf",
    "1e",
    "4,7k",
    "4k7",
    "{",
    "}",
    "{1/0}",
    "{rc}",
    "{2^2^2^2^2^2}",
    "(",
    "=",
    "+",
    "*",
    ".",
    "-",
    "0",
    "vcc",
    "Q1",
    "é\u{0}\u{feff}",
];

#[derive(Clone, Debug)]
enum Mutation {
    CutBytes(usize, usize),
    DuplicateLine(usize, usize),
    DropLine(usize),
    SwapLines(usize, usize),
    SwapBytes(usize, usize),
    ReplaceWord(usize, usize),
    ReplaceValue(usize, usize),
    InsertByte(usize, u8),
}

fn mutation() -> impl Strategy<Value = Mutation> {
    let place = || 0usize..4096;
    prop_oneof![
        1 => (place(), 1usize..20).prop_map(|(at, length)| Mutation::CutBytes(at, length)),
        1 => (place(), place()).prop_map(|(line, to)| Mutation::DuplicateLine(line, to)),
        1 => place().prop_map(Mutation::DropLine),
        1 => (place(), place()).prop_map(|(a, b)| Mutation::SwapLines(a, b)),
        1 => (place(), place()).prop_map(|(a, b)| Mutation::SwapBytes(a, b)),
        1 => (place(), place()).prop_map(|(word, with)| Mutation::ReplaceWord(word, with)),
        // Most often, since it gets furthest.
        4 => (place(), place()).prop_map(|(value, with)| Mutation::ReplaceValue(value, with)),
        1 => (place(), any::<u8>()).prop_map(|(at, byte)| Mutation::InsertByte(at, byte)),
    ]
}

fn apply(text: &str, mutation: &Mutation) -> String {
    let mut lines: Vec<&str> = text.split_inclusive('\n').collect();
    let mut bytes = text.as_bytes().to_vec();
    if bytes.is_empty() {
        return String::new();
    }
    let (count, length) = (lines.len(), bytes.len());
    match *mutation {
        Mutation::CutBytes(at, cut) => drop(bytes.drain(at % length..(at % length + cut).min(length))),
        Mutation::SwapBytes(a, b) => bytes.swap(a % length, b % length),
        Mutation::InsertByte(at, byte) => bytes.insert(at % length, byte),
        Mutation::DuplicateLine(line, to) => {
            lines.insert(to % count, lines[line % count]);
            return lines.concat();
        }
        Mutation::DropLine(line) => {
            lines.remove(line % count);
            return lines.concat();
        }
        Mutation::SwapLines(a, b) => {
            lines.swap(a % count, b % count);
            return lines.concat();
        }
        Mutation::ReplaceWord(at, with) => return replaced(text, at, with, |c| !c.is_whitespace()),
        Mutation::ReplaceValue(at, with) => return replaced(text, at, with, |c| c.is_ascii_digit() || c == '.'),
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

/// The text with the run of characters of a kind at or behind a place replaced.
fn replaced(text: &str, at: usize, with: usize, kind: impl Fn(char) -> bool) -> String {
    let mut at = at % text.len();
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    let Some(start) = text[at..].find(&kind).map(|offset| at + offset) else { return text.to_owned() };
    let end = text[start..].find(|c| !kind(c)).map_or(text.len(), |offset| start + offset);
    format!("{}{}{}", &text[..start], EXTREMES[with % EXTREMES.len()], &text[end..])
}

fn read(text: &str) -> (Netlist, Vec<Diagnostic>) {
    netlist::read("hostile.cir", text, &mut |_| Err("there are no files here".to_owned()))
}

/// Runs everything; panics on a figure that is not finite, and on a message that points outside the text.
fn run(text: &str, flags: &[(Action, String)]) {
    let (netlist, mut messages) = read(text);
    let sources = netlist.sources.clone();
    let built = Circuit::build(Arc::new(netlist));
    messages.extend(built.as_ref().map_or_else(Clone::clone, |(_, warnings)| warnings.clone()));
    for message in &messages {
        let places =
            message.span.iter().chain(&message.statement).chain(message.labels.iter().map(|label| &label.span));
        for place in places {
            assert!(sources.locate(*place).is_some(), "{message:?}");
        }
    }
    let Ok((circuit, _)) = built else { return };
    if messages.iter().any(Diagnostic::is_error) {
        return;
    }
    let Ok((what_ifs, _)) = what_ifs(&circuit, &Temperatures::default(), flags) else { return };
    let changes: Vec<_> = what_ifs.into_iter().map(|what_if| what_if.change).collect();
    let Ok(circuit) = circuit.changed(&changes) else { return };
    let Ok(bias) = report::bias(&circuit, &[]) else { return };
    for node in &bias.nodes {
        assert!(node.volts.is_finite(), "{} V at {}", node.volts, node.name);
    }
    let finite = serde_json::to_string(&bias.devices.iter().map(|device| device.bias.currents).collect::<Vec<_>>());
    assert!(!finite.expect("numbers").contains("null"), "{:?}", bias.devices);
    let input = circuit.noise.as_ref().map(|noise| noise.source);
    let question = NoiseQuestion {
        points: Point::all(&circuit, input),
        input,
        gain_hertz: 1e3,
        band_hz: circuit.noise.as_ref().map_or([900.0, 1000.0], |noise| noise.points.band_hz),
        weighting: Weighting::Flat,
        tolerance: 0.1,
        spectrum: false,
        source_resistance: input.map(|input| SourceResistance::Added { input, ohms: 1e3 }),
        level_volts: Some(1.0),
    };
    let Ok(noise) = report::noise(&circuit, &[], &question) else { return };
    for point in &noise.points {
        let optional = [point.gain_db, point.input_rms, point.noise_figure_db, point.snr_db].into_iter().flatten();
        let own = [point.rms_volts, point.relative_error, point.peak_to_peak_volts, point.dc_volts];
        let shares = point.devices.iter().flat_map(|device| [device.share, device.rms_volts]);
        for figure in own.into_iter().chain(optional).chain(shares) {
            assert!(figure.is_finite(), "{point:?}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 10_000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_spoilt_netlist_gives_errors_or_finite_figures(
        seed in 0..SEEDS.len(),
        mutations in prop::collection::vec(mutation(), 1..4),
    ) {
        run(&mutations.iter().fold(SEEDS[seed].to_owned(), |text, mutation| apply(&text, mutation)), &[]);
    }

    #[test]
    fn any_text_of_a_what_if_is_read_or_refused(
        action in 0..Action::ALL.len(),
        part in prop::sample::select(&["Q1", "q1", "RC", "C1", "VCC", "b", "b,c", "rc", "N", "", "é", "b,", ","][..]),
        value in prop::sample::select(&EXTREMES[..]),
        more in prop::sample::select(&["", ",x=300", ",x=1e308", ",corner=1e300", ",ni=1e5", ",double=1e-300", ",x", ",=", ",x=,"][..]),
        plain in any::<bool>(),
    ) {
        let text = if plain { part.to_owned() } else { format!("{part}={value}{more}") };
        run(SEEDS[0], &[(Action::ALL[action], text)]);
    }

    #[test]
    fn any_bytes_are_read(text in "\\PC{0,40}(\n[RQVXCLKDJEFGHI.*+]?[ -~]{0,30}){0,8}") {
        run(&text, &[]);
    }
}

#[test]
fn the_seeds_themselves_are_sound() {
    for seed in SEEDS {
        let (netlist, messages) = read(seed);
        assert!(!messages.iter().any(Diagnostic::is_error), "{messages:?}");
        let (circuit, _) = Circuit::build(Arc::new(netlist)).unwrap_or_else(|errors| panic!("{errors:?}"));
        report::bias(&circuit, &[]).unwrap_or_else(|error| panic!("{}: {error}", circuit.title));
    }
}
