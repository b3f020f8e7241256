//! Element cards: the first letter says which part it is.

use super::fields::{Fields, Parsed};
use super::token::Kind;
use super::{Body, Card, SourceValues, Value, Word};
use crate::diagnostic::Code;
use crate::units::Quantity;

/// What the letter of a card stands for, and what follows the name.
const LETTERS: [(char, &str); 14] = [
    ('R', "NODE NODE OHMS [TC1=…]"),
    ('C', "NODE NODE FARADS"),
    ('L', "NODE NODE HENRIES"),
    ('K', "L1 L2 COUPLING"),
    ('V', "NODE NODE [DC] VOLTS [AC MAGNITUDE [DEGREES]]"),
    ('I', "NODE NODE [DC] AMPERES [AC MAGNITUDE [DEGREES]]"),
    ('E', "OUT+ OUT- IN+ IN- GAIN"),
    ('G', "OUT+ OUT- IN+ IN- SIEMENS"),
    ('F', "OUT+ OUT- VSOURCE GAIN"),
    ('H', "OUT+ OUT- VSOURCE OHMS"),
    ('D', "ANODE CATHODE MODEL [AREA]"),
    ('Q', "COLLECTOR BASE EMITTER MODEL [AREA] [NAME=VALUE]"),
    ('J', "DRAIN GATE SOURCE MODEL [AREA] [NAME=VALUE]"),
    ('X', "NODE … SUBCIRCUIT [NAME=VALUE]"),
];

/// Waveforms over time, which mean nothing at rest or in small signals.
const WAVEFORMS: [&str; 5] = ["SIN", "PULSE", "EXP", "PWL", "SFFM"];

/// Words by which other dialects begin a source that is not linear.
const NONLINEAR: [&str; 8] = ["POLY", "VALUE", "TABLE", "LAPLACE", "FREQ", "CHEBYSHEV", "VOL", "CUR"];

/// Reads an element card.
pub(super) fn read(fields: &mut Fields<'_>) -> Parsed<Card> {
    let letter = fields.subject.chars().next().unwrap_or_default().to_ascii_uppercase();
    let Some((_, form)) = LETTERS.iter().find(|(known, _)| *known == letter) else {
        return Err(Box::new(unknown_letter(fields)));
    };
    fields.form = format!("{} {form}", fields.subject);
    let name = fields.word("name")?;
    let mut nodes = Vec::new();
    let body = match letter {
        'R' => Body::Resistor(two_pole(fields, &mut nodes, "R", "resistance", Quantity::Resistance)?),
        'C' => Body::Capacitor(two_pole(fields, &mut nodes, "C", "capacitance", Quantity::Capacitance)?),
        'L' => Body::Inductor(two_pole(fields, &mut nodes, "L", "inductance", Quantity::Other)?),
        'K' => coupling(fields)?,
        'V' => Body::VoltageSource(source(fields, &mut nodes)?),
        'I' => Body::CurrentSource(source(fields, &mut nodes)?),
        'E' => Body::VoltageByVoltage(by_voltage(fields, &mut nodes)?),
        'G' => Body::CurrentByVoltage(by_voltage(fields, &mut nodes)?),
        'F' => by_current(fields, &mut nodes).map(|(source, gain)| Body::CurrentByCurrent(source, gain))?,
        'H' => by_current(fields, &mut nodes).map(|(source, gain)| Body::VoltageByCurrent(source, gain))?,
        'D' => device(fields, &mut nodes, &["anode", "cathode"]).map(|(model, area)| Body::Diode(model, area))?,
        'Q' => {
            refuse_substrate(fields)?;
            let (model, area) = device(fields, &mut nodes, &["collector", "base", "emitter"])?;
            Body::Bjt(model, area)
        }
        'J' => {
            let (model, area) = device(fields, &mut nodes, &["drain", "gate", "source"])?;
            Body::Jfet(model, area)
        }
        _ => call(fields, &mut nodes)?,
    };
    let parameters = fields.assignments()?;
    fields.finish()?;
    Ok(Card { name, nodes, body, parameters, span: fields.span })
}

