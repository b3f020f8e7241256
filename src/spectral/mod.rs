//! Signals in blocks: filtering by the fast Fourier transform, spectra by averaged periodograms, third-octave bands.
//!
//! Nothing here knows a circuit. Densities are one-sided powers, V²/Hz.

mod filter;
mod octaves;
mod welch;

pub use filter::Filter;
pub use octaves::{ThirdOctave, third_octaves};
pub use welch::{PowerSpectrum, Welch};
