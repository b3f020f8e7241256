//! What was written: netlist text to statements, every token with its place in the text.
//!
//! Nothing here knows what a circuit is: names are not resolved, expressions not computed, sub-circuits not expanded.
//! That is `circuit`'s work.

mod ast;
mod card;
mod expression;
mod fields;
mod lines;
mod reader;
mod statement;
mod token;

pub use ast::*;
pub use expression::{EvaluationError, Expression, ExpressionError, ExpressionProblem, MAX_EXPRESSION_BYTES};
pub use reader::{
    Fetched, IncludeRequest, MAX_DIAGNOSTICS, MAX_INCLUDE_DEPTH, MAX_INCLUDES, MAX_NESTING, MAX_STATEMENT_BYTES,
    MAX_TEXT_BYTES, read,
};