fn unknown_letter(fields: &Fields<'_>) -> crate::diagnostic::Diagnostic {
    let subject = &fields.subject;
    let letters: Vec<String> = LETTERS.iter().map(|(letter, _)| letter.to_string()).collect();
    let help = if super::statement::is_known(&format!(".{subject}")) {
        format!("write .{subject}")
    } else {
        format!("the parts are {}; a comment begins with *", letters.join(" "))
    };
    fields.error(Code::UnknownElement, fields.place(), format!("no part begins like {subject}")).help(help)
}

fn nodes_named(fields: &mut Fields<'_>, nodes: &mut Vec<Word>, names: &[&str]) -> Parsed<()> {
    for name in names {
        nodes.push(fields.word(name)?);
    }
    Ok(())
}

fn two_pole(
    fields: &mut Fields<'_>,
    nodes: &mut Vec<Word>,
    letter: &str,
    what: &str,
    quantity: Quantity,
) -> Parsed<Value> {
    nodes_named(fields, nodes, &["first node", "second node"])?;
    if fields.next_is(letter) && fields.peek_at(1) == Some(Kind::Equals) {
        fields.skip();
        fields.skip();
    }
    fields.value(what, quantity)
}

fn coupling(fields: &mut Fields<'_>) -> Parsed<Body> {
    let windings = fields.positional().saturating_sub(1).max(2);
    let names = (0..windings).map(|_| fields.word("winding")).collect::<Parsed<_>>()?;
    Ok(Body::Coupling(names, fields.value("coupling", Quantity::Other)?))
}

fn source(fields: &mut Fields<'_>, nodes: &mut Vec<Word>) -> Parsed<SourceValues> {
    nodes_named(fields, nodes, &["first node", "second node"])?;
    let mut values = SourceValues::default();
    while let Some(Kind::Word(_) | Kind::Braces(_)) = fields.peek() {
        let span = fields.place();
        if fields.eat_word("AC") {
            fields.eat(Kind::Equals);
            if values.ac_magnitude.is_some() {
                return Err(fields.misshapen(span, format!("{} has two AC values", fields.subject)));
            }
            values.ac_magnitude = Some(ac_value(fields)?.unwrap_or(Value::Number(1.0, span)));
            values.ac_phase_degrees = ac_value(fields)?;
        } else if WAVEFORMS.iter().any(|name| fields.next_is(name)) {
            waveform(fields)?;
        } else if fields.peek_at(1) == Some(Kind::Equals) && !fields.next_is("DC") {
            break;
        } else {
            if fields.eat_word("DC") {
                fields.eat(Kind::Equals);
            }
            if values.dc.is_some() {
                return Err(fields.misshapen(span, format!("{} has two DC values", fields.subject)));
            }
            values.dc = Some(fields.value("DC value", Quantity::Other)?);
        }
    }
    Ok(values)
}

/// A number behind `AC`, unless the next keyword is there already.
fn ac_value(fields: &mut Fields<'_>) -> Parsed<Option<Value>> {
    let keyword = fields.next_is("DC") || fields.next_is("AC") || WAVEFORMS.iter().any(|name| fields.next_is(name));
    if keyword { Ok(None) } else { fields.optional_value(Quantity::Other) }
}

fn waveform(fields: &mut Fields<'_>) -> Parsed<()> {
    let span = fields.place();
    let name = WAVEFORMS.into_iter().find(|name| fields.next_is(name)).unwrap_or_default();
    fields.skip();
    if fields.eat(Kind::Open) {
        while !fields.eat(Kind::Close) {
            if fields.peek().is_none() {
                return Err(fields.misshapen(span, format!("the bracket after {name} is never closed")));
            }
            fields.skip();
        }
    } else {
        let is_value = |kind| match kind {
            Some(Kind::Word(word)) => word.starts_with(|c: char| !c.is_alphabetic()),
            kind => matches!(kind, Some(Kind::Braces(_))),
        };
        while is_value(fields.peek()) {
            fields.skip();
        }
    }
    let message = format!("the waveform {name} plays no part here");
    let help = "the source rests at its DC value, 0 unless written: DC 5".to_owned();
    fields.warn(Code::WaveformIgnored, span, message, Some(help));
    Ok(())
}

