//! Expression text to symbols.

use nom::branch::alt;
use nom::bytes::complete::{take_while, take_while1};
use nom::character::complete::{char, digit1, one_of, satisfy};
use nom::combinator::{map, opt, peek, recognize};
use nom::{IResult, Parser};

/// One symbol of an expression.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Symbol<'a> {
    Number(&'a str),
    Name(&'a str),
    Sign(char),
}

/// The first symbol of `text` and what follows it; `Err` when its first character has no meaning.
pub(super) fn symbol(text: &str) -> IResult<&str, Symbol<'_>> {
    alt((map(number, Symbol::Number), map(name, Symbol::Name), map(one_of("+-*/^(),"), Symbol::Sign))).parse(text)
}

/// Digits with whatever clings to them; `units` judges it. A sign belongs to the number only within an exponent.
fn number(text: &str) -> IResult<&str, &str> {
    let begins = peek((opt(char('.')), satisfy(|c| c.is_ascii_digit())));
    let mantissa = take_while1(|c: char| c.is_ascii_digit() || c == '.');
    let exponent = (one_of("eE"), opt(one_of("+-")), digit1);
    recognize((begins, mantissa, opt(exponent), take_while(|c: char| c.is_alphanumeric() || c == '.'))).parse(text)
}

fn name(text: &str) -> IResult<&str, &str> {
    let first = satisfy(|c| c.is_alphabetic() || c == '_');
    recognize((first, take_while(|c: char| c.is_alphanumeric() || c == '_'))).parse(text)
}
