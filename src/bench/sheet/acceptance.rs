//! `[acceptance]`

use super::entries::set;
use super::keys::ACCEPTANCE;
use super::settings::AcceptanceSettings;
use super::tree::{Fields, Kind, Limits, Node, Problems, number, value};
use super::{Control, NamedPoint, resolve};
use crate::bench::quantity::Unit;
use crate::bench::{Ripple, find_source};
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, PartId};

/// Distortions at which watts can be asked for.
const DISTORTIONS: [f64; 2] = [0.01, 0.1];

pub(super) fn acceptance(
    problems: &mut Problems,
    circuit: &Circuit,
    points: &[NamedPoint],
    controls: &[Control],
    node: &Node,
) -> AcceptanceSettings {
    let mut all = AcceptanceSettings::default();
    let Some(fields) = problems.fields(node, ACCEPTANCE.keys, "acceptance") else { return all };
    let source = fields.text(problems, "twin_input");
    all.twin_input = source.and_then(|(name, span)| problems.keep(span, find_source(circuit, name)));
    let output = fields.text(problems, "twin_output");
    all.twin_output = output.and_then(|(name, span)| problems.keep(span, resolve::point(circuit, points, name)));
    all.loads = ["load", "twin_load"].map(|key| load(problems, &fields, circuit, key));
    let control = fields.text(problems, "balance");
    all.balance = control.and_then(|(name, span)| problems.keep(span, resolve::control(controls, name)));
    all.rated_watts = fields.within(problems, "rated", Unit::Watts, Limits::Positive);
    all.distortion = distortion(problems, &fields);
    let ripple = fields.text(problems, "ripple");
    all.ripple = ripple.and_then(|(text, span)| problems.keep(span, Ripple::read(circuit, text)));
    set(&mut all.response_hz, frequencies(problems, &fields));
    set(&mut all.warm_celsius, fields.ascending(problems, "warm_c", Unit::Celsius, Limits::Celsius));
    set(&mut all.cold_celsius, fields.ascending(problems, "cold_c", Unit::Celsius, Limits::Celsius));
    if let Some(share) = fields.within(problems, "share", Unit::Percent, Limits::Fraction) {
        let fits = (0.5..=0.999).contains(&share);
        let error = || value("share must lie from 50 to 99.9 %".to_owned()).help("write share = \"99 %\"");
        match (fits, fields.get("share")) {
            (false, Some((node, _))) => problems.add(node.span, error()),
            _ => all.share = share,
        }
    }
    all
}

fn load(problems: &mut Problems, fields: &Fields<'_>, circuit: &Circuit, key: &str) -> Option<PartId> {
    let (name, span) = fields.text(problems, key)?;
    let part = problems.keep(span, circuit.find_part(name))?;
    if matches!(circuit.part(part).element, Element::Resistor(_)) {
        return Some(part);
    }
    let error = Diagnostic::error(Code::UnfitPart, format!("{name} is no resistor"));
    problems.add(span, error.help("name the one that takes the power: load = \"RL\""));
    None
}

fn distortion(problems: &mut Problems, fields: &Fields<'_>) -> Option<f64> {
    let asked = fields.within(problems, "distortion", Unit::Percent, Limits::Fraction)?;
    let known = DISTORTIONS.into_iter().find(|known| (known - asked).abs() < 1e-9);
    if let (None, Some((node, _))) = (known, fields.get("distortion")) {
        let error = value("watts can be asked for at 1 % or at 10 % of distortion".to_owned());
        problems.add(node.span, error.help("write distortion = \"10 %\", or leave it out for the onset of clipping"));
    }
    known
}

fn frequencies(problems: &mut Problems, fields: &Fields<'_>) -> Option<Vec<f64>> {
    let (node, key) = fields.get("response_hz")?;
    let Kind::List(list) = &node.kind else {
        let error = value("response_hz is not a list of frequencies".to_owned());
        problems.add(node.span, error.help(format!("write response_hz = {}", key.example)));
        return None;
    };
    let mut all = Vec::new();
    for node in list {
        match number(problems, node, key, Unit::Hertz) {
            Some(hertz) if hertz > 0.0 => all.push(hertz),
            Some(_) => {
                let error = value("a frequency must be above zero".to_owned());
                problems.add(node.span, error.help(format!("write response_hz = {}", key.example)));
            }
            None => {}
        }
    }
    Some(all)
}
