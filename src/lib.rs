//! Finds which device of an audio amplifier makes the hiss.

pub mod diagnostic;
pub mod netlist;
pub mod units;
