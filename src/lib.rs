//! Finds which device of an audio amplifier makes the hiss.

pub mod diagnostic;
pub mod element;
pub mod mna;
pub mod physics;
