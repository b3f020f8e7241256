//! Bad netlists: the right verdict at the right line, exit code 2, soon, without a panic.

use std::fmt::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

/// A file of `tests/bad/`, the code of the fault, its line (the first of its statement), and the file that it is in.
const TABLE: &[(&str, &str, Option<u64>, &str)] = &[
    ("unknown-part", "N01", Some(5), "unknown-part.cir"),
    ("continues-nothing", "N01", Some(2), "continues-nothing.cir"),
    ("starts-with-digit", "N01", Some(3), "starts-with-digit.cir"),
    ("unknown-statement", "N02", Some(5), "unknown-statement.cir"),
    ("half-statement", "N02", Some(5), "half-statement.cir"),
    ("unknown-model", "N03", Some(3), "unknown-model.cir"),
    ("model-in-another-scope", "N03", Some(4), "model-in-another-scope.cir"),
    ("unknown-subcircuit", "N04", Some(5), "unknown-subcircuit.cir"),
    ("subcircuit-named-like-a-model", "N04", Some(5), "subcircuit-named-like-a-model.cir"),
    ("missing-value", "N05", Some(3), "missing-value.cir"),
    ("missing-node", "N05", Some(4), "missing-node.cir"),
    ("too-many-fields", "N05", Some(3), "too-many-fields.cir"),
    ("substrate-node", "N05", Some(4), "substrate-node.cir"),
    ("call-with-too-few-nodes", "N05", Some(5), "call-with-too-few-nodes.cir"),
    ("call-with-too-many-nodes", "N05", Some(5), "call-with-too-many-nodes.cir"),
    ("bare-card", "N05", Some(5), "bare-card.cir"),
    ("open-bracket", "N05", Some(5), "open-bracket.cir"),
    ("param-without-value", "N05", Some(5), "param-without-value.cir"),
    ("noise-without-output", "N05", Some(5), "noise-without-output.cir"),
    ("include-without-name", "N05", Some(5), "include-without-name.cir"),
    ("decimal-comma", "N06", Some(3), "decimal-comma.cir"),
    ("thousands", "N06", Some(3), "thousands.cir"),
    ("words-for-numbers", "N06", Some(3), "words-for-numbers.cir"),
    ("not-a-number", "N06", Some(2), "not-a-number.cir"),
    ("infinite", "N06", Some(2), "infinite.cir"),
    ("too-large", "N06", Some(3), "too-large.cir"),
    ("two-points", "N06", Some(3), "two-points.cir"),
    ("exponent-without-digits", "N06", Some(3), "exponent-without-digits.cir"),
    ("letter-and-point", "N06", Some(3), "letter-and-point.cir"),
    ("bad-number-on-a-continued-line", "N06", Some(3), "bad-number-on-a-continued-line.cir"),
    ("open-brace", "N07", Some(3), "open-brace.cir"),
    ("stray-brace", "N07", Some(3), "stray-brace.cir"),
    ("divided-by-zero", "N07", Some(3), "divided-by-zero.cir"),
    ("root-of-negative", "N07", Some(3), "root-of-negative.cir"),
    ("unknown-function", "N07", Some(3), "unknown-function.cir"),
    ("overflowing-expression", "N07", Some(3), "overflowing-expression.cir"),
    ("computes-without-braces", "N07", Some(3), "computes-without-braces.cir"),
    ("empty-expression", "N07", Some(3), "empty-expression.cir"),
    ("fault-in-a-param", "N07", Some(2), "fault-in-a-param.cir"),
    ("unknown-part-parameter", "N08", Some(3), "unknown-part-parameter.cir"),
    ("unknown-model-parameter", "N08", Some(5), "unknown-model-parameter.cir"),
    ("unknown-name-in-expression", "N08", Some(3), "unknown-name-in-expression.cir"),
    ("undeclared-call-parameter", "N08", Some(5), "undeclared-call-parameter.cir"),
    ("unknown-name-inside-a-call", "N08", Some(7), "unknown-name-inside-a-call.cir"),
    ("two-parts-of-one-name", "N09", Some(5), "two-parts-of-one-name.cir"),
    ("two-models-of-one-name", "N09", Some(6), "two-models-of-one-name.cir"),
    ("two-subcircuits-of-one-name", "N09", Some(8), "two-subcircuits-of-one-name.cir"),
    ("two-ports-of-one-name", "N09", Some(5), "two-ports-of-one-name.cir"),
    ("param-twice", "N09", Some(3), "param-twice.cir"),
    ("twice-inside-a-call", "N09", Some(7), "twice-inside-a-call.cir"),
    ("param-circle", "N10", Some(2), "param-circle.cir"),
    ("subcircuit-in-itself", "N10", Some(7), "subcircuit-in-itself.cir"),
    ("subcircuits-in-each-other", "N10", Some(10), "subcircuits-in-each-other.cir"),
    ("missing-include", "N11", Some(5), "missing-include.cir"),
    ("include-of-a-folder", "N11", Some(5), "include-of-a-folder.cir"),
    ("include-circle", "N12", Some(2), "circle.inc"),
    ("includes-itself", "N12", Some(5), "includes-itself.cir"),
    ("fault-in-an-include", "N06", Some(2), "faulty.inc"),
    ("fault-in-an-included-subcircuit", "C01", Some(2), "faulty-sub.inc"),
    ("never-ended", "N13", Some(5), "never-ended.cir"),
    ("never-begun", "N13", Some(5), "never-begun.cir"),
    ("ended-by-another-name", "N13", Some(7), "ended-by-another-name.cir"),
    ("diode-model-on-a-transistor", "N14", Some(4), "diode-model-on-a-transistor.cir"),
    ("unknown-model-type", "N14", Some(5), "unknown-model-type.cir"),
    ("control-character", "N22", Some(3), "control-character.cir"),
    ("comma-between-nodes", "N22", Some(3), "comma-between-nodes.cir"),
    ("zero-ohms", "C01", Some(3), "zero-ohms.cir"),
    ("negative-ohms", "C01", Some(3), "negative-ohms.cir"),
    ("negative-farads", "C01", Some(5), "negative-farads.cir"),
    ("zero-henries", "C01", Some(5), "zero-henries.cir"),
    ("negative-by-expression", "C01", Some(6), "negative-by-expression.cir"),
    ("negative-gain-of-a-model", "C01", Some(5), "negative-gain-of-a-model.cir"),
    ("below-absolute-zero", "C01", Some(5), "below-absolute-zero.cir"),
    ("negative-inside-a-call", "C01", Some(8), "negative-inside-a-call.cir"),
    ("no-ground", "C02", Some(2), "no-ground.cir"),
    ("floating-node", "C03", Some(5), "floating-node.cir"),
    ("floating-island", "C03", Some(5), "floating-island.cir"),
    ("floating-inside-a-call", "C03", Some(7), "floating-inside-a-call.cir"),
    ("current-source-into-nothing", "C03", Some(5), "current-source-into-nothing.cir"),
    ("sources-side-by-side", "C04", Some(5), "sources-side-by-side.cir"),
    ("source-across-itself", "C04", Some(5), "source-across-itself.cir"),
    ("source-loop-of-three", "C04", Some(7), "source-loop-of-three.cir"),
    ("winding-across-a-source", "C04", Some(5), "winding-across-a-source.cir"),
    ("windings-side-by-side", "C04", Some(6), "windings-side-by-side.cir"),
    ("controlled-source-loop", "C04", Some(5), "controlled-source-loop.cir"),
    ("coupling-above-one", "C05", Some(9), "coupling-above-one.cir"),
    ("coupled-to-itself", "C05", Some(6), "coupled-to-itself.cir"),
    ("impossible-windings", "C05", Some(13), "impossible-windings.cir"),
    ("coupling-without-winding", "C06", Some(6), "coupling-without-winding.cir"),
    ("controlled-by-nothing", "C06", Some(5), "controlled-by-nothing.cir"),
    ("noise-of-an-unknown-node", "C06", Some(5), "noise-of-an-unknown-node.cir"),
    ("noise-from-a-resistor", "C06", Some(5), "noise-from-a-resistor.cir"),
    ("noise-band-upside-down", "C01", Some(5), "noise-band-upside-down.cir"),
    ("only-a-title", "C07", None, "only-a-title.cir"),
    ("empty", "C07", None, "empty.cir"),
    ("too-many-points", "N21", Some(5), "too-many-points.cir"),
    ("endless-band", "N21", Some(5), "endless-band.cir"),
];

