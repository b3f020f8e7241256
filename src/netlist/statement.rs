//! Statements that begin with a point.

use super::fields::{Fields, Parsed};
use super::token::Kind;
use super::{
    AcStatement, Assignment, ModelCard, ModelKind, NoiseStatement, Scope, Spacing, Subcircuit, Sweep, Value, Word,
};
use crate::diagnostic::{Code, Span, nearest};
use crate::units::Quantity;

/// Statements with a meaning here.
pub(super) const KNOWN: [&str; 10] =
    [".model", ".subckt", ".ends", ".param", ".include", ".temp", ".op", ".ac", ".noise", ".end"];

/// Statements that others understand and that change nothing here.
pub(super) const SKIPPED: [&str; 7] = [".tran", ".options", ".print", ".plot", ".save", ".ic", ".nodeset"];

/// Whether `word` begins a statement, in either case.
pub(super) fn is_known(word: &str) -> bool {
    KNOWN.iter().chain(&SKIPPED).any(|known| known.eq_ignore_ascii_case(word))
}

/// An error about a statement that is not known, naming the nearest.
pub(super) fn unknown(fields: &Fields<'_>) -> Box<crate::diagnostic::Diagnostic> {
    let word = fields.subject.to_lowercase();
    let error = fields.error(Code::UnknownStatement, fields.place(), format!("no statement is called {word}"));
    let known = || KNOWN.into_iter().chain(SKIPPED);
    // Cut short by habit, or misspelt; the point is no letter that could match.
    let cut_short = known().find(|known| word.len() > 3 && known.starts_with(&word));
    let misspelt = || nearest(&word[1..], known().map(|known| &known[1..]));
    let help = match cut_short.map(|known| &known[1..]).or_else(misspelt) {
        Some(close) => format!("try .{close}"),
        None => format!("the statements are {}", KNOWN.join(" ")),
    };
    Box::new(error.help(help))
}

/// `.model NAME TYPE (a=1 b=2)`
pub(super) fn model(fields: &mut Fields<'_>) -> Parsed<ModelCard> {
    fields.form = ".model NAME TYPE (PARAMETER=VALUE …)".to_owned();
    fields.skip();
    let name = fields.word("name")?;
    let written = fields.word("type")?;
    let kind = ModelKind::ALL.into_iter().find(|kind| kind.word().eq_ignore_ascii_case(&written.text));
    let Some(kind) = kind else {
        let message = format!("no model type is called {}", written.text);
        let known = ModelKind::ALL.map(ModelKind::word);
        let help = nearest(&written.text, known)
            .map_or_else(|| format!("the types are {}", known.join(" ")), |known| format!("try {known}"));
        return Err(Box::new(fields.error(Code::WrongModelType, written.span, message).help(help)));
    };
    let parameters = bracketed(fields)?;
    fields.finish()?;
    Ok(ModelCard { name, kind, parameters, span: fields.span })
}

fn bracketed(fields: &mut Fields<'_>) -> Parsed<Vec<Assignment>> {
    fields.eat(Kind::Comma);
    let opening = fields.place();
    let open = fields.eat(Kind::Open);
    let parameters = fields.assignments()?;
    if open && !fields.eat(Kind::Close) {
        return Err(match fields.peek() {
            None => fields.misshapen(opening, "the bracket is never closed"),
            Some(_) => fields.unexpected(),
        });
    }
    Ok(parameters)
}

/// `.param a=1 b={2*a}`
pub(super) fn param(fields: &mut Fields<'_>) -> Parsed<Vec<Assignment>> {
    fields.form = ".param NAME=VALUE".to_owned();
    fields.skip();
    let parameters = fields.assignments()?;
    if parameters.is_empty() {
        return Err(fields.missing("parameter"));
    }
    fields.finish()?;
    Ok(parameters)
}

