//! Samples of hiss.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::Density;
use crate::spectral::Filter;

/// How many spacings of the kernel's frequencies the lower end of the band lies above zero.
const SPACINGS_BELOW_BAND: f64 = 64.0;
/// Lengths of the kernel.
const SHORTEST: usize = 1 << 10;
const LONGEST: usize = 1 << 20;

/// An endless run of samples in volts. The same density, rate, seed and stream give the same samples.
pub struct Hiss {
    random: ChaCha8Rng,
    filter: Filter,
    ready: Vec<f64>,
    next: usize,
    rms_volts: f64,
}

impl Hiss {
    /// Hiss of a density, sampled at `rate_hz`; what lies above half of that is left out. Streams of one seed have nothing
    /// to do with each other.
    pub fn new(density: &Density, rate_hz: f64, seed: u64, stream: u64) -> Self {
        let [low, high] = density.band_hz();
        let length = (SPACINGS_BELOW_BAND * rate_hz / low).clamp(SHORTEST as f64, LONGEST as f64) as usize;
        let length = length.next_power_of_two();
        let step = rate_hz / length as f64;
        // White noise of mean square 1 has the density 2/rate.
        let gain = |k: usize| {
            let middle = k as f64 * step;
            let (from, to) = ((middle - 0.5 * step).max(low), (middle + 0.5 * step).min(high));
            let covered = ((to - from) / step).max(0.0);
            (density.at(0.5 * (from + to)) * covered * rate_hz / 2.0).sqrt()
        };
        let gains: Vec<f64> = (0..=length / 2).map(|k| if k == 0 { 0.0 } else { gain(k) }).collect();
        let filter = Filter::new(&gains);
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        random.set_stream(stream);
        let rms_volts = filter.power().sqrt();
        let mut hiss = Self { random, filter, ready: vec![0.0; length], next: length, rms_volts };
        // The first block holds the onset.
        hiss.fill();
        hiss.next = length;
        hiss
    }

    /// The rms that the samples have on average, V: that of the density but for what the ends of the band lose.
    pub fn rms_volts(&self) -> f64 {
        self.rms_volts
    }

    fn fill(&mut self) {
        let random = &mut self.random;
        let block = self.filter.next(|white| white.fill_with(|| StandardNormal.sample(random)));
        self.ready.copy_from_slice(block);
        self.next = 0;
    }
}

impl Iterator for Hiss {
    type Item = f64;

    fn next(&mut self) -> Option<f64> {
        if self.next == self.ready.len() {
            self.fill();
        }
        self.next += 1;
        Some(self.ready[self.next - 1])
    }
}