/// What the command is given.
enum Netlist<'a> {
    File(String),
    Text(&'a str),
}

/// Checks a netlist as JSON, which must take less than a second.
#[track_caller]
fn check(netlist: &Netlist, command: &str) -> (Output, serde_json::Value) {
    let mut process = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    process.current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bad"));
    process.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let start = Instant::now();
    let (file, input) = match netlist {
        Netlist::File(file) => (file.as_str(), ""),
        Netlist::Text(text) => ("-", *text),
    };
    let mut child = process.args([command, file, "--json"]).spawn().expect("the command starts");
    let mut stdin = child.stdin.take().expect("it is piped");
    // The command stops reading where the text is too long.
    let _ = std::io::Write::write_all(&mut stdin, input.as_bytes());
    drop(stdin);
    let output = child.wait_with_output().expect("the command ends");
    // Measured far below one second when nothing else runs.
    assert!(start.elapsed() < Duration::from_secs(5), "{:?}", start.elapsed());
    let result = serde_json::from_slice(&output.stdout).expect("JSON");
    (output, result)
}

#[test]
fn every_bad_file_gets_the_right_verdict_at_the_right_line() {
    let mut wrong = String::new();
    for &(name, code, line, file) in TABLE {
        let (output, result) = check(&Netlist::File(format!("{name}.cir")), "check");
        let errors = result["errors"].as_array().expect("a list");
        let stderr = String::from_utf8_lossy(&output.stderr);
        let found: Vec<_> = errors
            .iter()
            .map(|error| (error["code"].as_str(), error["line"].as_u64(), error["file"].as_str()))
            .collect();
        let helped = errors.iter().all(|error| error["help"].is_string());
        // One fault, one message.
        if output.status.code() != Some(2)
            || found != [(Some(code), line, Some(file))]
            || !helped
            || stderr.contains("panicked")
        {
            let _ =
                writeln!(wrong, "{name}: {:?} {found:?}, not {code} {line:?} {file}\n{stderr}", output.status.code());
        }
    }
    assert!(wrong.is_empty(), "\n{wrong}");
}

