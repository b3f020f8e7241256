//! The rooms of the library stand in one order, and what they use stands before them.

use std::fs;
use std::path::Path;

/// Rooms in order; those of one rank do not use each other.
const RANKS: &[&[&str]] = &[
    &["units", "physics", "diagnostic", "spectral"],
    &["netlist", "mna"],
    &["element"],
    &["circuit"],
    &["bias"],
    &["smallsignal"],
    &["sweep"],
    &["response", "noise", "stability"],
    &["sensitivity"],
    &["operating"],
    &["variants"],
    &["bench", "sound"],
    &["guide", "theory"],
    &["diagnosis", "repair"],
    &["drill"],
    &["report"],
    &["cli"],
];

fn rank(room: &str) -> Option<usize> {
    RANKS.iter().position(|rooms| rooms.contains(&room))
}

/// Names that follow `prefix` in program text, each with the number of its line; of `prefix{a::b, c}` both `a` and `c`.
fn names_after(text: &str, prefix: &str) -> Vec<(usize, String)> {
    let mut names = Vec::new();
    for (at, _) in text.match_indices(prefix) {
        // `$crate::` of a macro and `crate::` are the same place; `my_crate::` is not.
        if text[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_') {
            continue;
        }
        let line = text[..at].matches('\n').count() + 1;
        let rest = &text[at + prefix.len()..];
        let heads = match rest.strip_prefix('{') {
            Some(group) => heads_of_group(group),
            None => vec![rest],
        };
        for head in heads {
            let length = head.find(|c: char| !(c.is_alphanumeric() || c == '_')).unwrap_or(head.len());
            names.push((line, head[..length].to_owned()));
        }
    }
    names
}

/// Where the items of `{a::{b, c}, d}` begin, on its outer level.
fn heads_of_group(group: &str) -> Vec<&str> {
    let (mut heads, mut depth, mut start) = (Vec::new(), 0, 0);
    for (at, c) in group.char_indices() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => {
                heads.push(group[start..at].trim_start());
                break;
            }
            '}' => depth -= 1,
            ',' if depth == 0 => {
                heads.push(group[start..at].trim_start());
                start = at + 1;
            }
            _ => {}
        }
    }
    heads.retain(|head| !head.is_empty());
    heads
}

/// The program text without comments.
fn without_comments(text: &str) -> String {
    text.lines().map(|line| line.split("//").next().unwrap_or_default().to_owned() + "\n").collect()
}

/// Arrows of a source file that point back or sideways. `path` is relative to `src/`.
fn violations(path: &str, text: &str) -> Vec<String> {
    let modules: Vec<&str> = path.trim_end_matches(".rs").trim_end_matches("/mod").split('/').collect();
    let room = modules[0];
    if ["lib", "main"].contains(&room) {
        return Vec::new();
    }
    let Some(own) = rank(room) else {
        return vec![format!("{path}: the room {room} is not in the list of this test")];
    };
    let text = without_comments(text);
    let mut used = names_after(&text, "crate::");
    used.extend(names_after(&text, "hissmap::"));
    // So many `super::` lead out of the room, one for each module on the way.
    let leading_out = "super::".repeat(modules.len());
    used.extend(names_after(&text, &leading_out));
    used.into_iter()
        .filter(|(_, other)| other != room)
        .filter_map(|(line, other)| match rank(&other) {
            Some(rank) if rank < own => None,
            Some(_) => Some(format!("{path}, line {line}: {room} uses {other}, which does not stand before it")),
            // A macro or item of the crate's root would hide which room it comes from.
            None => Some(format!("{path}, line {line}: {room} uses {other}, which is no room of the list")),
        })
        .collect()
}

fn collect(directory: &Path, root: &Path, found: &mut Vec<(String, String)>) {
    for entry in fs::read_dir(directory).expect("src/ is there") {
        let path = entry.expect("its entries can be read").path();
        if path.is_dir() {
            collect(&path, root, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            let name = path.strip_prefix(root).expect("it lies in src/").to_string_lossy().replace('\\', "/");
            found.push((name, fs::read_to_string(&path).expect("source files are text")));
        }
    }
}

#[test]
fn every_room_uses_only_what_stands_before_it() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    collect(&root, &root, &mut files);
    assert!(files.len() > 40, "only {} files were found", files.len());
    let found: Vec<String> = files.iter().flat_map(|(path, text)| violations(path, text)).collect();
    assert!(found.is_empty(), "\n{}", found.join("\n"));
}

#[test]
fn a_planted_arrow_back_is_found() {
    for (path, text) in [
        ("element/bjt.rs", "use crate::circuit::Circuit;"),
        ("element/bjt.rs", "use crate::{\n    mna::{NodeId, Unknown},\n    circuit::Circuit,\n};"),
        ("mna/solver.rs", "use crate::netlist::Netlist;"),
        ("noise/mod.rs", "fn f() {\n    crate::response::plot_hertz(&points);\n}"),
        ("units/reading.rs", "use super::super::netlist::Word;"),
        ("circuit/mod.rs", "pub(in crate::bias) fn f() {}"),
        ("bias/mod.rs", "use super::report::Message;"),
        ("report/text/bias.rs", "use hissmap::cli::Outcome;"),
        ("attic.rs", ""),
        ("bench/mod.rs", "use crate::attic;"),
    ] {
        assert_eq!(violations(path, text).len(), 1, "{path}: {text}");
    }
}

#[test]
fn what_is_allowed_is_not_found() {
    for (path, text) in [
        ("circuit/mod.rs", "use crate::element::{Element, PartId};\nuse crate::circuit::Part;"),
        ("circuit/change.rs", "use super::{Model, Part};"),
        ("netlist/reader/include.rs", "use super::super::fields::Fields;"),
        ("units/reading.rs", "// like crate::netlist, but smaller\nuse my_crate::netlist;"),
        ("cli/mod.rs", "use hissmap::{bias, report::{json, text}};"),
        ("lib.rs", "pub use crate::report::Message;"),
    ] {
        assert_eq!(violations(path, text), Vec::<String>::new(), "{path}: {text}");
    }
}