fn by_voltage(fields: &mut Fields<'_>, nodes: &mut Vec<Word>) -> Parsed<Value> {
    nodes_named(fields, nodes, &["first node", "second node"])?;
    refuse_nonlinear(fields)?;
    nodes_named(fields, nodes, &["first controlling node", "second controlling node"])?;
    fields.value("gain", Quantity::Other)
}

fn by_current(fields: &mut Fields<'_>, nodes: &mut Vec<Word>) -> Parsed<(Word, Value)> {
    nodes_named(fields, nodes, &["first node", "second node"])?;
    refuse_nonlinear(fields)?;
    Ok((fields.word("controlling voltage source")?, fields.value("gain", Quantity::Other)?))
}

/// Polynomials and formulas are refused by name: their fields would otherwise be taken for nodes.
fn refuse_nonlinear(fields: &Fields<'_>) -> Parsed<()> {
    let Some(Kind::Word(word)) = fields.peek() else { return Ok(()) };
    let known = NONLINEAR.iter().any(|name| name.eq_ignore_ascii_case(word));
    let opens = match fields.peek_at(1) {
        Some(Kind::Equals | Kind::Open) => true,
        Some(Kind::Braces(_)) => known,
        _ => word.eq_ignore_ascii_case("POLY"),
    };
    if !opens {
        return Ok(());
    }
    let message = format!("{} is not a plain gain; polynomials and formulas are not known here", fields.subject);
    Err(fields.misshapen(fields.place(), message))
}

fn device(fields: &mut Fields<'_>, nodes: &mut Vec<Word>, pins: &[&str]) -> Parsed<(Word, Option<Value>)> {
    nodes_named(fields, nodes, pins)?;
    let model = fields.word("model")?;
    let area = fields.optional_value(Quantity::Other)?;
    Ok((model, area))
}

/// `Q1 c b e s MODEL` has a fourth node, `Q1 c b e MODEL 2` an area.
fn refuse_substrate(fields: &Fields<'_>) -> Parsed<()> {
    let Some(Kind::Word(fifth)) = fields.peek_at(4) else { return Ok(()) };
    if fields.positional() < 5 || is_area(fifth) {
        return Ok(());
    }
    let message = format!("{} has a substrate node, which is not modelled", fields.subject);
    let kept: Vec<&str> = [0, 1, 2, 4]
        .into_iter()
        .filter_map(|ahead| match fields.peek_at(ahead) {
            Some(Kind::Word(word)) => Some(word),
            _ => None,
        })
        .collect();
    let error = fields.error(Code::FieldCount, fields.place_at(3), message);
    Err(Box::new(error.help(format!("write {} {}", fields.subject, kept.join(" ")))))
}

/// Whether a field is meant as a number. `2X3904` would read as 2.3904 nano, but is the name of a transistor.
fn is_area(field: &str) -> bool {
    let digits_end = field.trim_start_matches(['+', '-']).trim_start_matches(|c: char| c.is_ascii_digit() || c == '.');
    let starts_as_number = field.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c));
    let exponent = digits_end.starts_with(['e', 'E']);
    starts_as_number && (exponent || !digits_end.contains(|c: char| c.is_ascii_digit()))
}

fn call(fields: &mut Fields<'_>, nodes: &mut Vec<Word>) -> Parsed<Body> {
    for _ in 1..fields.positional() {
        nodes.push(fields.word("node")?);
    }
    fields.word("sub-circuit").map(Body::Call)
}