#[test]
fn the_table_lists_every_file() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bad");
    let count = std::fs::read_dir(folder).expect("the folder is there").filter(|entry| {
        entry.as_ref().is_ok_and(|entry| entry.path().extension().is_some_and(|extension| extension == "cir"))
    });
    assert_eq!(count.count(), TABLE.len());
}

#[test]
fn other_commands_refuse_them_too() {
    for command in ["bias", "noise", "response", "compare"] {
        let (output, result) = check(&Netlist::File("floating-node.cir".to_owned()), command);
        assert_eq!((output.status.code(), &result["errors"][0]["code"]), (Some(2), &"C03".into()));
    }
}

/// Texts that grow, too large for files.
#[test]
fn bombs_end_soon() {
    let title = "A bomb\n";
    let sound = "V1 in 0 9\nR1 in 0 1k\n";
    let mut calls = title.to_owned();
    for level in 0..9 {
        let _ = writeln!(calls, ".subckt s{level} a");
        for call in 0..10 {
            let _ = writeln!(calls, "X{call} a s{}", level + 1);
        }
        calls += ".ends\n";
    }
    calls += ".subckt s9 a\nR1 a 0 1k\n.ends\nX1 in s0\n";
    let deep: String = (0..100).map(|n| format!(".subckt d{n} a\nX1 a d{}\n.ends\n", n + 1)).collect();
    let ladder: String = (0..11_000).map(|n| format!("L{n} {n} {} 1\n", n + 1)).collect();
    let cards: String = (0..200_000).map(|n| format!("R{n} a 0 1k\n")).collect();
    for (text, words) in [
        (format!("{calls}{sound}"), "more than 20000 parts"),
        (format!("{title}{sound}{deep}X1 in d0\n"), "nest deeper than 40"),
        (
            format!("{title}{sound}R2 in 0 {{{}1{}}}\n", "(".repeat(20_000), ")".repeat(20_000)),
            "longer than 8192 bytes",
        ),
        (format!("{title}{sound}R2 in 0 {}\n", "1 ".repeat(100_000)), "longer than 64 KiB"),
        (format!("{title}{sound}R2 in 0 {}\n", "1".repeat(10_000)), "longer than 255 bytes"),
        (format!("{title}{sound}* {}\n", "comment ".repeat(1_000_000)), "longer than 4 MiB"),
        (format!("{title}{ladder}"), "unknowns"),
        (format!("{title}{cards}"), "more than"),
        (format!("{title}{sound}{}", "?\n".repeat(500_000)), "1000 messages"),
        (format!("{title}{}", ".subckt s a\n".repeat(100_000)), "nested more than 32 deep"),
    ] {
        let (output, result) = check(&Netlist::Text(&text), "check");
        assert_eq!(output.status.code(), Some(2), "{words}");
        let errors = result["errors"].as_array().expect("a list");
        let limit = |error: &&serde_json::Value| error["code"] == "N21";
        let message = errors.iter().find(limit).map(|error| error["message"].as_str().unwrap_or_default());
        assert!(message.is_some_and(|message| message.contains(words)), "{words}: {message:?}");
    }
}
