//! A sheet to begin with, made from a netlist.

use super::fault_keys::FAULTS;
use super::keys::{COMPLAINT, Key, SECTIONS, Section, TOP};
use crate::bench::{Control, Point};
use crate::circuit::Circuit;
use crate::units::exact;

/// A sheet for a netlist that lies at `path` as seen from the sheet (beside it, the name of its file): what the netlist knows is filled in, every other key
/// stands there as a comment with its default and its meaning.
pub fn starter(circuit: &Circuit, path: &str) -> String {
    let mut text = format!("circuit = {}\n", quoted(path));
    if let Some(noise) = &circuit.noise {
        let output = Point::between(circuit, noise.output.0, noise.output.1);
        let [low, high] = noise.points.band_hz;
        text += &format!("input = {}\n", quoted(&circuit.part(noise.source).name));
        text += &format!("output = {}\n", quoted(&output.name));
        if low < high {
            text += &format!("band = [{low}, {high}]\n");
        }
    }
    let filled = text.clone();
    let open = TOP.keys.iter().filter(|key| !filled.lines().any(|line| line.starts_with(&format!("{} =", key.name))));
    text.extend(open.map(commented));
    text += &format!("# of complaint: {}\n", meanings(COMPLAINT.keys));
    for Control { name, ends: [low, high] } in Control::all(circuit) {
        let now = circuit.parameter(&name).unwrap_or(low);
        let range = format!("range = [{}, {}]", exact(low), exact(high));
        text += &format!("\n[control.{}]\n{range}\nnow = {}\n", bare(&name), exact(now));
    }
    for section in SECTIONS {
        text += &table(section);
    }
    for (_, section) in FAULTS {
        text += &table(section);
    }
    text
}

fn table(Section { heading, meaning, keys }: &Section) -> String {
    let keys: String = keys.iter().map(commented).collect();
    format!("\n# {meaning}\n# {heading}\n{keys}")
}

fn commented(Key { name, example, meaning }: &Key) -> String {
    format!("# {:<38} # {meaning}\n", format!("{name} = {example}"))
}

fn meanings(keys: &[Key]) -> String {
    keys.iter().map(|key| format!("{}: {}", key.name, key.meaning)).collect::<Vec<_>>().join("; ")
}

/// Text as TOML writes it.
fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => quoted += "\\\"",
            '\\' => quoted += "\\\\",
            c if c.is_control() => quoted += &format!("\\u{:04X}", u32::from(c)),
            c => quoted.push(c),
        }
    }
    quoted + "\""
}

/// A name as a key of TOML: quoted unless it is a plain word.
fn bare(name: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '-';
    if !name.is_empty() && name.chars().all(plain) { name.to_owned() } else { quoted(name) }
}
