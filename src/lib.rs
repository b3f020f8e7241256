//! Finds which device of an audio amplifier makes the hiss.

pub mod bench;
pub mod bias;
pub mod circuit;
pub mod diagnosis;
pub mod diagnostic;
pub mod drill;
pub mod element;
pub mod guide;
pub mod mna;
pub mod netlist;
pub mod noise;
pub mod operating;
pub mod physics;
pub mod repair;
pub mod report;
pub mod response;
pub mod sensitivity;
pub mod smallsignal;
pub mod sound;
pub mod spectral;
pub mod stability;
pub mod sweep;
pub mod units;
pub mod variants;
