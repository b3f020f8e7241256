//! What a person does and uses at the bench, as text on a command line says it: what-ifs, points of measurement, bands.

pub mod advice;
mod band;
mod control;
mod fault;
pub mod healthy;
pub mod instrument;
mod listed;
mod point;
pub mod printed;
mod quantity;
pub mod reading;
pub mod recording;
mod reference;
mod ripple;
pub mod sheet;
pub mod simulated;
pub mod symptoms;
pub mod tolerance;
pub mod touch;
mod whatif;

pub use band::{DEFAULT_BAND_HZ, read_band, read_hertz};
pub use control::Control;
pub use fault::{
    Case, Fault, FaultKind, Key, OPEN_OHMS, Prior, SHORT_OHMS, SeverityRange, UNIT_KF, hypotheses, kinds_for,
};
pub use listed::ListedFault;
pub use point::{Point, find_source};
pub use quantity::Unit;
pub use reference::{Load, read_level, read_load, read_source_resistance};
pub use ripple::{DEFAULT_RIPPLE_HZ, Ripple};
pub use whatif::{Action, Temperatures, WhatIf, what_ifs};
