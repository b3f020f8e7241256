//! One circuit structure, many variants: tolerances, severities of faults, states of a test. The pivots are ordered once;
//! then eight variants at a time are biased in real lanes and linearised and solved in complex ones.
//!
//! The answers are those of the rooms before: [`crate::bias::solve`]'s convergence test, the refusal of what rounding
//! decides, the densities of [`crate::noise`]. A variant that the common order or the common iteration does not serve is
//! taken out and solved by itself, and refused where that fails too; none is guessed.
//!
//! Two things are the caller's: whether a variant stays at its bias ([`crate::stability`]), and which of several
//! solutions a circuit is in. The iteration starts from the nominal bias, or a neighbour's, and so stays on that one's
//! branch where it can. What is shown to a person goes through [`crate::operating::Operating`].
//!
//! Nothing depends on the number of threads, and a variant's bias not on its neighbours either. The panels of a band
//! integral are shared by eight variants, so that its last digits, within the error stated, depend on which they are.

mod band;
mod family;
mod hiss;
mod nearby;
mod rule;
mod shunted;
mod signals;
mod sources;
mod transfers;

pub use family::{Families, Family, Variant};
pub use hiss::{Hiss, HissOutput, HissRequest, Output, Points};
pub use nearby::nearby;
pub use shunted::ShuntRequest;
