//! Spectra by Welch's method: periodograms of windowed segments that overlap by half, averaged as the signal arrives.
//!
//! Hann window w, mean of each segment taken away; density S(k·rate/L) = 2·|X|²/(rate·Σw²), without the 2 at both ends.
//! With K segments of Gaussian noise
//!
//! ```text
//!     relative variance of a density       (1/K)·(1 + 2·(1 - 1/K)/36)                                         [1]
//!     relative variance of a mean square   ∫S²df/(∫S df)²/T,  1/T = (rate/L)·(35·K + 3·(K - 1))/(18·K²)         [2]
//! ```
//!
//! the second because overlapping windows weight the samples by g = Σw², and 1/T = rate·Σg²/(Σg)².
//!
//! [1] Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70, eq. 15, ρ = 1/36 for this window
//! [2] Bendat and Piersol, Random Data, ch. 8, for the first factor; the second by summing sin⁴ and its products

use std::sync::Arc;

use num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};

use super::filter::hann;

/// An average under way.
pub struct Welch {
    window: Vec<f64>,
    forward: Arc<dyn RealToComplex<f64>>,
    waiting: Vec<f64>,
    windowed: Vec<f64>,
    transformed: Vec<Complex64>,
    sums: Vec<f64>,
    segments: usize,
}

/// Density over frequency, and how sure it is.
#[derive(Clone, Debug, PartialEq)]
pub struct PowerSpectrum {
    /// Distance of neighbouring frequencies, Hz; the first is 0.
    pub step_hz: f64,
    /// One-sided density at multiples of the step, V²/Hz.
    pub density: Vec<f64>,
    /// Segments that were averaged.
    pub segments: usize,
}

impl Welch {
    /// Segments of `length` samples, an even number of at least 4.
    pub fn new(length: usize) -> Self {
        let length = (length.max(4) / 2) * 2;
        let forward = RealFftPlanner::new().plan_fft_forward(length);
        Self {
            window: (0..length).map(|at| hann(at, length)).collect(),
            waiting: Vec::with_capacity(length),
            windowed: vec![0.0; length],
            transformed: forward.make_output_vec(),
            sums: vec![0.0; length / 2 + 1],
            segments: 0,
            forward,
        }
    }

    /// Takes further samples.
    pub fn push(&mut self, mut samples: &[f64]) {
        let length = self.window.len();
        while !samples.is_empty() {
            let (now, later) = samples.split_at(samples.len().min(length - self.waiting.len()));
            self.waiting.extend_from_slice(now);
            samples = later;
            if self.waiting.len() == length {
                self.add_segment();
                self.waiting.drain(..length / 2);
            }
        }
    }

    fn add_segment(&mut self) {
        let mean = self.waiting.iter().sum::<f64>() / self.waiting.len() as f64;
        for ((windowed, sample), window) in self.windowed.iter_mut().zip(&self.waiting).zip(&self.window) {
            *windowed = (sample - mean) * window;
        }
        let done = self.forward.process(&mut self.windowed, &mut self.transformed);
        done.expect("the lengths are the planner's own");
        for (sum, value) in self.sums.iter_mut().zip(&self.transformed) {
            *sum += value.norm_sqr();
        }
        self.segments += 1;
    }

    /// The average so far, of samples taken at `rate_hz`; zero without a whole segment.
    pub fn spectrum(&self, rate_hz: f64) -> PowerSpectrum {
        let weight: f64 = self.window.iter().map(|window| window * window).sum();
        let scale = 2.0 / (rate_hz * weight * self.segments.max(1) as f64);
        let mut density: Vec<f64> = self.sums.iter().map(|sum| sum * scale).collect();
        density[0] /= 2.0;
        *density.last_mut().expect("there are at least three frequencies") /= 2.0;
        PowerSpectrum { step_hz: rate_hz / self.window.len() as f64, density, segments: self.segments }
    }
}

impl PowerSpectrum {
    /// Mean square over a band with a factor on power, V². Each density stands for the cell around its frequency; of the
    /// cells at the ends the part inside the band counts.
    pub fn power(&self, band_hz: [f64; 2], weight: impl Fn(f64) -> f64) -> f64 {
        self.cells(band_hz).map(|(hertz, width, density)| density * weight(hertz) * width).sum()
    }

    /// Standard deviation of [`PowerSpectrum::power`] over its value, for Gaussian noise.
    pub fn power_error(&self, band_hz: [f64; 2], weight: impl Fn(f64) -> f64) -> f64 {
        let sum = self.power(band_hz, &weight);
        let squares: f64 =
            self.cells(band_hz).map(|(hertz, width, density)| (density * weight(hertz)).powi(2) * width).sum();
        // Squares of estimates are too large on average by their own variance.
        let squares = squares / (1.0 + self.density_variance());
        if sum > 0.0 { (squares / self.seconds()).sqrt() / sum } else { 0.0 }
    }

    /// Relative variance of each density, for Gaussian noise.
    pub fn density_variance(&self) -> f64 {
        let segments = self.segments.max(1) as f64;
        (1.0 + 2.0 * (1.0 - 1.0 / segments) / 36.0) / segments
    }

    /// The duration that an unweighted average of the same certainty takes, s.
    fn seconds(&self) -> f64 {
        let segments = self.segments.max(1) as f64;
        18.0 * segments * segments / (35.0 * segments + 3.0 * (segments - 1.0)) / self.step_hz
    }

    /// Centre, width and density of the cells, and parts of cells, inside a band.
    fn cells(&self, band_hz: [f64; 2]) -> impl Iterator<Item = (f64, f64, f64)> {
        let last = self.density.len().saturating_sub(1);
        let at = |hertz: f64| (hertz / self.step_hz).round().clamp(0.0, last as f64) as usize;
        (at(band_hz[0])..=at(band_hz[1])).map(move |k| {
            let middle = k as f64 * self.step_hz;
            let low = (middle - 0.5 * self.step_hz).max(band_hz[0]);
            // Beyond half the sampling rate there is nothing.
            let high = (middle + 0.5 * self.step_hz).min(band_hz[1]).min(last as f64 * self.step_hz);
            (0.5 * (low + high), (high - low).max(0.0), self.density[k])
        })
    }
}
