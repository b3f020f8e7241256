//! Finds which device of an audio amplifier makes the hiss.

pub mod diagnostic;
