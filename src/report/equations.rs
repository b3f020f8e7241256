//! The linearised equations and noise sources as text, for checking with any linear-algebra package.
//!
//! Sections headed by a name and a count; `#` begins a comment line. Unknowns are numbered from 0, -1 is ground.
//! For an observed unknown u: solve Aᵀ·z = e(u) with A(f)\[i,j\] the sum of g + j·2πf·c; the density is the sum of
//! |z(i) − z(j)|²·(w + h/f) over the sources.

use std::fmt::Write;

use crate::bench::Point;
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;
use crate::mna::{NodeId, Unknown};
use crate::operating::Operating;
use crate::units::exact;

/// What is written.
#[derive(Clone, Debug, PartialEq)]
pub struct EquationsResult {
    /// The text.
    pub text: String,
    /// What a reader should know.
    pub cautions: Vec<Diagnostic>,
}

/// Writes the equations of `circuit` at its bias point, for `hertz`; observed are the nodes of `points`, or all nodes.
/// `changes` are the what-ifs that made the circuit, a line each.
///
/// # Errors
/// [`SolveError`] names what did not settle.
pub fn equations(
    circuit: &Circuit,
    changes: &[String],
    points: &[Point],
    hertz: &[f64],
) -> Result<EquationsResult, SolveError> {
    let operating = Operating::of(circuit)?;
    let signal = &operating.signal;
    let entries = signal.equations.by_nodes();
    let mut text = String::new();
    for line in circuit.title.lines().chain(changes.iter().map(String::as_str)) {
        push(&mut text, format_args!("# {line}"));
    }
    push(&mut text, format_args!("n {}", signal.equations.unknowns));
    for unknown in (1..=signal.equations.unknowns).map(number) {
        push(&mut text, format_args!("# {} {}", index(unknown), circuit.describe_unknown(unknown)));
    }
    push(&mut text, format_args!("triplets {}", entries.len()));
    for entry in &entries {
        let (row, column) = (index(entry.row), index(entry.column));
        push(&mut text, format_args!("{row} {column} {} {}", exact(entry.g), exact(entry.c)));
    }
    push(&mut text, format_args!("sources {}", signal.sources.len()));
    for source in &signal.sources {
        push(&mut text, format_args!("# {} {}", circuit.part(source.part).name, source.mechanism.name()));
        let (from, to) = (index(source.from), index(source.to));
        push(&mut text, format_args!("{from} {to} {} {}", exact(source.white), exact(source.flicker)));
    }
    push(&mut text, format_args!("freqs {}", hertz.len()));
    hertz.iter().for_each(|&hertz| push(&mut text, format_args!("{}", exact(hertz))));
    let observed: Vec<NodeId> = match points {
        [] => circuit.nodes().map(|(node, _)| node).collect(),
        points => points.iter().map(|point| point.plus).collect(),
    };
    push(&mut text, format_args!("observe {}", observed.len()));
    observed.iter().for_each(|&node| push(&mut text, format_args!("{}", index(node.into()))));
    Ok(EquationsResult { text, cautions: operating.cautions(circuit) })
}

fn push(text: &mut String, line: std::fmt::Arguments) {
    writeln!(text, "{line}").expect("a text grows without fail");
}

fn number(at: usize) -> Unknown {
    Unknown(u32::try_from(at).expect("unknowns are numbered in 32 bits"))
}

/// From 0 as the exchange format counts; -1 is ground.
fn index(unknown: Unknown) -> i64 {
    i64::from(unknown.0) - 1
}
