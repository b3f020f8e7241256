//! Recordings of a scope or a sound card: what a meter would have read, hum apart from hiss, how Gaussian it is.
//!
//! Bytes of a text go into [`CsvReader`], which gives volts; volts go into [`Analysis`], in pieces of any size, and it
//! keeps a bounded number of them. Nothing here opens a file.

mod analysis;
#[cfg(feature = "cli")]
mod append;
mod cells;
mod clock;
mod csv;
mod gauss;
mod hum;
mod misread;
mod reading;
#[cfg(feature = "cli")]
mod wav;

pub use analysis::{Analysis, Recording, RecordingQuestion};
#[cfg(feature = "cli")]
pub use append::{append_reading, sheet_band};
pub use csv::{CsvOptions, CsvReader};
pub use gauss::{Burst, Gaussianity};
pub use hum::{Hum, HumLine};
pub use misread::Misread;
pub use reading::{Measure, reading_block};
#[cfg(feature = "cli")]
pub use wav::WavReader;
