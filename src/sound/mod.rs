//! Hiss to listen to: Gaussian noise whose spectrum is a computed density, sample after sample.
//!
//! White Gaussian noise passes a [`Filter`](crate::spectral::Filter) whose gain is the root of the density, so what comes
//! out is stationary and Gaussian, of any length and in bounded memory. Outside the band there is nothing; the kernel is
//! long enough that its smoothing is felt only within a 64th of the lower end of the band from either end
//! ([`Hiss::rms_volts`] says what that leaves of the rms).

mod density;
mod hiss;
#[cfg(feature = "cli")]
mod wav;

pub use density::Density;
pub use hiss::Hiss;
#[cfg(feature = "cli")]
pub use wav::{Bits, MOST_BYTES, write_wav};
