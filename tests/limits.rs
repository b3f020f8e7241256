//! Whatever a text asks for, reading and building it ends soon, and the limit it goes beyond is named.

use std::fmt::Write;
use std::sync::Arc;
use std::time::{Duration, Instant};

use hissmap::circuit::Circuit;
use hissmap::diagnostic::{Code, Diagnostic, SourceId};
use hissmap::netlist::{self, Expression, Fetched, Limits};

/// Messages about a text within limits.
fn messages(text: &str, limits: &Limits) -> Vec<Diagnostic> {
    let (netlist, mut messages) = netlist::read_with(limits, "bomb.cir", text, &mut |request| {
        // Every file includes the next one.
        let next = request.path.parse::<usize>().map_err(|_| "no such file".to_owned())? + 1;
        Ok(Fetched { name: request.path.to_owned(), text: format!(".include {next}\n") })
    });
    match Circuit::build_with(Arc::new(netlist), limits) {
        Ok((_, warnings)) => messages.extend(warnings),
        Err(errors) => messages.extend(errors),
    }
    messages
}

/// The text goes beyond a limit, and a message names it with `words`, soon enough.
#[track_caller]
fn check(text: &str, limits: &Limits, words: &str) {
    let start = Instant::now();
    let messages = messages(text, limits);
    // Tests are built with little optimisation and run side by side: the command takes a fraction of this.
    assert!(start.elapsed() < Duration::from_secs(10), "{:?}", start.elapsed());
    let found = messages.iter().any(|message| message.code == Code::LimitExceeded && message.message.contains(words));
    assert!(found, "{:?}", messages.iter().take(5).collect::<Vec<_>>());
}

fn with(change: impl FnOnce(&mut Limits)) -> Limits {
    let mut limits = Limits::default();
    change(&mut limits);
    limits
}

/// Sub-circuits that call the next one `width` times each; the innermost holds `leaf`.
fn nested(depth: usize, width: usize, leaf: &str) -> String {
    let mut text = "Bomb\n".to_owned();
    for level in 0..depth {
        let _ = writeln!(text, ".subckt s{level} a");
        for call in 0..width {
            let _ = writeln!(text, "X{call} a s{}", level + 1);
        }
        text += ".ends\n";
    }
    text + &format!(".subckt s{depth} a\n{leaf}\n.ends\nX1 1 s0\nV1 1 0 1\n")
}

#[test]
fn sub_circuits_that_multiply_are_stopped() {
    check(&nested(9, 10, "R1 a 0 1k"), &Limits::default(), "more than 20000 parts");
    check(&nested(9, 10, ""), &Limits::default(), "more than 200000 cards and values");
    check(&nested(3, 5, "R1 a 0 1k"), &with(|limits| limits.parts = 100), "more than 100 parts");
    check(&nested(3, 5, "R1 a 0 1k"), &with(|limits| limits.expansion = 100), "more than 100 cards and values");
    assert!(messages(&nested(3, 5, "R1 a 0 1k"), &Limits::default()).is_empty());
}

#[test]
fn names_that_grow_with_every_level_are_stopped() {
    let long = "n".repeat(200);
    let text = nested(5, 6, &format!("R{long} a m{long} 1k\nS a m{long} 1k")).replace("X", &format!("X{long}"));
    check(&text.replace("\nS ", "\nR2"), &Limits::default(), "the names of the expanded circuit");
}

#[test]
fn depth_is_limited() {
    check(&nested(60, 1, "R1 a 0 1k"), &Limits::default(), "nest deeper than 40");
    check("title\n.include 1\n", &Limits::default(), "more than 32 deep");
    check("title\n.include 1\n", &with(|limits| limits.includes = 5), "more than 5 files");
    check("title\n.include 1\n", &with(|limits| limits.include_depth = 5), "more than 5 deep");
    let text = format!("title\n{}", ".subckt s a\n".repeat(10));
    check(&text, &with(|limits| limits.definition_depth = 5), "more than 5 deep");
}

