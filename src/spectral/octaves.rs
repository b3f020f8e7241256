//! Third-octave bands, base ten: centres 1000·10^(n/10) Hz, edges 10^(±1/20) beside them (IEC 61260-1).

use super::PowerSpectrum;

/// One band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThirdOctave {
    /// Its exact centre, Hz.
    pub centre_hz: f64,
    /// Its edges, Hz.
    pub band_hz: [f64; 2],
}

impl ThirdOctave {
    /// Mean density of a spectrum over the band, V²/Hz.
    pub fn density(&self, spectrum: &PowerSpectrum) -> f64 {
        spectrum.power(self.band_hz, |_| 1.0) / (self.band_hz[1] - self.band_hz[0])
    }
}

/// All bands that lie wholly inside a range from above zero, ascending.
pub fn third_octaves(range_hz: [f64; 2]) -> Vec<ThirdOctave> {
    let number = |hertz: f64| 10.0 * (hertz / 1000.0).log10();
    let (first, last) = (number(range_hz[0]) + 0.5, number(range_hz[1]) - 0.5);
    if !(first.is_finite() && last.is_finite()) {
        return Vec::new();
    }
    // The edges of a band that ends where the range does differ from it by rounding.
    const ROUNDING: f64 = 1e-9;
    let numbers = (first - ROUNDING).ceil() as i32..=(last + ROUNDING).floor() as i32;
    let centre = |number: i32| 1000.0 * 10f64.powf(f64::from(number) / 10.0);
    let half = 10f64.powf(0.05);
    numbers
        .map(centre)
        .map(|centre_hz| ThirdOctave { centre_hz, band_hz: [centre_hz / half, centre_hz * half] })
        .collect()
}