/// `.subckt NAME nodes… PARAMS: a=1`, with nothing inside yet.
pub(super) fn subckt(fields: &mut Fields<'_>) -> Parsed<Subcircuit> {
    fields.form = ".subckt NAME NODE … [PARAMETER=DEFAULT …]".to_owned();
    fields.skip();
    let name = fields.word("name")?;
    let ports = (0..fields.positional()).map(|_| fields.word("node")).collect::<Parsed<_>>()?;
    let defaults = fields.assignments()?;
    fields.finish()?;
    Ok(Subcircuit { name, ports, defaults, body: Scope::default(), span: fields.span })
}

/// `.ends [NAME]`
pub(super) fn ends(fields: &mut Fields<'_>) -> Parsed<Option<Word>> {
    fields.form = ".ends [NAME]".to_owned();
    fields.skip();
    let name = if fields.peek().is_some() { Some(fields.word("name")?) } else { None };
    fields.finish()?;
    Ok(name)
}

/// `.temp 35`
pub(super) fn temp(fields: &mut Fields<'_>) -> Parsed<Value> {
    fields.form = ".temp CELSIUS".to_owned();
    fields.skip();
    let value = fields.value("temperature", Quantity::Other)?;
    fields.finish()?;
    Ok(value)
}

/// `.ac dec N f1 f2`
pub(super) fn ac(fields: &mut Fields<'_>) -> Parsed<AcStatement> {
    fields.form = ".ac dec POINTS FROM TO".to_owned();
    fields.skip();
    let sweep = sweep(fields)?;
    fields.finish()?;
    Ok(AcStatement { sweep, span: fields.span })
}

/// `.noise v(out[,ref]) SOURCE dec N f1 f2`
pub(super) fn noise(fields: &mut Fields<'_>) -> Parsed<NoiseStatement> {
    fields.form = ".noise v(OUT) SOURCE dec POINTS FROM TO".to_owned();
    fields.skip();
    if !(fields.next_is("v") && fields.peek_at(1) == Some(Kind::Open)) {
        return Err(fields.missing("output v(node)"));
    }
    fields.skip();
    fields.skip();
    let (output, reference) = output(fields)?;
    if !fields.eat(Kind::Close) {
        return Err(fields.missing("closing bracket"));
    }
    let source = fields.word("input source")?;
    let sweep = sweep(fields)?;
    fields.finish()?;
    Ok(NoiseStatement { output, reference, source, sweep, span: fields.span })
}

/// `out` or `out,ref`; numbered nodes arrive as one token, since `1,2` might be a number with a comma.
fn output(fields: &mut Fields<'_>) -> Parsed<(Word, Option<Word>)> {
    if let Some(Kind::Word(text)) = fields.peek()
        && let Some((output, reference)) = text.split_once(',')
        && !reference.contains(',')
    {
        let Span { source, start, end } = fields.place();
        let comma = start + output.len() as u32;
        fields.skip();
        let output = Word { text: output.to_owned(), span: Span { source, start, end: comma } };
        let reference = Word { text: reference.to_owned(), span: Span { source, start: comma + 1, end } };
        return Ok((output, Some(reference)));
    }
    let output = fields.word("output node")?;
    let reference = if fields.eat(Kind::Comma) { Some(fields.word("reference node")?) } else { None };
    Ok((output, reference))
}

fn sweep(fields: &mut Fields<'_>) -> Parsed<Sweep> {
    let spacings = [("dec", Spacing::Decade), ("oct", Spacing::Octave), ("lin", Spacing::Linear)];
    let Some((_, spacing)) = spacings.into_iter().find(|(name, _)| fields.eat_word(name)) else {
        return Err(fields.missing("spacing, dec oct or lin,"));
    };
    Ok(Sweep {
        spacing,
        points: fields.value("number of points", Quantity::Other)?,
        from_hz: fields.value("lower frequency", Quantity::Other)?,
        to_hz: fields.value("upper frequency", Quantity::Other)?,
    })
}
