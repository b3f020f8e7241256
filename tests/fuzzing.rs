//! The bodies of the fuzz targets, on their seeds and on random input.

use std::fs;
use std::path::Path;

use proptest::prelude::*;

#[path = "fuzz/bodies.rs"]
mod bodies;

/// Runs a body on every seed of its target, and on every seed cut short or with a byte missing.
#[track_caller]
fn check_seeds(target: &str, body: fn(&[u8])) {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/seeds").join(target);
    let mut count = 0;
    for entry in fs::read_dir(&directory).unwrap_or_else(|error| panic!("{}: {error}", directory.display())) {
        let path = entry.expect("its entries can be read").path();
        let seed = fs::read(&path).expect("seeds can be read");
        println!("{}", path.display());
        body(&seed);
        let step = seed.len().div_ceil(50).max(1);
        for at in (0..seed.len()).step_by(step) {
            body(&seed[..at]);
            body(&[&seed[..at], &seed[at + 1..]].concat());
        }
        count += 1;
    }
    assert!(count >= 4, "only {count} seeds of {target}");
}

#[test]
fn the_seeds_of_netlists_keep_the_laws() {
    check_seeds("netlist", bodies::netlist);
}

#[test]
fn the_seeds_of_expressions_keep_the_laws() {
    check_seeds("expression", bodies::expression);
}

#[test]
fn the_seeds_of_numbers_keep_the_laws() {
    check_seeds("number", bodies::number);
}

#[test]
fn the_seeds_of_whole_runs_keep_the_laws() {
    check_seeds("pipeline", bodies::pipeline);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 5_000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn every_number_comes_back_the_same(value in any::<f64>()) {
        bodies::number(&value.to_bits().to_le_bytes());
    }

    #[test]
    fn every_text_of_a_number_is_read_or_refused(text in "[-+]?[0-9]{0,3}[.,]?[0-9]{0,3}(e[-+]?[0-9]{0,4})?[a-zA-Zµ]{0,4}[0-9]{0,2}") {
        bodies::number(text.as_bytes());
    }

    #[test]
    fn every_text_of_an_expression_is_computed_or_refused(
        text in "([-+*/^(),. ]|[0-9]{1,3}|sqrt\\(|exp\\(|ln\\(|min\\(|max\\(|u|r2|[a-z]|\\PC){0,12}"
    ) {
        bodies::expression(text.as_bytes());
    }

    #[test]
    fn every_run_of_bytes_is_read(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        bodies::netlist(&bytes);
        bodies::expression(&bytes);
        bodies::number(&bytes);
    }

    #[test]
    fn every_run_of_lines_is_read(
        text in "([RQVXCLKDJEFGHI.*+][a-z]{0,2}( [a-z0]| 1k| \\{[a-z]\\}| [a-z]=1|\u{c}){0,5}\n|\\.subckt s( a){0,2}\n|\\.ends\n|\\.include [12]\n){0,9}"
    ) {
        bodies::netlist(text.as_bytes());
    }
}