#[test]
fn size_is_limited() {
    let comments = "* nothing\n".repeat(500_000);
    check(&comments, &Limits::default(), "longer than 4 MiB");
    check("title\nR1 a 0 1k\n", &with(|limits| limits.text_bytes = 10), "longer than 10 bytes");
    check("title\nR1 a 0 1k ; and more\n", &with(|limits| limits.statement_bytes = 5), "longer than 5 bytes");
    check(&format!("title\nR{} a 0 1k\n", "1".repeat(300)), &Limits::default(), "longer than 255 bytes");
    let cards: String = (0..150_000).map(|n| format!("R{n} a 0 1k\n")).collect();
    check(&format!("title\n{cards}"), &Limits::default(), "more than 500000 names and values");
    let parameters: String = (0..60_000).map(|n| format!(".param p{n}={{p{}}}\n", n + 1)).collect();
    assert!(messages(&format!("title\n{parameters}.param p60000=1\nR1 1 0 {{p0}}\n"), &Limits::default()).is_empty());
}

#[test]
fn expressions_are_limited() {
    let text = |inner: &str| format!("title\nR1 1 0 {{{inner}}}\n");
    check(&text(&"1+".repeat(5000)), &Limits::default(), "longer than 8192 bytes");
    check(&text(&"(".repeat(5000)), &with(|limits| limits.expression_depth = 4096), "nested more than 4096 deep");
    check(&text("((1))"), &with(|limits| limits.expression_depth = 1), "nested more than 1 deep");
    check(&text("1+1+1"), &with(|limits| limits.expression_bytes = 4), "longer than 4 bytes");
    let flood = format!("title\n{}", ".param x={a+a+a+a+a+a+a+a+a+a+a+a+a+a}\n".repeat(50_000));
    check(&flood, &Limits::default(), "more than 500000 names and values");
    let shallow = with(|limits| limits.expression_depth = 2);
    assert!(Expression::parse_with(&shallow, "1+2*3", SourceId(0), 0).is_ok());
    assert!(Expression::parse_with(&shallow, "((1))*(2)", SourceId(0), 0).is_ok());
}

#[test]
fn a_circuit_that_would_take_minutes_is_refused() {
    let ladder: String = (0..11_000).map(|n| format!("V{n} {n} {} 1\n", n + 1)).collect();
    check(&format!("title\n{ladder}"), &Limits::default(), "22000 unknowns");
    let larger = with(|limits| limits.unknowns = 22_000);
    assert!(messages(&format!("title\n{ladder}"), &larger).is_empty());
    let windings: String = (1..=1500).map(|n| format!("L{n} a{n} 0 1\nR{n} a{n} 0 1\n")).collect();
    let names: String = (1..=1500).map(|n| format!(" L{n}")).collect();
    check(&format!("title\n{windings}K1{names} 0.9\n"), &Limits::default(), "1124250 pairs of windings");
}

#[test]
fn curves_of_endless_points_are_refused() {
    for card in [".ac dec 1000 1e-300 1e300", ".ac lin 1e9 1 2", ".noise v(1) V1 oct 300 1u 1e30"] {
        check(&format!("title\nV1 1 0 1\nR1 1 0 1\n{card}\n"), &Limits::default(), "more than 20000 plot points");
    }
}

#[test]
fn floods_of_faults_end() {
    let unknown: String = (0..20_000).map(|n| format!("Q{n} c b 0 nomodel{n}\n.model m{n} NPN\n")).collect();
    check(&format!("title\n{unknown}"), &Limits::default(), "1000 messages");
    // Once the islands of floating nodes each went through all parts: 477 bytes of calls took 17 s (found by fuzzing).
    let floating: String = (0..15_000).map(|n| format!("C{n} a{n} 0 1u\n")).collect();
    check(&format!("title\nR1 0 1 1\n{floating}"), &Limits::default(), "1000 messages");
    let twice: String = (0..9_000).map(|_| " a=1").collect();
    check(
        &format!("title\n.subckt s x params:{twice}\n.ends\nX1 1 s{twice}\nR1 1 0 1\n"),
        &Limits::default(),
        "1000 messages",
    );
    let circle: String = (0..60_000).map(|n| format!(".param p{n}={{p{}}}\n", (n + 1) % 60_000)).collect();
    let messages = messages(&format!("title\n{circle}R1 1 0 1\n"), &Limits::default());
    assert_eq!(messages.len(), 1);
    assert!(messages[0].message.len() < 200, "{}", messages[0].message);
}
