//! What was written: netlist text to statements, every token with its place in the text.
//!
//! Nothing here knows what a circuit is: names are not resolved, expressions not computed, sub-circuits not expanded.
//! That is `circuit`'s work.

mod ast;
mod card;
mod expression;
mod fields;
mod limits;
mod lines;
mod reader;
mod statement;
mod token;

pub use ast::*;
pub use expression::{EvaluationError, Expression, ExpressionError, ExpressionProblem};
pub use limits::Limits;
pub use reader::{Fetched, IncludeRequest, looks_like_statement, read, read_with};
