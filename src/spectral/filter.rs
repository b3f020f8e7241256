//! Filtering of a stream of any length with a zero-phase kernel, by overlap-save.
//!
//! The kernel of L taps is the inverse transform of the wanted gain at the L/2 + 1 frequencies k·rate/L, centred and
//! weighted by a Hann window. Its gain is the wanted one smoothed over neighbours by (1/4, 1/2, 1/4): no ripple beside a
//! step of the gain, and past one spacing from the step nothing is left of it. White noise filtered so is exactly
//! stationary, block after block, for it is one convolution.
//!
//! Overlap-save: Stockham, AFIPS Proc. 28 (1966) 229. Frequency sampling with a window: Oppenheim and Schafer,
//! Discrete-Time Signal Processing, ch. 7.

use std::sync::Arc;

use num_complex::Complex64;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

/// A filter at work. Blocks of [`Filter::block`] samples go in and come out, later by half a block.
pub struct Filter {
    /// Kernel length and block length L.
    block: usize,
    /// Transform of the kernel over 2L.
    gain: Vec<Complex64>,
    /// The last block, then the present one.
    samples: Vec<f64>,
    transformed: Vec<Complex64>,
    filtered: Vec<f64>,
    forward: Arc<dyn RealToComplex<f64>>,
    backward: Arc<dyn ComplexToReal<f64>>,
    power: f64,
}

impl Filter {
    /// A filter with the given gain at the frequencies k·rate/L, k from 0 to L/2; L is even and at least 2.
    ///
    /// Before the first block the signal is zero.
    pub fn new(gains: &[f64]) -> Self {
        let block = 2 * gains.len().saturating_sub(1).max(1);
        let mut planner = RealFftPlanner::new();
        let (forward, backward) = (planner.plan_fft_forward(2 * block), planner.plan_fft_inverse(2 * block));
        let mut samples = kernel(gains, block, &mut planner);
        let power = samples.iter().map(|tap| tap * tap).sum();
        samples.resize(2 * block, 0.0);
        let mut gain = forward.make_output_vec();
        transform(&*forward, &mut samples, &mut gain);
        // The inverse transform of realfft is not divided by its length.
        gain.iter_mut().for_each(|gain| *gain /= 2.0 * block as f64);
        let (transformed, filtered) = (forward.make_output_vec(), backward.make_output_vec());
        let samples = vec![0.0; 2 * block];
        Self { block, gain, samples, transformed, filtered, forward, backward, power }
    }

    /// Samples of a block.
    pub fn block(&self) -> usize {
        self.block
    }

    /// Mean square that white noise of mean square 1 comes out with: the sum of the squared taps (Parseval).
    pub fn power(&self) -> f64 {
        self.power
    }

    /// Filters the next block, filled in by `fill`. What comes out lies half a block back; of the first block it is
    /// zeros and the onset of the signal.
    pub fn next(&mut self, fill: impl FnOnce(&mut [f64])) -> &[f64] {
        let (last, present) = self.samples.split_at_mut(self.block);
        last.copy_from_slice(present);
        fill(present);
        // The transform uses up its input.
        self.filtered.copy_from_slice(&self.samples);
        transform(&*self.forward, &mut self.filtered, &mut self.transformed);
        for (value, gain) in self.transformed.iter_mut().zip(&self.gain) {
            *value *= gain;
        }
        // A real signal has no phase at the ends of the spectrum; rounding is all that could stand there.
        for end in [0, self.block] {
            self.transformed[end].im = 0.0;
        }
        let done = self.backward.process(&mut self.transformed, &mut self.filtered);
        done.expect("the lengths are the planner's own, and the ends of the spectrum are real");
        &self.filtered[self.block..]
    }
}

fn transform(forward: &dyn RealToComplex<f64>, samples: &mut [f64], transformed: &mut [Complex64]) {
    forward.process(samples, transformed).expect("the lengths are the planner's own");
}

/// The taps, centred at half the block.
fn kernel(gains: &[f64], block: usize, planner: &mut RealFftPlanner<f64>) -> Vec<f64> {
    let inverse = planner.plan_fft_inverse(block);
    let mut spectrum = inverse.make_input_vec();
    for (value, gain) in spectrum.iter_mut().zip(gains) {
        *value = Complex64::from(*gain);
    }
    let mut taps = inverse.make_output_vec();
    inverse.process(&mut spectrum, &mut taps).expect("the lengths are the planner's own, and the spectrum is real");
    taps.rotate_right(block / 2);
    for (at, tap) in taps.iter_mut().enumerate() {
        *tap *= hann(at, block) / block as f64;
    }
    taps
}

/// The Hann window of a period, zero at its beginning.
pub(super) fn hann(at: usize, length: usize) -> f64 {
    (std::f64::consts::PI * at as f64 / length as f64).sin().powi(2)
}
