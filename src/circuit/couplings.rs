//! Couplings of windings: inductances filled in, and what no windings can have refused.
//!
//! The matrix of coefficients of windings that are coupled to each other must have no negative eigenvalue, else the
//! energy stored in them could be negative.

use indexmap::{IndexMap, IndexSet};
use nalgebra::DMatrix;

use super::topology::Islands;
use super::{Part, node_id};
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, PartId};
use crate::units::exact;

/// Rounding of coefficients such as 0.999 typed for three windings may push an eigenvalue this far below zero.
const SLACK: f64 = 1e-9;

/// Gives every coupling the inductances of its windings and checks all of them together.
pub(super) fn settle(parts: &mut IndexMap<String, Part>, problems: &mut Vec<Diagnostic>) {
    fill(parts);
    let mut pairs: IndexMap<(PartId, PartId), (f64, usize)> = IndexMap::new();
    for position in 0..parts.len() {
        let Element::Coupling(coupling) = &parts[position].element else { continue };
        let coefficient = coupling.coefficient;
        let windings: Vec<PartId> = coupling.windings.iter().map(|(winding, _)| *winding).collect();
        for (at, &first) in windings.iter().enumerate() {
            for &second in &windings[at + 1..] {
                let pair = (first.min(second), first.max(second));
                if pairs.insert(pair, (coefficient, position)).is_some() {
                    let names = [pair.0, pair.1].map(|part| parts[part.index()].name.clone());
                    problems.push(refused(
                        &parts[position],
                        format!("{} and {} are coupled twice", names[0], names[1]),
                        "couple each pair of windings once",
                    ));
                }
            }
        }
    }
    for group in groups(&pairs) {
        let coefficients = DMatrix::from_fn(group.len(), group.len(), |row, column| {
            let pair = (group[row].min(group[column]), group[row].max(group[column]));
            if row == column { 1.0 } else { pairs.get(&pair).map_or(0.0, |(coefficient, _)| *coefficient) }
        });
        if coefficients.symmetric_eigenvalues().iter().any(|&value| value < -SLACK) {
            let names: Vec<&str> = group.iter().map(|part| parts[part.index()].name.as_str()).collect();
            let message = format!("no windings can have these couplings of {}", names.join(", "));
            let last = pairs.iter().filter(|((first, _), _)| group.contains(first)).map(|(_, (_, card))| *card).max();
            if let Some(card) = last {
                problems.push(refused(&parts[card], message, &advice(&group, &pairs, parts)));
            }
        }
    }
}

/// Gives every coupling the inductances of its windings.
pub(super) fn fill(parts: &mut IndexMap<String, Part>) {
    let henries: Vec<Option<f64>> = parts
        .values()
        .map(|part| match &part.element {
            Element::Inductor(inductor) => Some(inductor.henries),
            _ => None,
        })
        .collect();
    for part in parts.values_mut() {
        let Element::Coupling(coupling) = &mut part.element else { continue };
        for (winding, value) in &mut coupling.windings {
            *value = henries[winding.index()].unwrap_or(0.0);
        }
    }
}

/// What to type: the pair that is left out, or within which limits the last coupling of three windings may lie.
fn advice(
    group: &[PartId],
    pairs: &IndexMap<(PartId, PartId), (f64, usize)>,
    parts: &IndexMap<String, Part>,
) -> String {
    let name = |part: PartId| parts[part.index()].name.as_str();
    let given = |a: PartId, b: PartId| pairs.get(&(a.min(b), a.max(b))).map(|(coefficient, _)| *coefficient);
    for (at, &a) in group.iter().enumerate() {
        for &b in &group[at + 1..] {
            let through = group.iter().find_map(|&third| Some((third, given(a, third)? * given(third, b)?)));
            if let (None, Some((third, product))) = (given(a, b), through) {
                let [a, b, third] = [a, b, third].map(name);
                return format!(
                    "{a} and {b} both couple to {third}, so they couple to each other: add K9 {a} {b} {}",
                    exact((product * 1e3).round() / 1e3)
                );
            }
        }
    }
    match group {
        // The determinant of the three coefficients is not negative within x·y ± √((1 − x²)(1 − y²)).
        &[a, b, c] => {
            let [x, y] = [given(a, b), given(b, c)].map(Option::unwrap_or_default);
            let spread = ((1.0 - x * x) * (1.0 - y * y)).sqrt();
            let limits = [x * y - spread, x * y + spread].map(|limit| exact((limit * 1e4).round() / 1e4));
            let [a, c] = [a, c].map(name);
            format!("beside the others, the coupling of {a} and {c} must lie between {} and {}", limits[0], limits[1])
        }
        _ => "windings that both couple tightly to a third couple tightly to each other".to_owned(),
    }
}

fn refused(part: &Part, message: String, help: &str) -> Diagnostic {
    let error = Diagnostic::error(Code::BadCoupling, message).help(help);
    match part.card {
        Some(card) => error.at(card).in_statement(card),
        None => error,
    }
}

/// Windings that are coupled to each other, directly or through others.
fn groups(pairs: &IndexMap<(PartId, PartId), (f64, usize)>) -> Vec<Vec<PartId>> {
    let windings: IndexSet<PartId> = pairs.keys().flat_map(|&(first, second)| [first, second]).collect();
    let mut islands = Islands::new(windings.len());
    let place = |winding: &PartId| node_id(windings.get_index_of(winding).unwrap_or_default());
    for (first, second) in pairs.keys() {
        islands.join(place(first), place(second));
    }
    let mut groups: IndexMap<usize, Vec<PartId>> = IndexMap::new();
    for (position, &winding) in windings.iter().enumerate() {
        groups.entry(islands.root(position)).or_default().push(winding);
    }
    groups.into_values().collect()
}
