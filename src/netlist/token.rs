//! Statements to tokens.

use nom::branch::alt;
use nom::bytes::complete::{tag_no_case, take_till, take_while, take_while1};
use nom::character::complete::{char, digit1, one_of};
use nom::combinator::{map, opt, recognize, value};
use nom::multi::many0_count;
use nom::sequence::delimited;
use nom::{IResult, Parser};
use std::ops::Range;

/// What a token is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind<'a> {
    /// A name, number or keyword.
    Word(&'a str),
    /// What stands between braces.
    Braces(&'a str),
    /// `PARAMS:`
    Params,
    /// `=`
    Equals,
    /// `(`
    Open,
    /// `)`
    Close,
    /// `,`
    Comma,
}

/// A token and its bytes.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Token<'a> {
    pub kind: Kind<'a>,
    pub place: Range<usize>,
}

/// What keeps a statement from being cut into tokens, and where.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Fault {
    /// `{` without `}`.
    OpenBrace(Range<usize>),
    /// `}` without `{`.
    StrayBrace(Range<usize>),
    /// A control character or the like.
    Character(char, Range<usize>),
}

/// Cuts `text`, whose first byte is byte `start` of its file.
pub(super) fn tokens(text: &str, start: usize) -> Result<Vec<Token<'_>>, Fault> {
    let mut tokens = Vec::new();
    let mut rest = text.trim_start();
    while let Some(first) = rest.chars().next() {
        let from = start + text.len() - rest.len();
        let Ok((after, kind)) = token(rest) else {
            let place = from..from + first.len_utf8();
            return Err(match first {
                '{' => Fault::OpenBrace(place),
                '}' => Fault::StrayBrace(place),
                other => Fault::Character(other, place),
            });
        };
        tokens.push(Token { kind, place: from..start + text.len() - after.len() });
        rest = after.trim_start();
    }
    Ok(tokens)
}

fn token(text: &str) -> IResult<&str, Kind<'_>> {
    alt((
        value(Kind::Equals, char('=')),
        value(Kind::Open, char('(')),
        value(Kind::Close, char(')')),
        value(Kind::Comma, char(',')),
        value(Kind::Params, tag_no_case("params:")),
        map(delimited(char('{'), take_till(|c| c == '}'), char('}')), Kind::Braces),
        map(comma_number, Kind::Word),
        map(take_while1(is_word), Kind::Word),
    ))
    .parse(text)
}

/// `4,7k` is kept in one piece, so that the number can be refused as a whole and shown with a point.
fn comma_number(text: &str) -> IResult<&str, &str> {
    let begin = (opt(one_of("+-")), opt(char('.')), digit1, take_while(is_word));
    let groups = many0_count((char(','), digit1, take_while(is_word)));
    recognize((begin, groups)).parse(text)
}

fn is_word(c: char) -> bool {
    !c.is_whitespace() && !c.is_control() && !matches!(c, '=' | '(' | ')' | '{' | '}' | ',' | '\u{feff}')
}
