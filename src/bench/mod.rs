//! What a person does and uses at the bench, as text on a command line says it: what-ifs, points of measurement, bands.

pub mod advice;
mod band;
mod control;
mod point;
mod reference;
mod whatif;

pub use band::{DEFAULT_BAND_HZ, read_band, read_hertz};
pub use control::ControlRange;
pub use point::{Point, find_source};
pub use reference::{Load, read_level, read_load, read_source_resistance};
pub use whatif::{Action, Temperatures, WhatIf, what_ifs};
