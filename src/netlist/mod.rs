//! What was written: netlist text to statements, every token with its place in the text.
//!
//! Nothing here knows what a circuit is: names are not resolved, expressions not computed, sub-circuits not expanded.
//! That is `circuit`'s work.

mod ast;
mod expression;

pub use ast::*;
pub use expression::*;
