//! Circuits whose equations have no single solution, or one that only leakage decides: the reason in the bench's words.

use std::sync::Arc;

use hissmap::circuit::Circuit;
use hissmap::diagnostic::Severity;
use hissmap::{netlist, operating::Operating};

const STAGE: &str = "VCC vcc 0 9\nR1 vcc b 82k\nR2 b 0 15k\nRC vcc c 4k7\nRE e 0 1k\nQ1 c b e N\nC1 c out 1u\n\
                     RL out 0 10k\n.model N NPN(BF=100)\n.model P PNP(BF=100)\n.model J NJF\n.model D1N D\n";

/// Every message about a netlist, to the bias point: `error C03 …`.
fn messages(lines: &str) -> Vec<String> {
    let written = format!("title\n{lines}\n");
    let (netlist, mut all) = netlist::read("test", &written, &mut |_| Err("no includes".to_owned()));
    match Circuit::build(Arc::new(netlist)) {
        Ok((circuit, warnings)) => {
            all.extend(warnings);
            all.extend(Operating::of(&circuit).err().map(|error| error.diagnostic()));
        }
        Err(problems) => all.extend(problems),
    }
    let severity = |severity| if severity == Severity::Error { "error" } else { "warning" };
    all.iter().map(|one| format!("{} {} {}", severity(one.severity), one.code.as_str(), one.message)).collect()
}

/// `STAGE` with other cards in place of some of its own, and more.
#[track_caller]
fn check(without: &[&str], with: &str, expected: &[&str]) {
    let kept = STAGE.lines().filter(|line| !without.iter().any(|name| line.starts_with(&format!("{name} "))));
    let lines = kept.chain(with.lines()).collect::<Vec<_>>().join("\n");
    assert_eq!(messages(&lines), expected, "{lines}");
}

#[test]
fn a_sound_stage_has_no_message() {
    check(&[], "", &[]);
    // Emitters feed a tail, an emitter feeds a base, a collector feeds an emitter, collectors feed each other.
    check(&[], "Q2 vcc c x N\nQ3 x b 0 N\nQ4 y b2 vcc P\nQ5 y b z N\nR5 b2 0 1MEG\nR6 z 0 1k", &[]);
    check(&["RE"], "Q2 vcc b e N\nQ3 e b3 0 N\nR3 vcc b3 1MEG", &[]);
    // A zener and a pair of diodes back to back conduct either way.
    check(&["RC"], "DZ vcc c Z\n.model Z D(BV=5)", &[]);
    check(&["RC"], "D1 vcc c D1N\nD2 c vcc D1N", &[]);
    // A channel is a path, so the drain needs no other.
    check(&[], "J1 d g out J\nRG g 0 1MEG\nCD d 0 1u", &[]);
}

#[test]
fn a_collector_on_a_capacitor_alone_is_named() {
    let expected = "warning C03 no direct current can flow at node c: only the collector of Q1 hangs there, and leakage \
                    sets the voltage";
    check(&["RC"], "", &[expected]);
}

#[test]
fn two_collectors_with_nothing_to_feed_them_are_named() {
    let expected = "warning C03 no direct current can flow at node c: only the collector of Q1 and the collector of Q2 \
                    meet there, and leakage sets the voltage";
    check(&["RC"], "Q2 c b e N", &[expected]);
}

#[test]
fn a_gate_without_leak_is_named() {
    let expected = "warning C03 no direct current can flow at node g: only the gate of J1 hangs there, and leakage sets \
                    the voltage";
    check(&[], "J1 vcc g s J\nRS s 0 1k\nC2 out g 10n", &[expected]);
}

#[test]
fn an_open_base_and_an_open_emitter_are_named() {
    let expected = "warning C03 no direct current can flow at node b2: only the base of Q2 hangs there, and leakage sets \
                    the voltage";
    check(&[], "Q2 vcc b2 out N\nC2 c b2 1u", &[expected]);
    let expected = "warning C03 no direct current can flow at node e: only the emitter of Q1 hangs there, and leakage \
                    sets the voltage";
    check(&["RE"], "CE e 0 10u", &[expected]);
    // Two bases on a coupling network of their own.
    let expected = "warning C03 no direct current can flow at nodes b2, b3: only the base of Q2 and the base of Q3 meet \
                    there, and leakage sets the voltage";
    check(&[], "Q2 vcc b2 out N\nQ3 vcc b3 out N\nR3 b2 b3 1k\nC2 c b2 1u", &[expected]);
}

#[test]
fn collectors_that_nothing_else_determines_are_named() {
    // An NPN and a PNP of exactly the same current, without Early effect: any voltage between would do.
    let expected = "error S02 the equations have no single solution: nothing determines node m: only the collector of Q2 \
                    and the collector of Q3 meet there, with nothing to feed them";
    check(
        &[],
        "Q2 m b2 z N\nRZ z 0 1k\nR3 vcc b2 82k\nR4 b2 0 15k\nQ3 m b3 y P\nRY vcc y 1k\nR5 vcc b3 15k\nR6 b3 0 82k",
        &[expected],
    );
}

#[test]
fn a_current_source_into_a_collector_is_named() {
    let expected = "error S02 the equations have no single solution: nothing determines node c: only the \
                    collector of Q1 and I1 meet there, with nothing to feed them";
    check(&["RC"], "I1 0 c 5m", &[expected]);
}

#[test]
fn current_sources_in_series_and_floating_nodes_are_named() {
    check(&[], "I1 0 x 1m\nI2 x 0 1m\nCX x 0 1u", &["error C03 node x has no DC path to ground"]);
    check(&[], "C5 c x 1u\nC6 x 0 1u", &["error C03 node x has no DC path to ground"]);
    check(&[], "L1 x y 1\nC5 c x 1u\nR5 x y 1k", &["error C03 nodes x, y have no DC path to ground"]);
}

#[test]
fn loops_of_sources_and_windings_are_named() {
    check(&[], "V2 vcc 0 9", &["error C04 V2 closes a loop of voltage sources and windings"]);
    check(&[], "L1 vcc 0 1", &["error C04 L1 closes a loop of voltage sources and windings"]);
    check(&[], "E1 vcc 0 c 0 1", &["error C04 E1 closes a loop of voltage sources and windings"]);
}

#[test]
fn a_solution_that_rounding_decides_is_refused() {
    // 1 mΩ between two nodes, and 1e14 Ω from them to the rest: 1000 S and 1e-14 S meet on one diagonal, where rounding is
    // 1e-13 S.
    let expected = ["x", "y"]
        .map(|node| vec![format!("error S02 the equations have no single solution: nothing determines node {node}")]);
    // (The elimination ends at the supply.)
    let lines = format!("{STAGE}\nRX vcc x 1e14\nRY x y 1m\nCY y 0 1u");
    assert!(expected.contains(&messages(&lines)), "{:?}", messages(&lines));
    // Here nothing vanishes in the elimination, and the condition alone tells.
    let lines = format!("{STAGE}\nRX vcc x 4e12\nRY x y 1m\nCY y 0 1u");
    assert!(expected.contains(&messages(&lines)), "{:?}", messages(&lines));
    // A short behind an open resistor is still solved.
    check(&[], "RX vcc x 1T\nRY x y 1m\nCY y 0 1u", &[]);
}
