//! Netlists that nobody would write: whatever the text, the way from reading to hiss ends in errors or finite figures.

use std::sync::Arc;

use bodies::{read, whole_run};
use hissmap::bench::Action;
use hissmap::circuit::Circuit;
use hissmap::diagnostic::Diagnostic;
use hissmap::report::{self, BiasQuestion};
use proptest::prelude::*;

#[path = "fuzz/bodies.rs"]
mod bodies;

/// Netlists that use every element and statement between them; the fuzzer begins with the same.
const SEEDS: [&str; 4] = [
    include_str!("fuzz/seeds/pipeline/silicon-stage.cir"),
    include_str!("fuzz/seeds/pipeline/germanium-pair.cir"),
    include_str!("fuzz/seeds/pipeline/field-effect.cir"),
    include_str!("fuzz/seeds/pipeline/nested.cir"),
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

proptest! {
    #![proptest_config(ProptestConfig { cases: 10_000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_spoilt_netlist_gives_errors_or_finite_figures(
        seed in 0..SEEDS.len(),
        mutations in prop::collection::vec(mutation(), 1..4),
    ) {
        whole_run(&mutations.iter().fold(SEEDS[seed].to_owned(), |text, mutation| apply(&text, mutation)), &[]);
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
        whole_run(SEEDS[0], &[(Action::ALL[action], text)]);
    }

    #[test]
    fn any_bytes_are_read(text in "\\PC{0,40}(\n[RQVXCLKDJEFGHI.*+]?[ -~]{0,30}){0,8}") {
        whole_run(&text, &[]);
    }
}

#[test]
fn the_seeds_themselves_are_sound() {
    for seed in SEEDS {
        let (netlist, messages) = read(seed);
        assert!(!messages.iter().any(Diagnostic::is_error), "{messages:?}");
        let (circuit, _) = Circuit::build(Arc::new(netlist)).unwrap_or_else(|errors| panic!("{errors:?}"));
        report::bias(&circuit, &[], &BiasQuestion::default())
            .unwrap_or_else(|error| panic!("{}: {error}", circuit.title));
    }
}
