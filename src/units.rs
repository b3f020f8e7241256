//! Numbers as a netlist writes them, and quantities as a technician writes them.
//!
//! A scale letter is joined to the decimal exponent before the text becomes a binary number, so `4.7k` is the very
//! `4700.0` of a program text, and `2n2` the very `2.2e-9`.

mod reading;
mod unit;
mod writing;

pub use reading::{NumberError, NumberWarning, Quantity, Reading, read_number};
pub use unit::unit_of;
pub use writing::{engineering, exact, short};
