//! Whole commands, process start to end, on the shipped circuits. Read the figures as ratios to `check` of the same file.

use std::hint::black_box;
use std::process::Command;

use criterion::{Criterion, criterion_group, criterion_main};

const CIRCUITS: [&str; 2] = ["two-stage-germanium", "replay-amplifier"];
const COMMANDS: [(&str, &[&str]); 6] = [
    ("check", &[]),
    ("bias", &[]),
    ("response", &[]),
    ("noise", &[]),
    ("compare", &["--ambient", "35"]),
    ("symptoms", &[]),
];

fn commands(criterion: &mut Criterion) {
    for circuit in CIRCUITS {
        let mut group = criterion.benchmark_group(circuit);
        group.sample_size(10);
        for (command, flags) in COMMANDS {
            group.bench_function(command, |bencher| bencher.iter(|| run(command, circuit, flags)));
        }
        group.finish();
    }
}

fn run(command: &str, circuit: &str, flags: &[&str]) {
    let output = Command::new(env!("CARGO_BIN_EXE_hissmap"))
        .arg(command)
        .arg(format!("circuits/{circuit}.cir"))
        .args(flags)
        .output()
        .expect("the command starts");
    assert!(output.status.success(), "{command} {circuit}: {}", String::from_utf8_lossy(&output.stderr));
    black_box(output);
}

criterion_group!(benches, commands);
criterion_main!(benches);
