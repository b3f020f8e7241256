//! Units drawn at random, the same on every machine.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::{Coordinate, normal_quantile};

/// The standardised values of one random unit. Units of one seed are independent of each other, and each depends on
/// nothing but the seed and its number.
pub fn draw(coordinates: &[Coordinate], seed: u64, unit: u64) -> Vec<f64> {
    let mut stream = Stream::new(seed, unit);
    coordinates.iter().map(|coordinate| coordinate.law.standard(stream.uniform())).collect()
}

/// The standardised values of `count` units that fill the range of every coordinate evenly: each of `count` equally likely
/// slices of it is hit once, in an order of its own. Means and spreads converge faster than with independent draws.
pub fn stratified(coordinates: &[Coordinate], seed: u64, count: usize) -> Vec<Vec<f64>> {
    let mut units = vec![Vec::with_capacity(coordinates.len()); count];
    for (position, coordinate) in coordinates.iter().enumerate() {
        // A stream of its own, so that another coordinate more or less changes nothing for those before it.
        let mut stream = Stream::new(seed, position as u64);
        let mut slices: Vec<usize> = (0..count).collect();
        for last in (1..count).rev() {
            slices.swap(last, stream.below(last + 1));
        }
        for (unit, slice) in units.iter_mut().zip(slices) {
            let u = (slice as f64 + stream.uniform()) / count as f64;
            unit.push(coordinate.law.standard(u.clamp(f64::EPSILON, 1.0 - f64::EPSILON)));
        }
    }
    units
}

/// Random numbers of one stream of a seed.
#[derive(Clone, Debug)]
pub(crate) struct Stream(ChaCha8Rng);

impl Stream {
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(stream);
        Self(generator)
    }

    /// One number of mean 0 and sd 1, normally distributed.
    pub fn normal(&mut self) -> f64 {
        normal_quantile(self.uniform())
    }

    /// Above 0 and below 1.
    pub fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 12) as f64 + 0.5) / (1u64 << 52) as f64
    }

    /// A whole number below `count`.
    fn below(&mut self, count: usize) -> usize {
        ((self.uniform() * count as f64) as usize).min(count - 1)
    }
}
